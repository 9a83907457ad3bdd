"""The queue of analyses: each run of a film is taken by one worker, gives signs of life, and ends once.

A run whose worker falls silent is handed out once more; if that fails too, it is reported. Every try
has its number, the attempt; a worker of an earlier attempt that wakes up again changes nothing and is
told to stop. Which run is next: ``app.store.scheduler``.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, and_, insert, or_, select, update

from strokecurve.app.store import scheduler, schema
from strokecurve.app.store.database import QUEUE, Database
from strokecurve.app.store.jobs import FailureCause, Run, RunState
from strokecurve.app.store.row_validation import valid_row
from strokecurve.app.store.scheduler import GONE, STALE_AFTER_S
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import (
    PART,
    RESULT_NAME,
    check_space,
    chunks_of,
    new_id,
    new_part,
    remove,
    settle,
    sync_folder,
    write_chunks,
)

__all__ = ["GONE", "STALE_AFTER_S", "RunQueue", "files_of", "no_run", "queue_run", "record_files"]

_run = schema.run
_open = _run.c.state.in_((RunState.QUEUED.value, RunState.RUNNING.value))
_given_up = and_(_run.c.state == RunState.FAILED.value, _run.c.cause == FailureCause.GONE.value)


def queue_run(connection: Connection, film_id: str, rig_id: str | None, now_s: float) -> str:
    """Queue an analysis of a film on a connection that writes; gives its id."""
    run_id = new_id()
    connection.execute(
        insert(_run).values(
            id=run_id,
            film_id=film_id,
            rig_id=rig_id,
            made_s=now_s,
            state=RunState.QUEUED.value,
            tries=1,
            done=0,
            total=0,
            stage="",
            heartbeat_s=0.0,
            cancel_requested=0,
        )
    )
    return run_id


class RunQueue:
    """Runs of a store, as pages and workers use them.

    Parameters
    ----------
    database : Database
    folder : Path
        The store's folder.
    clock : callable
        Seconds since 1970.
    """

    def __init__(self, database: Database, folder: Path, clock: Callable[[], float]) -> None:
        self._database = database
        self._results = folder / "results"
        self._logs = folder / "logs"
        self._clock = clock

    def run_from(self, row: Row[Any]) -> Run:
        """A database row as a run; raises StoreError if it is damaged."""
        valid_row(_run, row)
        return Run(
            run_id=row.id,
            film_id=row.film_id,
            rig_id=row.rig_id,
            made_s=row.made_s,
            finished_s=row.finished_s,
            state=RunState(row.state),
            tries=row.tries,
            done=row.done,
            total=row.total,
            stage=row.stage,
            heartbeat_s=row.heartbeat_s,
            cancel_requested=bool(row.cancel_requested),
            error=row.error,
            cause=None if row.cause is None else FailureCause(row.cause),
            result=self._results / row.id,
            log=self._logs / f"{row.id}.log",
        )

    def run(self, run_id: str) -> Run:
        """One run by its id.

        Raises
        ------
        StoreError
            If there is none.
        """
        with self._database.reading() as connection:
            row = connection.execute(select(_run).where(_run.c.id == run_id)).first()
        if row is None:
            raise no_run()
        return self.run_from(row)

    def waiting(self) -> tuple[Run, ...]:
        """Runs no worker has taken yet, the oldest first."""
        query = select(_run).where(_run.c.state == RunState.QUEUED.value)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(_run.c.made_s, _run.c.id)).all()
        return tuple(self.run_from(row) for row in rows)

    def claim(self, run_id: str) -> int | None:
        """Turn a queued run to running.

        Returns
        -------
        int or None
            Number of the attempt; None if it is not queued, so only one worker ever takes it.
        """
        change = update(_run).where(_run.c.id == run_id, _run.c.state == RunState.QUEUED.value)
        with self._database.writing() as connection:
            taken = connection.execute(
                change.values(state=RunState.RUNNING.value, heartbeat_s=self._clock())
            ).rowcount
            if taken != 1:
                return None
            return int(connection.execute(select(_run.c.tries).where(_run.c.id == run_id)).scalar_one())

    def work_folder(self, run_id: str, attempt: int) -> Path:
        """Where an attempt writes its result; the folder is made by who writes it."""
        return self._results / f"{PART}{run_id}-{attempt}"

    def heartbeat(self, run_id: str, attempt: int, progress: tuple[int, int, str] | None = None) -> bool:
        """Take a sign of life from the worker.

        Parameters
        ----------
        run_id : str
        attempt : int
            As ``claim`` gave it.
        progress : (done, total, stage), optional
            New progress, if there is any.

        Returns
        -------
        bool
            Whether to stop: the person asked to, or the run has been given to another worker.
        """
        values: dict[str, Any] = {"heartbeat_s": self._clock()}
        if progress is not None:
            values |= dict(zip(("done", "total", "stage"), progress, strict=True))
        mine = and_(_run.c.id == run_id, _run.c.tries == attempt)
        with self._database.writing() as connection:
            connection.execute(
                update(_run).where(mine, _run.c.state == RunState.RUNNING.value).values(values)
            )
            cancel = connection.execute(select(_run.c.cancel_requested).where(mine)).scalar()
        return cancel is None or bool(cancel)

    def request_cancel(self, run_id: str) -> None:
        """Ask the worker to stop; a run no worker has taken yet is cancelled at once."""
        this = _run.c.id == run_id
        with self._database.writing() as connection:
            connection.execute(update(_run).where(this, _open).values(cancel_requested=1))
            connection.execute(
                update(_run)
                .where(this, _run.c.state == RunState.QUEUED.value)
                .values(state=RunState.CANCELLED.value, finished_s=self._clock())
            )

    def finish(
        self,
        run_id: str,
        attempt: int,
        state: RunState,
        error: str | None = None,
        cause: FailureCause | None = None,
    ) -> bool:
        """Write that a run ended without a result; False if the attempt no longer counts.

        A worker that was taken for dead (the computer slept) and ends after all is believed, unless the run
        has been handed out again: its outcome replaces the earlier ``failed``.
        """
        if state not in (RunState.FAILED, RunState.CANCELLED):
            raise ValueError(f"a run cannot end as {state} without a result")
        with self._database.writing() as connection:
            return self._end(connection, run_id, attempt, state, error, cause)

    def complete(self, run_id: str, attempt: int, work: Path) -> bool:
        """Take in the result of a run and write that it is done.

        Parameters
        ----------
        run_id : str
        attempt : int
        work : Path
            The complete folder, on the same disk; it is moved, or removed if the attempt no longer counts.

        Returns
        -------
        bool
            Whether it was taken.
        """
        try:
            found = settle(work)
            final = self._results / run_id
            with self._database.writing() as connection:
                if not self._end(connection, run_id, attempt, RunState.DONE):
                    return False
                record_files(connection, run_id, found)
                # Before the transaction ends: a done run must have its result. What an earlier crash between
                # these lines left under this name belongs to no done run.
                remove(final)
                os.replace(work, final)
                sync_folder(self._results)
            return True
        except OSError as error:
            raise StoreError(
                f"The result could not be stored: {error.strerror}.", "Make room on the disk; analyse again."
            ) from error
        finally:
            remove(work)

    def _end(
        self,
        connection: Connection,
        run_id: str,
        attempt: int,
        state: RunState,
        error: str | None = None,
        cause: FailureCause | None = None,
    ) -> bool:
        mine = and_(_run.c.id == run_id, _run.c.tries == attempt)
        counts = or_(_run.c.state == RunState.RUNNING.value, _given_up)
        ended = {"error": error, "cause": None if cause is None else cause.value}
        values = {"state": state.value, "finished_s": self._clock(), **ended}
        return connection.execute(update(_run).where(mine, counts).values(values)).rowcount == 1

    def dispatch(self, slots: int, most: int | None = None) -> tuple[Run, ...]:
        """Hand out waiting runs, the oldest first, as long as fewer than ``slots`` are worked on.

        Parameters
        ----------
        slots : int
        most : int, optional
            Hand out no more than these.

        Returns
        -------
        tuple of Run
            The caller sees that each is begun soon; nobody else is given them meanwhile.
        """
        now = self._clock()
        with self._database.reading() as connection:  # nobody is held up where there is nothing to hand out
            if scheduler.free_slots(connection, slots, now) == 0:
                return ()
        with self._database.writing() as connection:
            self._database.lock(connection, QUEUE)
            ids = scheduler.dispatch(connection, slots, most, now)
            rows = connection.execute(
                select(_run).where(_run.c.id.in_(ids)).order_by(_run.c.made_s, _run.c.id)
            )
            return tuple(self.run_from(row) for row in rows.all())

    def any_waiting(self) -> bool:
        """Whether a run waits and is in nobody's hands."""
        with self._database.reading() as connection:
            wanted = select(_run.c.id).where(scheduler.wants_worker(self._clock())).limit(1)
            return connection.execute(wanted).first() is not None

    def any_open(self) -> bool:
        """Whether a run waits or is worked on."""
        with self._database.reading() as connection:
            return connection.execute(select(_run.c.id).where(_open).limit(1)).first() is not None

    def release(self, run_id: str) -> None:
        """Let a run wait again that was handed out but could not be begun."""
        this = and_(_run.c.id == run_id, _run.c.state == RunState.QUEUED.value)
        with self._database.writing() as connection:
            connection.execute(update(_run).where(this).values(heartbeat_s=0.0))

    def before(self, run_id: str) -> int | None:
        """How many runs get a worker before this one; None if it does not wait for one."""
        with self._database.reading() as connection:
            return scheduler.before(connection, run_id, self._clock())

    def lost(
        self, run_id: str, attempt: int, sentence: str, cause: FailureCause = FailureCause.CRASHED
    ) -> None:
        """Deal with a run whose worker ended without a word: once more, then failed with a sentence."""
        mine = and_(_run.c.id == run_id, _run.c.tries == attempt, _run.c.state == RunState.RUNNING.value)
        with self._database.writing() as connection:
            scheduler.give_up_or_wait_again(connection, mine, sentence, cause, self._clock())

    def retry_stale(self) -> tuple[Run, ...]:
        """Deal with runs whose worker gives no sign: let them wait once more, then report them as failed.

        Returns
        -------
        tuple of Run
            Runs that wait again.
        """
        now = self._clock()
        stale = scheduler.silent(now)
        with self._database.reading() as connection:
            if connection.execute(select(_run.c.id).where(stale).limit(1)).first() is None:
                return ()
        with self._database.writing() as connection:
            rows = scheduler.give_up_or_wait_again(connection, stale, GONE, FailureCause.GONE, now)
        return tuple(self.run_from(row) for row in rows)

    def add_file(self, run_id: str, name: str, source: Path) -> Path:
        """Add a file made later (an overlay, a photograph of a position) to the result of a done run.

        A file that is there already stays as it is.

        Parameters
        ----------
        run_id : str
        name : str
            Name inside the result folder.
        source : Path
            Copied.

        Returns
        -------
        Path
            The file in the result folder.

        Raises
        ------
        StoreError
            If the run has no result or the disk is full.
        """
        if not RESULT_NAME.fullmatch(name):
            raise ValueError(f"a result folder cannot hold {name!r}")
        run = self.run(run_id)
        if run.state is not RunState.DONE:
            raise StoreError("This film has no result yet.", "Wait for its analysis to end.")
        part, final = new_part(self._results), run.result / name
        try:
            size = source.stat().st_size
            check_space(self._results, size, "the file")
            with source.open("rb") as stream:
                found = write_chunks(chunks_of(stream), part, size, "the file")
            with self._database.writing() as connection:
                if name not in files_of(connection, run_id):
                    record_files(connection, run_id, {name: found})
                    final.parent.mkdir(exist_ok=True)
                    os.replace(part, final)
                    sync_folder(final.parent)
        except OSError as error:
            raise StoreError(f"The file could not be stored: {error.strerror}.", "Check the disk.") from error
        finally:
            remove(part)
        return final


def no_run() -> StoreError:
    """What to say of a run that is not there."""
    return StoreError("There is no analysis of this name.", "Choose one from the list of jobs.")


def files_of(connection: Connection, run_id: str) -> dict[str, tuple[int, str]]:
    """Size and SHA-256 of every file of a result, by name."""
    table = schema.run_file
    rows = connection.execute(select(table).where(table.c.run_id == run_id).order_by(table.c.name))
    return {row.name: (row.size_bytes, row.sha256) for row in rows}


def record_files(connection: Connection, run_id: str, files: dict[str, tuple[int, str]]) -> None:
    """Record files of a result."""
    rows = [
        {"run_id": run_id, "name": name, "size_bytes": size, "sha256": sha256}
        for name, (size, sha256) in sorted(files.items())
    ]
    if rows:
        connection.execute(insert(schema.run_file), rows)
