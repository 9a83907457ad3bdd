"""Brings a store's database up to date: an ordered list of changes, each done once and recorded.

Each change runs in one transaction together with the record that it ran. Changes are plain SQL that
SQLite and PostgreSQL share, and never use ``app.store.schema``, which moves on. Only ever append.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection, insert, inspect, select, text

from strokecurve.app.store import schema
from strokecurve.app.store.database import Database
from strokecurve.app.words.errors import StoreError


@dataclass(frozen=True, slots=True)
class Migration:
    """One change of the database.

    Attributes
    ----------
    name : str
        What it brought.
    apply : callable
        Makes the change on a connection that is inside a transaction.
    """

    name: str
    apply: Callable[[Connection], None]


def _execute(connection: Connection, script: str) -> None:
    for statement in script.split(";"):
        if statement.strip():
            connection.execute(text(statement))


_FIRST = """
CREATE TABLE job (
    id TEXT PRIMARY KEY,
    made_s DOUBLE PRECISION NOT NULL
);
CREATE TABLE clip (
    id TEXT PRIMARY KEY,
    made_s DOUBLE PRECISION NOT NULL,
    file TEXT NOT NULL UNIQUE,
    size_bytes BIGINT NOT NULL,
    sha256 TEXT NOT NULL,
    here INTEGER NOT NULL CHECK (here IN (0, 1))
);
CREATE TABLE film (
    id TEXT PRIMARY KEY,
    job_id TEXT NOT NULL REFERENCES job (id),
    clip_id TEXT NOT NULL REFERENCES clip (id),
    made_s DOUBLE PRECISION NOT NULL
);
CREATE INDEX film_by_job ON film (job_id);
CREATE TABLE entry (
    id TEXT PRIMARY KEY,
    job_id TEXT NOT NULL REFERENCES job (id),
    film_id TEXT REFERENCES film (id),
    kind TEXT NOT NULL,
    made_s DOUBLE PRECISION NOT NULL,
    author TEXT,
    content_json TEXT NOT NULL
);
CREATE INDEX entry_by_job ON entry (job_id, kind, made_s);
CREATE TABLE run (
    id TEXT PRIMARY KEY,
    film_id TEXT NOT NULL REFERENCES film (id),
    rig_id TEXT REFERENCES entry (id),
    made_s DOUBLE PRECISION NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    tries INTEGER NOT NULL,
    done BIGINT NOT NULL,
    total BIGINT NOT NULL,
    stage TEXT NOT NULL,
    heartbeat_s DOUBLE PRECISION NOT NULL,
    cancel_requested INTEGER NOT NULL CHECK (cancel_requested IN (0, 1)),
    error TEXT,
    cause TEXT CHECK (cause IN ('fault', 'gone', 'crashed')),
    finished_s DOUBLE PRECISION
);
CREATE INDEX run_by_film ON run (film_id);
CREATE INDEX run_by_state ON run (state);
CREATE TABLE run_file (
    run_id TEXT NOT NULL REFERENCES run (id),
    name TEXT NOT NULL,
    size_bytes BIGINT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (run_id, name)
);
CREATE TABLE share (
    id TEXT PRIMARY KEY,
    job_id TEXT NOT NULL REFERENCES job (id),
    mail TEXT NOT NULL,
    level TEXT NOT NULL CHECK (level IN ('own', 'change', 'read', 'none')),
    made_s DOUBLE PRECISION NOT NULL,
    made_by TEXT
);
CREATE INDEX share_by_job ON share (job_id);
CREATE TABLE reviewer_link (
    id TEXT PRIMARY KEY,
    job_id TEXT NOT NULL REFERENCES job (id),
    label TEXT NOT NULL,
    made_s DOUBLE PRECISION NOT NULL,
    made_by TEXT,
    expires_s DOUBLE PRECISION NOT NULL,
    withdrawn_s DOUBLE PRECISION
);
CREATE INDEX reviewer_link_by_job ON reviewer_link (job_id);
CREATE TABLE provenance (
    entry_id TEXT PRIMARY KEY REFERENCES entry (id),
    job_id TEXT NOT NULL REFERENCES job (id),
    made_s DOUBLE PRECISION NOT NULL,
    made_by TEXT
);
CREATE INDEX provenance_by_job ON provenance (job_id)
"""


def _first(connection: Connection) -> None:
    """Jobs with their films, runs and entries, shares and links, and what came in bundles."""
    _execute(connection, _FIRST)


MIGRATIONS = (Migration("jobs, films, runs, entries and shares", _first),)
"""Changes of the database in order; a store remembers which it has had."""


def migrate(database: Database, clock: Callable[[], float]) -> None:
    """Bring a database up to this version.

    Parameters
    ----------
    database : Database
    clock : callable
        Seconds since 1970, for the records.

    Raises
    ------
    StoreError
        If the database was written by a newer version or cannot be used.
    """
    with database.reading() as connection:
        if _recorded(connection) == len(MIGRATIONS):
            return
    for number, change in enumerate(MIGRATIONS, start=1):
        with database.writing() as connection:
            database.lock(connection)
            version = _version(connection)
            if version > len(MIGRATIONS):
                raise StoreError(
                    f"The jobs in {database.name} were written by a newer strokecurve.",
                    "Update strokecurve or choose another folder with --store.",
                )
            if version < number:
                change.apply(connection)
                _record(connection, number, change.name, clock)


def _version(connection: Connection) -> int:
    """Number of the newest change a database has had; a new one gets the table for it."""
    if not inspect(connection).has_table("migration"):
        schema.migration.create(connection)
    return _recorded(connection)


def _recorded(connection: Connection) -> int:
    """Number of the newest change on record; 0 without records."""
    if not inspect(connection).has_table("migration"):
        return 0
    return max(connection.execute(select(schema.migration.c.number)).scalars(), default=0)


def _record(connection: Connection, number: int, name: str, clock: Callable[[], float]) -> None:
    connection.execute(insert(schema.migration).values(number=number, name=name, applied_s=clock()))
