"""The jobs a person has started: clips, states, results and intended travel, kept on disk.

One folder holds everything: ``jobs.sqlite`` (states), ``clips/`` (uploads under names of our own),
``results/`` (one folder a job) and ``logs/``. Nothing is ever overwritten or deleted here.
Every call opens the database for one short transaction, so any number of processes may share a store.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import BinaryIO

from app.errors import InputError
from app.jobs import IntendedChoice, Job, JobState

CHUNK_BYTES = 1 << 20
SPARE_BYTES = 200 * CHUNK_BYTES
"""Disk space to leave free beside a clip, for its results."""
STALE_AFTER_S = 20.0
"""A worker gives a sign five times a second; so long without one means it is gone."""
BUSY_TIMEOUT_S = 10.0
CLIP_ENDINGS = (".mp4", ".mov")
LABEL_LENGTH = 80

GONE = (
    "The analysis stopped without a word: the computer was switched off or ran out of memory. "
    "The clip is kept: analyse it again."
)
"""Error sentence of a job whose worker no longer beats."""

MIGRATIONS = (
    """
    CREATE TABLE job (
        id TEXT PRIMARY KEY,
        created_s REAL NOT NULL,
        label TEXT NOT NULL,
        clip_file TEXT NOT NULL,
        rig_toml TEXT,
        state TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
        done INTEGER NOT NULL DEFAULT 0,
        total INTEGER NOT NULL DEFAULT 0,
        stage TEXT NOT NULL DEFAULT '',
        heartbeat_s REAL NOT NULL,
        cancel_requested INTEGER NOT NULL DEFAULT 0,
        error TEXT,
        finished_s REAL
    ) STRICT;
    CREATE INDEX job_by_time ON job (created_s);
    CREATE TABLE intended (
        number INTEGER PRIMARY KEY,
        job_id TEXT NOT NULL REFERENCES job (id),
        linkage TEXT NOT NULL,
        created_s REAL NOT NULL,
        kind TEXT NOT NULL,
        rows_json TEXT NOT NULL
    ) STRICT;
    """,
)
"""Changes of the database in order; a store remembers how many it has had. Only ever append."""


class StoreError(InputError):
    """The store cannot do what was asked, said for the person."""


def default_folder() -> Path:
    """Folder for the jobs of the person logged in, by the custom of the operating system."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    return base / "strokecurve"


def display_label(client_name: str) -> str:
    """A client's file name made fit for display: last part only, printable, not too long."""
    last = re.split(r"[\\/]", client_name)[-1]
    clean = "".join(character for character in last if character.isprintable()).strip()
    return clean[:LABEL_LENGTH] or "clip"


