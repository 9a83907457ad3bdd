"""Names made to be read as Markdown, walked through on every page in a real browser: they stay names."""

from __future__ import annotations

from pathlib import Path

import pytest
from browsing import looked_at, open_page, unfold
from fake_result import SHAFTS, write_fake_result
from playwright.sync_api import Browser, Page
from stored import add_film, measured, run_of

from strokecurve.app.page.steps import STEPS
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.words.statements import Comment, FilmFacts, IntendedChoice, JobFacts, Verdict

pytestmark = pytest.mark.slow

ELSEWHERE = "elsewhere.example"
LINK = f"[Sign in again](https://{ELSEWHERE}) ![x](https://{ELSEWHERE}/x.png)"
MARKS = "$1 $2 *a* _b_ `c` ~~d~~ :red[e] :fire: :material/home: <b>f</b> -> www.x.example"
LABEL = f"1. ann@{ELSEWHERE} $x$ **b** https://{ELSEWHERE} &amp;.mp4"
SHAFT = "*m* $a$ [b](www.x.example) _c_"
DRAWN = (
    "a[href*='.example']", "img[src*='.example']", "em", "strong", "del", "code", ".katex",
    "span[style*='color']", "[data-testid='stIconMaterial']:has-text('home')",
)  # fmt: skip
"""What Streamlit makes of links, pictures, emphasis, formulas, colours and signs by name."""


def write_result(folder: Path) -> None:
    """A result whose driving shaft has a name that could be read as Markdown."""
    write_fake_result(folder)
    for file in folder.iterdir():
        file.write_text(file.read_text().replace(SHAFTS[0], SHAFT))


@pytest.fixture(scope="module")
def film(store: Store) -> Film:
    """A measured film, and one that failed, in a job whose every name is hostile."""
    job = store.new_job(JobFacts(LINK, MARKS, LINK))
    film = add_film(store, job, "a.mp4", b"a")
    store.add(job.job_id, FilmFacts("as found", LABEL, LINK), film_id=film.film_id)
    measured(store, film, write_result)
    store.add(job.job_id, Comment(LINK, 1.0), MARKS, film.film_id)
    store.add(job.job_id, Verdict("adjust", MARKS), LINK)
    table = ((0.0, 0.0, None), (90.0, 60.0, 1.0))
    store.add(job.job_id, IntendedChoice(f"{SHAFT}:{SHAFTS[1]}", "table", table), LINK)
    failed = add_film(store, job, "b.mp4", b"b")
    store.add(job.job_id, FilmFacts("as left", MARKS), film_id=failed.film_id)
    attempt = store.runs.claim(run_of(failed).run_id)
    assert attempt is not None
    store.runs.finish(run_of(failed).run_id, attempt, RunState.FAILED, f"{LINK} {MARKS}")
    return store.film(film.film_id)


def shown(page: Page) -> str:
    """The words of the page, without what takes no room."""
    return page.locator("body").inner_text().replace("\N{WORD JOINER}", "")


def test_names_are_shown_as_they_are_on_every_page(
    browser: Browser, address: str, film: Film, complaints: list[str]
) -> None:
    asked: list[str] = []
    places = [address, *(f"{address}{one.name}?job={film.job_id}&film={film.film_id}" for one in STEPS)]
    with looked_at(browser, "laptop", complaints) as page:
        page.on("request", lambda request: asked.append(request.url))
        for place in places:
            open_page(page, place)
            unfold(page)
            for made in DRAWN:
                found = page.locator(f"[data-testid='stMarkdownContainer'] {made}")
                assert found.count() == 0, (place, made, found.first.inner_text())
            words = shown(page)
            assert f"{LINK}, {MARKS}" in words, place
            assert "fault in strokecurve" not in words, place
            if "/film?" in place:
                assert f"as found: {LABEL}" in words
                assert f"{LINK} {MARKS}" in words, "the sentence of the analysis that failed"
    assert not [one for one in asked if ".example" in one]
