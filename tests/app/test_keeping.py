"""Check, backup and restore: every damage is told, and a copy made while others write is whole."""

from __future__ import annotations

import argparse
import os
import shutil
import threading
from pathlib import Path

import pytest
from fake_result import write_fake_result
from sqlalchemy import text
from stored import Clock, add_job, commented_film, measured

from strokecurve.app.access.rules import Level
from strokecurve.app.access.sharing import KEY_FILE, Sharing
from strokecurve.app.commands.maintenance import add_commands
from strokecurve.app.store import maintenance as keeping
from strokecurve.app.store.database import Database
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.maintenance import backup, check, copy_tables, restore
from strokecurve.app.store.migrations import migrate
from strokecurve.app.store.store import DATABASE_VARIABLE, Store
from strokecurve.app.words import files
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import Choice, Comment, Proposals


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store", Clock())


@pytest.fixture
def film(store: Store) -> Film:
    return commented_film(store, write_fake_result)


def test_a_whole_store_has_no_problems(store: Store, film: Film) -> None:
    report = check(store)
    assert (report.problems, report.notes) == ((), ())
    assert (report.jobs, report.files) == (1, 4)
    assert report.size_bytes == sum(
        path.stat().st_size for name in ("clips", "results") for path in (store.folder / name).rglob("*.*")
        if path.is_file()
    )  # fmt: skip


def test_a_changed_bit_a_missing_file_and_a_stray_one_are_told(store: Store, film: Film) -> None:
    assert film.measured is not None
    clip = bytearray(film.clip.path.read_bytes())
    clip[0] ^= 1
    film.clip.path.write_bytes(clip)
    (film.measured.result / "travel.csv").unlink()
    (store.folder / "clips" / "stray.mp4").write_bytes(b"x")
    report = check(store)
    assert report.problems == (
        f"The file clips/{film.clip.path.name} is damaged: its checksum is not the one recorded.",
        f"The file results/{film.measured.run_id}/travel.csv is missing.",
    )
    assert report.notes == ("clips/stray.mp4 belongs to no job; it may be removed by hand.",)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE entry SET content_json = '{' WHERE kind = 'comment'", "cannot be read"),
        ("UPDATE entry SET content_json = '{\"toml\": 7}' WHERE kind = 'rig'", "cannot be read"),
        ("UPDATE entry SET kind = 'spell' WHERE kind = 'comment'", "cannot be read"),
        ("DELETE FROM entry WHERE kind = 'film'", "Nothing is said about the film"),
        ("UPDATE run SET rig_id = (SELECT id FROM entry WHERE kind = 'comment')", "set-up of the run"),
        ("DELETE FROM entry WHERE kind = 'proposals'", "is wrong: The proposal"),
    ],
)
def test_references_that_lead_nowhere_are_told(store: Store, film: Film, statement: str, words: str) -> None:
    proposals = store.add(film.job_id, Proposals("motor:shaft1", "[{}]"))
    store.add(film.job_id, Choice(proposals.entry_id, 0))
    with store.database.writing() as connection:
        connection.execute(text(statement))
    (problem,) = check(store).problems[:1]
    assert words in problem


