"""The setting whose largest misfit is least: linear programmes, one after the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from strokecurve.kinematics.adjust.model import MARGIN, Task
from strokecurve.kinematics.adjust.search import largest

Array = NDArray[np.float64]

_STEPS = 25
_REGION = 0.05  # first step at most this share of the ranges
_SMALL = 1e-4  # a region this small ends the search
_STEP = 1e-6  # of a range, for derivatives
_NEAR = 20.0  # degrees or mm from a limit beyond which a step cannot reach it
_RETRIES = (1.0, 5.0, 25.0)  # times the usual margin, where the close check finds a limit broken


def least_largest(task: Task, values: Array, variables: tuple[int, ...]) -> Array | None:
    """From a setting on, the one whose largest misfit (in tolerances) is least; holes stay as they are.

    Parameters
    ----------
    task : Task
    values : ndarray, shape (5,)
        Keeps every limit.
    variables : tuple of int

    Returns
    -------
    ndarray of shape (5,), or None if none better keeps the limits

    Notes
    -----
    Misfits and limits are taken as linear within a region about the present setting; the linear programme for
    the least bound on all misfits gives a step, which is taken if the largest misfit falls, and the region
    grows or shrinks with success.
    """
    ranges = task.adjustable.ranges()
    free = [k for k in variables if (allowed := ranges[k]) is not None and not allowed.holes]
    if not free:
        return None
    low = np.array([ranges[k].low for k in free])  # type: ignore[union-attr]  # free has ranges only
    span = np.array([ranges[k].high for k in free]) - low  # type: ignore[union-attr]
    coarse, before = task.coarse(), float(largest(task, values[None, :])[0])
    for retry in _RETRIES:
        found = _descend(coarse, values, np.array(free), low, span, retry * MARGIN)
        if float(largest(task, found[None, :])[0]) < before and bool(task.feasible(found[None, :])[0]):
            return found
    return None


def _descend(
    task: Task, values: Array, free: NDArray[np.int64], low: Array, span: Array, margin: float
) -> Array:
    here, region = values.copy(), _REGION
    misfit, short = task.misfit_and_short(here[None, :])
    for _ in range(_STEPS):
        if region < _SMALL:
            break
        place = (here[free] - low) / span
        step = _programme(task, here, free, place, span, region, margin)
        if step is None:
            region /= 4
            continue
        trial = here.copy()
        trial[free] = low + span * np.clip(place + step, 0, 1)
        new, new_short = task.misfit_and_short(trial[None, :])
        fell = np.max(np.abs(misfit)) - np.max(np.abs(new))
        kept = new_short.max() <= max(0.0, float(short.max()))
        if kept and fell > 0:
            ends = fell < 1e-6 * np.max(np.abs(misfit))
            here, misfit, short, region = trial, new, new_short, min(2 * region, 0.5)
            if ends:
                break
        else:
            region /= 4
    return here


def _programme(
    task: Task,
    here: Array,
    free: NDArray[np.int64],
    place: Array,
    span: Array,
    region: float,
    margin: float,
) -> Array | None:
    """Step (shares of the ranges) to the least bound on all misfits as they are linear here, or None."""
    way = np.where(place < 0.5, 1.0, -1.0)
    beside = np.tile(here, (free.size + 1, 1))
    beside[np.arange(free.size), free] += way * _STEP * span
    misfit, short = task.misfit_and_short(beside)
    near = np.isfinite(short).all(axis=0) & (short[-1] > -_NEAR)
    by = ((misfit[:-1] - misfit[-1]) / (way * _STEP)[:, None]).T
    short_by = ((short[:-1][:, near] - short[-1][near]) / (way * _STEP)[:, None]).T
    if not np.isfinite(by).all():
        return None
    # a limit already within its margin need not be left further than it is
    room = np.maximum(-margin - short[-1][near], 0.0)
    bound = np.ones((misfit.shape[1], 1))
    left = np.block([[by, -bound], [-by, -bound], [short_by, np.zeros((short_by.shape[0], 1))]])
    right = np.concatenate([-misfit[-1], misfit[-1], room])
    sides = [(max(-region, -p), min(region, 1 - p)) for p in place]
    answer = linprog(
        np.append(np.zeros(free.size), 1.0), A_ub=left, b_ub=right, bounds=[*sides, (0, None)], method="highs"
    )
    return None if answer.x is None or answer.status != 0 else np.asarray(answer.x[:-1])
