"""A page on a free port and a real browser looking at it, for tests and for the pictures in the docs."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import parse_qs, urlsplit
from weakref import WeakKeyDictionary

from own_ports import own_port
from patience import PATIENCE_S
from playwright.sync_api import Browser, BrowserContext, Locator, Page, WebSocket, expect, sync_playwright
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from strokecurve.app.page.launch import ADDRESS, command, wait_until_ready

BROWSER_ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDTHS_PX = {"phone": (390, 844), "laptop": (1280, 900)}
PATIENCE_MS = 1000 * PATIENCE_S
PRESS_MS = 5_000
ANALYSIS_MS = 240_000
CLIP_INPUT = 'input[type="file"][accept*=".mp4"]'


class Runs:
    """Runs of the script behind a page that somebody asked for, as browser and server speak of them.

    The page itself tells of a run only once the server has begun it, so it looks idle after a press until
    then. What the page asks for by itself, to show progress, does not count.
    """

    def __init__(self, page: Page) -> None:
        self.asked = 0
        self.ended = True
        self._begun = True
        self._fragment = ""
        page.on("websocket", self._listen)

    def _listen(self, socket: WebSocket) -> None:
        socket.on("framesent", self._sent)
        socket.on("framereceived", self._received)

    def _sent(self, payload: bytes | str) -> None:
        if isinstance(payload, str):
            return
        message = BackMsg.FromString(payload)
        if message.WhichOneof("type") == "rerun_script" and not message.rerun_script.is_auto_rerun:
            self.asked += 1
            self.ended = self._begun = False
            self._fragment = message.rerun_script.fragment_id

    def _received(self, payload: bytes | str) -> None:
        if isinstance(payload, str):
            return
        message = ForwardMsg.FromString(payload)
        kind, run = message.WhichOneof("type"), message.metadata.run
        if kind == "new_session":
            # A part of the page that was asked for is also drawn where all of it is.
            self._begun |= not run.fragment_ids or self._fragment in run.fragment_ids
        elif kind == "script_finished":
            self.ended |= self._begun and message.script_finished != ForwardMsg.FINISHED_EARLY_FOR_RERUN


_RUNS: WeakKeyDictionary[Page, Runs] = WeakKeyDictionary()


@contextmanager
def served_page(store: Path, log: Path) -> Iterator[str]:
    """Serve the page on a store; gives its address."""
    port = own_port()
    with log.open("wb") as stream:
        server = subprocess.Popen(
            command(store, port), stdin=subprocess.DEVNULL, stdout=stream, stderr=stream
        )
        try:
            assert wait_until_ready(server, port), log.read_text()
            yield f"http://{ADDRESS}:{port}/"
        finally:
            server.terminate()
            server.wait(PATIENCE_S)


@contextmanager
def opened_browser(executable: str) -> Iterator[Browser]:
    """Start the browser without a window."""
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable, headless=True, args=BROWSER_ARGUMENTS
        )
        try:
            yield browser
        finally:
            browser.close()


_LEFT: WeakKeyDictionary[Browser, dict[str, list[BrowserContext]]] = WeakKeyDictionary()
"""Contexts that visitors have left, by width: they keep the page's own scripts, which load for seconds."""


