"""Takes the pictures of the page that the docs show: ``python tests/app/screens.py CLIP FOLDER``.

The clip is uploaded to a page on an empty store and measured for real; each view is saved at phone
and at laptop width as ``<view>-<width>.png``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from browsing import WIDTHS_PX, looked_at, opened_browser, served_page, settled, too_wide
from needs import find_program
from playwright.sync_api import Page, expect

ANALYSIS_MS = 300_000


def save_whole(page: Page, path: Path, width: str) -> None:
    """Save the whole page, however tall: the page scrolls inside an element of its own."""
    settled(page)
    page.wait_for_timeout(700)
    height = page.evaluate("() => document.querySelector('.stMain').scrollHeight")
    page.set_viewport_size({"width": WIDTHS_PX[width][0], "height": int(height) + 10})
    settled(page)
    page.wait_for_timeout(400)
    page.screenshot(path=path)
    page.set_viewport_size(dict(zip(("width", "height"), WIDTHS_PX[width], strict=True)))
    print(f"{path} (wider than the screen by {max(too_wide(page), 0)} px)")


def take(page: Page, address: str, clip: Path, folder: Path, width: str) -> None:
    """Walk through the page once and save every view."""
    page.goto(address)
    save_whole(page, folder / f"start-{width}.png", width)
    page.locator('input[type="file"][accept*=".mp4"]').set_input_files(clip)
    expect(page.get_by_role("button", name="Cancel")).to_be_visible()
    page.wait_for_timeout(1500)
    page.screenshot(path=folder / f"progress-{width}.png")
    ended = page.get_by_role("heading", name="Travel curve").or_(page.get_by_role("alert"))
    expect(ended.first).to_be_visible(timeout=ANALYSIS_MS)
    assert page.get_by_role("alert").count() == 0, page.get_by_role("alert").inner_text()
    settled(page)
    page.get_by_role("slider").focus()
    for _ in range(8):
        page.keyboard.press("PageUp")
    save_whole(page, folder / f"result-{width}.png", width)
    page.get_by_text("Equal travel", exact=True).click()
    expect(page.get_by_text("largest deviation").first).to_be_visible()
    save_whole(page, folder / f"compared-{width}.png", width)
    page.get_by_text("A table typed in").click()
    expect(page.get_by_text("Fill in the driven travel of two rows")).to_be_visible()
    save_whole(page, folder / f"typed-{width}.png", width)
    page.get_by_role("button", name="All films and new upload").click()
    save_whole(page, folder / f"films-{width}.png", width)


def main() -> int:
    """Take all pictures at both widths."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("folder", type=Path)
    chosen = parser.parse_args()
    executable = find_program("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    if executable is None:
        print("No Chromium found: install it to take pictures of the page.", file=sys.stderr)
        return 2
    chosen.folder.mkdir(parents=True, exist_ok=True)
    complaints: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        store, log = Path(place) / "store", Path(place) / "server.log"
        with opened_browser(executable) as browser, served_page(store, log) as address:
            for width in WIDTHS_PX:
                with looked_at(browser, width, complaints) as page:
                    take(page, address, chosen.clip, chosen.folder, width)
    print("\n".join(complaints) or "no errors in the browser's console")
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