def test_backup_is_a_store_and_restores_to_the_same(store: Store, film: Film, tmp_path: Path) -> None:
    assert film.measured is not None
    film.measured.log.write_text("log\n")
    report = backup(store, tmp_path / "backup")
    assert (report.problems, report.files) == ((), 4)
    assert check(Store(tmp_path / "backup")).problems == ()
    assert restore(tmp_path / "backup", tmp_path / "new").problems == ()
    new = Store(tmp_path / "new")
    assert check(new).problems == ()
    assert [job.job_id for job in new.jobs()] == [film.job_id]
    assert new.entries(film.job_id, Comment) == store.entries(film.job_id, Comment)
    there = new.film(film.film_id)
    assert there.clip.path.read_bytes() == film.clip.path.read_bytes()
    assert there.measured is not None
    assert there.measured.log.read_text() == "log\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["backup", "new", "store"]


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX's")
def test_a_backup_and_a_restored_store_are_closed_to_others(store: Store, film: Film, tmp_path: Path) -> None:
    sharing = Sharing(store.database, store.folder, store.clock)
    sharing.give(film.job_id, "ann@works.example", Level.OWN, None)
    sharing.token(sharing.make_link(film.job_id, "Rita", 14, None))
    backup(store, tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "again")
    for folder in (tmp_path / "backup", tmp_path / "again"):
        assert folder.stat().st_mode & 0o077 == 0
        assert not (folder / KEY_FILE).exists(), "whoever has a backup can make no links"
    again = Store(tmp_path / "again")
    restored = Sharing(again.database, again.folder, again.clock)
    assert restored.shares(film.job_id) == sharing.shares(film.job_id)
    assert restored.links(film.job_id) == sharing.links(film.job_id)


def test_backup_while_others_write_is_whole(store: Store, film: Film, tmp_path: Path) -> None:
    over = threading.Event()

    def write() -> None:
        other = Store(store.folder)
        while not over.is_set():
            other.add(film.job_id, Comment("meanwhile"))
            measured(other, add_job(other), write_fake_result)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while len(store.jobs()) < 3:
            assert writer.is_alive()
        for number in range(3):
            backup(store, tmp_path / f"backup{number}")
    finally:
        over.set()
        writer.join()
    counts = []
    for number in range(3):
        copy = Store(tmp_path / f"backup{number}")
        assert check(copy).problems == ()
        jobs = copy.jobs()
        assert len(jobs) >= 3
        assert all(film.measured for job in jobs[1:] for film in job.films), (
            "only the newest may have been waiting at that moment"
        )
        counts.append(len(jobs))
    assert counts == sorted(counts)


def test_a_backup_of_a_damaged_store_keeps_the_rest_and_says_so(
    store: Store, film: Film, tmp_path: Path
) -> None:
    film.clip.path.unlink()
    assert backup(store, tmp_path / "backup").problems == (
        f"The file clips/{film.clip.path.name} is missing.",
    )
    assert len(restore(tmp_path / "backup", tmp_path / "new").problems) == 1
    assert Store(tmp_path / "new").film(film.film_id).measured is not None


def test_backup_and_restore_never_write_over_anything(store: Store, film: Film, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="not empty"):
        backup(store, store.folder)
    backup(store, tmp_path / "backup")
    with pytest.raises(StoreError, match="not empty"):
        backup(store, tmp_path / "backup")
    with pytest.raises(StoreError, match="not empty"):
        restore(tmp_path / "backup", store.folder)
    with pytest.raises(StoreError, match="no backup"):
        restore(tmp_path / "nothing", tmp_path / "new")
    assert check(store).problems == ()