@contextmanager
def looked_at(browser: Browser, width: str, complaints: list[str]) -> Iterator[Page]:
    """A fresh visitor at ``phone`` or ``laptop`` width; errors in the browser go to ``complaints``."""
    left = _LEFT.setdefault(browser, {}).setdefault(width, [])
    context = left.pop() if left else _new_context(browser, width)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    _RUNS[page] = Runs(page)
    page.on("console", lambda line: complaints.append(line.text) if line.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    try:
        yield page
    except BaseException:
        context.close()
        raise
    _forget(context)
    left.append(context)


def _new_context(browser: Browser, width: str) -> BrowserContext:
    size = dict(zip(("width", "height"), WIDTHS_PX[width], strict=True))
    return browser.new_context(
        viewport=size, has_touch=width == "phone", accept_downloads=True, reduced_motion="reduce"
    )


def _forget(context: BrowserContext) -> None:
    """Leave nothing of a visitor in a context: no page, cookie or permission, nothing that a page stored."""
    for page in context.pages:
        if page.url.startswith("http"):
            page.evaluate("() => localStorage.clear()")
        page.close()
    context.clear_cookies()
    context.clear_permissions()


def waited_for(page: Page, reached: Callable[[], bool], what: str, patience_ms: float = PATIENCE_MS) -> None:
    """Wait for something that no element of the page shows, while the page goes on."""
    deadline = time.monotonic() + patience_ms / 1000
    while not reached():
        assert time.monotonic() < deadline, f"waited in vain: {what} ({state_of(page)})"
        page.wait_for_timeout(50)


def state_of(page: Page) -> str:
    """What the page says of its script and of its connection, and where the focus is."""
    script, connection, focus = page.evaluate(
        """() => {
            const {testScriptState, testConnectionState} =
                document.querySelector('[data-testid="stApp"]')?.dataset ?? {};
            return [testScriptState, testConnectionState, document.activeElement?.outerHTML.slice(0, 200)];
        }"""
    )
    return f"script {script}, connection {connection}, focus on {focus}"


@contextmanager
def answered(page: Page) -> Iterator[None]:
    """Wait until the server has worked through what is done to the page inside, and the page shows it.

    For whatever makes the page ask the server: a press, a choice, a field that is left. Presses that follow
    meet the page as it is then.
    """
    runs = _RUNS[page]
    before = runs.asked
    yield
    waited_for(page, lambda: runs.asked > before, "that the page asks the server")
    _answer(page)


def press(page: Page, button: Locator) -> None:
    """Press what makes the page ask the server, and wait as ``answered`` does.

    On a busy machine a press may miss what still moves; then it is pressed again, as a person would.
    """
    runs = _RUNS[page]
    before = runs.asked
    _until(page, button.click, lambda: runs.asked > before, "that the page asks the server")
    _answer(page)


def open_box(page: Page, title: str) -> None:
    """Open the box with this title."""
    line = page.locator("[data-testid='stExpander'] summary").filter(has=page.get_by_text(title, exact=True))
    _until(page, line.click, lambda: bool(line.evaluate("(line) => line.parentElement.open")), "an open box")


def _until(page: Page, do: Callable[[], None], reached: Callable[[], bool], what: str) -> None:
    """Do something to a page at rest, three times at most, until something is reached."""
    for patience_ms in (PRESS_MS, PRESS_MS, PATIENCE_MS):
        at_rest(page)
        do()
        try:
            waited_for(page, reached, what, patience_ms)
        except AssertionError:
            if patience_ms == PATIENCE_MS:
                raise
        else:
            return


def _answer(page: Page) -> None:
    """Wait until the server has worked through what it was asked, and the page shows it."""
    waited_for(page, lambda: _RUNS[page].ended, "that the server has answered")
    # The browser tells of a message before the page has drawn it.
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    settled(page)


def open_page(page: Page, address: str) -> None:
    """Go to an address and wait until all of it is there."""
    page.goto(address)
    settled(page)


def settled(page: Page) -> None:
    """Wait until the page has run to its end, every picture is there and nothing moves.

    For a page that was just opened. After a press it may return before the server has begun to answer;
    then ``answered`` is what waits.
    """
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
    page.wait_for_function("() => [...document.images].every((picture) => picture.complete)")
    at_rest(page)


def at_rest(page: Page) -> None:
    """Wait until nothing moves any more, as a press meets what is under it then."""
    page.evaluate(
        """() => new Promise((done) => {
            let before = null, still = 0;
            const look = () => {
                const now = [...document.querySelectorAll('button, a, input, summary, label')]
                    .map((one) => one.getBoundingClientRect().top).join();
                still = now === before ? still + 1 : 0;
                before = now;
                if (still < 5) requestAnimationFrame(look); else done();
            };
            look();
        })"""
    )


def unfold(page: Page) -> None:
    """Open every box of a page; what is in them is drawn then."""
    folded = page.locator("[data-testid='stExpander'] details:not([open]) > summary")
    while folded.count():
        folded.first.click()
    settled(page)


def too_wide(page: Page) -> int:
    """Pixels by which the content is wider than the screen; 0 or less if nothing scrolls sideways."""
    return int(
        page.evaluate(
            "() => Math.max(document.scrollingElement.scrollWidth,"
            " ...[...document.querySelectorAll('.stMain, .stMainBlockContainer')].map((e) => e.scrollWidth))"
            " - window.innerWidth"
        )
    )


def reloaded(page: Page) -> None:
    """Reload; the address must lead to the same page and nothing may be too wide."""
    before = page.url
    page.reload()
    settled(page)
    assert page.url == before
    assert too_wide(page) <= 0


def upload(page: Page, address: str, clip: Path | dict) -> None:
    """Upload a clip at an address with an uploader; ends on the page that shows its progress."""
    open_page(page, address)
    page.locator(CLIP_INPUT).set_input_files(clip)
    page.wait_for_url(re.compile(r"/film\?job=\w+&film=\w+"))


def job_of(url: str) -> str:
    """Id of the job in an address."""
    return parse_qs(urlsplit(url).query)["job"][0]


def on_page(url: str, name: str) -> str:
    """The same place in the job on another page."""
    return re.sub(r"/\w+\?", f"/{name}?", url)
