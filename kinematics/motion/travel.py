"""Travel curves: what the driven shaft does at each position of its driver, for both passes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.deadband import slow_errors
from strokecurve.kinematics.motion.local_lines import BEYOND_RAD, LocalLines, local_lines, points_of
from strokecurve.kinematics.motion.noise import SlowErrors
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180


@dataclass(frozen=True, slots=True)
class TravelCurves:
    """Driven travel at even driver steps; NaN where the film has no data.

    Parameters
    ----------
    driver_rad : ndarray, shape (G,)
        Driver travel from low fire, even steps from 0.
    opening_rad, closing_rad : ndarray, shape (G,)
        Driven travel from the low-fire hold, positive in the driven shaft's own opening direction.
    opening_sd_rad, closing_sd_rad : ndarray, shape (G,)
        Their standard deviations.
    driver_travel_rad, driven_travel_rad : float
        Full travel of both shafts as filmed.
    driver_travel_sd_rad, driven_travel_sd_rad : float
    driven_sign : int
        Way in which the driven shaft opens, +1 counter-clockwise.
    shared_sd_rad : ndarray, shape (G,), optional
        Standard deviation of what both passes have wrong alike at each driver step: it does not cancel in
        their mean, but does in their difference. None where nothing is known of that.
    """

    driver_rad: Array
    opening_rad: Array
    closing_rad: Array
    opening_sd_rad: Array
    closing_sd_rad: Array
    driver_travel_rad: float
    driver_travel_sd_rad: float
    driven_travel_rad: float
    driven_travel_sd_rad: float
    driven_sign: int
    shared_sd_rad: Array | None = None

    def __post_init__(self) -> None:
        for name in ("opening_rad", "closing_rad", "opening_sd_rad", "closing_sd_rad", "shared_sd_rad"):
            values = getattr(self, name)
            if values is not None and values.shape != self.driver_rad.shape:
                raise ValueError(f"{name} must have shape {self.driver_rad.shape}, got {values.shape}")

    @property
    def mean_sd_rad(self) -> Array:
        """Standard deviation of the mean of both passes, shape (G,)."""
        return np.asarray(np.sqrt(self._own_variance() + 2 * self._shared_variance()) / 2)

    @property
    def difference_sd_rad(self) -> Array:
        """Standard deviation of closing less opening at the same driver travel, shape (G,)."""
        return np.asarray(np.sqrt(np.maximum(self._own_variance() - 2 * self._shared_variance(), 0.0)))

    def _own_variance(self) -> Array:
        return np.asarray(self.opening_sd_rad**2 + self.closing_sd_rad**2)

    def _shared_variance(self) -> Array:
        return np.zeros_like(self.driver_rad) if self.shared_sd_rad is None else self.shared_sd_rad**2


@dataclass(frozen=True, slots=True)
class StepTable:
    """The travel curves at even steps, one row a step (shape (S,) each); NaN where there are no data.

    Parameters
    ----------
    driver_rad, opening_rad, closing_rad : ndarray
        Driver travel and driven travel of each pass.
    mean_rad, mean_sd_rad : ndarray
        Mean of both passes and its standard deviation.
    lost_rad, lost_sd_rad : ndarray
        Closing less opening at the same driver travel, and its standard deviation.
    """

    driver_rad: Array
    opening_rad: Array
    closing_rad: Array
    mean_rad: Array
    mean_sd_rad: Array
    lost_rad: Array
    lost_sd_rad: Array


def travel_curves(
    stroke: Stroke,
    motion: LinkageMotion,
    step_rad: float = 1 * _DEG,
    settings: Settings = DEFAULTS,
    slow: SlowErrors | None = None,
) -> TravelCurves:
    """Driven against driver travel for the opening and the closing pass, at even driver steps.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    step_rad : float
        Driver step.
    settings : Settings
    slow : SlowErrors, optional
        Slow errors of driver and driven shaft; left out, the film tells (`slow_errors`). Where an arm may
        have slipped, those beside the slip (`Following.slow`).

    Returns
    -------
    TravelCurves
        Several cycles are put together into one curve each way.

    Raises
    ------
    StrokeError
        If driver and driven shaft were never measured together.

    Notes
    -----
    At each step a weighted straight line through the frames nearby. The window is narrow just after a
    reversal, where the driven shaft stands until lost motion is taken up. A hold counts as one point of both
    passes it joins. Frames in which the driver fell back behind where it had been in this pass are left out.
    Standard deviations hold frame noise, what slow errors have changed by since the zero, and errors that all
    frames share; of many passes only what does not return in each of them averages out.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> motion = LinkageMotion.of(driver, -driver / 2, 0.0005, 0.0005)
    >>> curves = travel_curves(find_stroke(time_s, driver, 0.0005), motion, np.radians(30))
    >>> curves.driven_sign, (np.degrees(curves.opening_rad).round(3) + 0.0).tolist()
    (-1, [0.0, 15.0, 30.0, 45.0])
    """
    if not motion.measured.any():
        raise StrokeError(
            "Driver and driven shaft were never measured together.", "Keep both markers in view."
        )
    slow = slow_errors(stroke, motion, settings) if slow is None else slow
    driver = stroke.travel(motion.driver_rad)
    at_zero = _at_low_fire(stroke, motion, driver)
    zero, zero_sd = _level(motion.driven_rad, motion.driven_sigma_rad, at_zero)
    sign = _driven_sign(driver, motion.driven_rad - zero)
    driven = sign * (motion.driven_rad - zero)
    common = (
        stroke.opening_sign * _from_zero(motion.driver_common_rad, at_zero),
        sign * _from_zero(motion.driven_common_rad, at_zero),
    )
    steps = math.floor((stroke.travel_rad + BEYOND_RAD) / step_rad)
    grid = np.asarray(np.arange(steps + 1) * step_rad, dtype=np.float64)
    opening, closing = (
        local_lines(grid, points_of(passes, stroke, motion, driver, driven, common))
        for passes in (stroke.opening, stroke.closing)
    )
    # how far the driver has gone since the low-fire hold, the zero: slow errors drift apart with it
    back = 2 * stroke.travel_rad - grid
    opening_sd, closing_sd = (
        _deviation(lines, (gone, grid), zero_sd, slow, settings)
        for lines, gone in ((opening, grid), (closing, back))
    )
    at_top = _at_high_fire(stroke, motion, driver)
    top, top_sd = _level(driven, motion.driven_sigma_rad, at_top)
    far = np.array(stroke.travel_rad)
    drift_driver, drift_driven = slow.size_rad * slow.drift(far, far, 1, settings)
    common_driver, common_driven = (np.linalg.norm(c[at_top].mean(axis=0)) for c in common)
    return TravelCurves(
        grid,
        opening.value,
        closing.value,
        opening_sd,
        closing_sd,
        stroke.travel_rad,
        math.hypot(stroke.travel_noise_rad, drift_driver, common_driver),
        top,
        math.hypot(top_sd, zero_sd, drift_driven, common_driven),
        sign,
        _shared_deviation(opening, closing, grid, zero_sd, slow, settings),
    )


def curves_at_steps(curves: TravelCurves, step_rad: float) -> StepTable:
    """Rows of the travel curves at a coarser even step.

    Parameters
    ----------
    curves : TravelCurves
    step_rad : float
        A whole multiple of the curves' own step.

    Returns
    -------
    StepTable

    Raises
    ------
    ValueError
        If the step is no whole multiple.

    Examples
    --------
    >>> z = np.full(3, 0.001)
    >>> curves = TravelCurves(np.arange(3.0), np.arange(3.0), np.arange(3.0) + 0.1, z, z, 2, 0, 2, 0, 1)
    >>> curves_at_steps(curves, 2.0).lost_rad.round(9).tolist()
    [0.1, 0.1]
    """
    own = float(curves.driver_rad[1] - curves.driver_rad[0]) if curves.driver_rad.size > 1 else step_rad
    every = round(step_rad / own)
    if every < 1 or abs(every * own - step_rad) > 1e-6 * step_rad:
        raise ValueError(f"step_rad {step_rad:g} must be a whole multiple of the curves' step {own:g}")
    rows = slice(None, None, every)
    opening, closing = curves.opening_rad[rows], curves.closing_rad[rows]
    return StepTable(
        curves.driver_rad[rows],
        opening,
        closing,
        (opening + closing) / 2,
        curves.mean_sd_rad[rows],
        closing - opening,
        curves.difference_sd_rad[rows],
    )


def mean_curve(curves: TravelCurves) -> tuple[Array, Array]:
    """Mean of both passes and its standard deviation; where one pass is missing, the other.

    Parameters
    ----------
    curves : TravelCurves

    Returns
    -------
    mean_rad, sd_rad : ndarray, shape (G,)

    Examples
    --------
    >>> u, z = np.arange(2.0), np.full(2, 0.002)
    >>> curves = TravelCurves(u, u, np.array([0.5, np.nan]), z, z, 1, 0, 1, 0, 1)
    >>> mean_curve(curves)[0].tolist()
    [0.25, 1.0]
    """
    both = np.isfinite(curves.opening_rad) & np.isfinite(curves.closing_rad)
    one = np.where(np.isfinite(curves.opening_rad), curves.opening_rad, curves.closing_rad)
    one_sd = np.where(np.isfinite(curves.opening_rad), curves.opening_sd_rad, curves.closing_sd_rad)
    mean = np.where(both, (curves.opening_rad + curves.closing_rad) / 2, one)
    return mean, np.where(both, curves.mean_sd_rad, one_sd)


# ---- parts -----------------------------------------------------------------------------------------------


def _between_steps(at: Array, grid: Array, values: Array) -> Array:
    """Linear between steps; NaN outside and next to a gap."""
    return np.asarray(np.interp(at, grid, values, left=np.nan, right=np.nan))


def _at_low_fire(stroke: Stroke, motion: LinkageMotion, driver: Array) -> NDArray[np.int64]:
    """Frames at low fire: those of its first hold, else the measured frame nearest low fire."""
    for hold in stroke.low_holds:
        seen = np.flatnonzero(motion.measured[hold])
        if seen.size:
            return np.asarray(seen + hold.start)
    return np.array([np.nanargmin(np.where(motion.measured, np.abs(driver), np.nan))])


def _at_high_fire(stroke: Stroke, motion: LinkageMotion, driver: Array) -> NDArray[np.int64]:
    """Frames at high fire: those of its first hold, else that of the largest driver travel."""
    for hold in stroke.high_holds:
        seen = np.flatnonzero(motion.measured[hold])
        if seen.size:
            return np.asarray(seen + hold.start)
    return np.array([np.nanargmax(np.where(motion.measured, driver, np.nan))])


def _level(angle: Array, sigma: Array, frames: NDArray[np.int64]) -> tuple[float, float]:
    """Mean over some frames and its standard deviation from their noise."""
    return float(np.mean(angle[frames])), float(np.mean(sigma[frames])) / math.sqrt(frames.size)


def _from_zero(common: Array, at_zero: NDArray[np.int64]) -> Array:
    return np.asarray(common - common[at_zero].mean(axis=0))


def _driven_sign(driver: Array, driven: Array) -> int:
    known = np.isfinite(driver) & np.isfinite(driven)
    far = known & (driver >= np.max(driver[known]) - 5 * _DEG)
    return 1 if float(np.median(driven[far])) >= 0 else -1


def _deviation(
    lines: LocalLines, way: tuple[Array, Array], zero_sd: float, slow: SlowErrors, settings: Settings
) -> Array:
    """Standard deviation of each value; `way` is the driver's path and its angle since the zero."""
    driver, driven = (size * slow.drift(*way, lines.passes, settings) for size in slow.size_rad)
    noise = lines.noise**2 * (1 + slow.noise_returning * (lines.passes - 1))
    slowly = driven**2 + (lines.slope * driver) ** 2
    return np.asarray(np.sqrt(noise + zero_sd**2 + slowly + np.sum(lines.common**2, axis=1)))


def _shared_deviation(
    opening: LocalLines,
    closing: LocalLines,
    grid: Array,
    zero_sd: float,
    slow: SlowErrors,
    settings: Settings,
) -> Array:
    """Standard deviation of what both passes have wrong alike."""
    # of the pass that was filmed more often the zero's share is the larger one
    passes = np.maximum(opening.passes, closing.passes)
    unit = slow.shared_drift(grid, passes, settings) ** 2
    driver, driven = slow.size_rad**2
    slowly = unit * (driven + driver * opening.slope * closing.slope)
    alike = zero_sd**2 + slowly + np.sum(opening.common * closing.common, axis=1)
    return np.asarray(np.sqrt(np.maximum(alike, 0.0)))
