"""Uploads in a real browser: after breaks, after a reload, and stopped."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from browsing import CLIP_INPUT, job_of, looked_at, open_page, press, settled, waited_for
from playwright.sync_api import Browser, Route, expect

from strokecurve.app.page.receiving import UPLOAD_ADDRESS, UPLOAD_CHUNK_BYTES
from strokecurve.app.store.store import Store

pytestmark = pytest.mark.slow


def test_an_upload_goes_on_after_breaks_and_after_a_reload(
    browser: Browser, address: str, store: Store, tmp_path: Path
) -> None:
    clip = tmp_path / "long.mp4"
    clip.write_bytes(bytes(range(256)) * (3 * UPLOAD_CHUNK_BYTES // 256) + b"the end")
    begun: list[int] = []

    def break_some(route: Route) -> None:
        """The second chunk breaks twice, the third goes nowhere until the page is loaded again."""
        if route.request.method != "PATCH":
            route.continue_()
            return
        begun.append(int(route.request.headers["upload-offset"]))
        if begun.count(UPLOAD_CHUNK_BYTES) in (1, 2) and begun[-1] == UPLOAD_CHUNK_BYTES:
            route.abort()
        elif begun[-1] < 2 * UPLOAD_CHUNK_BYTES:
            route.continue_()

    with looked_at(browser, "phone", []) as page:  # the browser tells of broken requests in its console
        page.route(f"**{UPLOAD_ADDRESS}*", break_some)
        open_page(page, address)
        page.locator(CLIP_INPUT).set_input_files(clip)
        expect(page.get_by_text(re.compile(r"^\d+ % of 25\.2 MB$"))).to_be_visible()
        waited_for(page, lambda: bool(begun) and begun[-1] >= 2 * UPLOAD_CHUNK_BYTES, "the third chunk")
        assert begun == [
            0,
            UPLOAD_CHUNK_BYTES,
            UPLOAD_CHUNK_BYTES,
            UPLOAD_CHUNK_BYTES,
            2 * UPLOAD_CHUNK_BYTES,
        ]
        assert store.jobs() == () or store.jobs()[0].title != "long.mp4"

        page.unroute(f"**{UPLOAD_ADDRESS}*")
        again: list[int] = []
        page.on(
            "request",
            lambda one: again.append(int(one.headers["upload-offset"])) if one.method == "PATCH" else None,
        )
        page.reload()
        settled(page)
        press(page, page.get_by_role("radio", name="as left"))
        page.locator(CLIP_INPUT).set_input_files(clip)
        page.wait_for_url(re.compile(r"/film\?job=\w+&film=\w+"))
        assert again[0] >= 2 * UPLOAD_CHUNK_BYTES, "what had arrived is not sent again"
        film = store.job(job_of(page.url)).films[0]
        assert film.clip.path.read_bytes() == clip.read_bytes()
        assert film.facts.role == "as left", "what the later page says"


def test_an_upload_can_be_stopped(
    browser: Browser, address: str, store: Store, tmp_path: Path, complaints: list[str]
) -> None:
    clip = tmp_path / "wrong.mp4"
    clip.write_bytes(b"x" * 2 * UPLOAD_CHUNK_BYTES)
    jobs = len(store.jobs())
    with looked_at(browser, "laptop", complaints) as page:
        page.route(
            f"**{UPLOAD_ADDRESS}*",
            lambda route: None if route.request.method == "PATCH" else route.continue_(),
        )
        open_page(page, address)
        page.locator(CLIP_INPUT).set_input_files(clip)
        page.get_by_role("button", name="Stop the upload").click()
        expect(page.get_by_text("Stopped. Nothing was kept.")).to_be_visible()
        expect(page.locator(CLIP_INPUT)).to_be_enabled()
    assert len(store.jobs()) == jobs


def test_an_upload_that_was_taken_in_is_never_called_stopped(
    browser: Browser, address: str, store: Store, tmp_path: Path
) -> None:
    clip = tmp_path / "late.mp4"
    clip.write_bytes(b"y" * 1000)
    with looked_at(browser, "laptop", []) as page:

        def keep_the_answer(route: Route) -> None:
            """The server takes the file in, but the page does not hear of it."""
            if route.request.method == "PATCH":
                route.fetch()
            else:
                route.continue_()

        page.route(f"**{UPLOAD_ADDRESS}*", keep_the_answer)
        open_page(page, address)
        page.locator(CLIP_INPUT).set_input_files(clip)
        waited_for(
            page,
            lambda: "late.mp4" in [film.facts.label for job in store.jobs() for film in job.films],
            "the film in the store",
        )
        page.get_by_role("button", name="Stop the upload").click()
        page.wait_for_url(re.compile(r"/film\?job=\w+&film=\w+"))
        assert store.job(job_of(page.url)).films[0].clip.path.read_bytes() == clip.read_bytes()
