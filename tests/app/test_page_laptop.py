"""A job at laptop width: from its start to a verdict that accepts it, and once more by keyboard alone."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from browsing import (
    ANALYSIS_MS,
    answered,
    job_of,
    looked_at,
    open_box,
    open_page,
    press,
    reloaded,
)
from playwright.sync_api import Browser, Locator, Page, expect
from recorded import words
from stored import add_film, measured

from strokecurve.app.store.store import Store
from strokecurve.app.words.statements import Comment, IntendedChoice, Verdict

MEDIA = Path(__file__).parents[2] / "sample_media"
BURNER = "Burner L (invented)"
LINKAGE = "motor:shaft1"
MOST_TABS = 100
"""More than any page has places to stop at."""
IN_SIGHT = """() => {
    const place = document.activeElement.getBoundingClientRect();
    return place.bottom > 0 && place.top < innerHeight;
}"""
"""Whether the place with the focus is; sliders and choices draw something else over an input without size."""

pytestmark = pytest.mark.slow


def add_measured_films(store: Store, job_id: str, samples: Path) -> None:
    """Put the two samples and their results into the job by the calls of the store."""
    for role in ("as found", "as left"):
        name = role.replace(" ", "_")
        clip = MEDIA / f"{name}.mp4"
        film = add_film(store, store.job(job_id), clip.name, clip.read_bytes(), role)
        measured(store, film, lambda folder, name=name: shutil.copytree(samples / name, folder))


def follow(page: Page, link: str, heading: str) -> None:
    """Go on to another page of the job and reload it there."""
    press(page, page.get_by_role("link", name=link, exact=True))
    expect(page.get_by_role("heading", name=heading)).to_be_visible()
    reloaded(page)
    expect(page.get_by_role("heading", name=heading)).to_be_visible()


@pytest.fixture(scope="module")
def job_id(browser: Browser, address: str, store: Store, samples: Path) -> str:
    """A job that was started on the page, with two measured films."""
    found: list[str] = []
    with looked_at(browser, "laptop", found) as page:
        open_page(page, address)
        open_box(page, "Start a job before filming")
        page.get_by_label("Burner").fill(BURNER)
        press(page, page.get_by_role("button", name="Start the job"))
        page.wait_for_url(re.compile(r"/prepare\?job=\w+"))
        reloaded(page)
        add_measured_films(store, job_of(page.url), samples)
        assert found == []
        return job_of(page.url)


def test_walk_ends_in_a_verdict_that_accepts_and_a_record_that_names_it(
    browser: Browser, address: str, job_id: str, store: Store, tmp_path: Path, complaints: list[str]
) -> None:
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, f"{address}prepare?job={job_id}")
        follow(page, "2 Film", "A further film")
        expect(page.get_by_role("link", name="Read this film")).to_have_count(2)
        follow(page, "3 Read", "Travel curve")
        follow(page, "4 Compare", "As found against as left")
        expect(page.get_by_text(re.compile("lost motion improved")).filter(visible=True)).not_to_have_count(0)
        follow(page, "5 Adjust", "Proposals")
        press(page, page.get_by_text("Equal travel", exact=True))
        expect(page.get_by_text("Leave this linkage as it is")).to_be_visible()
        follow(page, "6 Hand over", "Verdict of the reviewer")
        open_box(page, "Give a verdict")
        page.get_by_text("Accept: the linkage may stay as it is").click()
        page.get_by_label("Your name").filter(visible=True).fill("D. Reviewer")
        page.get_by_label("Reason").fill("Lost motion and travel are as they should be.")
        press(page, page.get_by_role("button", name="Put this verdict on record"))
        expect(page.get_by_text("Accept (this one counts)")).to_be_visible()
        reloaded(page)
        expect(page.get_by_text("Accept (this one counts)")).to_be_visible()
        press(page, page.get_by_role("button", name="Make the record"))
        link = page.get_by_role("link", name=re.compile("^Download the record"))
        expect(link).to_be_visible(timeout=ANALYSIS_MS)
        with page.expect_download() as download:
            link.click()
        download.value.save_as(tmp_path / "record.pdf")
    verdict = store.entries(job_id, Verdict)[-1]
    assert verdict.content.verdict == "accept"
    assert {film_id for film_id, _ in verdict.content.about} == {
        film.film_id for film in store.job(job_id).films
    }
    text = words(tmp_path / "record.pdf")
    for needed in (
        BURNER,
        "as found and as left",
        "Verdict: accept",
        "D. Reviewer",
        "Lost motion and travel are as they should be.",
        "Films reviewed: as found",
    ):
        assert needed in text, needed
    assert "Verdict, but not on the film shown here last" not in text


def tab_to(page: Page, target: Locator) -> None:
    """Press Tab until a place has the focus, as somebody without a mouse does."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if target.evaluate_all("(all) => all.includes(document.activeElement)"):
            page.wait_for_function(IN_SIGHT)
            return
    pytest.fail(f"cannot be reached with Tab: {target}")


def test_the_work_is_done_with_the_keyboard_alone(
    browser: Browser, address: str, job_id: str, store: Store, complaints: list[str]
) -> None:
    store.add(job_id, IntendedChoice(LINKAGE, "none", ()))
    with looked_at(browser, "laptop", complaints) as page:
        open_page(page, address)
        tab_to(page, page.get_by_role("button", name=re.compile(f"^{re.escape(BURNER)}")))
        with answered(page):
            page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Travel curve")).to_be_visible()
        frame = page.get_by_alt_text(re.compile("^Frame of the clip"))
        before = frame.get_attribute("alt")
        tab_to(page, page.get_by_role("slider"))
        with answered(page):
            # A press moves it by a thousandth of a second, less than from frame to frame.
            for _ in range(50):
                page.keyboard.press("ArrowRight")
        expect(frame).not_to_have_attribute("alt", before or "")
        before = frame.get_attribute("alt")
        tab_to(page, page.get_by_role("button", name="One frame on"))
        with answered(page):
            page.keyboard.press("Space")
        expect(frame).not_to_have_attribute("alt", before or "")
        tab_to(page, page.get_by_role("link", name="Comment on this moment"))
        with answered(page):
            page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Comments")).to_be_visible()
        tab_to(page, page.get_by_label("Your name").filter(visible=True))
        page.keyboard.type("E. Keys")
        tab_to(page, page.get_by_label("Comment", exact=True))
        page.keyboard.type("Seen without a mouse.")
        tab_to(page, page.get_by_role("button", name="Put this comment on record"))
        with answered(page):
            page.keyboard.press("Enter")
        expect(page.get_by_text("Seen without a mouse.")).to_be_visible()
        tab_to(page, page.get_by_role("link", name="4 Compare", exact=True))
        with answered(page):
            page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Measured against intended")).to_be_visible()
        # The choice that stands is where Tab stops; arrows go on from there.
        tab_to(page, page.get_by_role("radio", checked=True).filter(visible=True))
        with answered(page):
            page.keyboard.press("ArrowDown")
        expect(page.get_by_role("columnheader", name="largest deviation")).to_be_visible()
    said = store.entries(job_id, Comment)[-1]
    assert (said.author, said.content.text) == ("E. Keys", "Seen without a mouse.")
    assert said.content.time_s is not None
    assert 0.03 < said.content.time_s < 0.2
    chosen = store.intended(job_id, LINKAGE)
    assert chosen is not None
    assert chosen.kind == "equal"
