"""Takes the pictures of the page: ``python tests/app/screens.py FOUND.mp4 LEFT.mp4 FOLDER [--docs DOCS]``.

A job is walked from its start to the record on a page of an empty store, both clips measured for real, and
every page is saved whole at phone and at laptop width as ``<view>-<width>.png``. With ``--docs`` the pictures
that ``docs/using.md`` and the README show are saved, too.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from pathlib import Path

from browsing import (
    ANALYSIS_MS,
    CLIP_INPUT,
    WIDTHS_PX,
    looked_at,
    on_page,
    open_box,
    open_page,
    opened_browser,
    press,
    served_page,
    settled,
    too_wide,
)
from needs import find_program
from playwright.sync_api import Page, expect

PHONE_PX = 390
DOCS_HEIGHT_PX = 900
JPEG_QUALITY = 72
PAGES = ("prepare", "film", "read", "compare", "adjust", "handover")


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


def save_for_docs(
    page: Page, docs: Path | None, name: str, heading: str | re.Pattern[str] | None = None
) -> None:
    """Save what a phone shows from a heading on, for the docs."""
    if docs is None:
        return
    settled(page)
    page.set_viewport_size({"width": PHONE_PX, "height": DOCS_HEIGHT_PX})
    settled(page)
    if heading is not None:
        title = page.get_by_role("heading", name=heading).first
        title.evaluate("(element) => element.scrollIntoView({block: 'start'})")
    else:
        page.evaluate("() => document.querySelector('.stMain').scrollTo(0, 0)")
    page.wait_for_timeout(500)
    page.screenshot(path=docs / f"using-{name}.jpg", type="jpeg", quality=JPEG_QUALITY)


def add_film(page: Page, clip: Path, folder: Path) -> None:
    """Upload a clip where it is asked for and wait for its curve."""
    settled(page)
    page.locator(CLIP_INPUT).set_input_files(clip)
    expect(page.get_by_role("button", name="Cancel")).to_be_visible()
    page.wait_for_timeout(1500)
    page.screenshot(path=folder / "progress-phone.png")
    expect(page.get_by_role("heading", name="Travel curve")).to_be_visible(timeout=ANALYSIS_MS)
    settled(page)


def walk(page: Page, address: str, clips: tuple[Path, Path], folder: Path, docs: Path | None) -> str:
    """Walk a job on a phone as a technician and a reviewer would; gives an address in it."""
    open_page(page, address)
    save_for_docs(page, docs, "start")
    open_box(page, "Start a job before filming")
    for label, text in (("Burner", "Burner B (invented)"), ("Site", "Works 3"), ("Fuel", "natural gas")):
        page.get_by_label(label, exact=True).fill(text)
    press(page, page.get_by_role("button", name="Start the job"))
    page.wait_for_url(re.compile("/prepare"))
    settled(page)
    press(page, page.get_by_role("link", name="2 Film", exact=True))
    expect(page.get_by_role("heading", name="The first film")).to_be_visible()
    save_for_docs(page, docs, "film")
    add_film(page, clips[0], folder)
    save_for_docs(page, docs, "findings", "Findings")
    press(page, page.get_by_role("button", name=re.compile("^Show it in the film")).nth(2))
    settled(page)
    save_for_docs(page, docs, "curve", "Travel curve")
    save_for_docs(page, docs, "moment", "A moment of the film")
    save_for_docs(page, docs, "scale", "The linkage to scale")
    url = page.url
    open_page(page, on_page(url, "adjust"))
    press(page, page.get_by_text("Equal travel", exact=True))
    expect(page.get_by_role("heading", name="Work order")).to_be_visible()
    settled(page)
    press(page, page.get_by_role("button", name=re.compile("^Choose proposal")))
    expect(page.get_by_text("On record since")).to_be_visible()
    save_for_docs(page, docs, "proposal", re.compile(r"^Proposal \d"))
    page.goto(on_page(url, "film"))
    add_film(page, clips[1], folder)
    open_page(page, on_page(page.url, "compare"))
    save_for_docs(page, docs, "compare", "As found against as left")
    open_page(page, on_page(page.url, "handover"))
    open_box(page, "Add a comment")
    page.get_by_label("Your name").filter(visible=True).fill("B. Reviewer")
    page.get_by_label("Comment", exact=True).fill("Lost motion is down. Check the rod end again next year.")
    press(page, page.get_by_role("button", name="Put this comment on record"))
    expect(page.get_by_text("Lost motion is down.")).to_be_visible()
    settled(page)
    press(page, page.get_by_role("button", name="Make the record"))
    expect(page.get_by_role("link", name=re.compile("^Download the record"))).to_be_visible(
        timeout=ANALYSIS_MS
    )
    save_for_docs(page, docs, "handover")
    save_for_docs(page, docs, "record", "Record as PDF")
    return url


def main() -> int:
    """Take all pictures at both widths."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("found", type=Path)
    parser.add_argument("left", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--docs", type=Path)
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
            with looked_at(browser, "phone", complaints) as page:
                url = walk(page, address, (chosen.found, chosen.left), chosen.folder, chosen.docs)
            for width in WIDTHS_PX:
                with looked_at(browser, width, complaints) as page:
                    page.goto(address)
                    save_whole(page, chosen.folder / f"start-{width}.png", width)
                    for name in PAGES:
                        page.goto(on_page(url, name))
                        save_whole(page, chosen.folder / f"{name}-{width}.png", width)
                    if chosen.docs is not None and width == "laptop":
                        open_page(page, on_page(url, "read"))
                        page.get_by_role("slider").focus()
                        for _ in range(3):
                            page.keyboard.press("PageUp")
                        settled(page)
                        page.wait_for_timeout(1500)
                        title = page.get_by_role("heading", name="Travel curve").first
                        title.evaluate("(element) => element.scrollIntoView({block: 'start'})")
                        page.wait_for_timeout(500)
                        page.screenshot(path=chosen.docs / "page.png")
    print("\n".join(complaints) or "no errors in the browser's console")
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
