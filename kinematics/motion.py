"""Measured angles of one linkage's two shafts, and their thinning to a few well-weighted points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.stroke import Stroke

Array = NDArray[np.float64]

_DEG = np.pi / 180
_BIN_PATH_RAD = 1.5 * _DEG  # driver path of one bin: curvature within it costs about 0.002 degrees
_FINE_PATH_RAD = 0.4 * _DEG  # bins just after a reversal, where lost motion is taken up within a degree or so
_FINE_ZONE_RAD = 6 * _DEG  # how far after a reversal bins stay fine
_PART_PATH_RAD = 10 * _DEG  # slow errors also change with time: a hold counts as this much path at either end
_MAX_BINS = 400


@dataclass(frozen=True, slots=True)
class LinkageMotion:
    """Angles of driver and driven shaft in the same frames.

    Parameters
    ----------
    driver_rad, driven_rad : ndarray, shape (N,)
        Unwrapped angles from any zero, counter-clockwise positive; NaN where a shaft was not measured.
    driver_sigma_rad, driven_sigma_rad : ndarray, shape (N,)
        Standard deviation of each angle from frame to frame; slow errors come on top (`noise`).

    Raises
    ------
    ValueError
        If the shapes differ or a standard deviation is not positive where its angle is known.

    Examples
    --------
    >>> LinkageMotion.of([0.0, 0.1], [0.0, 0.2], 0.001, 0.001).driven_sigma_rad.tolist()
    [0.001, 0.001]
    """

    driver_rad: Array
    driven_rad: Array
    driver_sigma_rad: Array
    driven_sigma_rad: Array

    def __post_init__(self) -> None:
        shape = self.driver_rad.shape
        for name in ("driven_rad", "driver_sigma_rad", "driven_sigma_rad"):
            found = getattr(self, name).shape
            if len(shape) != 1 or found != shape:
                raise ValueError(f"{name} must have shape {shape} and one dimension, got {found}")
        for angle, sigma in (
            (self.driver_rad, self.driver_sigma_rad),
            (self.driven_rad, self.driven_sigma_rad),
        ):
            if not np.all(sigma[np.isfinite(angle)] > 0):
                raise ValueError("a standard deviation must be positive wherever its angle is known")

    @classmethod
    def of(
        cls,
        driver_rad: ArrayLike,
        driven_rad: ArrayLike,
        driver_sigma_rad: ArrayLike,
        driven_sigma_rad: ArrayLike,
    ) -> LinkageMotion:
        """Build from anything array-like; a single standard deviation stands for all frames.

        Parameters
        ----------
        driver_rad, driven_rad : array_like, shape (N,)
        driver_sigma_rad, driven_sigma_rad : array_like, scalar or shape (N,)

        Returns
        -------
        LinkageMotion
        """
        driver = np.asarray(driver_rad, float)
        sigmas = [
            np.array(np.broadcast_to(np.asarray(s, float), driver.shape))
            for s in (driver_sigma_rad, driven_sigma_rad)
        ]
        return cls(driver, np.asarray(driven_rad, float), sigmas[0], sigmas[1])

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Frames in which both shafts were measured."""
        return np.isfinite(self.driver_rad) & np.isfinite(self.driven_rad)


@dataclass(frozen=True, slots=True)
class Bins:
    """A motion thinned to B points in the order of time.

    Parameters
    ----------
    driver_rad : ndarray, shape (B,)
        Mean driver travel from low fire, positive toward high fire.
    driven_rad : ndarray, shape (B,)
        Mean driven angle, from the first bin's.
    driver_var, driven_var : ndarray, shape (B,)
        Variance of the means from frame noise (rad^2).
    path_rad : ndarray, shape (B,)
        Driver path run through since the first bin.
    frames : ndarray of int, shape (B,)
        Frames averaged.
    """

    driver_rad: Array
    driven_rad: Array
    driver_var: Array
    driven_var: Array
    path_rad: Array
    frames: NDArray[np.int64]


