"""Travel curves: what the driven shaft does at each position of its driver, for both passes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.deadband import slow_errors
from kinematics.errors import FitError, StrokeError
from kinematics.intended.table import Intended
from kinematics.motion import LinkageMotion
from kinematics.noise import drift_variance
from kinematics.settings import DEFAULTS, Settings
from kinematics.stroke import Stroke

Array = NDArray[np.float64]

_DEG = np.pi / 180
_NARROW_RAD = 0.6 * _DEG  # half window just after a reversal, where lost motion bends the curve sharply
_WIDE_RAD = 1.25 * _DEG  # half window elsewhere: a curve of usual bend is off by less than 0.01 degrees
_LIMIT_RAD = 2.5 * _DEG  # half window at most, where frames are sparse or noisy
_TAKE_UP_RAD = 6 * _DEG  # driver travel after a reversal that keeps the narrow window
_NOISY = 8.0  # half window at least this many standard deviations of a frame
_CORNER = 4.0  # reduced chi-square of a local line above which the curve is not straight there
_BEYOND_RAD = 0.3 * _DEG  # a position this little outside the frames is still reached


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

    def __post_init__(self) -> None:
        for name in ("opening_rad", "closing_rad", "opening_sd_rad", "closing_sd_rad"):
            if getattr(self, name).shape != self.driver_rad.shape:
                raise ValueError(
                    f"{name} must have shape {self.driver_rad.shape}, got {getattr(self, name).shape}"
                )


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


@dataclass(frozen=True, slots=True)
class Comparison:
    """How far one curve is from another.

    Parameters
    ----------
    rms_rad, max_rad : float
        Root mean square and largest difference (with its sign), over the positions both have.
    at_driver_rad : float
        Driver travel of the largest difference.
    sd_rad : float
        Standard deviation of the difference there; NaN if the other curve has none.
    differences_rad : ndarray, shape (G,)
        First less second at each driver position of the first; NaN where either is missing.
    """

    rms_rad: float
    max_rad: float
    at_driver_rad: float
    sd_rad: float
    differences_rad: Array


@dataclass(frozen=True, slots=True)
class _Points:
    """Frames of one way, and each adjoining hold as one well-known point."""

    driver: Array
    driven: Array
    driver_sigma: Array
    driven_sigma: Array
    path: Array  # driver path since the pass began


def travel_curves(
    stroke: Stroke,
    motion: LinkageMotion,
    step_rad: float = 1 * _DEG,
    settings: Settings = DEFAULTS,
    slow_rad: Array | None = None,
) -> TravelCurves:
    """Driven against driver travel for the opening and the closing pass, at even driver steps.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    step_rad : float
        Driver step.
    settings : Settings
    slow_rad : ndarray, shape (2,), optional
        Size of the slow errors of driver and driven shaft; left out, the film tells (`slow_errors`). Where an
        arm may have slipped, those beside the slip (`Following.slow_rad`).

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

    Examples
    --------
    >>> from kinematics.stroke import find_stroke
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
    slow_driver, slow_driven = slow_errors(stroke, motion, settings) if slow_rad is None else slow_rad
    driver = stroke.travel(motion.driver_rad)
    zero, zero_sd = _zero(stroke, motion, driver)
    sign = _driven_sign(driver, motion.driven_rad - zero)
    driven = sign * (motion.driven_rad - zero)
    steps = math.floor((stroke.travel_rad + _BEYOND_RAD) / step_rad)
    grid = np.asarray(np.arange(steps + 1) * step_rad, dtype=np.float64)
    curves = []
    for passes in (stroke.opening, stroke.closing):
        points = _points(passes, stroke, motion, driver, driven)
        # how far the driver has gone since the low-fire hold, the zero: slow errors drift apart with it
        gone = grid if passes is stroke.opening else 2 * stroke.travel_rad - grid
        drift = np.sqrt(drift_variance(gone, settings))
        curves.append(_local_lines(grid, points, zero_sd, (slow_driver * drift, slow_driven * drift)))
    far = math.sqrt(float(drift_variance(np.array(stroke.travel_rad), settings)))
    travel, travel_sd = _driven_travel(stroke, motion, driven, zero_sd, far * float(slow_driven))
    (opening, opening_sd), (closing, closing_sd) = curves
    return TravelCurves(
        grid,
        opening,
        closing,
        opening_sd,
        closing_sd,
        stroke.travel_rad,
        math.hypot(stroke.travel_noise_rad, far * float(slow_driver)),
        travel,
        travel_sd,
        sign,
    )


