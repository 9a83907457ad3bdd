"""Pins: where a rod turns on the arms.

The pin that joins rod and arm is the one point at rest in both: a linear least-squares problem over the
stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.motion.rods import RodMotion, RodSettings, centre_in_plane
from strokecurve.vision.motion.shafts import ShaftMotion

_LEAST_PLACES = 8
"""Places seen from both sides of a joint below which they are not set against each other."""


@dataclass(frozen=True, slots=True)
class Pin:
    """Where a rod turns on an arm.

    Attributes
    ----------
    on_arm_mm : ndarray, shape (2,)
        From the shaft's centre, in the frame of the shaft at angle 0, halfway between both sides of the play.
    on_rod_mm : ndarray, shape (2,)
        From the rod's marker, in the frame of that marker.
    covariance_mm2 : ndarray, shape (4, 4)
        Of both points together.
    play_mm : ndarray, shape (2,)
        How far the rod's pin shifts in the frame of the arm from the closing to the opening pass; NaN without
        both passes.
    play_sigma_mm : float
        Standard deviation of either component.
    slide_mm, slide_sigma_mm : ndarray, shape (2,), and float
        The same in the frame of the rod's marker: a rod pushes and pulls along itself, so that is how the pin
        of a worn joint shifts, while that of an arm loose on its shaft shifts in the frame of the arm.
    rms_mm : float
        Distance of the two points from each other over the stroke.
    """

    on_arm_mm: Floats
    on_rod_mm: Floats
    covariance_mm2: Floats
    play_mm: Floats
    play_sigma_mm: float
    slide_mm: Floats
    slide_sigma_mm: float
    rms_mm: float


def find_pin(
    shafts: ShaftMotion,
    shaft: int,
    rod: RodMotion,
    direction: NDArray[np.int_],
    settings: RodSettings | None = None,
) -> Pin | None:
    """Find the point at rest in both an arm and a rod.

    Parameters
    ----------
    shafts : ShaftMotion
        Shafts found before.
    shaft : int
        Index of the shaft whose arm it is.
    rod : RodMotion
        The rod.
    direction : ndarray of int, shape (F,)
        +1 where the joint is loaded as in the opening pass, -1 as in the closing pass, 0 where that is not
        sure (such frames are left out).
    settings : RodSettings, optional
        Limits.

    Returns
    -------
    Pin or None
        None where arm and rod do not turn enough against each other to tell.
    """
    settings = settings or RodSettings()
    theta, phi = shafts.angle_rad[:, shaft], rod.angle_rad
    good = np.isfinite(theta) & np.isfinite(phi) & (direction != 0)
    if good.sum() < settings.least_frames or np.ptp((theta - phi)[good]) < settings.least_turn_rad:
        return None
    theta, phi, side = theta[good], phi[good], direction[good].astype(float)
    shift = rod.position_mm[good] - centre_in_plane(shafts, shaft, rod.plane, rod.height_mm)
    ct, st, cp, sp = np.cos(theta), np.sin(theta), np.cos(phi), np.sin(phi)
    both = (side > 0).sum() >= 5 and (side < 0).sum() >= 5
    turning = theta if np.ptp(theta) >= np.ptp(phi) else phi
    places = _Places.of(turning, side, settings.place_rad)
    point = np.stack([np.stack([ct, -st, -cp, sp], axis=1), np.stack([st, ct, -sp, -cp], axis=1)])
    h = (0.5 * side if both else 0.0 * side)[:, None]
    on_arm = np.stack([h * np.stack([ct, -st], axis=1), h * np.stack([st, ct], axis=1)])
    on_rod = np.stack([h * np.stack([cp, -sp], axis=1), h * np.stack([sp, cp], axis=1)])
    solution, off = _at_rest(places, np.concatenate([point, on_arm], axis=2), shift.T)
    slide, slid_off = _at_rest(places, np.concatenate([point, on_rod], axis=2), shift.T)
    nothing = np.full(2, np.nan)
    every = np.concatenate([point, on_arm], axis=2) @ solution - shift.T
    return Pin(
        on_arm_mm=solution[:2],
        on_rod_mm=solution[2:4],
        covariance_mm2=places.covariance(point, off),
        play_mm=solution[4:] if both else nothing,
        play_sigma_mm=places.play_sigma(off) if both else np.nan,
        slide_mm=slide[4:] if both else nothing,
        slide_sigma_mm=places.play_sigma(slid_off) if both else np.nan,
        rms_mm=float(np.sqrt((every**2).sum(axis=0).mean())),
    )


def _at_rest(places: _Places, rows: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Least squares over places, of rows (2, F, C) and their right sides (2, F); and what is left, (2, P)."""
    mean, target = (np.stack([places.mean(v) for v in values]) for values in (rows, right))
    flat = mean.reshape(-1, mean.shape[-1])
    solution, _, _, _ = np.linalg.lstsq(flat, target.reshape(-1), rcond=None)
    return np.asarray(solution, np.float64), target - mean @ solution


