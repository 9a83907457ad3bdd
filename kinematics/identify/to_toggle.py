"""How much further a driver could travel beyond either end of its stroke until the linkage toggles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.identify.geometry import GeometryFit
from strokecurve.kinematics.identify.posterior import linkage_of
from strokecurve.kinematics.identify.spread import figures_variance
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_FAR_RAD = math.pi  # travel from which on it does not matter any more
_GRID_RAD = math.radians(0.25)
ENDS = ("low_fire", "high_fire")


@dataclass(frozen=True, slots=True)
class TravelLeft:
    """Further driver travel beyond one end of the stroke (rad).

    Parameters
    ----------
    value, sd : float
        Until rod and an arm are in line, and its standard deviation.
    arm : str
        The arm that comes into line first: "driven" (the toggle: the driver can go no further) or "drive" (a
        dead centre of the driven shaft: beyond it the driven shaft turns back).
    to_danger, to_danger_sd : float
        Until the angle between rod and an arm has fallen to the danger limit; 0 if it is below it at the end.
    """

    value: float
    sd: float
    arm: str
    to_danger: float
    to_danger_sd: float


def travel_to_toggle(
    fit: GeometryFit, stroke: Stroke, settings: Settings = DEFAULTS
) -> tuple[TravelLeft | None, TravelLeft | None]:
    """Travel left until toggle below low fire and above high fire.

    Parameters
    ----------
    fit : GeometryFit
    stroke : Stroke
    settings : Settings

    Returns
    -------
    low_fire, high_fire : TravelLeft or None
        None where the linkage never gets there within half a turn.

    Notes
    -----
    The standard deviation carries the whole posterior (`figures_variance`) and that of the stroke's ends.

    References
    ----------
    cos(theta) = (a^2 + d^2 - b^2 - c^2) / (2 a d) +/- b c / (a d) with rod and driven arm in line; with rod
    and drive arm in line the driven pin is |b - a| or a + b from the drive centre.

    Examples
    --------
    >>> from strokecurve.kinematics.identify.evidence import Evidence
    >>> from strokecurve.kinematics.identify.geometry import identify
    >>> from strokecurve.kinematics.motion.angles import LinkageMotion
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> true = FourBar.from_start_angles(55, 68, 176, 0.69, 1.40)
    >>> motion = LinkageMotion.of(driver, true.driven_angle(driver + 0.69), 0.0005, 0.0005)
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> tape = [Evidence("drive_radius_mm", 55, 0.5, "tape"), Evidence("spacing_mm", 176, 0.5, "hinges")]
    >>> low, high = travel_to_toggle(identify(stroke, motion, tape), stroke)
    >>> low.arm, high.arm, round(math.degrees(high.value))
    ('drive', 'driven', 2)
    """
    best = _figures(fit.parameters, fit.opening_sign, stroke.travel_rad, settings)
    arms = _arms_first(fit.parameters, fit.opening_sign, stroke.travel_rad)
    variance = figures_variance(
        fit.modes, best, lambda at: _figures(at, fit.opening_sign, stroke.travel_rad, settings)
    )
    # the ends of the stroke are themselves measured
    far = np.array(stroke.travel_rad)
    end = (
        stroke.travel_noise_rad**2 + float(fit.slow.size_rad[0] * fit.slow.drift(far, far, 1, settings)) ** 2
    )
    variance[[1, 3]] += end
    sd = np.sqrt(variance)
    left = [
        TravelLeft(float(best[k]), float(sd[k]), arms[k], float(best[k + 2]), float(sd[k + 2]))
        if best[k] < _FAR_RAD
        else None
        for k in (0, 1)
    ]
    return left[0], left[1]


def _four_bar(parameters: Array, turned: Array) -> tuple[FourBar, float] | None:
    """Linkage and drive start angle, or None if it does not close over the stroke."""
    a, c, d, drive, driven = (float(v) for v in linkage_of(parameters))
    try:
        four_bar = FourBar.from_start_angles(a, c, d, drive, driven)
    except GeometryError:
        return None
    return (four_bar, drive) if four_bar.closes(drive + turned).all() else None


def _figures(parameters: Array, sign: int, travel: float, settings: Settings) -> Array:
    """Travel to toggle at low and high fire, then travel to the danger limit at low and high fire."""
    made = _four_bar(parameters, sign * np.linspace(0, travel, 91))
    if made is None:
        return np.zeros(4)
    four_bar, start = made
    ends = ((start, -sign), (start + sign * travel, sign))
    toggles = [min((_FAR_RAD, *(t for t, _ in in_line_ahead(four_bar, *end)))) for end in ends]
    danger = [
        _to_danger(four_bar, at, way, left, settings.toggle_danger_rad)
        for (at, way), left in zip(ends, toggles, strict=True)
    ]
    return np.array([*toggles, *danger])


def _arms_first(parameters: Array, sign: int, travel: float) -> tuple[str, str]:
    """Arm that comes into line first beyond low and beyond high fire."""
    made = _four_bar(parameters, sign * np.linspace(0, travel, 91))
    if made is None:
        return "driven", "driven"
    four_bar, start = made
    firsts = [
        min(in_line_ahead(four_bar, at, way), default=(_FAR_RAD, "driven"))[1]
        for at, way in ((start, -sign), (start + sign * travel, sign))
    ]
    return firsts[0], firsts[1]


def in_line_ahead(four_bar: FourBar, at: float, way: int) -> list[tuple[float, str]]:
    """In-line positions ahead of a drive angle.

    Parameters
    ----------
    four_bar : FourBar
    at : float
        Drive angle to start from, rad.
    way : int
        +1 counter-clockwise, -1 clockwise.

    Returns
    -------
    list of (float, str)
        Driver travel to each, 0 to a whole turn, and the arm that is in line there: "drive" or "driven".

    Examples
    --------
    >>> four_bar = FourBar.from_start_angles(55, 68, 176, 0.69, 1.40)
    >>> travel, arm = min(in_line_ahead(four_bar, 0.69 + math.pi / 2, 1))
    >>> arm, round(math.degrees(travel), 1)
    ('driven', 2.4)
    """
    positions = four_bar.toggle_positions()
    return [
        ((way * (place - at)) % (2 * math.pi), arm)
        for arm, places in (("driven", positions.driven_in_line_rad), ("drive", positions.drive_in_line_rad))
        for place in places
    ]


def _to_danger(four_bar: FourBar, at: float, way: int, toggle: float, danger: float) -> float:
    """Driver travel until rod and an arm are within the danger limit of one line."""
    ahead = np.linspace(0.0, toggle, max(2, math.ceil(toggle / _GRID_RAD) + 1))
    drives = at + way * ahead
    inside = four_bar.closes(drives)
    in_line, pose = np.zeros(ahead.size), four_bar.pose(drives[inside])
    in_line[inside] = np.minimum(pose.drive_in_line_rad(), pose.driven_in_line_rad())
    below = np.flatnonzero(in_line <= danger)
    if below.size == 0:
        return toggle
    k = int(below[0])
    if k == 0:
        return 0.0
    share = (in_line[k - 1] - danger) / (in_line[k - 1] - in_line[k])
    return float(ahead[k - 1] + share * (ahead[k] - ahead[k - 1]))
