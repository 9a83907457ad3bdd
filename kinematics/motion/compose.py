"""Travel curves put together at a shaft that two films share: driver to shaft, and shaft to the next."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.motion.travel import TravelCurves, mean_curve

Array = NDArray[np.float64]

_DEG = np.pi / 180
_BEYOND_RAD = 0.3 * _DEG  # ends of the shared shaft's travel this near to one another count as the same
_SLOPE_RAD = 1 * _DEG  # half width for slopes: as far as the frames are averaged that make a step of a curve
_LEAST_SLOPE = 0.05  # a driven shaft that turns less has no place where its lost motion is surely taken up
_SURE = 3.0  # standard deviations within which two ends may be the same


def shared_difference(first: TravelCurves, second: TravelCurves) -> Estimate:
    """Travel of the shared shaft in the second film less that in the first.

    Parameters
    ----------
    first, second : TravelCurves
        The shared shaft is driven in the first and driver in the second.

    Returns
    -------
    Estimate

    Examples
    --------
    >>> u, z = np.arange(3.0), np.zeros(3)
    >>> first = TravelCurves(u, u, u, z, z, 2, 0, 2, 0, 1)
    >>> second = TravelCurves(u, u, u, z, z, 2.5, 0, 2.5, 0, 1)
    >>> shared_difference(first, second).value
    0.5
    """
    sd = math.hypot(first.driven_travel_sd_rad, second.driver_travel_sd_rad)
    return Estimate(second.driver_travel_rad - first.driven_travel_rad, sd)


def compose(
    first: TravelCurves,
    second: TravelCurves,
    second_lost_rad: float = 0.0,
) -> TravelCurves:
    """Travel from the first curve's driver to the second one's driven shaft, pass by pass.

    Parameters
    ----------
    first : TravelCurves
        Driver to shared shaft.
    second : TravelCurves
        Shared shaft to driven shaft, at steps that are fine against its bends; straight between them.
    second_lost_rad : float
        Lost motion of the second at its driven shaft; NaN or 0 if not known.

    Returns
    -------
    TravelCurves
        At the driver steps of `first`; NaN where the shared shaft's travel is not covered by `second`.
        `driven_sign` is that of the second film's camera.

    Raises
    ------
    StrokeError
        If the two have no position in common.

    Notes
    -----
    Both count the shared shaft's travel from low fire in its opening direction, so the camera's side does
    not matter. Where the strokes of the shared shaft differ in length, the shorter pass back begins earlier:
    there the driven shaft first stands where the opening pass left it, until the closing curve is reached.
    Where the second film's stroke is the shorter one, its closing curve is of no use within its own take-up.
    Which end was not reached does not show; the standard deviation takes any share of the difference beyond
    its own as equally likely at low fire.

    Examples
    --------
    >>> u, z = np.arange(3.0), np.full(3, 0.01)
    >>> double = TravelCurves(np.arange(5.0), np.arange(5.0) * 2, np.arange(5.0) * 2,
    ...     *[np.full(5, 0.01)] * 2, 4, 0.01, 8, 0.01, -1)
    >>> whole = compose(TravelCurves(u, 2 * u, 2 * u, z, z, 2, 0.01, 4, 0.01, 1), double)
    >>> whole.opening_rad.tolist(), whole.driven_sign, round(float(whole.opening_sd_rad[1]), 4)
    ([0.0, 4.0, 8.0], -1, 0.0224)
    """
    off = shared_difference(first, second)
    same = max(_BEYOND_RAD, _SURE * off.sd)
    # of a difference beyond its own noise any share may lie at low fire: mean square of an even spread
    shift = math.sqrt(max(off.value**2 - off.sd**2, 0.0) / 3)
    reach = (same, second.driver_travel_rad + same, shift)
    opening, opening_sd, up = _carried(
        first.opening_rad, first.opening_sd_rad, second, second.opening_rad, second.opening_sd_rad, reach
    )
    closing, closing_sd, down = _carried(
        first.closing_rad, first.closing_sd_rad, second, second.closing_rad, second.closing_sd_rad, reach
    )
    turned = np.array([first.driven_travel_rad]), np.array([first.driven_travel_sd_rad])
    top, top_sd, slope = (float(v[0]) for v in _carried(*turned, second, *_opening_first(second), reach))
    if off.value > same:
        closing = _held(first.closing_rad, closing, top, slope)
    elif off.value < -same and second_lost_rad > 0:
        # within its take-up the second film shows where it turned back itself, not where the train does
        back = second_lost_rad / max(abs(slope), _LEAST_SLOPE)
        in_contact = first.closing_rad <= second.driver_travel_rad - back
        closing = np.where(in_contact, closing, np.nan)
    if not (np.isfinite(opening).any() or np.isfinite(closing).any()):
        raise StrokeError(
            "The two films have no pass of the shared shaft in common.",
            "Film both passes, opening and closing, in each clip.",
        )
    return TravelCurves(
        first.driver_rad,
        opening,
        closing,
        opening_sd,
        np.where(np.isfinite(closing), closing_sd, np.nan),
        first.driver_travel_rad,
        first.driver_travel_sd_rad,
        top,
        top_sd,
        second.driven_sign,
        _shared(first, second, up * down, shift),
    )


def composed_lost_motion(
    first: TravelCurves, first_lost: Estimate, second: TravelCurves, second_lost: Estimate
) -> Estimate:
    """Lost motion of both together, at the second one's driven shaft.

    Parameters
    ----------
    first, second : TravelCurves
        As for `compose`.
    first_lost, second_lost : Estimate
        Lost motion of each at its own driven shaft.

    Returns
    -------
    Estimate
        The first one's times the mean slope of the second over the driver's stroke, plus the second one's
        own; NaN if one is not known.

    Examples
    --------
    >>> u, z = np.arange(3.0), np.full(3, 0.001)
    >>> half = TravelCurves(u, u / 2, u / 2, z, z, 2, 0, 1, 0, 1)
    >>> whole = composed_lost_motion(half, Estimate(0.02, 0.001), half, Estimate(0.01, 0.001))
    >>> round(whole.value, 6), round(whole.sd, 6)
    (0.02, 0.001118)
    """
    turned, _ = mean_curve(first)
    inside = turned[turned <= second.driver_travel_rad + _BEYOND_RAD]
    slope = np.abs(_slope(second.driver_rad, mean_curve(second)[0], inside))
    if not np.isfinite(slope).any():
        return Estimate(math.nan, math.nan)
    mean = float(np.nanmean(slope))
    mean_sd = second.driven_travel_sd_rad / second.driver_travel_rad
    return Estimate(
        mean * first_lost.value + second_lost.value,
        math.hypot(mean * first_lost.sd, second_lost.sd, first_lost.value * mean_sd),
    )


# ---- parts -----------------------------------------------------------------------------------------------


def _carried(
    turned: Array, turned_sd: Array, second: TravelCurves, driven: Array, sd: Array, reach: tuple[float, ...]
) -> tuple[Array, Array, Array]:
    """Driven travel at travels of the shared shaft, its standard deviation, and the slope there.

    `reach` is how far beyond its ends a pass still counts, where all ends, and how far low fire may be off.
    """
    beyond, end, shift = reach
    grid, nowhere = second.driver_rad, np.full(turned.shape, np.nan)
    known = np.flatnonzero(np.isfinite(driven))
    if known.size < 2:
        return nowhere, nowhere, nowhere
    low, high = float(grid[known[0]]), float(grid[known[-1]])
    inside = (turned >= low - beyond) & (turned <= min(high + beyond, end))
    at = np.clip(turned, low, high)
    slope = _slope(grid, driven, at)
    value = np.interp(at, grid, driven) + slope * (turned - at)
    own_sd = np.interp(at, grid, sd)
    value = np.where(inside, value, np.nan)
    whole_sd = np.hypot(own_sd, slope * np.hypot(turned_sd, shift))
    return value, np.where(np.isfinite(value), whole_sd, np.nan), slope


def _shared(first: TravelCurves, second: TravelCurves, slopes: Array, shift: float) -> Array:
    """Standard deviation of what both passes have wrong alike, their slopes' product in `second` given."""
    none = np.zeros_like(first.driver_rad)
    own = none if first.shared_sd_rad is None else first.shared_sd_rad
    variance = slopes * (own**2 + shift**2)
    if second.shared_sd_rad is not None:
        turned = np.fmin(first.opening_rad, first.closing_rad)
        variance += np.interp(turned, second.driver_rad, second.shared_sd_rad) ** 2
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _slope(grid: Array, driven: Array, at: Array) -> Array:
    """Slope of a curve at some travels, over as much as its frames were averaged; one-sided at its ends."""
    known = np.flatnonzero(np.isfinite(driven))
    if known.size < 2:
        return np.full(at.shape, np.nan)
    first, last = float(grid[known[0]]), float(grid[known[-1]])
    low = np.clip(at - _SLOPE_RAD, first, max(last - _SLOPE_RAD, first))
    high = np.clip(at + _SLOPE_RAD, min(first + _SLOPE_RAD, last), last)
    # over a gap the chord: beside it the curve itself is known, and so must be its slope
    rise = np.interp(high, grid[known], driven[known]) - np.interp(low, grid[known], driven[known])
    return np.asarray(rise / (high - low))


def _opening_first(curves: TravelCurves) -> tuple[Array, Array]:
    """The opening pass, or the closing pass where there is no opening one."""
    if np.isfinite(curves.opening_rad).any():
        return curves.opening_rad, curves.opening_sd_rad
    return curves.closing_rad, curves.closing_sd_rad


def _held(turned: Array, closing: Array, top: float, slope: float) -> Array:
    """The closing pass of a stroke that turned back early: at its start the driven shaft stands at `top`."""
    way = 1.0 if slope >= 0 else -1.0
    held = closing.copy()
    for k in np.argsort(-turned):  # from high fire on
        if not math.isfinite(held[k]):
            continue
        if way * held[k] <= way * top:
            break  # the lost motion is taken up from here on
        held[k] = top
    return held
