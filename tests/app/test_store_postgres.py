"""The store on PostgreSQL: the same jobs, runs, bundles and backups as on its own file."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fake_result import write_fake_result
from postgres_server import new_database, running_server
from sqlalchemy import create_engine, inspect, text
from stored import Clock, add_job, measured, run_of

from strokecurve.app.store import schema
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.maintenance import backup, check, restore
from strokecurve.app.store.migrations import MIGRATIONS
from strokecurve.app.store.queue import STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import Comment, IntendedChoice

pytest.importorskip("psycopg")


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Address of a server of our own, for this file only, on loopback."""
    with running_server() as address:
        yield address


@pytest.fixture
def address(server: str) -> str:
    """Address of a new database."""
    return new_database(server)


@pytest.fixture
def store(tmp_path: Path, address: str) -> Iterator[Store]:
    made = Store(tmp_path / "store", Clock(), address)
    yield made
    made.database.close()


def test_the_tables_are_those_that_queries_expect(store: Store, address: str) -> None:
    assert not (store.folder / "jobs.sqlite").exists()
    engine = create_engine(address)
    made = inspect(engine)
    assert set(made.get_table_names()) == set(schema.metadata.tables)
    for name, table in schema.metadata.tables.items():
        columns = {column["name"]: column["nullable"] for column in made.get_columns(name)}
        assert columns == {column.name: column.nullable for column in table.columns}
    engine.dispose()
    with store.database.reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM migration")).scalar() == len(MIGRATIONS)


def test_a_job_from_film_to_verdict(store: Store, tmp_path: Path) -> None:
    film = add_job(store, rig_toml="# rig\n")
    run = run_of(film)
    assert store.rig_toml(run) == "# rig\n"
    clock = store.clock
    assert isinstance(clock, Clock)
    assert store.runs.claim(run.run_id) == 1
    clock.now += STALE_AFTER_S + 1
    assert [one.run_id for one in store.runs.retry_stale()] == [run.run_id]
    assert store.runs.heartbeat(run.run_id, 1) is True
    measured(store, film, write_fake_result)
    assert store.runs.run(run.run_id).state is RunState.DONE
    table = IntendedChoice("motor:shaft1", "table", ((0.0, 0.1 + 0.2, None), (45.0, 30.5, 1.0)))
    store.add(film.job_id, table)
    assert store.intended(film.job_id, "motor:shaft1") == table
    assert check(store).problems == ()
    with pytest.raises(StoreError, match="no job"):
        store.add("nothing", Comment("x"))


def test_bundle_and_backup_go_either_way(store: Store, tmp_path: Path, server: str) -> None:
    film = add_job(store)
    measured(store, film, write_fake_result)
    store.add(film.job_id, Comment("look", 1.25), "technician", film.film_id)
    sent = export_job(store, film.job_id, tmp_path / "sent.zip", clips=True)
    embedded = Store(tmp_path / "embedded", Clock())
    import_bundle(embedded, sent)
    back = export_job(embedded, film.job_id, tmp_path / "back.zip", clips=True)
    assert sent.read_bytes() == back.read_bytes()
    assert import_bundle(store, back).entries == 0
    assert backup(store, tmp_path / "backup").problems == ()
    restore(tmp_path / "backup", tmp_path / "restored")
    restored = Store(tmp_path / "restored")
    assert check(restored).problems == ()
    assert restored.jobs()[0].films[0].measured is not None
    with pytest.raises(StoreError, match="holds jobs already"):
        restore(tmp_path / "backup", tmp_path / "elsewhere", store.address)


def test_several_first_openers_and_writers(tmp_path: Path, address: str) -> None:
    code = (
        "import sys, pathlib\n"
        "from strokecurve.app.store.store import Store\n"
        "from strokecurve.app.words.statements import Comment\n"
        "store = Store(pathlib.Path(sys.argv[1]))\n"
        "store.new_job()\n"
        "job_id = store.jobs()[-1].job_id\n"
        "for number in range(10): store.add(job_id, Comment(str(number)))\n"
    )
    root = Path(__file__).parents[2]
    places = os.environ | {"STROKECURVE_DATABASE": address}
    command = [sys.executable, "-c", code, str(tmp_path / "store")]
    openers = [subprocess.Popen(command, cwd=root, env=places) for _ in range(3)]
    assert [opener.wait() for opener in openers] == [0] * 3
    store = Store(tmp_path / "store", database=address)
    jobs = store.jobs()
    comments = [entry for job in jobs for entry in store.entries(job.job_id, Comment)]
    assert (len(jobs), len(comments)) == (3, 30)
    assert len({(entry.job_id, entry.made_s) for entry in comments}) == 30
    store.database.close()


def test_restore_by_the_command_fills_the_database_that_the_environment_names(
    store: Store, tmp_path: Path, server: str
) -> None:
    film = add_job(store)
    measured(store, film, write_fake_result)
    backup(store, tmp_path / "backup")
    empty = new_database(server)
    environment = os.environ | {"STROKECURVE_DATABASE": empty}
    command = [sys.executable, "-m", "strokecurve.app.commands.cli"]
    root = Path(__file__).parents[2]
    words = [*command, "restore", str(tmp_path / "backup"), "--store", str(tmp_path / "new")]
    done = subprocess.run(words, cwd=root, env=environment, capture_output=True, text=True, check=True)
    assert "1 job," in done.stdout
    new = Store(tmp_path / "new", database=empty)
    assert check(new).problems == ()
    assert new.film(film.film_id).measured is not None
    new.database.close()
