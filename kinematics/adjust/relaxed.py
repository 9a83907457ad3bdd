"""Where the intended travel cannot be reached: which limit or range stands in the way."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.adjust.largest import least_largest
from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.outcome import Outcome, outcome
from strokecurve.kinematics.adjust.search import best_settings, variable_sets
from strokecurve.kinematics.adjust.setting import DECISION_VARIABLES, Adjustable, AdjustLimits, Range

Array = NDArray[np.float64]

EVERYTHING = "everything"
"""All limits and ranges lifted at once: what is still missed then no linkage on these shafts can give."""
_RADIUS = (0.4, 2.5)  # times the present radius: what an arm made anew might be
_TURN_RAD = math.pi / 2  # either way from the present start angle
_STROKE = (0.5, 1.2)  # times the present stroke
_LOW_FIRE_RAD = math.radians(0.1)
_SCREENED, _STARTED, _POLISHED = 128, 6, 2  # fewer than usual: the nearest proposal is one of the starts


@dataclass(frozen=True, slots=True)
class RelaxedConstraint:
    """What would be possible without one limit or range.

    Parameters
    ----------
    name : str
        One of `DECISION_VARIABLES` (its range, or that it may not be touched at all), "rod_mm", "toggle",
        "over_travel", "driven_stops", "stall", "low_fire" or `EVERYTHING`.
    outcome : Outcome
        Nearest to the intended travel that keeps all the others.
    """

    name: str
    outcome: Outcome


def relaxed_constraints(task: Task, nearest: float, at: Array) -> tuple[RelaxedConstraint, ...]:
    """Solve again with each limit and range lifted in turn.

    Parameters
    ----------
    task : Task
    nearest : float
        Largest misfit (in tolerances) of the nearest proposal; infinite if there is none.
    at : ndarray, shape (5,)
        That proposal's values of `DECISION_VARIABLES`, or those as found.

    Returns
    -------
    tuple of RelaxedConstraint
        Those whose lifting brings it nearer by a share that counts: first those that let it be reached, and
        among them limits before things that were not to be touched at all; then the most helpful. If there is
        none, `EVERYTHING` alone.
    """
    share = task.settings.better_share
    found = [
        RelaxedConstraint(name, best)
        for name, adjustable, limits in _one_at_a_time(task)
        if (best := _nearest(task, adjustable, limits, at)) is not None
        and best.largest < (1 - share) * nearest
    ]
    if found:
        return tuple(sorted(found, key=lambda one: _order(task, one)))
    best = _nearest(task, *_all(task), at)
    return () if best is None else (RelaxedConstraint(EVERYTHING, best),)


def _order(task: Task, one: RelaxedConstraint) -> tuple[bool, bool, float]:
    untouchable = one.name in DECISION_VARIABLES and getattr(task.adjustable, one.name) is None
    return not one.outcome.reached, untouchable, one.outcome.largest


def _nearest(task: Task, adjustable: Adjustable, limits: AdjustLimits, at: Array) -> Outcome | None:
    """The nearest setting with as many things touched as it takes."""
    settings = replace(task.settings, screened=_SCREENED, started=_STARTED, polished=_POLISHED)
    freed = replace(task, adjustable=adjustable, limits=limits, settings=settings)
    every = variable_sets(freed, range(settings.most_variables + 1))
    if not every:
        return None
    variables = max(every, key=len)
    values = best_settings(freed, [variables], at)[0]
    if values is None:
        return None
    nearer = least_largest(freed, values, variables)
    return outcome(freed, values if nearer is None else nearer)


def _one_at_a_time(task: Task) -> Iterator[tuple[str, Adjustable, AdjustLimits]]:
    adjustable, limits = task.adjustable, task.limits
    for name in DECISION_VARIABLES:
        yield name, replace(adjustable, **{name: _wide(task, name)}), limits
    if adjustable.rod_mm is not None:
        yield "rod_mm", replace(adjustable, rod_mm=None), limits
    yield "toggle", adjustable, replace(limits, min_toggle_rad=0.0)
    if limits.over_travel_rad > 0:
        yield "over_travel", adjustable, replace(limits, over_travel_rad=0.0)
    if math.isfinite(limits.driven_low_rad) or math.isfinite(limits.driven_high_rad):
        free = replace(limits, driven_low_rad=-math.inf, driven_high_rad=math.inf)
        yield "driven_stops", adjustable, free
    yield "stall", adjustable, replace(limits, stall_ratio=0.0)
    low = _low_fire(task)
    if low is not None:
        yield "low_fire", adjustable, replace(limits, low_fire_rad=low)


def _all(task: Task) -> tuple[Adjustable, AdjustLimits]:
    low = _low_fire(task)
    low_fire_rad = task.limits.low_fire_rad if low is None else low
    limits = AdjustLimits(0.0, 0.0, 0.0, stall_ratio=0.0, low_fire_rad=low_fire_rad)
    return Adjustable(**{name: _wide(task, name) for name in DECISION_VARIABLES}), limits


def _low_fire(task: Task) -> float | None:
    """Another low fire, where the intended travel asks for one."""
    wanted = float(task.intended.driven_at(0.0))
    return wanted if abs(wanted - task.limits.low_fire_rad) > _LOW_FIRE_RAD else None


def _wide(task: Task, name: str) -> Range:
    now = float(getattr(task.found, name))
    if name.endswith("_mm"):
        low, high = _RADIUS[0] * now, _RADIUS[1] * now
    elif name == "stroke_rad":
        low, high = _STROKE[0] * now, min(_STROKE[1] * now, 2 * math.pi)
    else:
        low, high = now - _TURN_RAD, now + _TURN_RAD
    allowed: Range | None = getattr(task.adjustable, name)
    return Range(low, high) if allowed is None else Range(min(low, allowed.low), max(high, allowed.high))