def thin(motion: LinkageMotion, stroke: Stroke) -> Bins:
    """Average the frames in short pieces of the driver's path: one bin a hold, fine bins after each reversal.

    Parameters
    ----------
    motion : LinkageMotion
    stroke : Stroke

    Returns
    -------
    Bins
        At most a few hundred; their number does not grow with the frame rate.

    Notes
    -----
    Bins follow time, not driver angle, so that a model with memory (lost motion) can be run along them.
    """
    label = bin_numbers(motion, stroke)
    keep = label >= 0
    _, first, index = np.unique(label[keep], return_index=True, return_inverse=True)
    count = np.bincount(index)
    driver = stroke.travel(motion.driver_rad)[keep]
    driven = motion.driven_rad[keep]

    def mean(values: Array, power: int = 1) -> Array:
        return np.asarray(np.bincount(index, weights=values) / count**power)

    driver_mean, driven_mean = mean(driver), mean(driven)
    steps = np.abs(np.diff(driver_mean)) + _PART_PATH_RAD * np.diff(_part(stroke, keep)[first])
    path = np.concatenate([[0.0], np.cumsum(steps)])
    return Bins(
        driver_mean,
        driven_mean - driven_mean[0],
        mean(motion.driver_sigma_rad[keep] ** 2, 2),
        mean(motion.driven_sigma_rad[keep] ** 2, 2),
        path,
        count,
    )


def bin_numbers(motion: LinkageMotion, stroke: Stroke) -> NDArray[np.int64]:
    """Bin of each frame: which of the points of `thin` it went into.

    Parameters
    ----------
    motion : LinkageMotion
    stroke : Stroke

    Returns
    -------
    ndarray of int, shape (N,)
        Ascending in time, not every number need occur; -1 where a shaft is missing.
    """
    travel = stroke.travel(motion.driver_rad)
    measured = motion.measured
    label = np.full(travel.shape, -1, dtype=np.int64)
    passes = sorted((*stroke.opening, *stroke.closing), key=lambda s: s.start)
    total = sum(_path(travel[p]) for p in passes)
    coarse = max(_BIN_PATH_RAD, total / _MAX_BINS)
    bins, done = 0, 0
    for part in passes:
        bins = _label_run(label, measured, slice(done, part.start), bins, None)
        path = np.where(np.isfinite(travel[part]), travel[part], 0.0)
        first = np.flatnonzero(np.isfinite(travel[part]))
        origin = path[first[0]] if first.size else 0.0
        path = np.abs(path - origin)
        fine = np.minimum(path, _FINE_ZONE_RAD) / _FINE_PATH_RAD
        step = np.floor(fine + np.maximum(path - _FINE_ZONE_RAD, 0) / coarse)
        bins = _label_run(label, measured, part, bins, step)
        done = part.stop
    _label_run(label, measured, slice(done, travel.size), bins, None)
    return label


def _label_run(
    label: NDArray[np.int64], measured: NDArray[np.bool_], part: slice, bins: int, step: Array | None
) -> int:
    """Number one piece from `bins` on: one bin for a hold, a new one at each change of `step` in a pass."""
    here = np.flatnonzero(measured[part]) + part.start
    if here.size == 0:
        return bins
    if step is None:
        label[here] = bins
        return bins + 1
    steps = step[here - part.start]
    change = np.concatenate([[0], np.cumsum(np.diff(steps) != 0)])
    label[here] = bins + change
    return int(bins + change[-1] + 1)


def _part(stroke: Stroke, keep: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Number of the hold or pass of each kept frame, counted from the start of the film."""
    number = np.zeros(keep.size, dtype=np.int64)
    for part in (*stroke.opening, *stroke.closing):
        number[part.start :] += 1
        number[part.stop :] += 1
    return number[keep]


def _path(travel: Array) -> float:
    known = travel[np.isfinite(travel)]
    return float(np.ptp(known)) if known.size else 0.0
