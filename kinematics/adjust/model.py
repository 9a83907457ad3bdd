"""What many settings of one linkage do at once: curves, angles to the in-line position, residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from strokecurve.kinematics.adjust.setting import (
    ADJUST_DEFAULTS,
    Adjustable,
    AdjustLimits,
    AdjustSettings,
    LinkageSetting,
    Range,
)
from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.intended.table import Intended
from strokecurve.kinematics.linkage.algebra import Pose
from strokecurve.kinematics.linkage.positions import driven_angle

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_DEG = math.pi / 180
_COARSE = 25  # positions of the stroke while searching
_BEYOND = 3  # positions in each over-travel while searching: the angle to the in-line position changes evenly
_FINE_RAD = 0.25 * _DEG
_STEP_RAD = 1.0 * _DEG  # steps of the curve and of the fit that is reported
_PENALTY = (
    30.0  # tolerances for one degree (or mm) beyond a limit: the optimum then oversteps by far below ...
)
MARGIN = 0.01  # ... this margin (degrees or mm) that the search keeps from every limit


@dataclass(frozen=True, slots=True)
class Motion:
    """What settings do, one row a setting (shape (M, N) unless said otherwise).

    Parameters
    ----------
    driven_rad : ndarray
        Driven travel from low fire as found, positive toward open; NaN where the linkage cannot close.
    drive_sine, driven_sine : ndarray
        Sine of the angle between rod and either arm line; negative on the other branch, or where the driven
        shaft turns back.
    ratio : ndarray
        Driven turned for one turned by the driver, positive toward open.
    rod_mm : ndarray, shape (M,)
    """

    driven_rad: Array
    drive_sine: Array
    driven_sine: Array
    ratio: Array
    rod_mm: Array


@dataclass(frozen=True, slots=True)
class Task:
    """One linkage, what is wanted of it, and what limits it.

    Parameters
    ----------
    found : LinkageSetting
        As found.
    branch, driven_sign : int
        Its branch, and the way its driven shaft opens.
    intended : Intended
    adjustable : Adjustable
    limits : AdjustLimits
    settings : AdjustSettings
    driver_rad, wanted_rad, tolerance_rad : ndarray, shape (N,)
        Driver travel (of the stroke as found), intended travel there and its tolerance, at even steps.
    """

    found: LinkageSetting
    branch: int
    driven_sign: int
    intended: Intended
    adjustable: Adjustable
    limits: AdjustLimits
    settings: AdjustSettings
    driver_rad: Array
    wanted_rad: Array
    tolerance_rad: Array

    @classmethod
    def of(
        cls,
        found: LinkageSetting,
        intended: Intended,
        adjustable: Adjustable | None = None,
        limits: AdjustLimits | None = None,
        settings: AdjustSettings = ADJUST_DEFAULTS,
    ) -> Task:
        """Put together, with the positions at which the fit is judged.

        Raises
        ------
        KinematicsError
            If the intended travel has no two positions inside the stroke, or the linkage does not close.
        """
        at = even_positions(found, intended)
        wanted, tolerance = wanted_at(intended, at, settings)
        return cls(
            found,
            found.four_bar().branch,
            found.driven_sign(),
            intended,
            adjustable or Adjustable(),
            limits or AdjustLimits(),
            settings,
            at,
            wanted,
            tolerance,
        )

    def as_it_is(self) -> Task:
        """The same with low fire where it was found."""
        return replace(self, limits=replace(self.limits, low_fire_rad=0.0))

    def coarse(self) -> Task:
        """The same with few positions, for searching."""
        at = np.linspace(self.driver_rad[0], self.driver_rad[-1], _COARSE)
        wanted, tolerance = wanted_at(self.intended, at, self.settings)
        return replace(self, driver_rad=at, wanted_rad=wanted, tolerance_rad=tolerance)

    # ---- what settings do --------------------------------------------------------------------------------

    def motion(self, values: Array, share: Array, beyond_rad: Array | float = 0.0) -> Motion:
        """What settings do at shares of their own strokes, plus driver travel beyond.

        Parameters
        ----------
        values : ndarray, shape (M, 5)
            Values of `DECISION_VARIABLES`.
        share, beyond_rad : ndarray, shape (N,)
        """
        start = values[:, 3:4] + self.driven_sign * self.limits.low_fire_rad
        moved = move(
            values[:, 0:1],
            values[:, 1:2],
            self.found.spacing_mm,
            values[:, 2:3],
            start,
            self.found.opening_sign * (values[:, 4:5] * share + beyond_rad),
            self.branch,
            self.driven_sign * self.found.opening_sign,
        )
        travel = np.asarray(self.driven_sign * moved.driven_rad + self.limits.low_fire_rad)
        return replace(moved, driven_rad=travel)

    def share(self) -> Array:
        """The positions of the fit as shares of the stroke, shape (N,)."""
        return self.driver_rad / self.found.stroke_rad

    def off(self, values: Array) -> Array:
        """Driven travel less intended at the positions of the fit (rad), shape (M, N)."""
        return np.asarray(self.motion(values, self.share()).driven_rad - self.wanted_rad)

    # ---- limits ------------------------------------------------------------------------------------------

    def shortfalls(self, values: Array, fine: bool = False) -> dict[str, Array]:
        """How far settings are beyond each limit, degrees or mm; not positive where it is kept.

        Parameters
        ----------
        values : ndarray, shape (M, 5)
        fine : bool
            At close steps, for the last check.

        Returns
        -------
        dict of str to ndarray, shape (M, number of positions)
            By the limit's name; infinite where the linkage cannot close.
        """
        share, beyond = self._limit_positions(values, fine)
        return self._short(self.motion(values, share, beyond), int(np.sum(beyond == 0)))

    def _limit_positions(self, values: Array, fine: bool) -> tuple[Array, Array]:
        """Shares of the stroke, then both over-travels; driver travel beyond."""
        steps, each = _COARSE, _BEYOND
        if fine:
            steps = math.ceil(float(np.max(values[:, 4], initial=_FINE_RAD)) / _FINE_RAD) + 1
            each *= 8
        if self.limits.over_travel_rad == 0:
            each = 0
        out = np.linspace(0, self.limits.over_travel_rad, each + 1)[1:]
        share = np.concatenate([np.linspace(0, 1, steps), np.zeros(each), np.ones(each)])
        return share, np.concatenate([np.zeros(steps), -out, out])

    def _short(self, moved: Motion, steps: int) -> dict[str, Array]:
        """How far motion at these positions, the first so many within the stroke, is beyond each limit."""
        limits, inside = self.limits, slice(0, steps)
        line = np.degrees(np.arcsin(np.clip(np.minimum(moved.drive_sine, moved.driven_sine), -1, 1)))
        short = {
            "toggle": math.degrees(limits.min_toggle_rad) - line[:, inside],
            "over_travel": math.degrees(limits.beyond_toggle_rad) - line[:, steps:],
            # a ratio is turned into degrees only so that all penalties are of one size
            "stall": 10 * (limits.stall_ratio - moved.ratio[:, inside]),
            "driven_stops": np.degrees(
                np.maximum(
                    limits.driven_low_rad - moved.driven_rad[:, inside],
                    moved.driven_rad[:, inside] - limits.driven_high_rad,
                )
            ),
            "rod_mm": _outside(self.adjustable.rod_mm, moved.rod_mm)[:, None],
        }
        return {name: np.where(np.isnan(by), np.inf, by) for name, by in short.items()}

    def broken(self, values: Array) -> tuple[str, ...]:
        """Names of the limits that one setting breaks, shape (5,), judged at close steps."""
        short = self.shortfalls(values[None, :], fine=True)
        return tuple(name for name, by in short.items() if float(by.max(initial=-np.inf)) > 1e-9)

    def feasible(self, values: Array) -> Mask:
        """Which settings keep every limit, shape (M,), judged at close steps."""
        kept = np.ones(len(values), dtype=bool)
        for by in self.shortfalls(values, fine=True).values():
            kept &= by.max(axis=1, initial=-np.inf) <= 0
        return kept

    # ---- least squares -----------------------------------------------------------------------------------

    def misfit_and_short(self, values: Array) -> tuple[Array, Array]:
        """Misfit in tolerances, shape (M, N), and all shortfalls, shape (M, L), in one go."""
        share, beyond = self._limit_positions(values, fine=False)
        own = self.share()
        moved = self.motion(
            values, np.concatenate([own, share]), np.concatenate([np.zeros(own.size), beyond])
        )
        misfit = (moved.driven_rad[:, : own.size] - self.wanted_rad) / self.tolerance_rad
        rest = Motion(
            moved.driven_rad[:, own.size :],
            moved.drive_sine[:, own.size :],
            moved.driven_sine[:, own.size :],
            moved.ratio[:, own.size :],
            moved.rod_mm,
        )
        short = self._short(rest, int(np.sum(beyond == 0)))
        return misfit, np.concatenate(list(short.values()), axis=1)

    def residuals(self, values: Array, margin: float = 1.0) -> Array:
        """Misfit in tolerances and penalties for limits, shape (M, R).

        Parameters
        ----------
        values : ndarray, shape (M, 5)
        margin : float
            Times the usual margin kept from the limits.
        """
        misfit, short = self.misfit_and_short(values)
        over = np.maximum(short + margin * MARGIN, 0.0)
        return np.concatenate([misfit / math.sqrt(misfit.shape[1]), _PENALTY * over], axis=1)


def even_positions(found: LinkageSetting, intended: Intended) -> Array:
    """Driver travels at even steps where the intended travel is given and the stroke reaches.

    Parameters
    ----------
    found : LinkageSetting
    intended : Intended

    Returns
    -------
    ndarray, shape (N,)
        From low fire (rad), rising; the ends count too where they lie between steps.

    Raises
    ------
    KinematicsError
        If there are no two.
    """
    low = max(0.0, float(intended.driver_rad[0]))
    high = min(found.stroke_rad, float(intended.driver_rad[-1]))
    if high - low < _STEP_RAD:
        raise KinematicsError(
            f"The intended travel has nothing inside this stroke: it runs from "
            f"{math.degrees(intended.driver_rad[0]):.1f} to {math.degrees(intended.driver_rad[-1]):.1f} "
            f"degrees, the stroke from 0 to {math.degrees(found.stroke_rad):.1f}.",
            "Give intended travel of this linkage, in degrees of its driver from low fire.",
        )
    first, last = math.ceil(low / _STEP_RAD - 1e-9), math.floor(high / _STEP_RAD + 1e-9)
    return np.unique(np.concatenate([[low], np.arange(first, last + 1) * _STEP_RAD, [high]]).clip(low, high))


def wanted_at(intended: Intended, at: Array, settings: AdjustSettings) -> tuple[Array, Array]:
    """Intended travel and tolerance; the usual tolerance where none is given.

    Through four rows or more that are not far apart goes a smooth curve without overshoot (monotone cubic),
    as no linkage makes corners; else straight lines, as for equal travel.

    Parameters
    ----------
    intended : Intended
    at : ndarray, shape (N,)
        Driver travel from low fire (rad).
    settings : AdjustSettings

    Returns
    -------
    wanted_rad, tolerance_rad : ndarray, shape (N,)
        NaN where no travel is intended.
    """
    tolerance = intended.tolerance_at(at)
    tolerance = np.where(np.isnan(tolerance), settings.tolerance_rad, tolerance)
    driver, wanted = intended.driver_rad, intended.driven_at(at)
    if driver.size >= settings.smooth_rows and np.diff(driver).max() <= settings.smooth_gap_rad:
        smooth = PchipInterpolator(driver, intended.driven_rad)(np.clip(at, driver[0], driver[-1]))
        wanted = np.where(np.isnan(wanted), np.nan, smooth)
    return wanted, np.maximum(tolerance, settings.least_tolerance_rad)


def move(
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_start_rad: ArrayLike,
    driven_start_rad: ArrayLike,
    travel_rad: ArrayLike,
    branch: int,
    way: int,
) -> Motion:
    """Many linkages, each with the rod that closes it at its start.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        Linkages, shape (M, 1) (mm, rad).
    travel_rad : array_like, shape (N,) or (M, N)
        Drive arm turned since the start, counter-clockwise positive.
    branch : int
        The branch wanted.
    way : int
        +1 if driver and driven shaft are to turn the same way, else -1.

    Returns
    -------
    Motion
        `driven_rad` here is the driven arm turned since the start, counter-clockwise positive.

    Examples
    --------
    >>> one = [[60.0]]
    >>> move(one, one, 200.0, [[1.0]], [[1.0]], [0.0, 0.5], -1, 1).driven_rad.round(9).tolist()
    [[0.0, 0.5]]
    """
    a, c, d, th, ph, travel = (
        np.asarray(v, float)
        for v in (
            drive_radius_mm,
            driven_radius_mm,
            spacing_mm,
            drive_start_rad,
            driven_start_rad,
            travel_rad,
        )
    )
    start = Pose.in_plane(a, c, d, th, ph)
    rod, own = start.rod_mm, start.branch()
    drive = th + travel
    driven = driven_angle(drive, a, rod, c, d, own)
    pose = Pose.in_plane(a, c, d, drive, driven)
    return Motion(
        driven - driven_angle(th, a, rod, c, d, own),
        way * branch * pose.drive_sine(),
        branch * pose.driven_sine(),
        way * pose.velocity_ratio(),
        rod[:, 0],
    )


def _outside(allowed: Range | None, values: Array) -> Array:
    """How far values lie outside a range; negative inside."""
    if allowed is None:
        return np.full(values.shape, -np.inf)
    return np.maximum(allowed.low - values, values - allowed.high)
