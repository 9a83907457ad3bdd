"""Straight lines through the frames around each step of a travel curve."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke

Array = NDArray[np.float64]

_DEG = np.pi / 180
_NARROW_RAD = 0.6 * _DEG  # half window just after a reversal, where lost motion bends the curve sharply
_WIDE_RAD = 1.25 * _DEG  # half window elsewhere: a curve of usual bend is off by less than 0.01 degrees
_LIMIT_RAD = 2.5 * _DEG  # half window at most, where frames are sparse or noisy
_TAKE_UP_RAD = 6 * _DEG  # driver travel after a reversal that keeps the narrow window
_NOISY = 8.0  # half window at least this many standard deviations of a frame
_CORNER = 4.0  # reduced chi-square of a local line above which the curve is not straight there
BEYOND_RAD = 0.3 * _DEG  # a position this little outside the frames is still reached


@dataclass(frozen=True, slots=True)
class Points:
    """Frames of one way, and each adjoining hold as one well-known point.

    Parameters
    ----------
    driver, driven : ndarray, shape (P,)
        Driver travel and driven travel from low fire (rad).
    driver_sigma, driven_sigma : ndarray, shape (P,)
        Their standard deviations from frame noise.
    path : ndarray, shape (P,)
        Driver path since the pass began.
    number : ndarray, shape (P,)
        Which of the passes.
    driver_common, driven_common : ndarray, shape (P, K)
        What errors that all frames share do to each angle, less what they do at the zero.
    """

    driver: Array
    driven: Array
    driver_sigma: Array
    driven_sigma: Array
    path: Array
    number: Array
    driver_common: Array
    driven_common: Array


@dataclass(frozen=True, slots=True)
class LocalLines:
    """Local lines of one way at each step of the driver; NaN where there are none.

    Parameters
    ----------
    value, noise : ndarray, shape (G,)
        Driven travel, and its standard deviation from frame noise.
    slope : ndarray, shape (G,)
    passes : ndarray, shape (G,)
        Passes averaged.
    common : ndarray, shape (G, K)
        What errors that all frames share do to the value, given the driver.
    """

    value: Array
    noise: Array
    slope: Array
    passes: Array
    common: Array


def points_of(
    passes: tuple[slice, ...],
    stroke: Stroke,
    motion: LinkageMotion,
    driver: Array,
    driven: Array,
    common: tuple[Array, Array],
) -> Points:
    """Points of all passes of one way.

    Parameters
    ----------
    passes : tuple of slice
    stroke : Stroke
    motion : LinkageMotion
    driver, driven : ndarray, shape (N,)
        Travel of both shafts from low fire.
    common : tuple of ndarray, shape (N, K) each
        What errors that all frames share do to driver and driven angle, less what they do at the zero.

    Returns
    -------
    Points
        Without frames in which the driver fell back behind where it had been in its pass.
    """
    angles = [driver, driven, motion.driver_sigma_rad, motion.driven_sigma_rad]
    columns: list[Array] = [np.zeros((6, 0))]
    shared = [np.zeros((2, 0, common[0].shape[1]))]
    for number, part in enumerate(passes):
        frames = np.flatnonzero(motion.measured[part]) + part.start
        way = 1 if part in stroke.opening else -1
        advance = way * driver[frames]
        behind = np.maximum.accumulate(advance) - advance if frames.size else advance
        frames = frames[behind <= 3 * motion.driver_sigma_rad[frames]]
        if frames.size == 0:
            continue
        path = np.abs(driver[frames] - driver[frames[0]])
        columns.append(np.stack([*(a[frames] for a in angles), path, np.full(path.shape, number)]))
        shared.append(np.stack([c[frames] for c in common]))
        for hold in (*stroke.low_holds, *stroke.high_holds):
            if not (
                hold.stop == part.start or hold.start == part.stop or _adjoins(hold, part, motion.measured)
            ):
                continue
            resting = np.flatnonzero(motion.measured[hold]) + hold.start
            if resting.size == 0:
                continue
            # a hold is one well-known point
            means = np.array([np.mean(a[resting]) for a in angles])
            means[2:] /= math.sqrt(resting.size)
            at = 0.0 if hold.start < part.start else float(path[-1])
            columns.append(np.array([*means, at, number])[:, None])
            shared.append(np.stack([c[resting].mean(axis=0, keepdims=True) for c in common]))
    every, (driver_common, driven_common) = np.concatenate(columns, axis=1), np.concatenate(shared, axis=1)
    at, turned, at_sigma, turned_sigma, path, numbers = every
    return Points(at, turned, at_sigma, turned_sigma, path, numbers, driver_common, driven_common)


def _adjoins(hold: slice, part: slice, measured: NDArray[np.bool_]) -> bool:
    """Whether only gaps lie between a hold and a pass."""
    between = slice(hold.stop, part.start) if hold.stop <= part.start else slice(part.stop, hold.start)
    return not measured[between].any()


def local_lines(grid: Array, points: Points) -> LocalLines:
    """Lines through the points around each step: narrow windows just after a reversal, wider ones elsewhere.

    Parameters
    ----------
    grid : ndarray, shape (G,)
        Driver travel.
    points : Points

    Returns
    -------
    LocalLines
    """
    value, noise, slope, passes = np.full((4, grid.size), np.nan)
    common = np.zeros((grid.size, points.driven_common.shape[1]))
    for k, at in enumerate(grid if points.driver.size >= 3 else ()):
        line = _local_line(float(at), points)
        if line is None:
            continue
        value[k], noise[k], slope[k], near, weight = line
        passes[k] = np.unique(points.number[near]).size
        effect = points.driven_common[near] - slope[k] * points.driver_common[near]
        common[k] = weight @ effect / weight.sum()
    return LocalLines(value, noise, slope, passes, common)


def _local_line(at: float, points: Points) -> tuple[float, float, float, NDArray[np.int64], Array] | None:
    """Value, its standard deviation from frame noise, slope, the frames used and their weights.

    None if there are no frames around.
    """
    distance = np.abs(points.driver - at)
    nearest = int(np.argmin(distance))
    half = _NARROW_RAD if points.path[nearest] < _TAKE_UP_RAD else _WIDE_RAD
    half = min(max(half, _NOISY * float(points.driver_sigma[nearest])), _LIMIT_RAD)
    near = np.flatnonzero(distance <= half)
    while near.size < 3 and half < _LIMIT_RAD:
        half = min(1.4 * half, _LIMIT_RAD)
        near = np.flatnonzero(distance <= half)
    if near.size < 2:
        return None
    x, y = points.driver[near] - at, points.driven[near]
    low, high = float(x.min()), float(x.max())
    if low > BEYOND_RAD or high < -BEYOND_RAD:
        return None
    slope = _fitted(x, y, np.ones(x.size))[2] if high - low > 1e-6 else 0.0
    weight = 1 / (points.driven_sigma[near] ** 2 + (slope * points.driver_sigma[near]) ** 2)
    total = float(weight.sum())
    mean_x, mean_y, refined, moment = _fitted(x, y, weight)
    if moment > 0:
        slope = refined
    level = mean_y - slope * mean_x
    variance = 1 / total + (mean_x**2 / moment if moment > 0 else 0.0)
    misfit = float(weight @ (y - level - slope * x) ** 2)
    left_over = misfit / max(y.size - 2, 1)
    if left_over > _CORNER:
        # A corner within the window, as where lost motion has just been taken up. A line that passes a corner
        # in the middle is off there by sqrt(3) times its RMS misfit, and more frames do not make that less.
        variance = variance * left_over + 3 * misfit / total
    return level, math.sqrt(variance), slope, near, weight


def _fitted(x: Array, y: Array, weight: Array) -> tuple[float, float, float, float]:
    """Means of x and y, slope of the straight line (0 if x does not vary), and the weighted spread of x."""
    total = float(weight.sum())
    mean_x, mean_y = float(weight @ x) / total, float(weight @ y) / total
    off = x - mean_x
    moment = float(weight @ off**2)
    return mean_x, mean_y, float(weight @ (off * y)) / moment if moment > 0 else 0.0, moment
