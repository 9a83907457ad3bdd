"""Uploads: chunks, breaks, rights, and what a complete file becomes."""

from __future__ import annotations

import asyncio
import base64
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fake_result import write_fake_result
from httpx2 import Response
from starlette.applications import Starlette
from starlette.routing import Route
from starlette.testclient import TestClient
from stored import add_job, measured, run_of, uploads_of

from strokecurve.app.access import upload_sessions, uploads
from strokecurve.app.access.rules import ALONE, Level, Person, Role
from strokecurve.app.access.upload_sessions import Chunk, NoSessionError, UploadSession
from strokecurve.app.access.uploads import finish, open_session, session_of
from strokecurve.app.page.receiving import PAGE_HEADER, UPLOAD_ADDRESS, receive
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.jobs import Run
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import LARGEST_BUNDLE_BYTES, LARGEST_CLIP_BYTES, LEFT_AFTER_S
from strokecurve.app.words.statements import FilmFacts

CLIP = bytes(range(256)) * 40
SERVED = Starlette(routes=[Route(f"{UPLOAD_ADDRESS}{{token}}", receive, methods=["HEAD", "PATCH", "DELETE"])])


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    kept = Store(tmp_path / "store")
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(kept.folder)])
    return kept


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[Run]:
    runs: list[Run] = []
    monkeypatch.setattr(dispatching, "start", lambda store, run: runs.append(run))
    return runs


@pytest.fixture
def client() -> TestClient:
    return TestClient(SERVED)


def patch(
    client: TestClient,
    session: UploadSession,
    data: bytes,
    offset: int,
    size: int,
    name: str = "a.MOV",
    page: UploadSession | None = None,
) -> Response:
    headers = {
        "Upload-Offset": str(offset),
        "Upload-Length": str(size),
        "Upload-Metadata": f"filename {base64.b64encode(name.encode()).decode()}",
    }
    if page is not None:
        headers[PAGE_HEADER] = page.token
    return client.patch(f"{UPLOAD_ADDRESS}{session.token}", content=data, headers=headers)


def reached(client: TestClient, session: UploadSession) -> int:
    answer = client.head(f"{UPLOAD_ADDRESS}{session.token}")
    assert answer.status_code == 200
    return int(answer.headers["Upload-Offset"])


def clip_session(store: Store, person: Person = ALONE) -> UploadSession:
    return open_session(
        uploads_of(store, person), UploadSession("", "clip", facts=FilmFacts("as found", "clip"))
    )


def test_a_clip_in_chunks_becomes_a_film_once(store: Store, client: TestClient, started: list[Run]) -> None:
    session = clip_session(store)
    assert reached(client, session) == 0
    first = patch(client, session, CLIP[:1000], 0, len(CLIP), "../../etc/IMG 1.MOV")
    assert (first.status_code, first.headers["Upload-Offset"]) == (204, "1000")
    assert reached(client, session) == 1000
    answers = [
        patch(client, session, CLIP[1000:], 1000, len(CLIP)),
        patch(client, session, b"", len(CLIP), len(CLIP)),
    ]
    (job,) = store.jobs()
    (film,) = job.films
    assert [answer.json() for answer in answers] == [{"job": job.job_id, "film": film.film_id}] * 2
    assert film.clip.path.read_bytes() == CLIP
    assert film.clip.path.parent == store.folder / "clips"
    assert film.facts == FilmFacts("as found", "IMG 1.MOV")
    assert [run.run_id for run in started] == [run_of(film).run_id]
    assert patch(client, session, CLIP, 0, len(CLIP) + 1).status_code == 409, "one session, one file"
    assert not (store.folder / "incoming" / f".part-{session.token}" / "data").exists()


def test_what_arrived_before_a_break_is_kept(store: Store, client: TestClient, started: list[Run]) -> None:
    session = clip_session(store)
    said = [
        {"type": "http.request", "body": CLIP[:3000], "more_body": True},
        {"type": "http.disconnect"},
    ]

    async def from_phone() -> Any:
        return said.pop(0)

    async def to_phone(_message: Any) -> None:
        return

    scope = {
        "type": "http",
        "method": "PATCH",
        "path": f"{UPLOAD_ADDRESS}{session.token}",
        "query_string": b"",
        "headers": [(b"upload-offset", b"0"), (b"upload-length", str(len(CLIP)).encode())],
    }
    asyncio.run(SERVED(scope, from_phone, to_phone))
    assert reached(client, session) == 3000
    assert patch(client, session, CLIP[3000:], 3000, len(CLIP)).status_code == 200
    assert store.jobs()[0].films[0].clip.path.read_bytes() == CLIP


def test_chunks_that_do_not_fit_are_refused_and_change_nothing(store: Store, client: TestClient) -> None:
    session = clip_session(store)
    patch(client, session, CLIP[:1000], 0, len(CLIP))
    for data, offset, size in ((b"x", 999, len(CLIP)), (b"x", 1001, len(CLIP)), (b"x", 1000, 5000)):
        assert patch(client, session, data, offset, size).status_code == 409
    assert patch(client, session, CLIP, 1000, len(CLIP)).status_code == 409, "more than announced"
    assert reached(client, session) <= len(CLIP)
    answer = client.patch(f"{UPLOAD_ADDRESS}{session.token}", content=b"x", headers={"Upload-Offset": "-1"})
    assert "not understood" in answer.json()["refused"]
    assert store.jobs() == ()


