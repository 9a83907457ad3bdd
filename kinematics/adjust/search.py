"""Many starts followed at once: the best setting for every set of things touched."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.setting import Range

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SEED = 20  # of the Sobol points: the same problem always gives the same answer
_NEAR = 0.12  # starts nearer than this share of the ranges lead to the same place
_FIRST, _LAST = 12, 60  # steps for all starts, and for the best of them
_RETRIES = (1.0, 5.0, 25.0)  # times the usual margin, where the close check finds a limit broken
_STEP = 1e-6  # of a range, for derivatives
_SETTLED = 1e-9  # relative fall of the sum of squares at which a row is done


@dataclass(frozen=True, slots=True)
class Rows:
    """Settings in work, one a row.

    Parameters
    ----------
    values : ndarray, shape (M, 5)
    free : ndarray of bool, shape (M, 5)
        What may still move; holes are chosen, so they may not.
    group : ndarray of int, shape (M,)
        Number of the set of variables.
    """

    values: Array
    free: Mask
    group: NDArray[np.int64]

    def take(self, index: NDArray[np.int64]) -> Rows:
        """Some of the rows, by an index of shape (K,)."""
        return Rows(self.values[index], self.free[index], self.group[index])


def variable_sets(task: Task, counts: Sequence[int]) -> list[tuple[int, ...]]:
    """Every set of so many allowed decision variables, as indices into `DECISION_VARIABLES`.

    Parameters
    ----------
    task : Task
    counts : sequence of int

    Returns
    -------
    list of tuple of int
    """
    allowed = [k for k, one in enumerate(task.adjustable.ranges()) if _is_choice(task, k, one)]
    return [s for n in counts for s in itertools.combinations(allowed, n)]


def best_settings(
    task: Task, sets: Sequence[tuple[int, ...]], also: Array | None = None
) -> list[Array | None]:
    """The setting of least weighted misfit for each set of decision variables that keeps every limit.

    Parameters
    ----------
    task : Task
    sets : sequence of tuple of int
        Of `variable_sets`.
    also : ndarray, shape (5,), or None
        A setting to start from too.

    Returns
    -------
    list of ndarray of shape (5,), or None where no setting was found that keeps the limits
    """
    if not sets:
        return []
    coarse = task.coarse()
    rows = _starts(coarse, sets, also)
    rows, cost = refine(coarse, rows, _FIRST)
    rows = rows.take(_best_of(rows, cost, task.settings.polished))
    found: list[Array | None] = [None] * len(sets)
    for retry in _RETRIES:
        rows, cost = refine(coarse, rows, _LAST, margin=retry)
        kept = task.feasible(rows.values)
        misfit = weighted_rms(task, rows.values)
        for g in {int(v) for v in rows.group[kept]}:
            mine = np.flatnonzero(kept & (rows.group == g))
            found[g] = rows.values[mine[np.argmin(misfit[mine])]]
        rows = rows.take(np.flatnonzero([found[g] is None for g in rows.group]))
        if rows.group.size == 0:
            break
    return found


def weighted_rms(task: Task, values: Array) -> Array:
    """Root mean square misfit in tolerances, shape (M,); infinite where the linkage cannot close."""
    rms = np.sqrt(np.mean((task.off(values) / task.tolerance_rad) ** 2, axis=1))
    return np.asarray(np.where(np.isnan(rms), np.inf, rms))


def largest(task: Task, values: Array) -> Array:
    """Largest misfit in tolerances, shape (M,); infinite where the linkage cannot close."""
    most = np.max(np.abs(task.off(values) / task.tolerance_rad), axis=1)
    return np.asarray(np.where(np.isnan(most), np.inf, most))


# ---- starts ----------------------------------------------------------------------------------------------


def _is_choice(task: Task, k: int, allowed: Range | None) -> bool:
    if allowed is None:
        return False
    return bool(_holes(task, k, allowed)) if allowed.holes else allowed.high > allowed.low


def _holes(task: Task, k: int, allowed: Range) -> list[float]:
    """Holes other than the one in use."""
    now = float(task.found.decisions()[k])
    return [hole for hole in allowed.holes if abs(hole - now) >= task.settings.same_hole_mm]


def _starts(task: Task, sets: Sequence[tuple[int, ...]], also: Array | None) -> Rows:
    """Good and different starting points for every set."""
    tried = [_tried(task, variables, group) for group, variables in enumerate(sets)]
    if also is not None:
        tried += [_beside(task, variables, group, also) for group, variables in enumerate(sets)]
    rows = _join(tried)
    cost = np.sum(task.residuals(rows.values) ** 2, axis=1)
    chosen: list[int] = []
    for group, variables in enumerate(sets):
        mine = np.flatnonzero(rows.group == group)
        mine = mine[np.argsort(cost[mine], kind="stable")]
        chosen += _different(task, rows, mine[np.isfinite(cost[mine])], variables)
    return rows.take(np.array(chosen, dtype=np.int64))


def _tried(task: Task, variables: tuple[int, ...], group: int) -> Rows:
    """Sobol points for one set: over its ranges, for every combination of its holes."""
    ranges, now = task.adjustable.ranges(), task.found.decisions()
    choices: dict[int, list[float]] = {}
    spans: dict[int, Range] = {}
    for k in variables:
        allowed = ranges[k]
        if allowed is not None and allowed.holes:
            choices[k] = _holes(task, k, allowed)
        elif allowed is not None:
            spans[k] = allowed
    combined = list(itertools.product(*choices.values()))
    each = 1
    if spans:
        each = max(16, task.settings.screened // len(combined))
        each = 2 ** math.ceil(math.log2(each))
    values = np.tile(now, (len(combined) * each, 1))
    if choices:
        values[:, list(choices)] = np.repeat(np.array(combined, dtype=float), each, axis=0)
    free = np.zeros(values.shape, dtype=bool)
    if spans:
        points = qmc.Sobol(len(spans), rng=np.random.default_rng(_SEED)).random(each)
        for column, (k, allowed) in zip(points.T, spans.items(), strict=True):
            free[:, k] = True
            values[:, k] = np.tile(allowed.low + (allowed.high - allowed.low) * column, len(combined))
            values[::each, k] = np.clip(now[k], allowed.low, allowed.high)
    return Rows(values, free, np.full(len(values), group, dtype=np.int64))


def _beside(task: Task, variables: tuple[int, ...], group: int, also: Array) -> Rows:
    """A setting known, as a start: what may move in this set is taken from it."""
    ranges = task.adjustable.ranges()
    values, free = task.found.decisions(), np.zeros(also.shape, dtype=bool)
    for k in variables:
        allowed = ranges[k]
        values[k] = also[k]
        free[k] = allowed is not None and not allowed.holes
    return Rows(values[None, :], free[None, :], np.array([group], dtype=np.int64))


def _different(task: Task, rows: Rows, order: NDArray[np.int64], variables: tuple[int, ...]) -> list[int]:
    """The best rows of one set, none near a better one with the same holes."""
    most = task.settings.started
    spans = np.array([_span(task.adjustable.ranges()[k]) for k in variables])
    if spans.size == 0:
        return [int(i) for i in order[:1]]
    places = rows.values[:, list(variables)] / spans
    if not rows.free[order].all(axis=1).any() and order.size:
        fixed = ~rows.free[order[0]]
        if fixed[list(variables)].any():
            most = max(most, 2 * task.settings.hole_sets)
    kept: list[int] = []
    for i in order:
        if len(kept) == most:
            break
        if not kept or np.min(np.max(np.abs(places[kept] - places[i]), axis=1)) > _NEAR:
            kept.append(int(i))
    return kept


def _span(allowed: Range | None) -> float:
    if allowed is None or allowed.high == allowed.low:
        return 1.0
    # every hole is a place of its own
    return 1e-6 if allowed.holes else allowed.high - allowed.low


def _best_of(rows: Rows, cost: Array, polished: int) -> NDArray[np.int64]:
    """The best rows of every set."""
    kept: list[int] = []
    for group in np.unique(rows.group):
        mine = np.flatnonzero(rows.group == group)
        kept += [int(i) for i in mine[np.argsort(cost[mine], kind="stable")[:polished]]]
    return np.array(kept, dtype=np.int64)


def _join(parts: Sequence[Rows]) -> Rows:
    return Rows(
        np.concatenate([p.values for p in parts]),
        np.concatenate([p.free for p in parts]),
        np.concatenate([p.group for p in parts]),
    )


# ---- least squares ---------------------------------------------------------------------------------------


def refine(task: Task, rows: Rows, steps: int, margin: float = 1.0) -> tuple[Rows, Array]:
    """Levenberg-Marquardt within bounds for all rows at once.

    Parameters
    ----------
    task : Task
    rows : Rows
    steps : int
        At most.
    margin : float
        Times the usual margin kept from the limits.

    Returns
    -------
    rows : Rows
    cost : ndarray, shape (M,)
        Sums of squares.
    """
    low, high = _bounds(task, rows)
    span = np.where(high > low, high - low, 1.0)
    free = rows.free & (high > low)
    at = np.clip((rows.values - low) / span, 0, 1)

    def residuals(place: Array, index: NDArray[np.int64]) -> Array:
        moving = low[index] + span[index] * place
        # what is not free keeps its own value, whatever its range
        return task.residuals(np.where(free[index], moving, rows.values[index]), margin)

    everyone = np.arange(len(at))
    left = residuals(at, everyone)
    cost = np.sum(left**2, axis=1)
    damping = np.full(len(at), 1e-2)
    alive = free.any(axis=1) & np.isfinite(cost)
    for _ in range(steps):
        index = np.flatnonzero(alive)
        if index.size == 0:
            break
        move = _step(residuals, at, left, free, damping, index)
        trial = np.clip(at[index] + move, 0, 1)
        new = residuals(trial, index)
        new_cost = np.sum(new**2, axis=1)
        better = new_cost < cost[index]
        done = better & (cost[index] - new_cost <= _SETTLED * cost[index])
        taken = index[better]
        at[taken], left[taken], cost[taken] = trial[better], new[better], new_cost[better]
        damping[index] *= np.where(better, 0.2, 5.0)
        damping = np.maximum(damping, 1e-12)
        alive[index[done]] = False
        alive &= (damping < 1e10) & (cost > 1e-18)
    return Rows(np.where(free, low + span * at, rows.values), rows.free, rows.group), cost


def _bounds(task: Task, rows: Rows) -> tuple[Array, Array]:
    ranges = task.adjustable.ranges()
    low = np.array([0.0 if r is None else r.low for r in ranges])
    high = np.array([0.0 if r is None else r.high for r in ranges])
    return np.broadcast_to(low, rows.values.shape), np.broadcast_to(high, rows.values.shape)


def _step(
    residuals: Callable[[Array, NDArray[np.int64]], Array],
    at: Array,
    left: Array,
    free: Mask,
    damping: Array,
    index: NDArray[np.int64],
) -> Array:
    """Damped step of some rows; what lies at its bound and would leave it stays."""
    here, base, moves = at[index], left[index], free[index]
    by = np.zeros((*base.shape, here.shape[1]))
    for k in np.flatnonzero(moves.any(axis=0)):
        mine = np.flatnonzero(moves[:, k])
        step = np.where(here[mine, k] < 0.5, _STEP, -_STEP)
        beside = here[mine].copy()
        beside[:, k] += step
        with np.errstate(invalid="ignore"):
            by[mine, :, k] = (residuals(beside, index[mine]) - base[mine]) / step[:, None]
    by = np.where(np.isfinite(by), by, 0.0)
    gradient = np.einsum("mrk,mr->mk", by, base)
    moves = moves & ~((here <= 0) & (gradient > 0)) & ~((here >= 1) & (gradient < 0))
    square = np.matmul(by.transpose(0, 2, 1), by) * (moves[:, :, None] & moves[:, None, :])
    size = np.diagonal(square, axis1=1, axis2=2)
    diagonal = damping[index, None] * (size + 1e-9 * size.max(axis=1, keepdims=True)) + 1e-300
    square = square + np.eye(here.shape[1]) * np.where(moves, diagonal, 1.0)[:, None, :]
    return np.asarray(-np.linalg.solve(square, (gradient * moves)[:, :, None])[:, :, 0])
