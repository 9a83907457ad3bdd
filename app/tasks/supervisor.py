"""Works through waiting runs, one after the other, each in a confined process of its own.

A supervisor has one slot. It claims the run it was started for, starts the worker
(``python -m strokecurve.app.tasks.worker``), watches it, and then takes the next waiting run until
none is left: so the queue goes on without any page. A
worker that crashes, runs out of memory or is killed ends its own run only; the supervisor sees it at once and
lets the run wait once more.

Everything that counts is in the store. If a supervisor is killed, its worker goes on to the end of its run;
if both are (the machine is switched off), the run's heartbeat stops, and whoever looks at the store next, a
page or another supervisor, lets it wait again. If all supervisors are gone, the next look at a page starts
new ones. Two who act at once do no harm: dispatching is one transaction at a time, and only one process can
claim a run.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from strokecurve.app.store.jobs import FailureCause, RunState
from strokecurve.app.store.queue import GONE
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.tasks.prewarmed import PrewarmedWorker
from strokecurve.app.words.errors import StoreError

CRASHED = (
    "The clip made the video decoder crash, twice. The file may be damaged: copy it again from the phone, "
    "or film again. The clip is kept."
)
HUNG = (
    "The analysis of this clip made no progress for {minutes:.0f} minutes and was stopped. "
    "Analyse it again, or film again."
)
COPY_AFTER_S = 1.0
"""Who waits for the result sees the travel curve first; making the copy at once would hold that up."""
COPY_WITHIN_S = 120.0
"""The copy of a 10 minute clip takes minutes; the queue does not wait for all of it."""
_CRASHES = ("SIGSEGV", "SIGBUS", "SIGILL", "SIGFPE", "SIGABRT")

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a supervisor waits.

    Attributes
    ----------
    look_every_s : float
        Between two looks at the progress of a run.
    hung_after_s : float
        A run without progress for so long hangs: the longest stage that reports nothing, the fit of a 10
        minute clip, takes a minute or two.
    stops_within_s : float
        A worker stops by itself where it reports progress; one that hangs, or is in a long stage, is ended so
        long after somebody cancelled.
    """

    look_every_s: float = 5.0
    hung_after_s: float = 1800.0
    stops_within_s: float = 10.0


_ready: list[PrewarmedWorker] = []
"""The worker that was started ahead, if there is one."""


def prepare(folder: str) -> None:
    """Start a worker ahead that loads its libraries and then waits for the first run of this process.

    Parameters
    ----------
    folder : str
        The store's folder.
    """
    _ready.append(
        PrewarmedWorker(lambda: subprocess.Popen(waiting_command(folder), stdin=subprocess.PIPE, bufsize=0))
    )


def work_through(folder: str, run_id: str, slots: int) -> None:
    """Work on a run that was handed out, then on those that wait, until none does.

    Parameters
    ----------
    folder : str
        The store's folder; its database is the one this program's environment names.
    run_id : str
    slots : int
        Runs that may be worked on at once, as for ``RunQueue.dispatch``.
    """
    store = Store(Path(folder))
    try:
        ids = [run_id]
        while ids:
            work_apart(store, ids[0])
            store.runs.retry_stale()
            ids = [run.run_id for run in store.runs.dispatch(slots, most=1)]
    finally:
        store.database.close()


def work_apart(store: Store, run_id: str, patience: Patience | None = None) -> None:
    """Work on one run in a process of its own, and see that it ends."""
    attempt = store.runs.claim(run_id)
    if attempt is None:
        return  # somebody else has it, or it was cancelled
    process = _ready.pop().tell((run_id, attempt)) if _ready else None
    process = process or _start_worker(store, run_id, attempt)
    status = _watch(store, run_id, attempt, process, patience or Patience())
    crashed = status < 0 and signal.Signals(-status).name in _CRASHES
    if crashed:
        store.runs.lost(run_id, attempt, CRASHED, FailureCause.CRASHED)
    else:
        store.runs.lost(run_id, attempt, GONE, FailureCause.GONE)
    if store.runs.run(run_id).state is RunState.DONE:
        _see_to_frames(store, run_id)


def _start_worker(store: Store, run_id: str, attempt: int) -> subprocess.Popen[bytes]:
    with store.runs.run(run_id).log.open("ab") as log:
        return subprocess.Popen(
            worker_command(store, run_id, attempt),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=os.environ | store.own_environment,
        )


def _see_to_frames(store: Store, run_id: str) -> None:
    """See the copy of the clip made that frames are found in at once: who filmed will look at them next.

    The next run waits for it. Without the copy, every frame that people look at is searched for in the clip,
    which takes far more of the machine than the copy does.
    """
    try:
        film = store.film(store.runs.run(run_id).film_id)
        there = exports.newest(store, film.job_id, "frames", film=film.film_id)
        if there is None and not store.runs.any_waiting():
            time.sleep(COPY_AFTER_S)
        copy = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
        until_s = time.monotonic() + COPY_WITHIN_S
        while not copy.state.ended and time.monotonic() < until_s:
            time.sleep(0.2)
            copy = exports.find(store, copy.job_id, copy.export_id)
    except StoreError:
        logger.warning("no copy of the clip to move about in", exc_info=True)


def worker_command(store: Store, run_id: str, attempt: int) -> list[str]:
    """Command line of the worker of a claimed run."""
    return [*waiting_command(str(store.folder)), "--run", run_id, "--attempt", str(attempt)]


def waiting_command(folder: str) -> list[str]:
    """Command line of a worker that waits to be told which run."""
    return [sys.executable, "-m", "strokecurve.app.tasks.worker", "--store", folder]


def _watch(
    store: Store, run_id: str, attempt: int, process: subprocess.Popen[bytes], patience: Patience
) -> int:
    """Wait for the end of a worker, or end it if it hangs; gives its exit status."""
    seen: tuple[object, ...] = ()
    moved_s = time.monotonic()
    unwanted_s: float | None = None
    while True:
        try:
            return process.wait(patience.look_every_s)
        except subprocess.TimeoutExpired:
            pass
        try:
            run = store.runs.run(run_id)
        except StoreError:
            logger.warning("the store could not be read", exc_info=True)
            continue
        now_s = time.monotonic()
        if run.cancel_requested:
            unwanted_s = now_s if unwanted_s is None else unwanted_s
            if now_s - unwanted_s > patience.stops_within_s:
                process.kill()  # the run then ends as cancelled, as every one that is lost and not wanted
        if (run.done, run.total, run.stage) != seen:
            seen, moved_s = (run.done, run.total, run.stage), now_s
        elif now_s - moved_s > patience.hung_after_s:
            process.kill()
            sentence = HUNG.format(minutes=patience.hung_after_s / 60)
            store.runs.finish(run_id, attempt, RunState.FAILED, sentence)
