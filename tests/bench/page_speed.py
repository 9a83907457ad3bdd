"""How long until the travel curve stands on the page, against the command; how long until a frame does.

`PYTHONPATH=tests/app:. python tests/bench/page_speed.py CLIP [ROUNDS]`
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from browsing import looked_at, opened_browser, served_page, settled
from needs import need_program
from playwright.sync_api import Page

from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports

WIDTH = "laptop"
FRAME = 'img[alt^="Frame of the clip"]'
CURVE = 'img[alt^="Travel curve"]'
CHOOSING_S = 3.0
"""A person opens the page, reads, and chooses a clip; meanwhile the server gets ready."""
WATCH_CURVE = """() => {
  window.curve = 0;
  document.addEventListener('load', (event) => {
    if (event.target.alt?.startsWith('Travel curve') && !window.curve) window.curve = Date.now();
  }, true);
}"""
"""The browser notes when the curve stands there: being asked again and again is half a second too coarse."""
COUNT_FRAMES = """() => {
  window.asked = 0; window.shown = 0;
  document.addEventListener('keydown', () => { window.asked = performance.now() }, true);
  document.addEventListener('load', (event) => {
    if (event.target.alt?.startsWith('Frame of the clip')) window.shown = performance.now()
  }, true);
}"""


def command_s(clip: Path, folder: Path) -> float:
    """Wall time of the command."""
    began_s = time.perf_counter()
    subprocess.run(
        [
            sys.executable,
            "-m",
            "strokecurve.app.commands.cli",
            "measure",
            str(clip),
            "--out",
            str(folder / "out"),
        ],
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - began_s


def first_curve_s(page: Page, address: str, clip: Path) -> float:
    """Wall time from choosing the clip until the travel curve is drawn."""
    page.goto(address)
    settled(page)
    page.wait_for_timeout(1000 * CHOOSING_S)
    page.evaluate(WATCH_CURVE)
    began_s = time.time()
    page.locator('input[type="file"][accept*=".mp4"]').set_input_files(clip)
    page.locator(CURVE).wait_for(timeout=25_000)
    page.wait_for_function("() => window.curve")
    return float(page.evaluate("() => window.curve")) / 1000 - began_s


def scrubs_s(page: Page, rng: np.random.Generator, times: int) -> list[float]:
    """Times from a key pressed on the slider until another frame stands on the page, measured there."""
    page.evaluate(COUNT_FRAMES)
    slider = page.get_by_role("slider").first
    found = []
    for _ in range(times):
        # Far jumps: the slider goes by a tenth of its length with these keys.
        slider.press(str(rng.choice(["PageUp", "PageDown", "Home", "End"])))
        try:
            page.wait_for_function("() => window.shown > window.asked", timeout=5_000)
        except Exception:
            continue  # at an end already: no other frame was asked for
        found.append(page.evaluate("() => (window.shown - window.asked) / 1000"))
    return found


def wait_for_copies(store: Store) -> float:
    """Wait until the copies that frames come from are made; gives when the last was, seconds since 1970.

    They are work beside what is measured.
    """
    last_s = 0.0
    for job in store.jobs():
        for film in job.films:
            while (copy := exports.newest(store, job.job_id, "frames", film=film.film_id)) is None or (
                not copy.state.ended
            ):
                time.sleep(0.2)
            assert copy.state is RunState.DONE, copy.error
            assert copy.file is not None
            last_s = max(last_s, copy.file.stat().st_mtime)
    return last_s


def main() -> None:
    """Print both."""
    clip = Path(sys.argv[1]).resolve()
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    chromium = need_program("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    with tempfile.TemporaryDirectory() as name, opened_browser(chromium) as browser:
        folder = Path(name)
        store = Store(folder / "store")
        complaints: list[str] = []
        pairs = []
        with served_page(store.folder, folder / "log") as address:
            with looked_at(browser, WIDTH, complaints) as page:
                first_curve_s(page, address, clip)  # the server's first page loads its libraries
            for _ in range(rounds):
                wait_for_copies(store)
                with looked_at(browser, WIDTH, complaints) as page:
                    curve_s = first_curve_s(page, address, clip)
                wait_for_copies(store)
                alone_s = command_s(clip, folder)
                pairs.append((curve_s, alone_s))
                print(f"first curve {curve_s:.2f} s, command {alone_s:.2f} s: {curve_s / alone_s:.2f}")
            print(f"first curve against command, median: {np.median([a / b for a, b in pairs]):.2f}")
            film = store.jobs()[0].films[0]
            with looked_at(browser, WIDTH, complaints) as page:
                page.goto(f"{address}read?job={film.job_id}&film={film.film_id}")
                page.locator(FRAME).wait_for()
                wait_for_copies(store)
                settled(page)
                found = scrubs_s(page, np.random.default_rng(1), 40)
            print(
                f"{len(found)} frames gone to: median {np.median(found):.3f} s, "
                f"19 of 20 below {np.percentile(found, 95):.3f} s, longest {max(found):.3f} s"
            )
            with looked_at(browser, WIDTH, complaints) as page:
                first_curve_s(page, address, clip)
                curve_at_s = time.time()
                page.locator(FRAME).wait_for(timeout=25_000)
                found = scrubs_s(page, np.random.default_rng(2), 8)
            copy_s = wait_for_copies(store) - curve_at_s
            print(
                f"straight after the curve, {len(found)} frames: median {np.median(found):.3f} s, longest "
                f"{max(found):.3f} s; their copy stood there {copy_s:.1f} s after the curve"
            )
            print(json.dumps({"complaints": complaints}))


if __name__ == "__main__":
    main()
