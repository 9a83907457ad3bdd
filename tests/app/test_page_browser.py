"""The page in a real browser at phone and laptop width: upload, watch, read, reload, cancel, refuse."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browsing import (
    ANALYSIS_MS,
    WIDTHS_PX,
    answered,
    at_rest,
    job_of,
    looked_at,
    on_page,
    open_box,
    open_page,
    press,
    settled,
    too_wide,
    upload,
)
from drawn_clips import repeated
from playwright.sync_api import Browser, Page, expect
from stored import run_of

from strokecurve.app.page.intending import HEAD_PX, ROW_PX
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.store import Store

LINKAGE = "motor:shaft1"
SAMPLE = Path(__file__).parents[2] / "sample_media" / "as_found.mp4"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def measured_url(browser: Browser, address: str) -> str:
    """Address of the sample clip's result, uploaded from a phone and measured by the real worker."""
    found: list[str] = []
    with looked_at(browser, "phone", found) as page:
        upload(page, address, SAMPLE)
        expect(page.get_by_role("heading", name="Travel curve")).to_be_visible(timeout=ANALYSIS_MS)
        settled(page)
        assert found == []
        return page.url


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_start_fits_and_shows_cautions_first(
    browser: Browser, address: str, complaints: list[str], width: str
) -> None:
    with looked_at(browser, width, complaints) as page:
        open_page(page, address)
        cautions = page.get_by_text("Burner off, locked out").bounding_box()
        prepare = page.get_by_role("heading", name="1. Prepare").bounding_box()
        assert cautions is not None
        assert prepare is not None
        assert cautions["y"] < prepare["y"]
        assert too_wide(page) <= 0
        open_box(page, "How to place the markers and film")
        expect(page.get_by_text("Start filming at low fire")).to_be_visible()
        assert too_wide(page) <= 0


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_reload_and_second_device_find_the_result(
    browser: Browser, measured_url: str, complaints: list[str], width: str
) -> None:
    with looked_at(browser, width, complaints) as page:
        for _ in range(2):
            page.goto(measured_url)
            expect(page.get_by_role("heading", name="Travel curve")).to_be_visible()
            settled(page)
        curve = page.get_by_alt_text(re.compile("^Travel curve"))
        assert curve.evaluate("(picture) => picture.naturalWidth") > 500
        frame = page.get_by_alt_text(re.compile("^Frame of the clip"))
        assert frame.evaluate("(picture) => picture.naturalWidth") > 300
        expect(page.get_by_role("row", name=re.compile("^90 "))).to_have_count(1)
        assert page.get_by_test_id("stException").count() == 0
        assert page.get_by_text("fault in strokecurve").count() == 0
        assert too_wide(page) <= 0


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_touch_targets_are_large(
    browser: Browser, measured_url: str, complaints: list[str], width: str
) -> None:
    """At least 44 px high: WCAG 2.2, target size (enhanced)."""
    with looked_at(browser, width, complaints) as page:
        open_page(page, measured_url)
        buttons = page.locator(
            ":is(.stButton button, .stDownloadButton button, [data-testid=stButtonGroup] button,"
            " .stPageLink a):visible"
        ).all()
        assert buttons
        for button in buttons:
            box = button.bounding_box()
            assert box is not None
            assert box["height"] >= 44


def test_a_box_has_its_full_height_at_once(browser: Browser, address: str, complaints: list[str]) -> None:
    """Nothing moves under a finger after a box was opened."""
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, address)
        line = page.locator("summary").filter(has_text="Start a job before filming")
        before, at_once, later = line.evaluate(
            """async (line) => {
                const frame = () => new Promise((done) => requestAnimationFrame(done));
                const height = () => line.parentElement.getBoundingClientRect().height;
                const before = height();
                line.click();
                do await frame(); while (line.nextElementSibling.inert);
                const at_once = height();
                await new Promise((done) => setTimeout(done, 800));
                return [before, at_once, height()];
            }"""
        )
        assert before + 200 < at_once == later


def test_moment_follows_the_slider(browser: Browser, measured_url: str, complaints: list[str]) -> None:
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, measured_url)
        frame = page.get_by_alt_text(re.compile("^Frame of the clip"))
        before = frame.get_attribute("alt")
        with answered(page):
            page.get_by_role("slider").press("End")
        expect(frame).not_to_have_attribute("alt", before or "")
        assert frame.evaluate("(picture) => picture.naturalWidth") > 300


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_comparison_with_equal_travel(
    browser: Browser, measured_url: str, complaints: list[str], width: str
) -> None:
    with looked_at(browser, width, complaints) as page:
        open_page(page, on_page(measured_url, "compare"))
        press(page, page.get_by_text("Equal travel", exact=True))
        expect(page.get_by_text("largest deviation")).to_be_visible()
        assert too_wide(page) <= 0
        press(page, page.get_by_text("A table typed in"))
        expect(page.get_by_text("Fill in the driven travel of two rows")).to_be_visible()
        assert too_wide(page) <= 0
        press(page, page.get_by_text("None yet", exact=True))
        expect(page.get_by_text("largest deviation")).to_have_count(0)


