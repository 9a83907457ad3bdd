"""Opens the database of a store: the only place that knows what kind of database it is.

Everything else is written in SQLAlchemy Core or in SQL that SQLite and PostgreSQL share.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError
from sqlalchemy.pool import NullPool

from strokecurve.app.words.errors import StoreError

BUSY_TIMEOUT_S = 30.0
"""How long a write waits for others; every write lasts milliseconds, so this is many writers' worth."""
FULL_BYTES = 1 << 20
"""With less free a disk is called full: SQLite may need room for its log and its index of it at once."""
DAMAGE = ("malformed", "Could not decode", "not a database")
"""What SQLite and its driver say of a file that is not as they wrote it, each with details of its own."""
RESTORE = "Restore the newest backup into another folder"
ENTRANCE = 0x5743
"""Number of the lock that programs take in turn while they bring a PostgreSQL database up to date."""
QUEUE = 0x5744
"""The same for handing out runs: two at once would both see the last free slot."""


class Database:
    """Short transactions on one database.

    Parameters
    ----------
    address : str or URL
        SQLAlchemy address, ``sqlite:///...`` or ``postgresql+psycopg://...``.
    name : str
        How messages call the database; addresses hold passwords.

    Raises
    ------
    StoreError
        If the address cannot be used.
    """

    def __init__(self, address: str | URL, name: str) -> None:
        self.name = name
        try:
            url = make_url(address)
            self.embedded = url.get_backend_name() == "sqlite"
            self._file = Path(url.database or "") if self.embedded else None
            if self.embedded:
                self._engine = _embedded(url)
            else:
                self._engine = create_engine(url, pool_pre_ping=True, hide_parameters=True)
        except (ArgumentError, NoSuchModuleError, ImportError) as error:
            raise StoreError(
                f"The database address for {name} cannot be used.",
                "Give one such as postgresql+psycopg://user@host/name, with its driver installed, or none.",
            ) from error

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection for one short write; committed at the end, rolled back on error."""
        with self._plainly("written"), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for one read of one state of the database, which holds up no writer."""
        options = {"reading": True} if self.embedded else {"isolation_level": "REPEATABLE READ"}
        with self._plainly("read"), self._connected_to_read() as connection:
            connection.execution_options(**options)
            with connection.begin():
                yield connection

    def _connected_to_read(self) -> Connection:
        """A connection; on a full disk one that needs no room.

        SQLite makes two small files beside a database even to read it, unless told that nothing writes.
        That is so if it cannot make them and no log of earlier writes is there.
        """
        try:
            return self._engine.connect()
        except OperationalError:
            if self._file is None or _length(self._file) == 0 or _length(_log_of(self._file)) > 0:
                raise
            return _unchanging(self._file).connect()

    @contextmanager
    def _plainly(self, verb: str) -> Iterator[None]:
        try:
            yield
        # What goes past SQLAlchemy raises the driver's own error, whose text may be bytes of the damage.
        except (DBAPIError, sqlite3.Error, UnicodeDecodeError) as error:
            reason = self._reason(error)
            hint = "Check the disk and try again, or choose another folder with --store"
            if isinstance(error, UnicodeDecodeError) or any(words in reason for words in DAMAGE):
                reason, hint = "it is damaged", RESTORE
            raise StoreError(
                f"The list of jobs, {self.name}, cannot be {verb}: {reason}.",
                f"{hint}; clips and results are untouched.",
            ) from error

    def _reason(self, error: Exception) -> str:
        """What the database says; SQLite calls a full disk an I/O error where it needs room to read."""
        folder = None if self._file is None else self._file.parent
        if folder is not None and folder.is_dir() and shutil.disk_usage(folder).free < FULL_BYTES:
            return "the disk is full"
        return " ".join(str(getattr(error, "orig", error)).split())

    def lock(self, connection: Connection, entrance: int = ENTRANCE) -> None:
        """Let only one program at a time do what ``entrance`` stands for, until the transaction ends."""
        if not self.embedded:  # SQLite's write transaction is that lock already.
            connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": entrance})

    def own_faults(self) -> tuple[str, ...]:
        """What an embedded database finds wrong with itself; empty if nothing."""
        if not self.embedded:
            return ()
        with self.reading() as connection:
            lines = connection.exec_driver_sql("PRAGMA integrity_check(10)").scalars().all()
            loose = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        return tuple(str(line) for line in lines if line != "ok") + tuple(
            f"a row of {row[0]} refers to a row of {row[2]} that is missing" for row in loose
        )

    def snapshot(self, path: Path) -> bool:
        """Copy an embedded database as it stands into a new file; False if it is not embedded."""
        if not self.embedded:
            return False
        with self._plainly("copied"), self._engine.connect() as connection:
            # VACUUM INTO refuses to run inside a transaction, so it goes past SQLAlchemy's own.
            driver: Any = connection.connection.driver_connection
            driver.execute("VACUUM INTO ?", (str(path),))
        return True

    def close(self) -> None:
        """Give back connections that are kept open."""
        self._engine.dispose()


def _embedded(url: URL) -> Engine:
    """An engine for an SQLite file: write-ahead log, references checked, writers wait for each other."""
    engine = create_engine(url, poolclass=NullPool, connect_args={"timeout": BUSY_TIMEOUT_S})

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        # The driver must not begin transactions by itself: it would do so too late and hold up nobody.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        _turn_on_log(connection)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        reading = connection.get_execution_options().get("reading", False)
        connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")

    return engine


def _log_of(file: Path) -> Path:
    """The write-ahead log of a database file."""
    return file.with_name(f"{file.name}-wal")


def _length(file: Path) -> int:
    """Size of a file in bytes, 0 if it is not there."""
    return file.stat().st_size if file.is_file() else 0


def _unchanging(file: Path) -> Engine:
    """An engine to read an SQLite file that nothing writes to."""
    how = {"mode": "ro", "immutable": "1", "uri": "true"}
    return create_engine(
        URL.create("sqlite", database=f"file:{quote(str(file))}", query=how), poolclass=NullPool
    )


def _turn_on_log(connection: sqlite3.Connection) -> None:
    """Switch a new file to its write-ahead log; the switch does not wait for others by itself."""
    deadline = time.monotonic() + BUSY_TIMEOUT_S
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.01)
