"""A page on a free port and a real browser looking at it, for tests and for the pictures in the docs."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from playwright.sync_api import Browser, Page, expect, sync_playwright

from app.page.launch import ADDRESS, command, free_port, wait_until_ready

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
PATIENCE_MS = 30_000
ANALYSIS_MS = 120_000
CLIP_INPUT = 'input[type="file"][accept*=".mp4"]'


@contextmanager
def served_page(store: Path, log: Path) -> Iterator[str]:
    """Serve the page on a store; gives its address."""
    port = free_port(0)
    with log.open("wb") as stream:
        server = subprocess.Popen(
            command(store, port), stdin=subprocess.DEVNULL, stdout=stream, stderr=stream
        )
        try:
            assert wait_until_ready(server, port), log.read_text()
            yield f"http://{ADDRESS}:{port}/"
        finally:
            server.terminate()
            server.wait(timeout=20)


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


@contextmanager
def looked_at(browser: Browser, width: str, complaints: list[str]) -> Iterator[Page]:
    """A fresh visitor at ``phone`` or ``laptop`` width; errors in the browser go to ``complaints``."""
    size = dict(zip(("width", "height"), WIDTHS_PX[width], strict=True))
    context = browser.new_context(
        viewport=size, has_touch=width == "phone", accept_downloads=True, reduced_motion="reduce"
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.on("console", lambda line: complaints.append(line.text) if line.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    try:
        yield page
    finally:
        context.close()


def settled(page: Page) -> None:
    """Wait until the page has run to its end and every picture is there."""
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
    page.wait_for_function("() => [...document.images].every((picture) => picture.complete)")


def too_wide(page: Page) -> int:
    """Pixels by which the content is wider than the screen; 0 or less if nothing scrolls sideways."""
    return int(
        page.evaluate(
            "() => Math.max(document.scrollingElement.scrollWidth,"
            " ...[...document.querySelectorAll('.stMain, .stMainBlockContainer')].map((e) => e.scrollWidth))"
            " - window.innerWidth"
        )
    )


def upload(page: Page, address: str, clip: Path | dict) -> None:
    """Upload a clip at an address with an uploader; ends on the page that shows its progress."""
    page.goto(address)
    settled(page)
    page.locator(CLIP_INPUT).set_input_files(clip)
    page.wait_for_url(re.compile(r"/film\?job=\w+&film=\w+"))


def job_of(url: str) -> str:
    """Id of the job in an address."""
    return parse_qs(urlsplit(url).query)["job"][0]


def on_page(url: str, name: str) -> str:
    """The same place in the job on another page."""
    return re.sub(r"/\w+\?", f"/{name}?", url)