def type_into_sheet(page: Page, row: int, value: str) -> None:
    """Type a driven travel into a row of the sheet, as a person with a keyboard does."""
    sheet = page.get_by_test_id("stDataFrame").locator("canvas").first
    sheet.evaluate("(canvas) => canvas.scrollIntoView({block: 'center'})")
    at_rest(page)
    box = sheet.bounding_box()
    assert box is not None
    place = (box["x"] + box["width"] * 0.55, box["y"] + HEAD_PX + ROW_PX * (row + 0.5))
    # The sheet takes a click only where it has seen the pointer rest.
    page.mouse.move(*place)
    page.wait_for_timeout(300)
    page.mouse.click(*place)
    expect(page.get_by_test_id(f"glide-cell-2-{row}")).to_have_attribute("aria-selected", "true")
    page.keyboard.press("Enter")
    cell = page.locator(".gdg-input")
    cell.wait_for()
    # At once, as the sheet drops letters that come faster than anyone types.
    cell.fill(value)
    expect(cell).to_have_value(value)
    with answered(page):
        cell.press("Enter")
        cell.wait_for(state="detached")


def test_table_typed_in_by_hand(
    browser: Browser, measured_url: str, store: Store, complaints: list[str]
) -> None:
    job_id = job_of(measured_url)
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, on_page(measured_url, "compare"))
        press(page, page.get_by_text("A table typed in"))
        expect(page.get_by_text("Fill in the driven travel of two rows")).to_be_visible()
        type_into_sheet(page, 0, "0")
        type_into_sheet(page, 9, "51,5")
        expect(page.get_by_text("largest deviation")).to_be_visible()
        kept = store.intended(job_id, LINKAGE)
        assert kept is not None
        assert kept.rows == ((0.0, 0.0, None), (90.0, 51.5, None))
        type_into_sheet(page, 5, "2O")
        expect(page.get_by_text("'2O', not a number")).to_be_visible()
        expect(page.get_by_text("largest deviation")).to_be_visible()
        type_into_sheet(page, 5, "20")
        expect(page.get_by_text("not a number")).to_have_count(0)
        kept = store.intended(job_id, LINKAGE)
        assert kept is not None
        assert kept.rows == ((0.0, 0.0, None), (50.0, 20.0, None), (90.0, 51.5, None))
        press(page, page.get_by_text("None yet", exact=True))
        expect(page.get_by_text("largest deviation")).to_have_count(0)


def test_files_can_be_taken_away(
    browser: Browser, measured_url: str, store: Store, complaints: list[str]
) -> None:
    folder = run_of(store.job(job_of(measured_url)).films[0]).result
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, measured_url)
        for name in ("angles.csv", "travel.csv", "result.json"):
            with page.expect_download() as download:
                page.get_by_role("link", name=f"Download {name}").click()
            assert Path(download.value.path()).read_bytes() == (folder / name).read_bytes()
        with page.expect_download() as download:
            page.get_by_role("link", name="This table as CSV").click()
        assert Path(download.value.path()).read_text().startswith("driver_deg,opening_deg,opening_sd_deg")


def test_marker_sheet_can_be_taken_away(browser: Browser, address: str, complaints: list[str]) -> None:
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, address)
        with page.expect_download() as download:
            page.get_by_role("button", name="Marker sheet, A4").click()
        assert Path(download.value.path()).read_bytes().startswith(b"%PDF")


def test_cancel_stops_the_analysis_and_keeps_the_clip(
    browser: Browser, address: str, store: Store, complaints: list[str], tmp_path: Path
) -> None:
    # A minute and a half, so that the analysis cannot end before somebody presses.
    clip = repeated(SAMPLE, 8, tmp_path / "long.mp4")
    with looked_at(browser, "phone", complaints) as page:
        upload(page, address, clip)
        press(page, page.get_by_role("button", name="Cancel"))
        expect(page.get_by_text("This analysis was cancelled")).to_be_visible(timeout=ANALYSIS_MS)
        film = store.job(job_of(page.url)).films[0]
        assert run_of(film).state is RunState.CANCELLED
        assert film.clip.path.stat().st_size == clip.stat().st_size
        assert not run_of(film).result.exists()
        assert too_wide(page) <= 0


def test_analysis_survives_a_closed_browser(browser: Browser, address: str, complaints: list[str]) -> None:
    with looked_at(browser, "phone", complaints) as page:
        upload(page, address, SAMPLE)
        url = page.url
    with looked_at(browser, "laptop", complaints) as page:
        page.goto(url)
        expect(
            page.get_by_role("link", name="Read this film")
            .or_(page.get_by_role("heading", name="Travel curve"))
            .first
        ).to_be_visible(timeout=ANALYSIS_MS)


def test_bad_file_gives_a_sentence_and_earlier_films_stay(
    browser: Browser, address: str, measured_url: str, store: Store, complaints: list[str]
) -> None:
    with looked_at(browser, "phone", complaints) as page:
        upload(page, address, {"name": "notes.mp4", "mimeType": "video/mp4", "buffer": b"only words\n" * 300})
        alert = page.get_by_role("alert")
        expect(alert).to_be_visible(timeout=ANALYSIS_MS)
        words = alert.inner_text()
        assert "Traceback" not in words
        assert "fault in strokecurve" not in words
        assert words == run_of(store.job(job_of(page.url)).films[0]).error
        press(page, page.get_by_role("link", name="All jobs and new film"))
        expect(
            page.get_by_role("button", name=re.compile("notes.mp4.*could not be measured"))
        ).to_be_visible()
        press(page, page.get_by_role("button", name=re.compile("as_found.mp4.*: measured")).last)
        expect(page.get_by_role("heading", name="Travel curve")).to_be_visible()
