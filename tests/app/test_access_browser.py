"""Signing in, sharing a job and following a link in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from browsing import looked_at, open_box, open_page, press, settled
from fake_result import write_fake_result
from playwright.sync_api import Browser, Page, expect
from stored import add_job, measured
from visiting import Served, served_with_sign_in

from strokecurve.app.access.rules import Level
from strokecurve.app.access.sharing import Sharing
from strokecurve.app.store.store import Store
from strokecurve.app.words.statements import Comment, JobFacts

pytestmark = pytest.mark.slow

TITLE = "Burner of the owner"


@pytest.fixture(scope="module")
def served(store: Store, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served_with_sign_in(store.folder, tmp_path_factory.mktemp("served")) as found:
        yield found


@pytest.fixture(scope="module")
def job(store: Store) -> str:
    film = add_job(store)
    measured(store, film, write_fake_result)
    store.add(film.job_id, JobFacts(TITLE))
    Sharing(store.database, store.folder, store.clock).give(
        film.job_id, "owner@works.example", Level.OWN, None
    )
    return film.job_id


def sign_in(page: Page, served: Served, name: str) -> None:
    open_page(page, served.address)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("link", name=name, exact=True).click()
    page.wait_for_url(served.address)
    settled(page)


def test_signing_in_leads_back_to_the_page_first_asked_for(
    browser: Browser, served: Served, job: str, complaints: list[str]
) -> None:
    with looked_at(browser, "laptop", complaints) as page:
        asked = f"{served.address}handover?job={job}"
        open_page(page, asked)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("link", name="owner", exact=True).click()
        page.wait_for_url(asked)
        expect(page.get_by_role("heading", name=TITLE)).to_be_visible()
        # It is not remembered any longer than that.
        assert [one["name"] for one in page.context.cookies() if "asked" in one["name"]] == []


def test_sign_in_share_and_link(
    browser: Browser, store: Store, served: Served, job: str, complaints: list[str]
) -> None:
    with looked_at(browser, "phone", complaints) as page:
        sign_in(page, served, "owner")
        expect(page.get_by_text("Signed in as Olga Owner")).to_be_visible()
        open_page(page, f"{served.address}handover?job={job}")
        open_box(page, "Add a comment")
        assert page.get_by_label("Your name").count() == 0
        page.get_by_label("Comment", exact=True).fill("Said while signed in")
        press(page, page.get_by_role("button", name="Put this comment on record"))
        expect(page.get_by_text("Olga Owner <owner@works.example>,").first).to_be_visible()
        open_box(page, "Make a link")
        page.get_by_label("For whom").fill("Rita Elsewhere")
        press(page, page.get_by_role("button", name="Make the link"))
        link = page.get_by_text(re.compile(f"^{served.address}link/"))
        expect(link).to_be_visible()
        address = link.inner_text().strip()
        with looked_at(browser, "laptop", complaints) as guest:
            open_page(guest, address)
            expect(guest.get_by_role("heading", name=TITLE)).to_be_visible()
            expect(guest.get_by_text("You are here by a link for reviewers.")).to_be_visible()
            press(page, page.get_by_role("button", name="Withdraw the link for Rita Elsewhere"))
            expect(page.get_by_text(re.compile("For Rita Elsewhere: withdrawn"))).to_be_visible()
            guest.reload()
            expect(guest.get_by_role("button", name="Sign in")).to_be_visible()
            assert guest.get_by_text(TITLE).count() == 0
        page.get_by_role("button", name="Sign out").click()
        # The page looks signed out before the browser is told to give its cookie back.
        page.wait_for_url(served.address)
        expect(page.get_by_role("button", name="Sign in")).to_be_visible()
        page.goto(f"{served.address}handover?job={job}")
        expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    said = store.entries(job, Comment)[-1]
    assert (said.content.text, said.author) == ("Said while signed in", "Olga Owner <owner@works.example>")


def test_who_is_not_on_the_list_is_told_so(browser: Browser, served: Served, job: str) -> None:
    with looked_at(browser, "phone", []) as page:
        sign_in(page, served, "stranger")
        page.goto(f"{served.address}read?job={job}")
        expect(page.get_by_text("You are signed in, but not on the list")).to_be_visible()
        expect(page.get_by_text("Signed in as sam@elsewhere.example.")).to_be_visible()
        assert page.get_by_text(TITLE).count() == 0