def test_files_that_cannot_be_kept_are_refused_in_a_sentence(
    store: Store, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = clip_session(store)
    too_large = patch(client, session, b"x", 0, LARGEST_CLIP_BYTES + 1)
    assert (too_large.status_code, too_large.json()["refused"][:27]) == (200, "This clip is larger than 21")
    bundle = open_session(uploads_of(store), UploadSession("", "bundle"))
    too_large = patch(client, bundle, b"x", 0, LARGEST_BUNDLE_BYTES + 1)
    assert too_large.json()["refused"] == (
        "This bundle is larger than 21000 MB. Ask for the bundle without the clips."
    )
    assert patch(client, bundle, b"x", 0, LARGEST_CLIP_BYTES + 1).status_code == 204, "it may hold many clips"
    assert "empty" in patch(client, session, b"", 0, 0).json()["refused"]

    def full(*_anything: object) -> None:
        raise StoreError("There is not enough disk space for this clip.", "Free some space.")

    monkeypatch.setattr(upload_sessions, "check_space", full)
    assert "disk space" in patch(client, session, b"x", 0, 10).json()["refused"]
    assert reached(client, session) == 0


def test_another_file_may_take_the_place_of_one_that_was_stopped(
    store: Store, client: TestClient, started: list[Run]
) -> None:
    session = clip_session(store)
    patch(client, session, b"stopped", 0, 100)
    assert client.delete(f"{UPLOAD_ADDRESS}{session.token}").status_code == 204
    assert reached(client, session) == 0
    assert patch(client, session, CLIP, 0, len(CLIP)).status_code == 200
    assert store.jobs()[0].films[0].clip.path.read_bytes() == CLIP


def test_an_upload_that_is_gone_on_with_gets_what_the_later_page_says(
    store: Store, client: TestClient, started: list[Run]
) -> None:
    earlier = clip_session(store)
    patch(client, earlier, CLIP[:1000], 0, len(CLIP), "IMG 1.MOV")
    later = open_session(uploads_of(store), UploadSession("", "clip", facts=FilmFacts("as found", "clip")))
    # A role corrected and a set-up file added after the page was opened again.
    open_session(
        uploads_of(store),
        UploadSession(later.token, "clip", facts=FilmFacts("as left", "clip", "Ann"), rig_toml="# rig\n"),
    )
    last = patch(client, earlier, CLIP[1000:], 1000, len(CLIP), page=later)
    film = store.film(last.json()["film"])
    assert film.facts == FilmFacts("as left", "IMG 1.MOV", "Ann")
    assert store.rig_toml(run_of(film)) == "# rig\n"
    assert film.clip.path.read_bytes() == CLIP


def test_a_later_page_of_another_job_or_person_changes_nothing(
    store: Store, client: TestClient, started: list[Run]
) -> None:
    job = store.new_job()
    elsewhere = open_session(
        uploads_of(store), UploadSession("", "clip", job.job_id, FilmFacts("as left", "clip"))
    )
    other = uploads_of(store, Person(Role.TECHNICIAN, "ben@plant.example"))
    foreign = open_session(other, UploadSession("", "clip", facts=FilmFacts("as left", "clip")))
    for page in (elsewhere, foreign, replace(elsewhere, token="0" * 32)):
        session = clip_session(store)
        answer = patch(client, session, CLIP, 0, len(CLIP), page=page)
        assert store.film(answer.json()["film"]).facts.role == "as found"


def test_stopping_too_late_says_what_the_file_became(
    store: Store, client: TestClient, started: list[Run]
) -> None:
    session = clip_session(store)
    arrived = patch(client, session, CLIP, 0, len(CLIP)).json()
    answer = client.delete(f"{UPLOAD_ADDRESS}{session.token}")
    assert (answer.status_code, answer.json()) == (200, arrived)
    assert store.film(arrived["film"]).clip.path.read_bytes() == CLIP


def test_nothing_answers_to_a_token_that_was_guessed(store: Store, client: TestClient) -> None:
    session = clip_session(store)
    for token in ("0" * 32, session.token[::-1], "x", ".part-", f"{session.token}x"):
        for method in ("HEAD", "PATCH", "DELETE"):
            answer = client.request(method, f"{UPLOAD_ADDRESS}{token}")
            assert answer.status_code == 404
            assert answer.text in ("", "Not Found")
    assert client.get(f"{UPLOAD_ADDRESS}{session.token}").status_code == 405


def test_a_session_serves_only_the_person_it_was_made_for(store: Store) -> None:
    people = [Person(Role.TECHNICIAN, f"{name}@plant.example") for name in ("ada", "ben")]
    ada, ben = (uploads_of(store, person) for person in people)
    session = clip_session(store, people[0])
    assert session_of(ada, session.token).kind == "clip"
    with pytest.raises(NoSessionError):
        session_of(ben, session.token)
    job = ada.mine.new_job()
    with pytest.raises(StoreError, match="no job"):
        open_session(ben, UploadSession("", "clip", job.job_id))
    shared = open_session(ada, UploadSession("", "clip", job.job_id))
    ada.mine.sharing.give(job.job_id, "ada@plant.example", Level.NONE)
    with pytest.raises(StoreError, match="no job"):
        session_of(ada, shared.token)
    reviewer = Person(Role.REVIEWER, "rev@plant.example")
    with pytest.raises(StoreError, match="may not"):
        clip_session(store, reviewer)


@pytest.mark.parametrize("dies_in", ["add_film", "change_session"])
def test_a_clip_is_not_lost_or_doubled_if_the_server_dies_while_it_is_taken_in(
    store: Store, started: list[Run], monkeypatch: pytest.MonkeyPatch, dies_in: str
) -> None:
    session = clip_session(store)
    chunk = Chunk(store, session, 0, len(CLIP))
    chunk.write(CLIP)
    chunk.close()

    def dead(*_anything: Any, **_more: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as dying:
        dying.setattr(store if dies_in == "add_film" else uploads, dies_in, dead)
        with pytest.raises(KeyboardInterrupt):
            finish(uploads_of(store), session.token)
    arrived = finish(uploads_of(store), session.token)
    films = [film for job in store.jobs() for film in job.films]
    assert [film.film_id for film in films] == [arrived["film"]]
    assert films[0].clip.path.read_bytes() == CLIP
    assert finish(uploads_of(store), session.token) == arrived


@pytest.mark.parametrize("dies", [False, True], ids=["refused", "killed"])
def test_name_and_bytes_belong_together_after_a_film_could_not_be_added(
    store: Store,
    client: TestClient,
    started: list[Run],
    monkeypatch: pytest.MonkeyPatch,
    dies: bool,
) -> None:
    """The first file becomes a clip but no film; then another one is chosen in its place."""
    session = clip_session(store)

    def fail(*_anything: Any, **_more: Any) -> Any:
        raise KeyboardInterrupt if dies else StoreError("The list of jobs is busy.", "Try again.")

    with monkeypatch.context() as failing:
        failing.setattr(Store, "add_film", fail)
        chunk = Chunk(store, session, 0, 5)
        chunk.write(b"first")
        chunk.close()
        with pytest.raises(KeyboardInterrupt if dies else StoreError):
            finish(uploads_of(store), session.token)
    if dies:
        assert reached(client, session) == 5, "the same file could be gone on with"
    assert client.delete(f"{UPLOAD_ADDRESS}{session.token}").status_code == 204
    assert reached(client, session) == 0
    assert patch(client, session, CLIP, 0, len(CLIP), "second.mp4").status_code == 200
    films = [film for job in store.jobs() for film in job.films]
    assert [(film.facts.label, film.clip.path.read_bytes()) for film in films] == [("second.mp4", CLIP)]
    assert [path.name for path in (store.folder / "clips").iterdir()] == [films[0].clip.path.name]
    assert dies or len(store.jobs()) == 1, "no empty job is left"
    assert check(store).problems == ()


def test_a_bundle_is_taken_in_by_a_process_of_its_own(
    store: Store, client: TestClient, tmp_path: Path
) -> None:
    theirs = Store(tmp_path / "theirs")
    film = add_job(theirs, "found.mp4")
    measured(theirs, film, write_fake_result)
    bundle = export_job(theirs, film.job_id, tmp_path / "job.zip").read_bytes()
    session = open_session(uploads_of(store), UploadSession("", "bundle"))
    answer = patch(client, session, bundle, 0, len(bundle), "job.zip").json()
    assert answer["job"] == film.job_id
    assert answer["told"].startswith("A new job was taken in. New: 1 film, 1 result")
    assert store.film(film.film_id).measured is not None

    damaged = open_session(uploads_of(store), UploadSession("", "bundle"))
    answer = patch(client, damaged, b"no zip at all", 0, 13, "job.zip")
    assert answer.status_code == 200
    assert answer.json()["refused"].count(".") >= 2
    assert reached(client, damaged) == 0, "the place takes another file"
    assert len(store.jobs()) == 1


def test_uploads_nobody_goes_on_with_are_removed_after_a_day(store: Store, client: TestClient) -> None:
    old, new = clip_session(store), clip_session(store)
    patch(client, old, b"begun", 0, 100)
    place = store.folder / "incoming" / f".part-{old.token}"
    long_ago = store.clock() - LEFT_AFTER_S - 10
    for path in (*place.iterdir(), place):
        os.utime(path, (long_ago, long_ago))
    clip_session(store)
    with pytest.raises(NoSessionError):
        session_of(uploads_of(store), old.token)
    assert not place.exists(), "whoever asks for a new one clears up"
    assert session_of(uploads_of(store), new.token) == new
    renewed = open_session(uploads_of(store), UploadSession(old.token, "clip"))
    assert renewed.token not in (old.token, new.token)
