"""Measured angles of one linkage's two shafts, and their thinning to a few well-weighted points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.motion.stroke import Stroke

Array = NDArray[np.float64]

_DEG = np.pi / 180
_BIN_PATH_RAD = 1.5 * _DEG  # driver path of one bin: curvature within it costs about 0.002 degrees
_FINE_PATH_RAD = 0.4 * _DEG  # bins just after a reversal, where lost motion is taken up within a degree or so
_FINE_ZONE_RAD = 6 * _DEG  # how far after a reversal bins stay fine
_PART_PATH_RAD = 10 * _DEG  # slow errors also change with time: a hold counts as this much path at either end
_MAX_BINS = 400
FINE_STEPS = round(_FINE_ZONE_RAD / _FINE_PATH_RAD)  # fine bins of a pass


@dataclass(frozen=True, slots=True)
class LinkageMotion:
    """Angles of driver and driven shaft in the same frames.

    Parameters
    ----------
    driver_rad, driven_rad : ndarray, shape (N,)
        Unwrapped angles from any zero, counter-clockwise positive; NaN where a shaft was not measured.
    driver_sigma_rad, driven_sigma_rad : ndarray, shape (N,)
        Standard deviation of each angle from frame to frame; slow errors come on top (`noise`).
    driver_common_rad, driven_common_rad : ndarray, shape (N, K)
        What K causes of error that all frames share (focal length, lens, axes) do to each angle, each by one
        standard deviation; the same causes in the same order for both shafts. They do not average out.

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
    driver_common_rad: Array
    driven_common_rad: Array

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
        common = self.driver_common_rad.shape
        if len(common) != 2 or common[0] != shape[0] or self.driven_common_rad.shape != common:
            raise ValueError(
                f"common errors of both shafts must have the same shape {(*shape, 'K')}, "
                f"got {common} and {self.driven_common_rad.shape}"
            )

    @classmethod
    def of(
        cls,
        driver_rad: ArrayLike,
        driven_rad: ArrayLike,
        driver_sigma_rad: ArrayLike,
        driven_sigma_rad: ArrayLike,
        common_rad: tuple[ArrayLike, ArrayLike] | None = None,
    ) -> LinkageMotion:
        """Build from anything array-like; a single standard deviation stands for all frames.

        Parameters
        ----------
        driver_rad, driven_rad : array_like, shape (N,)
        driver_sigma_rad, driven_sigma_rad : array_like, scalar or shape (N,)
        common_rad : tuple of array_like, shape (N, K) each, optional
            Errors that all frames share, of driver and driven shaft; none if left out.

        Returns
        -------
        LinkageMotion
        """
        driver = np.asarray(driver_rad, float)
        sigmas = [
            np.array(np.broadcast_to(np.asarray(s, float), driver.shape))
            for s in (driver_sigma_rad, driven_sigma_rad)
        ]
        none = np.zeros((driver.size, 0))
        common = [np.asarray(c, float) for c in ((none, none) if common_rad is None else common_rad)]
        return cls(driver, np.asarray(driven_rad, float), sigmas[0], sigmas[1], common[0], common[1])

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Frames in which both shafts were measured, shape (N,)."""
        return np.isfinite(self.driver_rad) & np.isfinite(self.driven_rad)


@dataclass(frozen=True, slots=True)
class Departures:
    """How each of several passes that run alike departs from their mean.

    Parameters
    ----------
    bins : ndarray of int, shape (b,)
        Positions of the bins, in the order of the path.
    off_rad : ndarray, shape (n, b)
        Driven angle, given the driver's, less its mean over the n passes.
    """

    bins: NDArray[np.int64]
    off_rad: Array


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
    driver_common_rad, driven_common_rad : ndarray, shape (B, K), optional
        Errors that all frames share, as in `LinkageMotion`, of these means.
    passes : ndarray of int, shape (B,), optional
        Passes averaged; one each if left out.
    ways : ndarray of int, shape (B,), optional
        +1 in an opening pass, -1 in a closing pass, 0 at rest.
    restarts : ndarray of bool, shape (B,), optional
        Where the path does not go on from the bin before: it begins anew at an end of the stroke, to which
        another pass led.
    departures : tuple of Departures
        One for each set of passes that were put together.
    noise_returning : float
        Share of the stated frame noise that the passes put together do not show between them: it must have
        been the same in all of them.
    """

    driver_rad: Array
    driven_rad: Array
    driver_var: Array
    driven_var: Array
    path_rad: Array
    frames: NDArray[np.int64]
    driver_common_rad: Array | None = None
    driven_common_rad: Array | None = None
    passes: NDArray[np.int64] | None = None
    ways: NDArray[np.int64] | None = None
    restarts: NDArray[np.bool_] | None = None
    departures: tuple[Departures, ...] = ()
    noise_returning: float = 0.0

    @property
    def driven_sign(self) -> int:
        """Way in which the driven shaft opens: +1 if it turns counter-clockwise from low to high fire.

        Examples
        --------
        >>> n = np.zeros(3)
        >>> Bins(np.array([0, 1.0, 2.0]), np.array([0, -0.5, -1.0]), n, n, n, np.ones(3, int)).driven_sign
        -1
        """
        order = np.argsort(self.driver_rad)
        share = max(1, order.size // 10)
        rise = np.mean(self.driven_rad[order[-share:]]) - np.mean(self.driven_rad[order[:share]])
        return 1 if rise >= 0 else -1

    @property
    def round_rad(self) -> float:
        """Driver path of a whole cycle, each rest counted as in `path_rad`."""
        return 2 * float(self.driver_rad.max()) + 4 * _PART_PATH_RAD

    @property
    def cycle_rad(self) -> Array:
        """Place of each bin in a cycle from low to high fire and back, as a driver path (rad), shape (B,).

        Raises
        ------
        ValueError
            If the bins do not say which pass each belongs to.
        """
        if self.ways is None:
            raise ValueError("these bins do not say to which pass each of them belongs")
        up = self.driver_rad + _PART_PATH_RAD
        at_high = self.driver_rad > self.driver_rad.max() / 2
        resting = np.where(at_high, self.round_rad / 2, 0.0)
        return np.where(self.ways > 0, up, np.where(self.ways < 0, self.round_rad - up, resting))


def thin(motion: LinkageMotion, stroke: Stroke) -> Bins:
    """Average the frames in short pieces of the driver's path: one bin a hold, fine bins after each reversal.

    Parameters
    ----------
    motion : LinkageMotion
    stroke : Stroke

    Returns
    -------
    Bins
        A few hundred for a stroke or two; their number does not grow with the frame rate.

    Notes
    -----
    Bins follow time, not driver angle, so that a model with memory (lost motion) can be run along them. In a
    film of many strokes they get coarse; where the moment does not matter, `folding.fold` keeps them fine.
    """
    label = bin_numbers(motion, stroke)
    keep = label >= 0
    first = np.unique(label[keep], return_index=True)[1]
    return averaged(motion, stroke, label, _part(stroke, keep)[first])


def averaged(
    motion: LinkageMotion, stroke: Stroke, label: NDArray[np.int64], part: NDArray[np.int64]
) -> Bins:
    """Means over the frames of each bin.

    Parameters
    ----------
    motion : LinkageMotion
    stroke : Stroke
    label : ndarray of int, shape (N,)
        Bin of each frame, rising along the path; -1 for none.
    part : ndarray of int, shape (B,)
        Number of the hold or pass that each bin belongs to, counted from the start of the film.

    Returns
    -------
    Bins
    """
    keep = label >= 0
    _, index = np.unique(label[keep], return_inverse=True)
    count = np.bincount(index)
    driver = stroke.travel(motion.driver_rad)[keep]

    def mean(values: Array, power: int = 1) -> Array:
        return np.asarray(np.bincount(index, weights=values) / count**power)

    def means(rows: Array) -> Array:
        return (
            np.stack([mean(column) for column in rows[keep].T], axis=1) if rows.size else rows[: count.size]
        )

    driver_mean, driven_mean = mean(driver), mean(motion.driven_rad[keep])
    steps = np.abs(np.diff(driver_mean)) + _PART_PATH_RAD * np.diff(part)
    path = np.concatenate([[0.0], np.cumsum(steps)])
    return Bins(
        driver_mean,
        driven_mean - driven_mean[0],
        mean(motion.driver_sigma_rad[keep] ** 2, 2),
        mean(motion.driven_sigma_rad[keep] ** 2, 2),
        path,
        count,
        stroke.opening_sign * means(motion.driver_common_rad),
        means(motion.driven_common_rad),
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
    passes = stroke.passes
    coarse = coarse_path_rad(travel, passes)
    bins, done = 0, 0
    for part in passes:
        bins = label_run(label, measured, slice(done, part.start), bins, None)
        bins = label_run(label, measured, part, bins, path_steps(travel[part], coarse))
        done = part.stop
    label_run(label, measured, slice(done, travel.size), bins, None)
    return label


def coarse_path_rad(travel: Array, passes: Sequence[slice]) -> float:
    """Driver path of a bin away from reversals, so that all these passes make no more than some hundred.

    Parameters
    ----------
    travel : ndarray, shape (N,)
        Of the driver; NaN in gaps.
    passes : sequence of slice

    Returns
    -------
    float
    """
    return max(_BIN_PATH_RAD, sum(_path(travel[p]) for p in passes) / _MAX_BINS)


def path_steps(travel: Array, coarse_rad: float, origin_rad: float | None = None) -> Array:
    """Bin of each frame of one pass, counted from its start.

    Parameters
    ----------
    travel : ndarray, shape (n,)
        Of the driver; NaN in gaps.
    coarse_rad : float
    origin_rad : float, optional
        Where the pass starts; at its first frame if left out.

    Returns
    -------
    ndarray, shape (n,)
        Up to `FINE_STEPS` they lie just after the reversal.
    """
    first = np.flatnonzero(np.isfinite(travel))
    origin = (travel[first[0]] if first.size else 0.0) if origin_rad is None else origin_rad
    path = np.abs(np.where(np.isfinite(travel), travel, 0.0) - origin)
    fine = np.minimum(path, _FINE_ZONE_RAD) / _FINE_PATH_RAD
    return np.asarray(np.floor(fine + np.maximum(path - _FINE_ZONE_RAD, 0) / coarse_rad))


def label_run(
    label: NDArray[np.int64], measured: NDArray[np.bool_], part: slice, bins: int, step: Array | None
) -> int:
    """Number one piece from `bins` on: one bin for a hold, a new one at each change of `step` in a pass.

    Parameters
    ----------
    label : ndarray of int, shape (N,)
        Written to.
    measured : ndarray of bool, shape (N,)
    part : slice
    bins : int
    step : ndarray, shape (n,), optional
        Of the frames of the part.

    Returns
    -------
    int
        The next free number.
    """
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