@dataclass(frozen=True, slots=True)
class _Places:
    """Frames put together by where arm and rod stand and which side of the joint is loaded.

    Errors of edges, lens and light that return with the place are one sample of them, however many strokes
    and frames show it. So each place counts once.

    Attributes
    ----------
    index : ndarray of int, shape (F,)
        Place of each frame.
    cell, side : ndarray, shape (P,)
        Number of the small turn, and side, of each place; rising, one side after the other.
    """

    index: NDArray[np.intp]
    cell: NDArray[np.intp]
    side: Floats

    @classmethod
    def of(cls, turning_rad: Floats, side: Floats, width_rad: float) -> _Places:
        """Put frames together whose arm or rod stands within so much."""
        cell = np.floor((turning_rad - turning_rad.min()) / width_rad).astype(np.intp)
        number = cell + (side > 0) * (cell.max() + 1)
        _, first, index = np.unique(number, return_index=True, return_inverse=True)
        return cls(index, cell[first], side[first])

    def mean(self, values: Floats) -> Floats:
        """Means over the frames of each place, shape (P, ...)."""
        total = np.zeros((len(self.cell), *values.shape[1:]))
        np.add.at(total, self.index, values)
        number = np.bincount(self.index).reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(total / number, np.float64)

    def covariance(self, rows: Floats, off: Floats) -> Floats:
        """Covariance of what rows (2, F, C) were fitted for, from what was left, (2, P).

        Where both sides of the joint show a place, only the error of their mean moves the pin.
        """
        mean = np.stack([self.mean(v) for v in rows])
        cell, first, second = self._both()
        if len(cell) >= _LEAST_PLACES:
            off, mean = 0.5 * (off[:, first] + off[:, second]), 0.5 * (mean[:, first] + mean[:, second])
            repeats = _repeats(off, cell)
        else:
            # one side after the other, too far apart for neighbours
            repeats = _repeats(off, self.cell + (self.side > 0) * 2 * (self.cell.max() + 1))
        flat = mean.reshape(-1, mean.shape[-1])
        variance = (off**2).sum() / max(off.size - flat.shape[1], 1) * repeats
        return np.asarray(np.linalg.inv(flat.T @ flat) * variance, np.float64)

    def play_sigma(self, off: Floats) -> float:
        """Standard deviation of the play: of an error only that counts which differs between both sides."""
        cell, first, second = self._both()
        if len(cell) < _LEAST_PLACES:
            # hardly a place shows both sides: each side's own error counts in full
            each = [np.flatnonzero(self.side == way) for way in (-1, 1)]
            variances = [(off[:, k] ** 2).mean() * _repeats(off[:, k], self.cell[k]) / len(k) for k in each]
            return float(np.sqrt(sum(variances)))
        apart = off[:, second] - off[:, first]
        variance = (apart**2).sum() / max(apart.size - 2, 1) * _repeats(apart, cell)
        return float(np.sqrt(variance / len(cell)))

    def _both(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
        """Cells that both sides show, and the places of one side and the other there."""
        ways = [np.flatnonzero(self.side == way) for way in (-1, 1)]
        cells = self.cell[ways[0]], self.cell[ways[1]]
        cell, first, second = np.intersect1d(cells[0], cells[1], return_indices=True)
        return cell, ways[0][first], ways[1][second]


def _repeats(off: Floats, cell: NDArray[np.intp]) -> float:
    """How many places, numbered by ``cell``, carry the same error (2, P): a mean varies more by this factor.

    The sum of the correlations with places farther and farther away, as far as they stay positive.
    """
    line = np.full((2, int(cell.max() - cell.min()) + 1), np.nan)
    line[:, cell - cell.min()] = off
    size = np.nanmean(line**2) if off.size else 0.0
    factor = 1.0
    for lag in range(1, line.shape[1] // 2 + 1 if size > 0 else 0):
        pairs = line[:, lag:] * line[:, :-lag]
        if not np.isfinite(pairs).any() or np.nanmean(pairs) <= 0:
            break
        factor += 2.0 * float(np.nanmean(pairs) / size)
    return factor
