"""With which arm of a shaft a linkage keeps step, and which arm comes back to its rests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.arms import Moved
from strokecurve.kinematics.faults.slip import follow
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_REACH_S = 1.5  # frames looked at before and after a step
_REACH_RAD = 10 * _DEG  # ... as long as neither shaft turns further: a parabola follows any linkage so far
_LEAST = 6  # frames on either side
_SLOPE, _BEND = 3.0, 3.0  # weak priors on slope and bend (1/rad) of one shaft against the other
_TAKE_UP_RAD = 0.3 * _DEG  # what lost motion may add across a reversal
_TAKE_UP_SHARE = 0.5  # ... at most this share of what the other shaft has turned since
_KEEPS = 0.35  # share of a step that may seem to be left where a linkage keeps step
_SURE = 4.0  # standard deviations by which one marker must keep step better than another
_NEAR_FRAMES = 15  # a step found in the curve as near as this is the one of the markers
_RETURNS = 0.25  # share of a step by which a shaft may miss its rest and still have come back


def keeps_step(
    time_s: Array,
    partner: tuple[Array, Array],
    arms: Sequence[tuple[Array, Array]],
    moved: Moved,
    drives: bool,
    settings: Settings = DEFAULTS,
) -> int | None:
    """With which group of markers a linkage keeps step.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
    partner : tuple of ndarray, shape (N,)
        Angle of the shaft at the other end of the linkage, and its standard deviation (rad).
    arms : sequence of tuple of ndarray, shape (N,)
        The same of what the markers of each group sit on.
    moved : Moved
    drives : bool
        Whether the shaft with the markers drives the other.
    settings : Settings

    Returns
    -------
    int or None
        None where the film does not tell, or the linkage keeps step with none.
    """
    full = max(
        (abs(moved.between(g, h).value) for g in range(len(arms)) for h in range(g)),
        key=lambda size: (np.isfinite(size), size),
    )
    if not np.isfinite(full):
        return None
    try:
        stroke = find_stroke(time_s, *partner, settings=settings)
    except StrokeError:
        return None
    steps = [step_beside(time_s, stroke, partner, arm, moved) for arm in arms]
    if all(np.isfinite(s.value) for s in steps):
        size, sd = [abs(s.value) for s in steps], max(s.sd for s in steps)
        best, second = np.argsort(size)[:2]
        if size[second] - size[best] > _SURE * sd and size[best] <= max(_KEEPS * full, _SURE * sd):
            return int(best)
        if size[best] > max(_KEEPS * full, _SURE * sd):
            return None
    return _by_curve(time_s, partner, arms, moved, drives, settings)


def step_beside(
    time_s: Array, stroke: Stroke, partner: tuple[Array, Array], arm: tuple[Array, Array], moved: Moved
) -> Estimate:
    """Step of an arm against the shaft at the other end of its linkage (rad).

    Parameters
    ----------
    time_s : ndarray, shape (N,)
    stroke : Stroke
        Of the other shaft.
    partner, arm : tuple of ndarray, shape (N,)
        Angles and their standard deviations.
    moved : Moved

    Returns
    -------
    Estimate
        NaN where too little was seen of both.

    Notes
    -----
    A parabola of one angle against the other and a step, fitted to the frames just before and after, as far
    as the joint stays on one side of its lost motion. Where a reversal is too near for that, what lost motion
    may add is part of the standard deviation.
    """
    both = np.isfinite(partner[0]) & np.isfinite(arm[0])
    before, after, crossed = _around(time_s, stroke, both, moved)
    if min(before.size, after.size) < _LEAST:
        return Estimate(np.nan, np.nan)
    middle = float(np.mean(partner[0][[before[-1], after[0]]]))
    pick = np.concatenate([before, after])
    x, y = partner[0][pick] - middle, arm[0][pick] - arm[0][before[-1]]
    near = (np.abs(x) <= _REACH_RAD) & (np.abs(y) <= 2 * _REACH_RAD)
    near[before.size - _LEAST : before.size + _LEAST] = True
    x, y, late = x[near], y[near], np.repeat([0.0, 1.0], [before.size, after.size])[near]
    design = np.column_stack([np.ones_like(x), x, x**2, late])
    stated = float(np.sqrt(np.mean(arm[1][pick] ** 2 + partner[1][pick] ** 2)))
    known = np.diag([0.0, stated / _SLOPE, stated / _BEND, 0.0]) ** 2
    normal = design.T @ design + known
    solution = np.linalg.solve(normal, design.T @ y)
    off = y - design @ solution
    noise = max(stated, float(np.sqrt(off @ off / max(off.size - 4, 1))))
    alike = float(np.clip(off[1:] @ off[:-1] / max(off @ off, 1e-300), 0.0, 0.9))
    sd = noise * float(np.sqrt(np.linalg.inv(normal)[3, 3] * (1 + alike) / (1 - alike)))
    turned = max(float(np.ptp(partner[0][part])) for part in (before, after))
    lost = min(_TAKE_UP_RAD, _TAKE_UP_SHARE * turned) if crossed else 0.0
    return Estimate(float(solution[3]), float(np.hypot(sd, lost)))


def came_back(time_s: Array, arms: Sequence[tuple[Array, Array]], moved: Moved, stroke: Stroke) -> int | None:
    """Which group alone stands at each rest after the step where it stood before.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
    arms : sequence of tuple of ndarray, shape (N,)
        Angle of what the markers of each group sit on, and its standard deviation (rad).
    moved : Moved
    stroke : Stroke
        Of any shaft of the train: when it rests.

    Returns
    -------
    int or None
        None where there was no rest of one kind before and after, or it does not tell.

    Notes
    -----
    A motor goes back to its end switches. So this tells of a motor's shaft which marker shows it, and of a
    shaft that is driven nothing: what slipped before it would move its rests.
    """
    missed = np.full(len(arms), np.nan)
    for holds in (stroke.low_holds, stroke.high_holds):
        frames = [np.arange(h.start, h.stop) for h in holds]
        early = [f[f < moved.first] for f in frames]
        late = [f[f > moved.last] for f in frames]
        for g, (angle, _) in enumerate(arms):
            rest = [
                np.concatenate([angle[f][np.isfinite(angle[f])] for f in part] or [np.zeros(0)])
                for part in (early, late)
            ]
            if min(r.size for r in rest) >= _LEAST:
                missed[g] = np.fmax(missed[g], abs(np.median(rest[1]) - np.median(rest[0])))
    if not np.isfinite(missed).all():
        return None
    best, second = np.argsort(missed)[:2]
    full = abs(moved.between(int(best), int(second)).value)
    if missed[best] <= _RETURNS * full and missed[second] >= (1 - _RETURNS) * full:
        return int(best)
    return None


# ---- parts -----------------------------------------------------------------------------------------------


def _around(
    time_s: Array, stroke: Stroke, both: NDArray[np.bool_], moved: Moved
) -> tuple[NDArray[np.int64], NDArray[np.int64], bool]:
    """Frames just before and just after a step, and whether a reversal lies between them and it."""
    stop = max(moved.last + 1, moved.first)
    parts = sorted((*stroke.opening, *stroke.closing), key=lambda p: p.start)
    begun = [p for p in parts if p.start <= moved.first]
    coming = [p for p in parts if p.start > moved.first]
    begin = begun[-1].start if begun else 0
    end = coming[0].start if coming else both.size
    crossed = False
    if both[begin : moved.first].sum() < _LEAST:
        begin, crossed = (begun[-2].stop if len(begun) > 1 else 0), True
    if both[stop:end].sum() < _LEAST:
        end, crossed = (coming[0].stop if coming else both.size), True
    place = np.arange(both.size)
    half = 0.5 * (time_s[stop - 1] - time_s[moved.first]) if stop > moved.first else 0.0
    near = both & (np.abs(time_s - time_s[moved.moment]) <= _REACH_S + half)
    before = np.flatnonzero(near & (place >= begin) & (place < moved.first))
    after = np.flatnonzero(near & (place >= stop) & (place < end))
    return (before[-_LEAST:], after[:_LEAST], True) if crossed else (before, after, False)


def _by_curve(
    time_s: Array,
    partner: tuple[Array, Array],
    arms: Sequence[tuple[Array, Array]],
    moved: Moved,
    drives: bool,
    settings: Settings,
) -> int | None:
    """The only group whose travel curve over the whole film shows no step at the moment."""
    smooth = []
    for g, arm in enumerate(arms):
        driver, driven = (arm, partner) if drives else (partner, arm)
        try:
            stroke = find_stroke(time_s, *driver, settings=settings)
        except StrokeError:
            return None
        following = follow(stroke, LinkageMotion.of(driver[0], driven[0], driver[1], driven[1]), settings)
        if following is None:
            return None
        near = (moved.first - _NEAR_FRAMES, moved.last + _NEAR_FRAMES)
        if not any(s.first <= near[1] and s.last >= near[0] for s in following.slips):
            smooth.append(g)
    return smooth[0] if len(smooth) == 1 else None