def even_step_table(curves: TravelCurves, step_rad: float) -> StepTable:
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
    >>> even_step_table(curves, 2.0).lost_rad.round(9).tolist()
    [0.1, 0.1]
    """
    own = float(curves.driver_rad[1] - curves.driver_rad[0]) if curves.driver_rad.size > 1 else step_rad
    every = round(step_rad / own)
    if every < 1 or abs(every * own - step_rad) > 1e-6 * step_rad:
        raise ValueError(f"step_rad {step_rad:g} must be a whole multiple of the curves' step {own:g}")
    rows = slice(None, None, every)
    opening, closing = curves.opening_rad[rows], curves.closing_rad[rows]
    both_sd = np.hypot(curves.opening_sd_rad[rows], curves.closing_sd_rad[rows])
    return StepTable(
        curves.driver_rad[rows],
        opening,
        closing,
        (opening + closing) / 2,
        both_sd / 2,
        closing - opening,
        both_sd,
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
    return mean, np.where(both, np.hypot(curves.opening_sd_rad, curves.closing_sd_rad) / 2, one_sd)


def compare_curves(first: TravelCurves, second: TravelCurves | Intended) -> Comparison:
    """First less second, both as the mean of their passes, over the driver travel both have.

    Parameters
    ----------
    first : TravelCurves
    second : TravelCurves or Intended

    Returns
    -------
    Comparison

    Raises
    ------
    FitError
        If they have no driver position in common.

    Examples
    --------
    >>> z = np.full(3, 0.001)
    >>> curves = TravelCurves(np.arange(3.0), np.arange(3.0), np.arange(3.0) + 0.2, z, z, 2, 0, 2, 0, 1)
    >>> round(compare_curves(curves, Intended.from_table([0, 2], [0, 2])).max_rad, 9)
    0.1
    """
    value, sd = mean_curve(first)
    if isinstance(second, Intended):
        other, other_sd = second.driven_at(first.driver_rad), np.zeros_like(sd)
    else:
        known_value, known_sd = mean_curve(second)
        other = _between_steps(first.driver_rad, second.driver_rad, known_value)
        other_sd = _between_steps(first.driver_rad, second.driver_rad, known_sd)
    off = value - other
    if not np.isfinite(off).any():
        raise FitError(
            "The two curves have no driver position in common.", "Check the driver angles of both."
        )
    worst = int(np.nanargmax(np.abs(off)))
    return Comparison(
        float(np.sqrt(np.nanmean(off**2))),
        float(off[worst]),
        float(first.driver_rad[worst]),
        float(np.hypot(sd[worst], other_sd[worst])),
        off,
    )


# ---- parts -----------------------------------------------------------------------------------------------


def _between_steps(at: Array, grid: Array, values: Array) -> Array:
    """Linear between steps; NaN outside and next to a gap."""
    return np.asarray(np.interp(at, grid, values, left=np.nan, right=np.nan))


def _zero(stroke: Stroke, motion: LinkageMotion, driver: Array) -> tuple[float, float]:
    """Driven angle at low fire: its first hold, else the measured frame nearest low fire."""
    for hold in stroke.low_holds:
        seen = motion.driven_rad[hold][motion.measured[hold]]
        if seen.size:
            sigma = float(np.mean(motion.driven_sigma_rad[hold][motion.measured[hold]]))
            return float(np.mean(seen)), sigma / math.sqrt(seen.size)
    nearest = int(np.nanargmin(np.where(motion.measured, np.abs(driver), np.nan)))
    return float(motion.driven_rad[nearest]), float(motion.driven_sigma_rad[nearest])


def _driven_sign(driver: Array, driven: Array) -> int:
    known = np.isfinite(driver) & np.isfinite(driven)
    far = known & (driver >= np.max(driver[known]) - 5 * _DEG)
    return 1 if float(np.median(driven[far])) >= 0 else -1


def _driven_travel(
    stroke: Stroke, motion: LinkageMotion, driven: Array, zero_sd: float, drift: float
) -> tuple[float, float]:
    """Driven travel at the high-fire hold, else at the frame of largest driver travel."""
    for hold in stroke.high_holds:
        here = motion.measured[hold]
        if here.any():
            sigma = float(np.mean(motion.driven_sigma_rad[hold][here])) / math.sqrt(int(here.sum()))
            return float(np.mean(driven[hold][here])), math.hypot(sigma, zero_sd, drift)
    top = int(np.nanargmax(np.where(motion.measured, stroke.travel(motion.driver_rad), np.nan)))
    return float(driven[top]), math.hypot(float(motion.driven_sigma_rad[top]), zero_sd, drift)


def _points(
    passes: tuple[slice, ...], stroke: Stroke, motion: LinkageMotion, driver: Array, driven: Array
) -> _Points:
    columns: list[Array] = [np.zeros((5, 0))]
    for part in passes:
        frames = np.flatnonzero(motion.measured[part]) + part.start
        way = 1 if part in stroke.opening else -1
        advance = way * driver[frames]
        behind = np.maximum.accumulate(advance) - advance if frames.size else advance
        frames = frames[behind <= 3 * motion.driver_sigma_rad[frames]]
        if frames.size == 0:
            continue
        path = np.abs(driver[frames] - driver[frames[0]])
        columns.append(
            np.stack(
                [
                    driver[frames],
                    driven[frames],
                    motion.driver_sigma_rad[frames],
                    motion.driven_sigma_rad[frames],
                    path,
                ]
            )
        )
        for hold in (*stroke.low_holds, *stroke.high_holds):
            if hold.stop == part.start or hold.start == part.stop or _adjoins(hold, part, motion.measured):
                columns.append(_hold_point(hold, part, motion, driver, driven, float(path[-1])))
    every = np.concatenate(columns, axis=1)
    return _Points(every[0], every[1], every[2], every[3], every[4])


def _adjoins(hold: slice, part: slice, measured: NDArray[np.bool_]) -> bool:
    """Whether only gaps lie between a hold and a pass."""
    between = slice(hold.stop, part.start) if hold.stop <= part.start else slice(part.stop, hold.start)
    return not measured[between].any()


def _hold_point(
    hold: slice, part: slice, motion: LinkageMotion, driver: Array, driven: Array, length: float
) -> Array:
    here = motion.measured[hold]
    if not here.any():
        return np.zeros((5, 0))
    root = math.sqrt(int(here.sum()))
    point = [
        float(np.mean(driver[hold][here])),
        float(np.mean(driven[hold][here])),
        float(np.mean(motion.driver_sigma_rad[hold][here])) / root,
        float(np.mean(motion.driven_sigma_rad[hold][here])) / root,
        0.0 if hold.start < part.start else length,
    ]
    return np.array(point)[:, None]


def _local_lines(
    grid: Array, points: _Points, zero_sd: float, drift: tuple[Array, Array]
) -> tuple[Array, Array]:
    value, sd = np.full(grid.shape, np.nan), np.full(grid.shape, np.nan)
    if points.driver.size < 3:
        return value, sd
    for k, at in enumerate(grid):
        estimate = _local_line(float(at), points)
        if estimate is None:
            continue
        value[k], noise, slope = estimate
        sd[k] = math.hypot(noise, zero_sd, drift[1][k], slope * drift[0][k])
    return value, sd


def _local_line(at: float, points: _Points) -> tuple[float, float, float] | None:
    """Value, its standard deviation from frame noise, and slope, or None if there are no frames around."""
    distance = np.abs(points.driver - at)
    nearest = int(np.argmin(distance))
    half = _NARROW_RAD if points.path[nearest] < _TAKE_UP_RAD else _WIDE_RAD
    half = min(max(half, _NOISY * float(points.driver_sigma[nearest])), _LIMIT_RAD)
    while (np.count_nonzero(distance <= half) < 3) and half < _LIMIT_RAD:
        half = min(1.4 * half, _LIMIT_RAD)
    near = distance <= half
    if np.count_nonzero(near) < 2:
        return None
    x, y = points.driver[near] - at, points.driven[near]
    if x.min() > _BEYOND_RAD or x.max() < -_BEYOND_RAD:
        return None
    spread = float(np.ptp(x))
    slope = float(np.polyfit(x, y, 1)[0]) if spread > 1e-6 else 0.0
    weight = 1 / (points.driven_sigma[near] ** 2 + (slope * points.driver_sigma[near]) ** 2)
    total, mean_x = float(weight.sum()), float(np.average(x, weights=weight))
    moment = float(weight @ (x - mean_x) ** 2)
    if moment > 0:
        slope = float(weight @ ((x - mean_x) * y)) / moment
    level = float(np.average(y, weights=weight)) - slope * mean_x
    variance = 1 / total + (mean_x**2 / moment if moment > 0 else 0.0)
    left_over = float(weight @ (y - level - slope * x) ** 2) / max(y.size - 2, 1)
    # a corner within the window, as where lost motion has just been taken up: a line does not do it justice
    return level, math.sqrt(variance * (left_over if left_over > _CORNER else 1.0)), slope
