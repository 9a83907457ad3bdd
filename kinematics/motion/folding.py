"""Passes of a film that run alike, put together: many strokes become one well-known stroke.

A film of many strokes says no more of a linkage than one stroke that is better known, so it is fitted as one.
That keeps the bins fine and the fit quick however long the film is. How far the passes differ is kept beside:
it tells which errors average out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.motion.angles import (
    FINE_STEPS,
    Bins,
    Departures,
    LinkageMotion,
    averaged,
    coarse_path_rad,
    label_run,
    path_steps,
    thin,
)
from strokecurve.kinematics.motion.stroke import Stroke

Array = NDArray[np.float64]

_DEG = np.pi / 180
_ALIKE_RAD = 3 * _DEG  # ends of two passes this near to one another: most of their way is the same
_BACK_RAD = 0.4 * _DEG  # a pass that goes back by more, beside noise, has a history of its own
_HALF = 0.5  # share of the stroke that a pass must run through to take up all lost motion before the next one
_MOST_PASSES = 4  # different ones that are kept: a film of many strokes, none like another, is not used up
_MOSTLY_SEEN = 0.8  # share of the bins that a pass must have been seen in to be compared with others
_LEAST_BINS = 8  # compared with one another


@dataclass(frozen=True, slots=True)
class _Pass:
    """One pass: its frames, its way (+1 opening), its ends, and whether another may be like it."""

    frames: slice
    way: int
    start_rad: float
    end_rad: float
    regular: bool

    def like(self, other: _Pass) -> bool:
        near = max(abs(self.start_rad - other.start_rad), abs(self.end_rad - other.end_rad)) <= _ALIKE_RAD
        return self.regular and other.regular and self.way == other.way and near


def fold(motion: LinkageMotion, stroke: Stroke) -> Bins:
    """Thin a motion to bins as `motion.thin` does, with all passes that run alike in the same bins.

    Parameters
    ----------
    motion : LinkageMotion
    stroke : Stroke

    Returns
    -------
    Bins
        A few hundred, however long the film.

    Notes
    -----
    Passes are alike if they start and end within some degrees of one another, after a pass long enough to
    have taken up all lost motion. The first pass never has a like: where in the lost motion a film starts is
    its own matter. Rests, and what comes just after a reversal, are those of the first pass of each kind
    alone: where lost motion has been taken up depends on where each pass has turned round, and the mean of
    several would have a corner that none of them has. For an event in time (a slip) passes must not be put
    together.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 66, 0.05)
    >>> once = np.array([0, 1, 5.5, 6.5, 11])
    >>> times = np.concatenate([once + 11 * k for k in range(6)])
    >>> driver = np.radians(np.interp(time_s, times, [0, 0, 90, 90, 0] * 6))
    >>> stroke, motion = find_stroke(time_s, driver, 0.0005), LinkageMotion.of(driver, driver, 0.0005, 0.0005)
    >>> bins = fold(motion, stroke)
    >>> bins.passes.max(), bins.driver_rad.size < 0.6 * thin(motion, stroke).driver_rad.size
    (np.int64(6), True)
    """
    travel = stroke.travel(motion.driver_rad)
    passes = _passes(motion, stroke, travel)
    leader = _leaders(passes)
    if all(own == k for k, own in enumerate(leader)):
        return thin(motion, stroke)
    folded = _labels(motion, travel, passes, leader)
    bins = averaged(motion, stroke, folded.label, folded.part)
    turns = np.array([way for part in passes for way in (0, part.way)] + [0])
    bins = replace(bins, ways=turns[folded.part], restarts=folded.restarts)
    return _with_departures(bins, motion, travel, folded)


def _passes(motion: LinkageMotion, stroke: Stroke, travel: Array) -> list[_Pass]:
    found: list[_Pass] = []
    for part in stroke.passes:
        own = travel[part][motion.measured[part]]
        way = 1 if part in stroke.opening else -1
        if own.size == 0:
            found.append(_Pass(part, way, np.nan, np.nan, False))
            continue
        back = float(np.max(np.maximum.accumulate(way * own) - way * own))
        noise = 4 * float(np.median(motion.driver_sigma_rad[part][motion.measured[part]]))
        after = bool(found) and abs(found[-1].end_rad - found[-1].start_rad) >= _HALF * stroke.travel_rad
        found.append(_Pass(part, way, float(own[0]), float(own[-1]), after and back <= _BACK_RAD + noise))
    return found


def _leaders(passes: list[_Pass]) -> list[int]:
    """Pass that each goes into, its own number if none before is like it; -1 for one that is left out."""
    leader: list[int] = []
    for k, part in enumerate(passes):
        leader.append(next((j for j in range(k) if leader[j] == j and part.like(passes[j])), k))
    likes = np.bincount(leader, minlength=len(passes))
    # the first pass begins the film; of the others those with the most likes tell most
    ranked = sorted({*leader} - {0}, key=lambda k: (-likes[k], k))
    kept = {0, *ranked[: _MOST_PASSES - 1]}
    return [own if own in kept else -1 for own in leader]


@dataclass(frozen=True, slots=True)
class _Likes:
    """Passes put together: their bins, which of these lie clear of the reversal, and their frames."""

    bins: slice
    clear: NDArray[np.int64]
    frames: tuple[slice, ...]


@dataclass(frozen=True, slots=True)
class _Folded:
    """Bin of each frame (-1 for none), number of the hold or pass of each bin, and what was put together."""

    label: NDArray[np.int64]
    part: NDArray[np.int64]
    restarts: NDArray[np.bool_]
    likes: tuple[_Likes, ...]


def _labels(motion: LinkageMotion, travel: Array, passes: list[_Pass], leader: list[int]) -> _Folded:
    """Bins in the order of time; each pass that leads has the rest before it, where the driver turned."""
    measured = motion.measured
    label = np.full(travel.shape, -1, dtype=np.int64)
    leaders = sorted({*leader} - {-1})
    coarse = coarse_path_rad(travel, [passes[k].frames for k in leaders])
    begins = [0, *(p.frames.stop for p in passes)]
    bins, part, restarts, likes = 0, [], [], []
    for n, k in enumerate(leaders):
        first, own = bins, passes[k].frames
        rest = label_run(label, measured, slice(begins[k], own.start), first, None)
        steps = path_steps(travel[own], coarse)
        others = [passes[j].frames for j, lead in enumerate(leader) if lead == k != j]
        if not others:
            bins = label_run(label, measured, own, rest, steps)
        else:
            used = np.unique(steps[measured[own]])
            label[own][measured[own]] = rest + np.searchsorted(used, steps[measured[own]])
            for f in others:
                at = path_steps(travel[f], coarse, passes[k].start_rad)
                # just after its own reversal a pass takes up lost motion where the one that leads does not
                clear = (
                    measured[f]
                    & np.isin(at, used)
                    & (np.minimum(at, path_steps(travel[f], coarse)) > FINE_STEPS)
                )
                label[f][clear] = rest + np.searchsorted(used, at[clear])
            bins = rest + used.size
            likes.append(_Likes(slice(rest, bins), rest + np.flatnonzero(used > FINE_STEPS), (own, *others)))
        part += [2 * k] * (rest - first) + [2 * k + 1] * (bins - rest)
        if n and bins > first and leaders[n - 1] != k - 1:
            restarts.append(first)
    if leaders[-1] == len(passes) - 1:
        stop = label_run(label, measured, slice(begins[-1], travel.size), bins, None)
        part += [2 * len(passes)] * (stop - bins)
    return _Folded(label, np.array(part), np.isin(np.arange(len(part)), restarts), tuple(likes))


def _with_departures(bins: Bins, motion: LinkageMotion, travel: Array, folded: _Folded) -> Bins:
    """The bins with how far the passes in them differ; noise that all of them share is not made smaller."""
    slope = np.gradient(bins.driven_rad, bins.path_rad) * np.sign(np.gradient(bins.driver_rad))
    passes = np.zeros(bins.frames.size, dtype=np.int64)
    found = []
    for likes in folded.likes:
        for part in likes.frames:
            own = np.unique(folded.label[part])
            passes[own[own >= 0]] += 1
        found.append(_departures(motion, travel, folded.label, slope, likes))
    passes = np.maximum(passes, 1)
    compared = [pair for pair in found if pair is not None]
    returning = _noise_returning(compared)
    kept = 1 + returning * (passes - 1)
    return replace(
        bins,
        driver_var=bins.driver_var * kept,
        driven_var=bins.driven_var * kept,
        passes=passes,
        departures=tuple(departures for departures, _ in compared),
        noise_returning=returning,
    )


def _departures(
    motion: LinkageMotion, travel: Array, label: NDArray[np.int64], slope: Array, likes: _Likes
) -> tuple[Departures, Array] | None:
    """How the passes put together depart from their mean, and the variance of each from frame noise.

    Only where the lost motion is taken up: before, the driven shaft does not follow the slope of the curve.
    """
    first, count = likes.bins.start, likes.bins.stop - likes.bins.start
    rows = []
    for part in likes.frames:
        here = np.flatnonzero(label[part] >= 0) + part.start
        at = label[here]
        frames = np.bincount(at - first, minlength=count)
        given = motion.driven_rad[here] - slope[at] * travel[here]
        variance = motion.driven_sigma_rad[here] ** 2 + (slope[at] * motion.driver_sigma_rad[here]) ** 2
        sums = [np.bincount(at - first, weights=w, minlength=count) for w in (given, variance)]
        with np.errstate(invalid="ignore", divide="ignore"):
            rows.append((sums[0] / frames, sums[1] / frames**2))
    off, variance = (np.stack(part)[:, likes.clear - first] for part in zip(*rows, strict=True))
    seen = np.isfinite(off)
    mostly = seen.mean(axis=1) >= _MOSTLY_SEEN if seen.size else np.zeros(0, np.bool_)
    shared = seen[mostly].all(axis=0)
    if mostly.sum() < 2 or shared.sum() < _LEAST_BINS:
        return None
    off = off[mostly][:, shared]
    return Departures(likes.clear[shared], off - off.mean(axis=0)), variance[mostly][:, shared]


def _noise_returning(found: list[tuple[Departures, Array]]) -> float:
    """Share of the stated frame noise that passes put together do not show between them.

    From one bin to the next slow errors hardly change, so the difference between neighbours is frame noise.
    """
    shown = stated = 0.0
    for departures, variance in found:
        apart = np.diff(departures.off_rad, axis=1)
        shown += float(np.sum(apart**2))
        stated += (1 - 1 / len(apart)) * float(np.sum(variance[:, 1:] + variance[:, :-1]))
    return float(np.clip(1 - shown / stated, 0.0, 1.0)) if stated > 0 else 0.0
