"""Gives waiting runs to whoever has a free slot; pages call this whenever somebody looks at them."""

from __future__ import annotations

import logging
import os

from strokecurve.app.store.jobs import Run
from strokecurve.app.store.store import Store
from strokecurve.app.tasks.executors import SCHEDULER_VARIABLE, DetachedExecutor, workplace
from strokecurve.app.tasks.supervisor import prepare, work_through
from strokecurve.app.words.errors import InputError, StoreError

logger = logging.getLogger(__name__)


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


def start(store: Store, run: Run) -> None:
    """See that a run that was just queued is begun, now or when its turn comes.

    The run is safe in the queue, so trouble with starting it is no trouble for who queued it: every later
    look at the queue tries again, and says what is wrong.
    """
    try:
        tend(store)
    except InputError:
        logger.warning("run %s waits, as no worker could be started", run.run_id, exc_info=True)
