"""Works on one run of a store in a process of its own.

A supervisor (``app.tasks.supervisor``) starts this process,
``python -m strokecurve.app.tasks.worker --store DIR --run ID``; pages only watch the store, so an analysis
survives a closed browser and a restarted page.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from strokecurve.app.store.jobs import Run, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks.executors import SCHEDULER_VARIABLE, DetachedExecutor, start_detached, workplace
from strokecurve.app.tasks.prewarmed import told
from strokecurve.app.tasks.supervisor import prepare, work_through
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError, StoreError, no_room
from strokecurve.app.words.files import remove
from strokecurve.app.words.resource_limits import confine
from strokecurve.vision.control import JobControl
from strokecurve.vision.errors import Cancelled

TALK_EVERY_S = 0.2

OWN_FAULT = "The analysis stopped because of a fault in strokecurve itself, not in your clip."
"""Where its log is, the page says to those only who can reach it: others may read what is kept with a run."""

Measure = Callable[[Path, Path, str | None, JobControl], Any]
"""Clip, folder to make for the result, text of the set-up file, control -> result written into the folder."""

logger = logging.getLogger(__name__)


Progress = tuple[int, int, str]
"""Done, total, stage."""


class TalkingControl:
    """Progress and cancel switch of work that somebody watches from another process.

    A thread of its own talks to them, five times a second at most, so that the work never waits for the
    disk and the heartbeat goes on through stages that report nothing.

    Parameters
    ----------
    heartbeat : callable
        Takes a sign of life, with new progress if there is any; gives whether to stop.
    """

    def __init__(self, heartbeat: Callable[[Progress | None], bool]) -> None:
        self._heartbeat = heartbeat
        self._progress: Progress | None = None
        self._cancelled = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._keep_talking, daemon=True)

    def __enter__(self) -> TalkingControl:
        self._talk()
        self._thread.start()
        return self

    def __exit__(self, *exception: object) -> None:
        self._over.set()
        self._thread.join()
        self._talk()

    def _keep_talking(self) -> None:
        """Talk to the store until the run is over."""
        while not self._over.wait(TALK_EVERY_S):
            self._talk()

    def _talk(self) -> None:
        """Hand over the newest progress and learn whether to stop."""
        progress, self._progress = self._progress, None
        try:
            if self._heartbeat(progress):
                self._cancelled.set()
        except StoreError:
            # A store busy for a moment must not end an analysis; the next heartbeat tells the same.
            logger.warning("the store did not take a sign of life", exc_info=True)

    def report(self, done: int, total: int, label: str) -> None:
        """Remember the progress; the newest is written at the next talk with the store."""
        self._progress = (done, total, label)

    def check(self) -> None:
        """Raise ``Cancelled`` if the person asked to stop."""
        if self._cancelled.is_set():
            raise Cancelled


class StoreControl(TalkingControl):
    """Progress and cancel switch of one run, kept in the store.

    Parameters
    ----------
    store : Store
    run_id : str
    attempt : int
        As ``claim`` gave it.
    """

    def __init__(self, store: Store, run_id: str, attempt: int) -> None:
        super().__init__(lambda progress: store.runs.heartbeat(run_id, attempt, progress))


def measure_clip(clip: Path, out: Path, rig_toml: str | None, job: JobControl) -> None:
    """Measure a clip with the set-up that came with it."""
    from strokecurve.app.measure.rig import Rig
    from strokecurve.vision.video.reader import ClipReader

    rig = Rig() if rig_toml is None else Rig.from_toml(rig_toml)
    with ClipReader(clip) as reader:
        reader.start()  # the decoder works while the rest of the program is loaded
        from strokecurve.app.result.main_job import measure

        measure(reader, out, rig, job)


def work_on(store: Store, run_id: str, measure: Measure = measure_clip) -> RunState:
    """Take a queued run, measure its film, and write how it ended.

    Parameters
    ----------
    store : Store
    run_id : str
    measure : callable
        Does the work.

    Returns
    -------
    RunState
        How the run ended, or where it stands if another worker has it.
    """
    run = store.runs.run(run_id)
    attempt = store.runs.claim(run_id)
    if attempt is None:
        logger.info("run %s is not waiting for a worker", run_id)
        return store.runs.run(run_id).state
    return _work_as(store, run, attempt, measure)


def _work_as(store: Store, run: Run, attempt: int, measure: Measure = measure_clip) -> RunState:
    """Measure the film of a run that was claimed, and write how it ended."""
    run_id, film = run.run_id, store.film(run.film_id)
    state, error = RunState.DONE, None
    started_s = time.monotonic()
    work = store.runs.work_folder(run_id, attempt)
    try:
        work.mkdir(exist_ok=True)
        with StoreControl(store, run_id, attempt) as control:
            control.check()
            measure(film.clip.path, work / "result", store.rig_toml(run), control)
        store.runs.complete(run_id, attempt, work / "result")
    except Cancelled:
        state = RunState.CANCELLED
    except PLAIN_ERRORS as reason:
        state, error = RunState.FAILED, f"{reason.message} {reason.hint}"
        logger.info("cannot be measured: %s", error)
    except MemoryError:
        state, error = (
            RunState.FAILED,
            "The computer ran out of memory. Close other programs and analyse again.",
        )
    except Exception as fault:
        logger.exception("fault while measuring")
        state, error = RunState.FAILED, str(no_room(fault) or OWN_FAULT)
    finally:
        remove(work)
    if state in (RunState.FAILED, RunState.CANCELLED):
        store.runs.finish(run_id, attempt, state, error)
    logger.info("run %s ended as %s after %.1f s", run_id, state, time.monotonic() - started_s)
    return store.runs.run(run_id).state


def tend(store: Store) -> None:
    """Look after the queue: runs that lost their worker wait again, and those that wait get free slots.

    Raises
    ------
    StoreError
        If the database or the cluster does not answer; what waits goes on waiting.
    """
    store.runs.retry_stale()
    if not store.runs.any_waiting():
        return
    there = workplace(store.folder, store.own_environment)
    for run in store.runs.dispatch(there.slots):
        try:
            there.executor.submit(work_through, str(store.folder), run.run_id, there.slots)
        except OSError as error:
            store.runs.release(run.run_id)
            raise StoreError(
                f"No worker could be started: {error.strerror}.", "The clip is kept; close other programs."
            ) from error


def prewarm(store: Store) -> None:
    """Start what analyses a clip before there is one, as somebody is about to send it.

    Only while nothing is analysed, so that it takes nothing from what is. A cluster's workers are always
    ready, so it is not asked for here. What cannot be started ahead is tried again when the clip is there.
    """
    if os.environ.get(SCHEDULER_VARIABLE):
        return
    try:
        if store.runs.any_open():
            return
        executor = workplace(store.folder, store.own_environment).executor
        if isinstance(executor, DetachedExecutor):
            executor.prepare(prepare, str(store.folder))
    except (InputError, OSError):
        logger.warning("nothing could be started ahead", exc_info=True)


def start_process(store: Store, command: list[str], log: Path) -> None:
    """Start a process that works on a store and outlives the page."""
    process = start_detached(command, log, store.own_environment)
    # Waited for in a thread, so that an ended process does not stay behind as a zombie of the page.
    threading.Thread(target=process.wait, daemon=True).start()


def start(store: Store, run: Run) -> None:
    """See that a run that was just queued is begun, now or when its turn comes.

    The run is safe in the queue, so trouble with starting it is no trouble for who queued it: every later
    look at the queue tries again, and says what is wrong.
    """
    try:
        tend(store)
    except InputError:
        logger.warning("run %s waits, as no worker could be started", run.run_id, exc_info=True)


def _wait_for_run(store: Store) -> tuple[str, int] | None:
    """Load what an analysis needs and wait to be told of one; from then on its log takes what is printed."""
    import strokecurve.app.result.main_job  # noqa: F401  (loaded ahead)

    words = told()
    if words is None:
        return None
    run_id, attempt = words
    with store.runs.run(run_id).log.open("ab") as log:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
            os.dup2(log.fileno(), stream.fileno())
    return run_id, attempt


def main(arguments: list[str] | None = None) -> int:
    """Work on one run from the command line; exit status 0 if it ended as done, 2 otherwise."""
    parser = argparse.ArgumentParser(
        prog="python -m strokecurve.app.tasks.worker", description="Analyse one stored clip."
    )
    parser.add_argument("--store", type=Path, required=True, help="folder of the jobs")
    parser.add_argument("--run", help="id of the run; if left out, it is awaited on standard input")
    parser.add_argument("--attempt", type=int, help="number of the attempt, if the run is claimed already")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    confine()
    run_id, attempt = chosen.run, chosen.attempt
    try:
        store = Store(chosen.store)
        if run_id is None:
            if (awaited := _wait_for_run(store)) is None:
                return 0
            run_id, attempt = awaited
        if attempt is None:
            state = work_on(store, run_id)
        else:
            state = _work_as(store, store.runs.run(run_id), attempt)
    except PLAIN_ERRORS as reason:
        print(f"{reason.message} {reason.hint}", file=sys.stderr)
        return 2
    return 0 if state is RunState.DONE else 2


if __name__ == "__main__":
    sys.exit(main())
