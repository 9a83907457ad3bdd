"""Keeps a store for years: checks every file and reference, backs up while it is in use, restores."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, insert, select

from strokecurve.app.store import schema
from strokecurve.app.store.database import RESTORE, Database
from strokecurve.app.store.entries import check_place, entry_from, proposal_counts
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.migrations import migrate
from strokecurve.app.store.row_validation import valid_row, valid_rows
from strokecurve.app.store.store import DATABASE_FILE, FOLDERS, Store, own_database
from strokecurve.app.words.errors import InputError, StoreError
from strokecurve.app.words.files import (
    PART,
    check_space,
    chunks_of,
    measure_file,
    new_part,
    remove,
    sync_folder,
    write_chunks,
)
from strokecurve.app.words.statements import Entry, FilmFacts, RigText
from strokecurve.vision.control import JobControl, Unattended


@dataclass(frozen=True, slots=True)
class StoredFile:
    """A file that the database refers to; ``name`` is its path inside the store's folder."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Report:
    """How a store, a backup or a restored store stands.

    Attributes
    ----------
    jobs, files, size_bytes : int
        What was looked at.
    problems : tuple of str
        A sentence for everything that is missing, damaged or contradicts something else.
    notes : tuple of str
        What is worth knowing but no damage.
    """

    jobs: int
    files: int
    size_bytes: int
    problems: tuple[str, ...]
    notes: tuple[str, ...] = ()


def stored_files(connection: Connection) -> tuple[StoredFile, ...]:
    """Every file that the database refers to; raises StoreError if its names are damaged."""
    clip, run_file = schema.clip, schema.run_file
    clips = connection.execute(select(clip).where(clip.c.here == 1).order_by(clip.c.file))
    results = connection.execute(select(run_file).order_by(run_file.c.run_id, run_file.c.name))
    return (
        *(StoredFile(f"clips/{row.file}", row.size_bytes, row.sha256) for row in valid_rows(clip, clips)),
        *(
            StoredFile(f"results/{row.run_id}/{row.name}", row.size_bytes, row.sha256)
            for row in valid_rows(run_file, results)
        ),
    )


def check(store: Store, job: JobControl | None = None) -> Report:
    """Compare every file with its checksum and follow every reference.

    Parameters
    ----------
    store : Store
    job : JobControl, optional
        Progress and stop.
    """
    job = job or Unattended()
    faults = tuple(f"The database is damaged: {fault}." for fault in store.database.own_faults())
    with store.database.reading() as connection:
        faults += tuple(_unsound_rows(connection))
    if faults:  # What such a database says of entries and files is worth nothing.
        note = f"The files were not compared, as the database is damaged. {RESTORE}."
        return Report(0, 0, 0, faults, (note,))
    with store.database.reading() as connection:
        wrong = tuple(_wrong_rows(connection))
    with store.database.reading() as connection:
        files = stored_files(connection)
        jobs = connection.execute(select(func.count()).select_from(schema.job)).scalar_one()
        bare = [f"The result results/{run_id} is missing." for run_id in _runs_without_files(connection)]
    damaged, done_bytes = [], 0
    for number, file in enumerate(files):
        job.check()
        job.report(number, len(files), "comparing checksums")
        damaged += _compare(store.folder, file)
        done_bytes += file.size_bytes
    notes = tuple(_not_referred_to(store.folder, {file.name for file in files}))
    return Report(jobs, len(files), done_bytes, (*wrong, *bare, *damaged), notes)


def _compare(folder: Path, file: StoredFile) -> list[str]:
    """What is wrong with one file."""
    path = folder / file.name
    try:
        size, sha256 = measure_file(path)
    except FileNotFoundError:
        return [f"The file {file.name} is missing."]
    except OSError as error:
        return [f"The file {file.name} cannot be read: {error.strerror}."]
    if (size, sha256) != (file.size_bytes, file.sha256):
        return [f"The file {file.name} is damaged: its checksum is not the one recorded."]
    return []


def _runs_without_files(connection: Connection) -> tuple[str, ...]:
    """Runs with a result of which no file is recorded."""
    run = schema.run
    bare = run.c.state == RunState.DONE.value, run.c.id.not_in(select(schema.run_file.c.run_id))
    return tuple(connection.execute(select(run.c.id).where(*bare)).scalars())


