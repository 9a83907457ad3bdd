"""The whole walk in a real browser: new job, films as found and as left, comparison, review, record."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browsing import (
    ANALYSIS_MS,
    CLIP_INPUT,
    WIDTHS_PX,
    answered,
    at_rest,
    job_of,
    looked_at,
    on_page,
    open_box,
    open_page,
    press,
    reloaded,
    settled,
    too_wide,
    unfold,
)
from playwright.sync_api import Browser, Page, expect
from recorded import words

from strokecurve.app.page.steps import STEPS
from strokecurve.app.report.of_job import work_orders
from strokecurve.app.result.contents import OVERLAY_FILE
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.store import Store
from strokecurve.app.words.statements import Comment, Readings, Verdict

MEDIA = Path(__file__).parents[2] / "sample_media"
BURNER = "Burner B (invented)"
PAGES = [step.name for step in STEPS]

pytestmark = pytest.mark.slow


def pick(page: Page, label: str, option: str) -> None:
    """Choose from a list, which closes if the page is scrolled while it is open."""
    box = page.get_by_role("combobox", name=label)
    box.scroll_into_view_if_needed()
    at_rest(page)
    box.press("ArrowDown")
    press(page, page.get_by_role("option", name=option))


def add_film(page: Page, clip: Path) -> None:
    """Upload a clip on the page of films and wait until the page that reads it shows its curve."""
    settled(page)
    page.locator(CLIP_INPUT).set_input_files(clip)
    page.wait_for_url(re.compile(r"/read\?job=\w+&film=\w+"), timeout=ANALYSIS_MS)
    expect(page.get_by_role("heading", name="Travel curve")).to_be_visible(timeout=ANALYSIS_MS)
    settled(page)


@pytest.fixture(scope="module")
def job_url(browser: Browser, address: str, store: Store) -> str:
    """Address of a job walked from its start to two measured films on a phone, reloaded at each step."""
    found: list[str] = []
    with looked_at(browser, "phone", found) as page:
        open_page(page, address)
        open_box(page, "Start a job before filming")
        page.get_by_label("Burner").fill(BURNER)
        press(page, page.get_by_role("button", name="Start the job"))
        page.wait_for_url(re.compile(r"/prepare\?job=\w+"))
        settled(page)
        reloaded(page)
        press(page, page.get_by_role("link", name="2 Film", exact=True))
        expect(page.get_by_role("heading", name="The first film")).to_be_visible()
        reloaded(page)
        add_film(page, MEDIA / "as_found.mp4")
        reloaded(page)
        press(page, page.get_by_role("link", name="2 Film", exact=True))
        expect(page.get_by_role("heading", name="A further film")).to_be_visible()
        page.get_by_label("Filmed by (optional)").filter(visible=True).fill("A. Technician")
        with answered(page):
            page.get_by_label("Filmed by (optional)").filter(visible=True).press("Tab")
        add_film(page, MEDIA / "as_left.mp4")
        reloaded(page)
        url = page.url
    assert found == []
    films = store.job(job_of(url)).films
    assert [film.facts.role for film in films] == ["as found", "as left"]
    assert films[1].facts.filmed_by == "A. Technician"
    assert films[1].film_id in url
    return url


def test_films_are_compared(browser: Browser, job_url: str, complaints: list[str]) -> None:
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, on_page(job_url, "compare"))
        expect(page.get_by_role("heading", name="As found against as left")).to_be_visible()
        expect(page.get_by_text("lost motion improved").first).to_be_visible()
        reloaded(page)
        expect(page.get_by_text("lost motion improved").first).to_be_visible()


def test_a_finding_leads_to_its_moment_and_on_to_a_comment(
    browser: Browser, job_url: str, store: Store, complaints: list[str]
) -> None:
    job_id = job_of(job_url)
    found, left = store.job(job_id).films
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, job_url.replace(left.film_id, found.film_id))
        # The form that is folded up for whoever just looks is open for whoever comes with a moment.
        press(page, page.get_by_role("link", name="6 Hand over", exact=True))
        expect(page.get_by_role("heading", name="Comments")).to_be_visible()
        settled(page)
        expect(page.get_by_label("Your name").filter(visible=True)).to_have_count(0)
        press(page, page.get_by_role("link", name="3 Read", exact=True))
        frame = page.get_by_alt_text(re.compile("^Frame of the clip"))
        expect(frame).to_be_visible()
        settled(page)
        before = frame.get_attribute("alt")
        press(page, page.get_by_role("button", name=re.compile("^Show it in the film")).nth(2))
        expect(frame).not_to_have_attribute("alt", before or "")
        expect(page.get_by_role("heading", name="A moment of the film")).to_be_in_viewport()
        press(page, page.get_by_role("link", name="Comment on this moment"))
        page.wait_for_url(re.compile(r"/handover\?.*at="))
        page.get_by_label("Your name").filter(visible=True).fill("B. Reviewer")
        page.get_by_label("Comment", exact=True).fill("The rod end looks worn here.")
        press(page, page.get_by_role("button", name="Put this comment on record"))
        expect(page.get_by_text("The rod end looks worn here.")).to_be_visible()
        reloaded(page)
        entry = store.entries(job_id, Comment)[-1]
        assert entry.author == "B. Reviewer"
        assert entry.film_id == found.film_id
        assert entry.content.time_s is not None
        assert 0 < entry.content.time_s < 12
        press(page, page.get_by_role("link", name="Show this moment"))
        expect(frame).to_have_attribute("alt", re.compile(f" {entry.content.time_s:.2f} s "))


def test_adjustment_from_intended_travel_to_a_chosen_proposal(
    browser: Browser, job_url: str, store: Store, complaints: list[str]
) -> None:
    job_id = job_of(job_url)
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, on_page(job_url, "adjust"))
        expect(page.get_by_text("Choose the intended travel first.")).to_be_visible()
        press(page, page.get_by_text("Equal travel", exact=True))
        expect(page.get_by_role("heading", name="Work order")).to_be_visible()
        # As left there is nothing to do; the film as found is another matter, and older.
        expect(page.get_by_text("Leave this linkage as it is")).to_be_visible()
        pick(page, "Film that shows the linkage now", "as found")
        expect(page.get_by_text("A newer film is there")).to_be_visible()
        expect(page.get_by_text("Recheck every switch")).to_be_visible()
        assert too_wide(page) <= 0
        press(page, page.get_by_role("button", name=re.compile("^Choose proposal")))
        expect(page.get_by_text("On record since")).to_be_visible()
        reloaded(page)
        expect(page.get_by_text("On record since")).to_be_visible()
        expect(page.get_by_text("A newer film is there")).to_have_count(0)
        open_box(page, "What if: change figures by hand")
        page.get_by_label("drive arm radius (mm)").fill("60")
        with answered(page):
            page.get_by_label("drive arm radius (mm)").press("Enter")
        expect(page.get_by_role("heading", name="With these figures")).to_be_visible()
        open_box(page, "From combustion readings")
        with answered(page):
            page.locator('input[type="file"][accept*=".csv"]').set_input_files(MEDIA / "readings.csv")
        assert store.latest(job_id, Readings) is not None
        expect(page.get_by_text("Type the readings in")).to_be_visible()
        press(page, page.get_by_role("button", name="Work out the intended travel"))
        expect(page.get_by_text("The fuel is not chosen")).to_be_visible()
        pick(page, "Fuel", "natural gas")
        press(page, page.get_by_role("button", name="Work out the intended travel"))
        expect(page.get_by_alt_text(re.compile("^Air against damper travel"))).to_be_visible()
        assert too_wide(page) <= 0
    order = work_orders(store, job_id)[0]
    assert order.linkage == "motor:shaft1"
    assert order.lines[0].startswith("Burner off, locked out")
    chosen = store.intended(job_id, "motor:shaft1")
    assert chosen is not None
    assert (chosen.kind, chosen.fuel, chosen.approach) == ("readings", "natural_gas", "either")
    assert chosen.rows[-1][0] - chosen.rows[0][0] > 85


def test_two_people_on_one_job_see_each_other(
    browser: Browser, job_url: str, store: Store, complaints: list[str]
) -> None:
    url = on_page(job_url, "handover")
    with looked_at(browser, "phone", complaints) as one, looked_at(browser, "laptop", complaints) as other:
        for page in (one, other):
            open_page(page, url)
        open_box(other, "Give a verdict")
        press(other, other.get_by_role("button", name="Put this verdict on record"))
        expect(other.get_by_text("A verdict needs a choice and a name")).to_be_visible()
        other.get_by_text("Adjust: something has to change").click()
        other.get_by_label("Your name").filter(visible=True).fill("B. Reviewer")
        other.get_by_label("Reason").fill("Take up the lost motion first.")
        press(other, other.get_by_role("button", name="Put this verdict on record"))
        expect(other.get_by_text("Adjust (this one counts)")).to_be_visible()
        open_box(one, "Add a comment")
        one.get_by_label("Your name").filter(visible=True).fill("A. Technician")
        one.get_by_label("Comment", exact=True).fill("Will do.")
        press(one, one.get_by_role("button", name="Put this comment on record"))
        expect(one.get_by_text("Will do.")).to_be_visible()
        expect(one.get_by_text("Adjust (this one counts)")).to_be_visible()
        reloaded(other)
        expect(other.get_by_text("Will do.")).to_be_visible()
    assert store.entries(job_of(job_url), Verdict)[-1].content.verdict == "adjust"


def test_bundle_goes_out_and_comes_back_with_comments(
    browser: Browser, job_url: str, store: Store, tmp_path: Path, complaints: list[str]
) -> None:
    job_id = job_of(job_url)
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, on_page(job_url, "handover"))
        whole = page.get_by_text(re.compile("^The bundle will have about")).inner_text()
        press(page, page.get_by_text("With the clips"))
        expect(page.get_by_text(whole)).to_have_count(0)
        press(page, page.get_by_role("button", name="Make the bundle"))
        link = page.get_by_role("link", name=re.compile("^Download the bundle"))
        expect(link).to_be_visible(timeout=ANALYSIS_MS)
        with page.expect_download() as download:
            link.click()
        bundle = tmp_path / "out.zip"
        download.value.save_as(bundle)
        colleague = Store(tmp_path / "colleague")
        merged = import_bundle(colleague, bundle)
        assert merged.job_id == job_id
        colleague.add(job_id, Comment("Seen from afar, agreed."), "C. Expert")
        back = export_job(colleague, job_id, tmp_path / "back.zip")
        with answered(page):
            page.locator('input[type="file"][accept*=".zip"]').set_input_files(back)
        expect(page.get_by_text("The bundle was merged into its job. New: 1 entry.")).to_be_visible()
        expect(page.get_by_text("Seen from afar, agreed.")).to_be_visible()
        page.locator('input[type="file"][accept*=".zip"]').set_input_files(
            {"name": "x.zip", "mimeType": "application/zip", "buffer": b"no zip at all"}
        )
        expect(page.get_by_role("alert").filter(has_text="bundle").last).to_be_visible()
    assert store.entries(job_id, Comment)[-1].content.text == "Seen from afar, agreed."


def test_record_is_made_outside_the_page(
    browser: Browser, job_url: str, tmp_path: Path, complaints: list[str]
) -> None:
    with looked_at(browser, "phone", complaints) as page:
        open_page(page, on_page(job_url, "handover"))
        press(page, page.get_by_role("button", name="Make the record"))
        link = page.get_by_role("link", name=re.compile("^Download the record"))
        expect(link).to_be_visible(timeout=ANALYSIS_MS)
        reloaded(page)
        with page.expect_download() as download:
            link.click()
        download.value.save_as(tmp_path / "record.pdf")
    text = words(tmp_path / "record.pdf")
    for needed in (BURNER, "as found and as left", "Burner off, locked out", "A. Technician"):
        assert needed in text


def test_overlay_can_be_stopped_and_is_played_in_parts(
    browser: Browser, job_url: str, store: Store, complaints: list[str]
) -> None:
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, job_url)
        press(page, page.get_by_role("button", name="Make this clip"))
        press(page, page.get_by_role("button", name="Stop"))
        expect(page.get_by_text("You stopped this")).to_be_visible()
        run = store.job(job_of(job_url)).films[1].measured
        assert run is not None
        store.runs.add_file(run.run_id, OVERLAY_FILE, MEDIA / "as_left.mp4")
        page.reload()
        expect(page.get_by_role("link", name="Download this clip")).to_be_visible()
        address = page.locator("video").evaluate("(video) => video.src")
        answer = page.request.get(address, headers={"Range": "bytes=0-99"})
        assert answer.status == 206
        for nowhere in ("overlay/0123456789abcdef", "overlay/..%2Fjobs.sqlite", "exports/..%2F../x"):
            assert page.request.get(re.sub("overlay/.*", nowhere, address)).status in (400, 404)
        assert len(answer.body()) == 100
        with page.expect_download() as download:
            page.get_by_role("link", name="Download this clip").click()
        assert Path(download.value.path()).stat().st_size == (MEDIA / "as_left.mp4").stat().st_size


@pytest.mark.parametrize("width", WIDTHS_PX)
def test_every_page_fits_and_can_be_used_by_everybody(
    browser: Browser, address: str, job_url: str, complaints: list[str], width: str
) -> None:
    with looked_at(browser, width, complaints) as page:
        for name, place in {"start": address, **{one: on_page(job_url, one) for one in PAGES}}.items():
            open_page(page, place)
            assert too_wide(page) <= 0, name
            unfold(page)
            assert too_wide(page) <= 0, name
            levels = page.evaluate(
                "() => [...document.querySelectorAll('.stMain :is(h1,h2,h3,h4)')].map((h) => +h.tagName[1])"
            )
            assert levels[0] == 1, name
            assert all(after - before <= 1 for before, after in pairwise(levels)), (name, levels)
            grave = [
                (one["id"], [node["html"] for node in one["nodes"]])
                for one in Axe().run(page).response["violations"]
                if one["impact"] in ("serious", "critical")
            ]
            assert grave == [], name
            heights = page.evaluate(
                "() => [...document.querySelectorAll(':is(.stButton, .stDownloadButton, .stFormSubmitButton)"
                " button, .stPageLink a, a.sc-button')].filter((e) => e.offsetParent)"
                ".map((e) => [e.innerText, e.getBoundingClientRect().height])"
            )
            assert heights, name
            assert [one for one in heights if one[1] < 44] == [], name
