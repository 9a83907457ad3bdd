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
from strokecurve.kinematics.covariance import propagate
from strokecurve.kinematics.identify.to_toggle import ENDS, in_line_ahead
from strokecurve.kinematics.linkage.algebra import Pose
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


def pose_of(linkages: Array, opening_sign: int, travel_rad: float) -> Pose:
    """Where linkages stand after some driver travel.

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
    Pose
        Of shape (...); NaN where a linkage cannot close.
    """
    travel = opening_sign * travel_rad
    with np.errstate(invalid="ignore", divide="ignore"):
        turned = driven_curve(np.array([travel]), *(linkages[..., k : k + 1] for k in range(len(KNOWN))))
    a, c, d, drive, driven = np.moveaxis(linkages, -1, 0)
    return Pose.in_plane(a, c, d, drive + travel, driven + turned[..., 0])


def pins_of(linkages: Array, opening_sign: int, travel_rad: float) -> Pins:
    """Driver centre, drive pin, driven pin, driven centre, with the line of centres along the real axis.

    Parameters
    ----------
    linkages, opening_sign, travel_rad
        As for `pose_of`.

    Returns
    -------
    ndarray of complex, shape (..., 4)
        mm from the driver centre, as complex numbers, which a drawing turns and scales with ease; NaN where
        the linkage cannot close.
    """
    pose = pose_of(linkages, opening_sign, travel_rad)
    drive = pose.drive.pin_mm
    places = np.stack(
        np.broadcast_arrays(np.zeros(2), drive, drive + pose.rod_vector_mm, pose.between_mm), axis=-2
    )
    return np.asarray(places[..., 0] + 1j * places[..., 1])


def values_of(setting: LinkageSetting) -> Array:
    """A setting in the order of ``KNOWN``, shape (5,)."""
    return np.array([getattr(setting, name) for name in KNOWN], dtype=np.float64)


def rod_to_arms(pose: Pose) -> Array:
    """Angles between rod and drive arm, rod and driven arm, 0 to pi (rad); shape (..., 2)."""
    return np.stack([pose.drive_angle_rad(), pose.transmission_angle_rad()], axis=-1)


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
    Standard deviations carry the covariance of the geometry (`propagate`). The stroke is measured far better
    and is taken as exact.
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
    pose = pose_of(values_of(setting), sign, travel)
    covariance = propagate(
        lambda linkage: _figures(pose_of(linkage, sign, travel)), values_of(setting), known.covariance
    )
    # Of the angles as they are, 0 to 180 degrees: folded at a right angle they would look better known.
    spread = np.sqrt(np.maximum(np.diag(covariance)[:2], 0.0))
    four_bar, at = setting.four_bar(), setting.drive_start_rad + sign * travel
    left, arm = min(in_line_ahead(four_bar, at, sign * outward), default=(math.inf, ""))
    there = left < _FAR_RAD
    return StrokeEnd(
        name,
        travel,
        float(pose.drive_in_line_rad()),
        float(spread[0]),
        float(pose.driven_in_line_rad()),
        float(spread[1]),
        max(_widest(covariance[k : k + 2, k : k + 2]) for k in (2, 4)),
        travel + outward * left if there else None,
        left_sd if there else math.nan,
        arm if there else "",
    )


def _figures(pose: Pose) -> Array:
    """Both angles (rad) and both pins' places (mm, x and y of each), shape (6,)."""
    drive = pose.drive.pin_mm
    return np.concatenate([rod_to_arms(pose), drive, drive + pose.rod_vector_mm])


def _widest(covariance: Array) -> float:
    """Standard deviation of a place in a plane where it is largest; NaN if not known."""
    if not np.isfinite(covariance).all():
        return math.nan
    return math.sqrt(max(float(np.linalg.eigvalsh(covariance)[-1]), 0.0))
