"""A job removed by its keeper: nothing of it is left, nothing else is touched."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fake_result import write_fake_result
from sqlalchemy import func, select
from stored import Clock, add_film, add_job, measured, run_of
from test_keeping import command

from strokecurve.app.store import schema
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.removing import remove_job
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import Comment


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store", Clock())


def whole_job(store: Store) -> Film:
    """A job with a set-up, a measured film with a comment and a log, and a cancelled film."""
    film = add_job(store, rig_toml="# rig\n")
    measured(store, film, write_fake_result).log.write_text("log\n")
    other = add_film(store, store.job(film.job_id), clip=b"another")
    store.runs.request_cancel(run_of(other).run_id)
    store.add(film.job_id, Comment("look"), "technician", film.film_id)
    (store.folder / "exports" / film.job_id / "export").mkdir(parents=True)
    return film


def all_rows(store: Store) -> int:
    with store.database.reading() as connection:
        tables = [table for table in schema.metadata.sorted_tables if table is not schema.migration]
        return sum(
            connection.execute(select(func.count()).select_from(table)).scalar_one() for table in tables
        )


def test_nothing_of_a_removed_job_is_left_and_nothing_else_is_touched(store: Store) -> None:
    kept = whole_job(store)
    before = (all_rows(store), sorted(store.folder.rglob("*.*")))
    gone = whole_job(store)
    removed = remove_job(store, gone.job_id)
    assert (removed.films, removed.size_bytes > 0) == (2, True)
    files = [path for path in sorted(store.folder.rglob("*.*")) if not path.name.startswith("jobs.sqlite")]
    assert (all_rows(store), files) == (
        before[0],
        [p for p in before[1] if not p.name.startswith("jobs.sqlite")],
    )
    assert not (store.folder / "exports" / gone.job_id).exists()
    assert [job.job_id for job in store.jobs()] == [kept.job_id]
    report = check(store)
    assert (report.problems, report.notes) == ((), ())
    with pytest.raises(StoreError, match="no job"):
        remove_job(store, gone.job_id)


def test_a_job_that_is_worked_on_is_not_removed(store: Store) -> None:
    film = add_job(store)
    for _ in ("waiting", "running"):
        with pytest.raises(StoreError, match="under way"):
            remove_job(store, film.job_id)
        store.runs.claim(run_of(film).run_id)
    assert check(store).problems == ()
    assert film.clip.path.is_file()


def test_the_command_wants_it_said_twice(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    film = whole_job(store)
    assert command("remove", film.job_id, "--store", store.folder) == 0
    assert "Nothing was removed" in capsys.readouterr().out
    assert command("remove", film.job_id, "--for-good", "--store", store.folder) == 0
    said = capsys.readouterr().out
    assert re.search(r"is removed: 2 films, \d entries", said)
    assert store.jobs() == ()