def test_a_full_disk_leaves_no_half_backup(
    store: Store, film: Film, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(files.shutil, "disk_usage", lambda folder: usage._replace(free=0))
    with pytest.raises(StoreError, match="not enough disk space"):
        backup(store, tmp_path / "backup")
    assert [path.name for path in tmp_path.iterdir()] == ["store"]


def test_another_database_address(store: Store, film: Film, tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'elsewhere.sqlite'}"
    backup(store, tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "new", address)
    assert not (tmp_path / "new" / "jobs.sqlite").exists()
    new = Store(tmp_path / "new", database=address)
    assert check(new).problems == ()
    assert new.film(film.film_id).facts == film.facts
    with pytest.raises(StoreError, match="holds jobs already"):
        restore(tmp_path / "backup", tmp_path / "other", address)


def test_copying_rows_gives_what_a_copy_of_the_file_gives(store: Store, film: Film, tmp_path: Path) -> None:
    target = Database(f"sqlite:///{tmp_path / 'rows.sqlite'}", "rows")
    migrate(target, Clock())
    copy_tables(store.database, target)
    with store.database.reading() as ours, target.reading() as theirs:
        for table in keeping.schema.metadata.sorted_tables:
            if table.name != "migration":
                query = keeping.select(table).order_by(*table.primary_key.columns)
                assert ours.execute(query).all() == theirs.execute(query).all()


class Silent:
    """Progress that nobody sees."""

    def report(self, done: int, total: int, label: str) -> None:
        """Do nothing."""

    def check(self) -> None:
        """Do nothing."""

    def clear(self) -> None:
        """Do nothing."""


def command(*arguments: str | Path) -> int:
    """Run a command as the command line would."""
    parser = argparse.ArgumentParser()
    add_commands(parser.add_subparsers())
    options = parser.parse_args([str(argument) for argument in arguments])
    return int(options.run(options, Silent()))


def test_commands(
    store: Store,
    film: Film,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert command("check", "--store", store.folder) == 0
    assert "1 job, 4 files" in capsys.readouterr().out
    assert command("backup", tmp_path / "backup", "--store", store.folder) == 0
    assert command("restore", tmp_path / "backup", "--store", tmp_path / "new") == 0
    assert command("export", film.job_id, "--clips", "--store", store.folder) == 0
    assert Path(f"{film.job_id}.zip").is_file()
    assert command("import", f"{film.job_id}.zip", "--store", tmp_path / "third") == 0
    assert "New job" in capsys.readouterr().out
    assert Store(tmp_path / "third").film(film.film_id).run is not None
    film.clip.path.unlink()
    assert command("check", "--store", store.folder) == 2
    assert "is missing" in capsys.readouterr().out
    with pytest.raises(StoreError, match="no jobs in"):
        command("check", "--store", tmp_path / "mistyped")
    assert not (tmp_path / "mistyped").exists()
    assert RunState.DONE in {run.state for run in Store(tmp_path / "new").film(film.film_id).runs}
    assert os.listdir(tmp_path / "new" / "incoming") == []


def test_restore_into_another_database_by_the_command(
    store: Store,
    film: Film,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    backup(store, tmp_path / "backup")
    address = f"sqlite:///{tmp_path / 'elsewhere.sqlite'}"
    monkeypatch.setenv(DATABASE_VARIABLE, address)
    assert command("restore", tmp_path / "backup", "--store", tmp_path / "new") == 0
    assert "1 job, 4 files" in capsys.readouterr().out
    assert not list((tmp_path / "new").glob("jobs.sqlite*"))
    new = Store(tmp_path / "new")
    assert new.address == address
    assert new.film(film.film_id).facts == film.facts
    assert keeping.row_counts(new.database) == keeping.row_counts(store.database)
    assert check(new).problems == ()


def test_a_backup_is_checked_by_its_own_database(
    store: Store,
    film: Film,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    backup(store, tmp_path / "backup")
    monkeypatch.setenv(DATABASE_VARIABLE, f"sqlite:///{tmp_path / 'elsewhere.sqlite'}")
    assert command("check", "--store", tmp_path / "backup") == 0
    said = capsys.readouterr().out
    assert "1 job, 4 files" in said
    assert f"not the database that {DATABASE_VARIABLE} names" in said
    assert not (tmp_path / "elsewhere.sqlite").exists()
    next((tmp_path / "backup" / "clips").iterdir()).unlink()
    assert command("check", "--store", tmp_path / "backup") == 2
    assert "is missing" in capsys.readouterr().out


def test_rows_that_did_not_arrive_end_a_restore(
    store: Store, film: Film, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup(store, tmp_path / "backup")
    monkeypatch.setattr(keeping, "copy_tables", lambda source, target: None)
    with pytest.raises(StoreError, match="does not hold what the backup holds"):
        restore(tmp_path / "backup", tmp_path / "new", f"sqlite:///{tmp_path / 'elsewhere.sqlite'}")
    assert not (tmp_path / "new").exists()
