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
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from strokecurve.app.store.jobs import FailureCause, Run, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks.control import TalkingControl
from strokecurve.app.tasks.prewarmed import told
from strokecurve.app.words.errors import PLAIN_ERRORS, no_room
from strokecurve.app.words.files import remove
from strokecurve.app.words.resource_limits import confine
from strokecurve.vision.control import JobControl
from strokecurve.vision.errors import Cancelled

OWN_FAULT = "The analysis stopped because of a fault in strokecurve itself, not in your clip."
"""Where its log is, the page says to those only who can reach it: others may read what is kept with a run."""

Measure = Callable[[Path, Path, str | None, JobControl], Any]
"""Clip, folder to make for the result, text of the set-up file, control -> result written into the folder."""

logger = logging.getLogger(__name__)


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
    state, error, cause = RunState.DONE, None, None
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
        state, full = RunState.FAILED, no_room(fault)
        error, cause = (OWN_FAULT, FailureCause.FAULT) if full is None else (str(full), None)
    finally:
        remove(work)
    if state in (RunState.FAILED, RunState.CANCELLED):
        store.runs.finish(run_id, attempt, state, error, cause)
    logger.info("run %s ended as %s after %.1f s", run_id, state, time.monotonic() - started_s)
    return store.runs.run(run_id).state


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