def _copy(source: Path, target: Path) -> tuple[int, str]:
    """Copy a file; gives size and SHA-256."""
    with source.open("rb") as stream:
        return write_chunks(chunks_of(stream), target, 1 << 50, "the copy")


def _unsound_rows(connection: Connection) -> Iterator[str]:
    """Rows with values that are not of their column's kind or form."""
    for table in schema.metadata.sorted_tables:
        for row in connection.execute(select(table)):
            try:
                valid_row(table, row)
            except StoreError as error:
                yield error.message


def _wrong_rows(connection: Connection) -> Iterator[str]:
    """Entries that cannot be read or refer to what is not there, and films and runs without theirs."""
    films: dict[str, set[str]] = {}
    jobs: dict[str, str] = {}
    for row in connection.execute(select(schema.film)):
        films.setdefault(row.job_id, set()).add(row.id)
        jobs[row.id] = row.job_id
    entries: dict[str, list[Entry[Any]]] = {}
    for row in connection.execute(select(schema.entry)):
        try:
            entries.setdefault(row.job_id, []).append(entry_from(row))
        except InputError as error:
            yield f"The entry {row.id} of job {row.job_id} cannot be read: {error.message}"
    described, rigs = set(), {}
    for job_id, found in entries.items():
        proposals = proposal_counts(tuple(found))
        for entry in found:
            if isinstance(entry.content, FilmFacts):
                described.add(entry.film_id)
            if isinstance(entry.content, RigText):
                rigs[entry.entry_id] = job_id
            try:
                check_place(entry, films.get(job_id, set()), proposals)
            except StoreError as error:
                yield f"The entry {entry.entry_id} of job {job_id} is wrong: {error.message}"
    for film_id in sorted(set(jobs) - described):
        yield f"Nothing is said about the film {film_id}."
    for row in connection.execute(select(schema.run).where(schema.run.c.rig_id.is_not(None))):
        if rigs.get(row.rig_id) != jobs.get(row.film_id):
            yield f"The set-up of the run {row.id} is missing."


def _not_referred_to(folder: Path, names: set[str]) -> Iterator[str]:
    """Files and folders that no job refers to: left by a program that was killed."""
    known = {"/".join(name.split("/")[:2]) for name in names}
    for kind in ("clips", "results"):
        for path in sorted((folder / kind).iterdir()):
            name = f"{kind}/{path.name}"
            if not path.name.startswith(PART) and name not in known:
                yield f"{name} belongs to no job; it may be removed by hand."


def backup(store: Store, target: Path, job: JobControl | None = None) -> Report:
    """Copy a store while it is in use; the copy is a store itself.

    First the database is copied as it stands at one moment, then every file that this copy refers to. Files
    never change once they are referred to, so database and files belong together.

    Parameters
    ----------
    store : Store
    target : Path
        Folder; not there yet, or empty. It is complete or not there.
    job : JobControl, optional
        Progress and stop.

    Returns
    -------
    Report
        With a problem for every file that is missing or damaged in the store; all others are in the backup.

    Raises
    ------
    StoreError
        If the folder is not empty or the disk is full.
    """
    target = Path(target).expanduser().resolve()
    with _fresh_folder(target) as part:
        _copy_database(store, part / DATABASE_FILE)
        copied = Database(own_database(part), DATABASE_FILE)
        return _copy_files(copied, store.folder, part, job or Unattended())


