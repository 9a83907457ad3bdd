"""Whose turn it is: which waiting runs get a worker, and what becomes of those whose worker is gone.

A run waits in the state ``queued``. While it waits, ``heartbeat_s`` is 0; handing it out writes the time
there and takes up one slot. Whoever it is handed to claims it (``running``) within moments. If nobody does,
because the program that handed it out or the one that was to begin was killed, it waits again: that costs
nothing, as no work was begun. Only a run that was begun and has lost its worker uses up a try.
"""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, Row, and_, func, or_, select, update

from strokecurve.app.store import schema
from strokecurve.app.store.jobs import FailureCause, RunState

STALE_AFTER_S = 20.0
"""A worker gives a sign five times a second; so long without one means it is gone."""
STARTS_WITHIN_S = 30.0
"""A worker begins within a second or two of being started, on a machine that is busy within ten."""
MOST_TRIES = 2

GONE = (
    "The analysis stopped twice without a word: the computer was switched off or ran out of memory. "
    "The clip is kept: close other programs and analyse it again."
)
"""Error sentence of a run whose worker no longer beats."""

_run = schema.run
_queued = _run.c.state == RunState.QUEUED.value
_running = _run.c.state == RunState.RUNNING.value


def silent(now_s: float) -> ColumnElement[bool]:
    """Runs that a worker took and gives no sign of any more."""
    return and_(_running, _run.c.heartbeat_s < now_s - STALE_AFTER_S)


def wants_worker(now_s: float) -> ColumnElement[bool]:
    """Runs that wait and are in nobody's hands."""
    return and_(_queued, _run.c.heartbeat_s < now_s - STARTS_WITHIN_S)


def free_slots(connection: Connection, slots: int, now_s: float) -> int:
    """How many more runs may be handed out."""
    begun = and_(_queued, _run.c.heartbeat_s >= now_s - STARTS_WITHIN_S)
    taken = connection.execute(select(func.count()).where(or_(_running, begun))).scalar_one()
    return max(0, slots - int(taken))


def dispatch(connection: Connection, slots: int, most: int | None, now_s: float) -> tuple[str, ...]:
    """Hand out the runs that have waited longest to the slots that are free.

    Parameters
    ----------
    connection : Connection
        That writes; only one may do this at a time.
    slots : int
        Runs that may be worked on at once.
    most : int, optional
        Hand out no more than these.
    now_s : float

    Returns
    -------
    tuple of str
        Ids of runs; nobody else is given them for ``STARTS_WITHIN_S``.
    """
    free = free_slots(connection, slots, now_s)
    free = free if most is None else min(most, free)
    oldest = select(_run.c.id).where(wants_worker(now_s)).order_by(_run.c.made_s, _run.c.id).limit(free)
    ids = tuple(connection.execute(oldest).scalars())
    connection.execute(update(_run).where(_run.c.id.in_(ids)).values(heartbeat_s=now_s))
    return ids


def give_up_or_wait_again(
    connection: Connection, lost: ColumnElement[bool], sentence: str, cause: FailureCause, now_s: float
) -> tuple[Row[tuple[object, ...]], ...]:
    """Deal with runs that lost their worker: cancelled if wanted, failed after the last try, else once more.

    Parameters
    ----------
    connection : Connection
        That writes.
    lost : condition on ``schema.run``
        Which runs; they must be running.
    sentence : str
        Said of those that failed.
    cause : FailureCause
        Of those that failed.
    now_s : float

    Returns
    -------
    tuple of rows
        Those that wait again.
    """
    ended = {"finished_s": now_s}
    unwanted = update(_run).where(lost, _run.c.cancel_requested == 1)
    connection.execute(unwanted.values(state=RunState.CANCELLED.value, **ended))
    tried = update(_run).where(lost, _run.c.tries >= MOST_TRIES)
    connection.execute(tried.values(state=RunState.FAILED.value, error=sentence, cause=cause.value, **ended))
    again = connection.execute(select(_run.c.id).where(lost).with_for_update()).scalars().all()
    fresh = {"heartbeat_s": 0.0, "done": 0, "total": 0, "stage": ""}
    connection.execute(
        update(_run)
        .where(_run.c.id.in_(again))
        .values(state=RunState.QUEUED.value, tries=_run.c.tries + 1, **fresh)
    )
    return tuple(connection.execute(select(_run).where(_run.c.id.in_(again))).all())


def before(connection: Connection, run_id: str, now_s: float) -> int | None:
    """How many runs get a worker before this one; None if it does not wait for one."""
    waiting = wants_worker(now_s)
    this = connection.execute(select(_run.c.made_s, _run.c.id).where(waiting, _run.c.id == run_id)).first()
    if this is None:
        return None
    older = or_(_run.c.made_s < this.made_s, and_(_run.c.made_s == this.made_s, _run.c.id < this.id))
    return int(connection.execute(select(func.count()).where(waiting, older)).scalar_one())
