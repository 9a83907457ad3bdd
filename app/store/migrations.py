"""Brings a store's database up to date: an ordered list of changes, each done once and recorded.

Each change runs in one transaction together with the record that it ran. Changes are plain SQL that
SQLite and PostgreSQL share, and never use ``app.store.schema``, which moves on. Only ever append.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

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
    created_s DOUBLE PRECISION NOT NULL,
    label TEXT NOT NULL,
    clip_file TEXT NOT NULL,
    rig_toml TEXT,
    state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    done INTEGER NOT NULL DEFAULT 0,
    total INTEGER NOT NULL DEFAULT 0,
    stage TEXT NOT NULL DEFAULT '',
    heartbeat_s DOUBLE PRECISION NOT NULL,
    cancel_requested INTEGER NOT NULL DEFAULT 0,
    error TEXT,
    finished_s DOUBLE PRECISION
);
CREATE INDEX job_by_time ON job (created_s);
CREATE TABLE intended (
    number INTEGER PRIMARY KEY,
    job_id TEXT NOT NULL REFERENCES job (id),
    linkage TEXT NOT NULL,
    created_s DOUBLE PRECISION NOT NULL,
    kind TEXT NOT NULL,
    rows_json TEXT NOT NULL
)
"""

_FILMS = """
ALTER TABLE job RENAME TO old_job;
ALTER TABLE intended RENAME TO old_intended;
CREATE TABLE job (
    id TEXT PRIMARY KEY,
    made_s DOUBLE PRECISION NOT NULL
);
CREATE TABLE clip (
    id TEXT PRIMARY KEY,
    made_s DOUBLE PRECISION NOT NULL,
    file TEXT NOT NULL UNIQUE,
    size_bytes BIGINT,
    sha256 TEXT,
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
)
"""

_SHARES = """
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
CREATE INDEX reviewer_link_by_job ON reviewer_link (job_id)
"""


_TAKEN_IN = """
CREATE TABLE taken_in (
    entry_id TEXT PRIMARY KEY REFERENCES entry (id),
    job_id TEXT NOT NULL REFERENCES job (id),
    made_s DOUBLE PRECISION NOT NULL,
    made_by TEXT
);
CREATE INDEX taken_in_by_job ON taken_in (job_id)
"""


def _first(connection: Connection) -> None:
    """Clips, each with one analysis and its intended travel."""
    _execute(connection, _FIRST)


def _films(connection: Connection) -> None:
    """Jobs with any number of films; every old job stays one of its own, at its old address."""
    _execute(connection, _FILMS)
    jobs = connection.execute(text("SELECT * FROM old_job ORDER BY created_s, id")).mappings().all()
    known: set[str] = set()
    for old in jobs:
        clip_id = old["clip_file"].split(".")[0]
        if clip_id not in known:  # an analysis repeated was another job on the same clip
            known.add(clip_id)
            _put(connection, "clip", id=clip_id, made_s=old["created_s"], file=old["clip_file"], here=1)
        _put(connection, "job", id=old["id"], made_s=old["created_s"])
        _put(connection, "film", id=old["id"], job_id=old["id"], clip_id=clip_id, made_s=old["created_s"])
        rig_id, last_s = None, 0.0
        for kind, film_id, made_s, content in _old_entries(connection, old):
            # at least a microsecond apart, so that their order is told by their times
            last_s = round(max(made_s, last_s + 1e-6), 6)
            entry_id = secrets.token_hex(16)
            rig_id = entry_id if kind == "rig" else rig_id
            _put(
                connection, "entry", id=entry_id, job_id=old["id"], film_id=film_id, kind=kind, made_s=last_s,
                content_json=json.dumps(content, ensure_ascii=False, sort_keys=True),
            )  # fmt: skip
        kept = ("state", "done", "total", "stage", "heartbeat_s", "cancel_requested", "error", "finished_s")
        _put(
            connection, "run", id=old["id"], film_id=old["id"], rig_id=rig_id, made_s=old["created_s"],
            tries=1, **{name: old[name] for name in kept},
        )  # fmt: skip
    _execute(connection, "DROP TABLE old_intended; DROP TABLE old_job")


def _shares(connection: Connection) -> None:
    """Who has a part in a job, and links for reviewers; jobs made before have no owner."""
    _execute(connection, _SHARES)


def _taken_in(connection: Connection) -> None:
    """Which entries came in a bundle; of those that are there already it is not known."""
    _execute(connection, _TAKEN_IN)


def _old_entries(connection: Connection, old: Any) -> Iterator[tuple[str, str | None, float, dict[str, Any]]]:
    """Kind, film, time and content of what an old job becomes, in the order of time."""
    facts = {"role": None, "label": old["label"], "filmed_by": None, "filmed_on": None}
    yield "film", old["id"], old["created_s"], facts
    if old["rig_toml"] is not None:
        yield "rig", None, old["created_s"], {"toml": old["rig_toml"]}
    rows = connection.execute(
        text("SELECT * FROM old_intended WHERE job_id = :id ORDER BY number"), {"id": old["id"]}
    ).mappings()
    for row in rows:
        content = {"linkage": row["linkage"], "kind": row["kind"], "rows": json.loads(row["rows_json"])}
        yield "intended", None, row["created_s"], content


def _put(connection: Connection, table: str, **values: Any) -> None:
    """Insert one row."""
    names = ", ".join(values)
    places = ", ".join(f":{name}" for name in values)
    # Names are those written in this file; what comes from outside is bound.
    connection.execute(text(f"INSERT INTO {table} ({names}) VALUES ({places})"), values)  # noqa: S608


MIGRATIONS = (
    Migration("clips and their analyses", _first),
    Migration("jobs with films, runs and entries", _films),
    Migration("shares and links for reviewers", _shares),
    Migration("entries that came in bundles", _taken_in),
)
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
        if max(_recorded(connection), database.first_format(connection)) == len(MIGRATIONS):
            return
    for number, change in enumerate(MIGRATIONS, start=1):
        with database.writing() as connection:
            database.lock(connection)
            version = _version(database, connection, clock)
            if version > len(MIGRATIONS):
                raise StoreError(
                    f"The jobs in {database.name} were written by a newer strokecurve.",
                    "Update strokecurve or choose another folder with --store.",
                )
            if version < number:
                change.apply(connection)
                _record(database, connection, number, change.name, clock)


def _version(database: Database, connection: Connection, clock: Callable[[], float]) -> int:
    """Number of the newest change a database has had; a first store is taken over on the way."""
    in_header = database.first_format(connection)
    if not inspect(connection).has_table("migration"):
        schema.migration.create(connection)
        if in_header == 1:  # the first store kept no records, only this number
            _record(database, connection, 1, MIGRATIONS[0].name, clock)
    return max(in_header, _recorded(connection))


def _recorded(connection: Connection) -> int:
    """Number of the newest change on record; 0 without records."""
    if not inspect(connection).has_table("migration"):
        return 0
    return max(connection.execute(select(schema.migration.c.number)).scalars(), default=0)


def _record(
    database: Database, connection: Connection, number: int, name: str, clock: Callable[[], float]
) -> None:
    connection.execute(insert(schema.migration).values(number=number, name=name, applied_s=clock()))
    database.note_format(connection, number)
