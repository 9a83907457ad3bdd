"""Where a linkage stands at low and at high fire: its pins, and its margins to toggle."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from strokecurve.app.adjust.known_linkage import KnownLinkage
from strokecurve.app.result.reading import number
from strokecurve.kinematics.adjust.known import KNOWN
from strokecurve.kinematics.adjust.setting import LinkageSetting
from strokecurve.kinematics.identify.to_toggle import ENDS, in_line_ahead
from strokecurve.kinematics.linkage.closure import driven_curve

Array = NDArray[np.float64]
Pins = NDArray[np.complex128]

_FAR_RAD = math.pi
"""Travel left to toggle from which on it does not matter any more, as in ``result.json``."""


@dataclass(frozen=True, slots=True)
class StrokeEnd:
    """A linkage at one end of its stroke.

    Attributes
    ----------
    name : str
        ``low fire`` or ``high fire``.
    travel_rad : float
        Driver travel from low fire.
    drive_rad, drive_sd_rad : float
        Angle between rod and drive arm line, 0 (toggle) to 90 degrees, and its standard deviation.
    driven_rad, driven_sd_rad : float
        The same at the driven arm.
    pin_sd_mm : float
        Standard deviation of where the pin known less well lies, in the direction in which it is largest.
    toggle_rad : float or None
        Driver travel, from low fire, at which rod and an arm come into line beyond this end; None where none
        does within half a turn.
    toggle_sd_rad : float
        Standard deviation of the travel left to there; NaN where it is not known.
    toggle_arm : str
        The arm in line there, ``drive`` or ``driven``; empty where none is.
    """

    name: str
    travel_rad: float
    drive_rad: float
    drive_sd_rad: float
    driven_rad: float
    driven_sd_rad: float
    pin_sd_mm: float
    toggle_rad: float | None
    toggle_sd_rad: float
    toggle_arm: str

    @property
    def left_rad(self) -> float:
        """Driver travel left to toggle beyond this end; NaN where none comes within half a turn."""
        return math.nan if self.toggle_rad is None else abs(self.toggle_rad - self.travel_rad)


def pins_of(linkages: Array, opening_sign: int, travel_rad: float) -> Pins:
    """Driver centre, drive pin, driven pin, driven centre, with the line of centres along the real axis.

    Parameters
    ----------
    linkages : ndarray, shape (..., 5)
        Values of ``kinematics.adjust.known.KNOWN`` (mm, rad).
    opening_sign : int
        +1 if the driver opens counter-clockwise.
    travel_rad : float
        Driver travel from low fire.

    Returns
    -------
    ndarray of complex, shape (..., 4)
        mm from the driver centre; NaN where the linkage cannot close.
    """
    columns = [linkages[..., k : k + 1] for k in range(len(KNOWN))]
    a, c, d, drive, driven = columns
    travel = np.array([opening_sign * travel_rad])
    with np.errstate(invalid="ignore", divide="ignore"):
        turned = driven_curve(travel, *columns)
    return np.concatenate(
        [
            np.zeros_like(a, dtype=complex),
            a * np.exp(1j * (drive + travel)),
            d + c * np.exp(1j * (driven + turned)),
            d.astype(complex),
        ],
        axis=-1,
    )


def values_of(setting: LinkageSetting) -> Array:
    """A setting in the order of ``KNOWN``, shape (5,)."""
    return np.array([getattr(setting, name) for name in KNOWN], dtype=np.float64)


def rod_to_arms(pins: Pins) -> Array:
    """Angles between rod and drive arm, rod and driven arm, 0 to pi; shape (..., 2)."""
    drive_centre, drive, driven, driven_centre = np.moveaxis(pins, -1, 0)
    at_drive = np.angle((driven - drive) / (drive_centre - drive))
    at_driven = np.angle((drive - driven) / (driven_centre - driven))
    return np.asarray(np.abs(np.stack([at_drive, at_driven], axis=-1)), dtype=np.float64)


def stroke_ends(known: KnownLinkage, entry: Mapping[str, Any]) -> tuple[StrokeEnd, StrokeEnd]:
    """A linkage at low and at high fire, as far as it is known.

    Parameters
    ----------
    known : KnownLinkage
    entry : mapping
        Its entry of ``result.json``, which has the standard deviations of the travel left to toggle.

    Returns
    -------
    low_fire, high_fire : StrokeEnd

    Notes
    -----
    Standard deviations carry the covariance of the geometry, each figure changing as it does from one
    standard deviation below a size to one above. The stroke is measured far better and is taken as exact.
    """
    stroke = known.setting.stroke_rad
    return (
        _end(known, "low fire", 0.0, -1, _left_sd(entry, ENDS[0])),
        _end(known, "high fire", stroke, 1, _left_sd(entry, ENDS[1])),
    )


def _left_sd(entry: Mapping[str, Any], end: str) -> float:
    """Standard deviation of the travel left to toggle; NaN where the result, which may be old, has none."""
    left = entry.get("travel_to_toggle_deg")
    one = left.get(end) if isinstance(left, Mapping) else None
    return math.radians(number(one.get("sd"))) if isinstance(one, Mapping) else math.nan


def _end(known: KnownLinkage, name: str, travel: float, outward: int, left_sd: float) -> StrokeEnd:
    setting = known.setting
    sign = setting.opening_sign
    values = values_of(setting)
    angles = rod_to_arms(pins_of(values, sign, travel))
    covariance = _figures_covariance(known, travel)
    # Of the angles as they are, 0 to 180 degrees: folded at a right angle they would look better known.
    spread = np.sqrt(np.maximum(np.diag(covariance)[:2], 0.0))
    four_bar, at = setting.four_bar(), setting.drive_start_rad + sign * travel
    left, arm = min(in_line_ahead(four_bar, at, sign * outward), default=(math.inf, ""))
    there = left < _FAR_RAD
    in_line = np.minimum(angles, math.pi - angles)
    return StrokeEnd(
        name,
        travel,
        float(in_line[0]),
        float(spread[0]),
        float(in_line[1]),
        float(spread[1]),
        max(_widest(covariance[k : k + 2, k : k + 2]) for k in (2, 4)),
        travel + outward * left if there else None,
        left_sd if there else math.nan,
        arm if there else "",
    )


def _figures_covariance(known: KnownLinkage, travel: float) -> Array:
    """Covariance of both angles (rad) and of both pins' places (mm, x and y of each), shape (6, 6)."""
    steps = np.diag(known.sd)
    ways = values_of(known.setting) + np.stack([steps, -steps])
    pins = pins_of(ways, known.setting.opening_sign, travel)
    places = pins[..., 1:3]
    figures = np.concatenate(
        [rod_to_arms(pins), np.stack([places.real, places.imag], axis=-1).reshape(*places.shape[:-1], 4)],
        axis=-1,
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        slopes = (figures[0] - figures[1]) / (2 * known.sd[:, None])
    slopes[known.sd == 0] = 0.0
    return np.asarray(slopes.T @ known.covariance @ slopes, dtype=np.float64)


def _widest(covariance: Array) -> float:
    """Standard deviation of a place in a plane where it is largest; NaN if not known."""
    if not np.isfinite(covariance).all():
        return math.nan
    return math.sqrt(max(float(np.linalg.eigvalsh(covariance)[-1]), 0.0))
