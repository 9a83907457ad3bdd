"""Jobs put into a store for tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from strokecurve.app.access import upload_sessions, uploads
from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import ALONE, Person
from strokecurve.app.store.jobs import Film, Job, Run
from strokecurve.app.store.store import Store, display_label
from strokecurve.app.words.statements import Comment, FilmFacts


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 1_770_000_000.0

    def __call__(self) -> float:
        return self.now


def add_film(
    store: Store, job: Job, name: str = "IMG_1234.MOV", clip: bytes = b"clip", role: str | None = None
) -> Film:
    """A film with a queued run."""
    kept = store.receive([clip], name, len(clip))
    return store.add_film(job.job_id, kept, FilmFacts(role, display_label(name)))


def add_job(
    store: Store, name: str = "IMG_1234.MOV", clip: bytes = b"clip", rig_toml: str | None = None
) -> Film:
    """A new job with one film and its queued run; gives the film."""
    return add_film(store, store.new_job(rig_toml=rig_toml), name, clip)


def uploads_of(store: Store, person: Person = ALONE) -> uploads.Uploads:
    """The uploads of a person."""
    return uploads.Uploads(store, PersonalStore(store, lambda: person))


def send(
    mine: uploads.Uploads, token: str, content: bytes, name: str = "b.mp4", chunk_bytes: int = 1 << 18
) -> upload_sessions.Arrived:
    """Send a file, or what is missing of it, by the calls that the page's server makes."""
    uploads.name_file(mine, token, name)
    while (at := upload_sessions.received_bytes(mine.store, uploads.session_of(mine, token))) < len(content):
        chunk = upload_sessions.Chunk(mine.store, uploads.session_of(mine, token), at, len(content))
        chunk.write(content[at : at + chunk_bytes])
        chunk.close()
    return uploads.finish(mine, token)


def run_of(film: Film) -> Run:
    """The latest run of a film."""
    assert film.run is not None
    return film.run


def commented_film(store: Store, write: Callable[[Path], object]) -> Film:
    """A new job's film, measured with a result that ``write`` makes, with a set-up and a comment."""
    made = add_job(store, rig_toml="# rig\n")
    measured(store, made, write)
    store.add(made.job_id, Comment("look"), "technician", made.film_id)
    return store.film(made.film_id)


def measured(store: Store, film: Film, write: Callable[[Path], object]) -> Run:
    """Take the queued run of a film to its end with a result that ``write`` makes."""
    run = run_of(film)
    attempt = store.runs.claim(run.run_id)
    assert attempt is not None
    work = store.runs.work_folder(run.run_id, attempt)
    write(work)
    assert store.runs.complete(run.run_id, attempt, work)
    return store.runs.run(run.run_id)