class Store:
    """The jobs in one folder.

    Parameters
    ----------
    folder : Path
        Made if missing.
    clock : callable
        Gives seconds since 1970; another clock may be handed in.

    Raises
    ------
    StoreError
        If the folder cannot be made or holds a store of a newer version.
    """

    def __init__(self, folder: Path, clock: Callable[[], float] = time.time) -> None:
        self.folder = Path(folder).expanduser().resolve()
        self.clock = clock
        try:
            for name in ("clips", "results", "logs"):
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"The folder for jobs, {self.folder}, cannot be used: {error.strerror}.",
                "Choose another with --store.",
            ) from error
        self._migrate()

    @contextmanager
    def _transaction(self, begin: str = "BEGIN IMMEDIATE") -> Iterator[sqlite3.Connection]:
        """A connection for one short write; committed at the end, rolled back on error."""
        connection = sqlite3.connect(
            self.folder / "jobs.sqlite", timeout=BUSY_TIMEOUT_S, isolation_level=None
        )
        try:
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute(begin)
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        finally:
            connection.close()

    def _reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """A connection for one short read, which holds up no writer."""
        return self._transaction("BEGIN")

    def _migrate(self) -> None:
        """Bring the database up to this version, one migration a transaction."""
        path = self.folder / "jobs.sqlite"
        try:
            connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
            try:
                connection.execute("PRAGMA journal_mode = WAL")
            finally:
                connection.close()
            for number, script in enumerate(MIGRATIONS, start=1):
                with self._transaction() as connection:
                    version = connection.execute("PRAGMA user_version").fetchone()[0]
                    if version > len(MIGRATIONS):
                        raise StoreError(
                            f"The jobs in {self.folder} were written by a newer strokecurve.",
                            "Update strokecurve or choose another folder with --store.",
                        )
                    if version < number:
                        # executescript would commit by itself and leave a half-made step behind.
                        for statement in script.split(";"):
                            if statement.strip():
                                connection.execute(statement)
                        connection.execute(f"PRAGMA user_version = {number}")
        except sqlite3.DatabaseError as error:
            raise StoreError(
                f"The list of jobs, {path}, cannot be read.",
                "Choose another folder with --store; the clips and results beside it are untouched.",
            ) from error

    def _job(self, row: sqlite3.Row) -> Job:
        """A database row as a job."""
        job_id = row["id"]
        return Job(
            job_id=job_id,
            created_s=row["created_s"],
            finished_s=row["finished_s"],
            label=row["label"],
            clip=self.folder / "clips" / row["clip_file"],
            result=self.folder / "results" / job_id,
            log=self.folder / "logs" / f"{job_id}.log",
            rig_toml=row["rig_toml"],
            state=JobState(row["state"]),
            done=row["done"],
            total=row["total"],
            stage=row["stage"],
            heartbeat_s=row["heartbeat_s"],
            cancel_requested=bool(row["cancel_requested"]),
            error=row["error"],
        )

    def add_clip(
        self,
        stream: BinaryIO,
        client_name: str,
        size_bytes: int,
        rig_toml: str | None = None,
        label: str | None = None,
    ) -> Job:
        """Keep an uploaded clip and queue its analysis.

        Parameters
        ----------
        stream : binary file
            Read in pieces from where it stands.
        client_name : str
            Name given by the person's device; kept for display, never used as a file name.
        size_bytes : int
            Size announced, to check the free disk space first.
        rig_toml : str, optional
            Text of a set-up file.
        label : str, optional
            Name to show instead of the client's.

        Returns
        -------
        Job
            State ``queued``.

        Raises
        ------
        StoreError
            If the disk is full or the clip is empty.
        """
        free = shutil.disk_usage(self.folder).free
        if free < size_bytes + SPARE_BYTES:
            raise StoreError(
                f"There is not enough disk space for this clip: {size_bytes / 1e6:.0f} MB needed, "
                f"{free / 1e6:.0f} MB free.",
                "Free some space and upload again.",
            )
        job_id = secrets.token_hex(6)
        ending = Path(client_name).suffix.lower()
        clip_file = job_id + (ending if ending in CLIP_ENDINGS else ".mp4")
        clips = self.folder / "clips"
        part = clips / f".{clip_file}.part"
        try:
            with part.open("wb") as target:
                shutil.copyfileobj(stream, target, CHUNK_BYTES)
                target.flush()
                os.fsync(target.fileno())
            if part.stat().st_size == 0:
                raise StoreError("The clip is empty: it has no bytes.", "Film again or copy the file again.")
            os.replace(part, clips / clip_file)
        except OSError as error:
            raise StoreError(
                f"The clip could not be stored: {error.strerror}.", "Check the disk and upload again."
            ) from error
        finally:
            part.unlink(missing_ok=True)
        return self._insert(job_id, display_label(label or client_name), clip_file, rig_toml)

    def add_again(self, job_id: str) -> Job:
        """Queue another analysis of a clip already stored, as a new job; the old one stays as it is."""
        old = self.job(job_id)
        return self._insert(secrets.token_hex(6), old.label, old.clip.name, old.rig_toml)

    def _insert(self, job_id: str, label: str, clip_file: str, rig_toml: str | None) -> Job:
        """Write a new queued job."""
        now = self.clock()
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO job (id, created_s, label, clip_file, rig_toml, state, heartbeat_s) "
                "VALUES (?, ?, ?, ?, ?, 'queued', ?)",
                (job_id, now, label, clip_file, rig_toml, now),
            )
        return self.job(job_id)

    def job(self, job_id: str) -> Job:
        """One job by its id.

        Raises
        ------
        StoreError
            If there is none.
        """
        with self._reading() as connection:
            row = connection.execute("SELECT * FROM job WHERE id = ?", (job_id,)).fetchone()
        if row is None:
            raise StoreError(
                "This address belongs to no film on this computer.", "Choose one from the list of films."
            )
        return self._job(row)

    def jobs(self) -> tuple[Job, ...]:
        """All jobs, newest first."""
        with self._reading() as connection:
            rows = connection.execute("SELECT * FROM job ORDER BY created_s DESC, rowid DESC").fetchall()
        return tuple(self._job(row) for row in rows)

    def claim(self, job_id: str) -> bool:
        """Turn a queued job to running; False if it is not queued, so only one worker ever takes it."""
        with self._transaction() as connection:
            changed = connection.execute(
                "UPDATE job SET state = 'running', heartbeat_s = ? WHERE id = ? AND state = 'queued'",
                (self.clock(), job_id),
            )
            return changed.rowcount == 1

    def beat(self, job_id: str, progress: tuple[int, int, str] | None = None) -> bool:
        """Take a sign of life from the worker.

        Parameters
        ----------
        job_id : str
        progress : (done, total, stage), optional
            New progress, if there is any.

        Returns
        -------
        bool
            Whether the person asked to stop.
        """
        with self._transaction() as connection:
            connection.execute(
                "UPDATE job SET heartbeat_s = ? WHERE id = ? AND state = 'running'", (self.clock(), job_id)
            )
            if progress is not None:
                connection.execute(
                    "UPDATE job SET done = ?, total = ?, stage = ? WHERE id = ? AND state = 'running'",
                    (*progress, job_id),
                )
            row = connection.execute("SELECT cancel_requested FROM job WHERE id = ?", (job_id,)).fetchone()
        return row is not None and bool(row["cancel_requested"])

    def request_cancel(self, job_id: str) -> None:
        """Ask the worker to stop; a job no worker has taken yet is cancelled at once."""
        now = self.clock()
        with self._transaction() as connection:
            connection.execute(
                "UPDATE job SET cancel_requested = 1 WHERE id = ? AND state IN ('queued', 'running')",
                (job_id,),
            )
            connection.execute(
                "UPDATE job SET state = 'cancelled', finished_s = ? WHERE id = ? AND state = 'queued'",
                (now, job_id),
            )

    def finish(self, job_id: str, state: JobState, error: str | None = None) -> None:
        """Write how a job ended.

        A worker that was taken for dead (the computer slept) and ends after all is believed:
        its outcome replaces the earlier ``failed``.
        """
        if not state.ended:
            raise ValueError(f"a job cannot end as {state}")
        with self._transaction() as connection:
            connection.execute(
                "UPDATE job SET state = ?, error = ?, finished_s = ? WHERE id = ? "
                "AND (state = 'running' OR (state = 'failed' AND error = ?))",
                (state, error, self.clock(), job_id, GONE),
            )

    def fail_stale(self) -> None:
        """Mark jobs whose worker gives no sign any more: failed, or cancelled if that was asked for."""
        now = self.clock()
        stale = "state IN ('queued', 'running') AND heartbeat_s < ?"
        with self._transaction() as connection:
            connection.execute(
                f"UPDATE job SET state = 'cancelled', finished_s = ? WHERE cancel_requested = 1 AND {stale}",
                (now, now - STALE_AFTER_S),
            )
            connection.execute(
                f"UPDATE job SET state = 'failed', error = ?, finished_s = ? WHERE {stale}",
                (GONE, now, now - STALE_AFTER_S),
            )

    def set_intended(self, job_id: str, intended: IntendedChoice) -> None:
        """Keep the intended travel of a linkage; earlier ones stay, the newest counts."""
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO intended (job_id, linkage, created_s, kind, rows_json) VALUES (?, ?, ?, ?, ?)",
                (job_id, intended.linkage, self.clock(), intended.kind, json.dumps(intended.rows)),
            )

    def intended(self, job_id: str, linkage: str, kind: str | None = None) -> IntendedChoice | None:
        """The intended travel chosen last for a linkage (of one kind, if asked for), or None."""
        with self._reading() as connection:
            row = connection.execute(
                "SELECT * FROM intended WHERE job_id = ? AND linkage = ? AND (? IS NULL OR kind = ?) "
                "ORDER BY number DESC LIMIT 1",
                (job_id, linkage, kind, kind),
            ).fetchone()
        if row is None:
            return None
        rows = tuple(
            (float(a), float(b), None if c is None else float(c)) for a, b, c in json.loads(row["rows_json"])
        )
        return IntendedChoice(linkage, row["kind"], rows)