def restore(source: Path, folder: Path, database: str | None = None, job: JobControl | None = None) -> Report:
    """Make a store from a backup.

    Parameters
    ----------
    source : Path
        Folder that ``backup`` made; it stays as it is.
    folder : Path
        The store's folder; not there yet, or empty. It is complete or not there.
    database : str, optional
        Address of another database, as of ``Store``; it must be empty.
    job : JobControl, optional
        Progress and stop.

    Returns
    -------
    Report
        With a problem for every file that is missing or damaged in the backup; all others are restored.

    Raises
    ------
    StoreError
        If there is no backup, the folder is not empty, or the disk is full.
    """
    source, folder = Path(source).expanduser().resolve(), Path(folder).expanduser().resolve()
    if not (source / DATABASE_FILE).is_file():
        raise StoreError(f"There is no backup in {source}.", "Name the folder that the backup was made into.")
    with _fresh_folder(folder) as part:
        # A folder copied by other means may still have its write-ahead log beside the database.
        for name in (DATABASE_FILE, f"{DATABASE_FILE}-wal"):
            if (source / name).is_file():
                _copy(source / name, part / name)
        # Never the database that the environment names: that is the one to restore into.
        restored = Store(part, database=own_database(part))
        report = _copy_files(restored.database, source, part, job or Unattended())
        if database is not None:
            _fill(database, restored.database)
            restored.database.close()
            for name in (DATABASE_FILE, f"{DATABASE_FILE}-wal", f"{DATABASE_FILE}-shm"):
                (part / name).unlink(missing_ok=True)
    return report


def _fill(address: str, source: Database) -> None:
    """Copy all rows into another database; StoreError if that holds jobs already, or not all arrived."""
    database = Database(address, "the database to restore into")
    try:
        migrate(database, time.time)
        with database.reading() as connection:
            if connection.execute(select(schema.job.c.id).limit(1)).first() is not None:
                raise StoreError("The database to restore into holds jobs already.", "Name an empty one.")
        copy_tables(source, database)
        if row_counts(database) != row_counts(source):
            raise StoreError(
                "The database to restore into does not hold what the backup holds.",
                "Empty it and restore again, with nobody else at work in it.",
            )
    finally:
        database.close()


@contextmanager
def _fresh_folder(target: Path) -> Iterator[Path]:
    """A folder to fill, which takes its final name at the end, or goes if that is not reached."""
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise StoreError(f"The folder {target} is not empty.", "Name a new one.")
        target.parent.mkdir(parents=True, exist_ok=True)
        part = new_part(target.parent)
        part.mkdir(mode=0o700)  # as a new store is, and for the same reason
        try:
            for name in FOLDERS:
                (part / name).mkdir()
            yield part
            os.replace(part, target)
            sync_folder(target.parent)
        finally:
            remove(part)
    except OSError as error:
        raise StoreError(
            f"The folder {target} cannot be written: {error.strerror}.", "Make room or name another."
        ) from error


def _copy_database(store: Store, path: Path) -> None:
    """Copy the database as it stands at one moment into an SQLite file."""
    if not store.database.snapshot(path):
        copied = Database(own_database(path.parent), path.name)
        migrate(copied, store.clock)
        copy_tables(store.database, copied)


def copy_tables(source: Database, target: Database) -> None:
    """Copy all rows of one state of a database into another that is empty and up to date."""
    with source.reading() as reading, target.writing() as writing:
        for table in schema.metadata.sorted_tables:
            if table is schema.migration:
                continue  # the target has its own
            rows = reading.execute(select(table)).mappings().all()
            if rows:
                writing.execute(insert(table), [dict(row) for row in rows])


def row_counts(database: Database) -> dict[str, int]:
    """Number of rows of every table that a copy of a database holds, too."""
    with database.reading() as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in schema.metadata.sorted_tables
            if table is not schema.migration
        }


def _copy_files(database: Database, source: Path, target: Path, job: JobControl) -> Report:
    """Copy every file that a database refers to, and the logs, comparing checksums on the way."""
    with database.reading() as connection:
        files = list(stored_files(connection))
        jobs = connection.execute(select(func.count()).select_from(schema.job)).scalar_one()
    total = sum(file.size_bytes for file in files)
    check_space(target, total, "the copy")
    problems = []
    for number, file in enumerate(files):
        job.check()
        job.report(number, len(files), "copying")
        path = target / file.name
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            found = _copy(source / file.name, path)
        except FileNotFoundError:
            problems.append(f"The file {file.name} is missing.")
            continue
        if found != (file.size_bytes, file.sha256):
            problems.append(f"The file {file.name} is damaged: its checksum is not the one recorded.")
    for log in sorted((source / "logs").glob("*.log")):
        (target / "logs" / log.name).write_bytes(log.read_bytes())
    return Report(jobs, len(files), total, tuple(problems))
