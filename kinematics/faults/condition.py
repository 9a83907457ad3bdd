"""Condition of a linkage in figures: lost motion, hysteresis, closeness to toggle, standstill."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.estimate import UNKNOWN, Estimate, Extreme
from strokecurve.kinematics.identify.geometry import GeometryFit
from strokecurve.kinematics.identify.posterior import linkage_of
from strokecurve.kinematics.identify.spread import figures_variance
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.deadband import LEAST_BINS, fit_dead_band, start_side
from strokecurve.kinematics.motion.folding import fold
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import TravelCurves
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_SLOPE_STEPS = 3


@dataclass(frozen=True, slots=True)
class Standstill:
    """Part of a pass in which the driven shaft stood still or turned back (rad).

    Parameters
    ----------
    direction : str
        "opening" or "closing".
    from_driver_rad, to_driver_rad : float
        Driver travel, ascending.
    turned_rad, sd : float
        How far the driven shaft turned meanwhile, positive the way it should, and the standard deviation.
    """

    direction: str
    from_driver_rad: float
    to_driver_rad: float
    turned_rad: float
    sd: float


"""What the film cannot give."""


def in_space(axes: Estimate, settings: Settings = DEFAULTS) -> bool:
    """Whether the axes of a linkage stand so far apart that a planar linkage is no model of it.

    Parameters
    ----------
    axes : Estimate
        Angle between the axes of driver and driven shaft; NaN if it is not known.
    settings : Settings

    Returns
    -------
    bool
        Only where the film is sure of it.

    Examples
    --------
    >>> in_space(Estimate(math.radians(22), math.radians(0.4)))
    True
    >>> in_space(Estimate(math.radians(4), math.radians(3)))
    False
    """
    return axes.value - settings.planar_sigmas * axes.sd > settings.planar_rad


def lost_motion(stroke: Stroke, motion: LinkageMotion, settings: Settings = DEFAULTS) -> Estimate:
    """Dead band between both passes, whatever the linkage.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    settings : Settings

    Returns
    -------
    Estimate
        At the driven shaft, not below 0; the standard deviation is that of the signed fit. NaN without both
        passes.

    Notes
    -----
    The driven curve is a cubic spline followed through a play operator: lost motion and spline by alternating
    least squares. No four-bar is assumed, so a cam or a bent rod does no harm. The take-up after each
    reversal is part of the model, so it neither widens nor narrows the band.

    Examples
    --------
    >>> from strokecurve.kinematics.linkage.play import engage
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> lagging = engage(driver, np.radians(0.8))
    >>> driven = driver[lagging.source] - np.radians(0.8) * lagging.opened
    >>> motion = LinkageMotion.of(driver, driven, 0.0005, 0.0005)
    >>> round(math.degrees(lost_motion(find_stroke(time_s, driver, 0.0005), motion).value), 2)
    0.8
    """
    signed = signed_lost_motion(stroke, motion, settings)
    return Estimate(max(signed.value, 0.0) if math.isfinite(signed.value) else math.nan, signed.sd)


def signed_lost_motion(stroke: Stroke, motion: LinkageMotion, settings: Settings = DEFAULTS) -> Estimate:
    """Lost motion as fitted: about zero without any, noise making it positive or negative.

    Parameters
    ----------
    stroke, motion, settings
        As for `lost_motion`.

    Returns
    -------
    Estimate

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5], [0, 0, 90]))
    >>> motion = LinkageMotion.of(driver, driver, 0.0005, 0.0005)
    >>> signed_lost_motion(find_stroke(time_s, driver, 0.0005), motion)
    Estimate(value=nan, sd=nan)
    """
    if not (stroke.opening and stroke.closing):
        return UNKNOWN
    bins = fold(motion, stroke)
    if bins.driver_rad.size < LEAST_BINS:
        return UNKNOWN
    band = fit_dead_band(bins, settings, start_side(stroke))
    return Estimate(band.slack_rad, band.sd_rad)


def hysteresis_max(
    input_values: ArrayLike,
    up: ArrayLike,
    down: ArrayLike,
    up_sd: ArrayLike = math.nan,
    down_sd: ArrayLike = math.nan,
) -> Extreme:
    """Largest up-scale to down-scale difference at the same input (hysteresis with dead band).

    Parameters
    ----------
    input_values : array_like, shape (N,)
        Inputs of both runs.
    up, down : array_like, shape (N,)
        Readings coming from below and from above; NaN where there is none.
    up_sd, down_sd : array_like, scalar or shape (N,)
        Standard deviations of the readings.

    Returns
    -------
    Extreme
        Not negative, in the unit of the readings; `at_driver_rad` is in the unit of the input. NaN without
        data.

    Notes
    -----
    The largest of many noisy differences lies above the true one by one or two standard deviations: for lost
    motion take `lost_motion`; this figure is for comparison with instruments.

    References
    ----------
    Definition after ANSI/ISA-51.1 and IEC 61298-2: largest up-scale to down-scale difference, dead band not
    taken off.

    Examples
    --------
    >>> found = hysteresis_max([0, 50, 100], [0.0, 49.1, 100.0], [0.6, 50.9, 100.0])
    >>> round(found.value, 9), found.at_driver_rad
    (1.8, 50.0)
    """
    at, off = (
        np.asarray(input_values, float),
        np.abs(np.asarray(down, float) - np.asarray(up, float)),
    )
    if not np.isfinite(off).any():
        return Extreme(math.nan, math.nan, math.nan)
    worst = int(np.nanargmax(off))
    sd = np.broadcast_to(np.hypot(np.asarray(up_sd, float), np.asarray(down_sd, float)), off.shape)
    return Extreme(float(off[worst]), float(sd[worst]), float(at[worst]))


def curve_hysteresis(curves: TravelCurves) -> Extreme:
    """Hysteresis with dead band of a travel curve (rad).

    Parameters
    ----------
    curves : TravelCurves

    Returns
    -------
    Extreme

    Examples
    --------
    >>> u, z = np.array([0, 1.0]), np.full(2, 0.003)
    >>> curves = TravelCurves(u, u, u * 1.02, z, z, 1, 0, 1, 0, 1)
    >>> round(curve_hysteresis(curves).value, 9)
    0.02
    """
    return hysteresis_max(
        curves.driver_rad, curves.opening_rad, curves.closing_rad, curves.difference_sd_rad, 0.0
    )


def toggle_margins(fit: GeometryFit, stroke: Stroke) -> tuple[Extreme, Extreme]:
    """Smallest drive and transmission angle over the stroke, from the in-line position (0 to 90 deg).

    Parameters
    ----------
    fit : GeometryFit
    stroke : Stroke

    Returns
    -------
    drive, transmission : Extreme
        Rod to drive arm, and rod to driven arm.

    Notes
    -----
    The standard deviation carries the whole covariance of the geometry, over all solutions
    (`figures_variance`).

    Examples
    --------
    >>> from strokecurve.kinematics.identify.evidence import Evidence
    >>> from strokecurve.kinematics.identify.geometry import identify
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> true = FourBar.from_start_angles(55, 68, 176, 0.69, 1.40)
    >>> motion = LinkageMotion.of(driver, true.driven_angle(driver + 0.69), 0.0005, 0.0005)
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> tape = [Evidence("drive_radius_mm", 55, 0.5, "tape"), Evidence("spacing_mm", 176, 0.5, "hinges")]
    >>> drive, transmission = toggle_margins(identify(stroke, motion, tape), stroke)
    >>> round(np.degrees(transmission.at_driver_rad))
    90
    """
    travel = np.linspace(0.0, stroke.travel_rad, 181)
    turned = fit.opening_sign * travel
    values, where = _margins(fit.parameters, turned)
    variance = figures_variance(fit.modes, values, lambda parameters: _margins(parameters, turned)[0])
    drive, transmission = (
        Extreme(float(values[k]), float(np.sqrt(variance[k])), float(travel[where[k]])) for k in (0, 1)
    )
    return drive, transmission


def _margins(parameters: Array, turned: Array) -> tuple[Array, NDArray[np.int64]]:
    """Smallest in-line angle at drive and driven arm, and its position; 0 if the linkage cannot close."""
    a, c, d, drive, driven = (float(v) for v in linkage_of(parameters))
    nowhere = np.zeros(2), np.zeros(2, np.int64)
    try:
        four_bar = FourBar.from_start_angles(a, c, d, drive, driven)
        if not four_bar.closes(drive + turned).all():
            return nowhere
    except GeometryError:
        return nowhere
    pose = four_bar.pose(drive + turned)
    in_line = np.stack([pose.drive_in_line_rad(), pose.driven_in_line_rad()])
    # the rod may pass through the line of the drive arm (a dead centre) between two positions looked at
    side = pose.drive_sine()
    passed = np.flatnonzero(side[:-1] * side[1:] <= 0)
    in_line[0, passed] = 0.0
    return in_line.min(axis=1), np.argmin(in_line, axis=1)


def standstills(
    curves: TravelCurves, slack: Estimate, settings: Settings = DEFAULTS
) -> tuple[Standstill, ...]:
    """Parts of the passes in which the driven shaft stands or turns back, beyond the take-up.

    Parameters
    ----------
    curves : TravelCurves
        At steps of 1 degree or so.
    slack : Estimate
        Lost motion: so much standstill belongs after a reversal.
    settings : Settings

    Returns
    -------
    tuple of Standstill
        Those longer than `settings.stall_driver_rad`.

    Examples
    --------
    >>> driver = np.radians(np.arange(0.0, 91.0))
    >>> driven, z = np.minimum(driver, np.radians(60)), np.full(91, 0.0005)
    >>> curves = TravelCurves(driver, driven, driven, z, z, driver[-1], 0, driven[-1], 0, 1)
    >>> [round(np.degrees(s.from_driver_rad)) for s in standstills(curves, Estimate(0, 0))]
    [61, 61]
    """
    found = []
    ways = (
        ("opening", curves.opening_rad, curves.opening_sd_rad),
        ("closing", curves.closing_rad, curves.closing_sd_rad),
    )
    for name, driven, sd in ways:
        slope = _running_slope(curves.driver_rad, driven)
        still = slope < settings.stall_ratio
        for first, last in _runs(still):
            stop = min(last + 1, driven.size - 1)
            lost = _taken_up(name, curves, driven, first, stop, slack)
            length = float(curves.driver_rad[stop] - curves.driver_rad[first])
            if length - lost >= settings.stall_driver_rad:
                found.append(
                    Standstill(
                        name,
                        float(curves.driver_rad[first]),
                        float(curves.driver_rad[stop]),
                        float(driven[stop] - driven[first]),
                        float(math.hypot(sd[first], sd[stop])),
                    )
                )
    return tuple(found)


def _running_slope(driver: Array, driven: Array) -> Array:
    """Slope of each step, averaged over a few steps; NaN in a gap."""
    slope = np.diff(driven) / np.diff(driver)
    if slope.size < _SLOPE_STEPS:
        return np.asarray(slope)
    padded = np.pad(slope, _SLOPE_STEPS // 2, mode="edge")
    return np.asarray(np.convolve(padded, np.ones(_SLOPE_STEPS) / _SLOPE_STEPS, mode="valid"))


def _runs(flag: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flag.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _taken_up(
    name: str,
    curves: TravelCurves,
    driven: Array,
    first: int,
    stop: int,
    slack: Estimate,
) -> float:
    """Driver travel that lost motion explains at a standstill next to the pass's start."""
    known = np.flatnonzero(np.isfinite(driven))
    at_start = first <= known[0] + 1 if name == "opening" else stop >= known[-1] - 1
    if not at_start or not math.isfinite(slack.value) or slack.value <= 0:
        return 0.0
    # slope where the shaft moves again, or as it moved the other way if it does not
    beyond = driven[stop:] if name == "opening" else driven[: first + 1][::-1]
    moved = float(np.abs(beyond[min(3, beyond.size - 1)] - beyond[0])) if beyond.size > 1 else 0.0
    step = float(curves.driver_rad[1] - curves.driver_rad[0]) * min(3, max(beyond.size - 1, 1))
    slope = max(moved / step, 0.05)
    return (slack.value + 2 * slack.sd) / slope + 2 * step / 3
