"""The closure of a four-bar from its low-fire position: the driven curve and its derivatives.

Five numbers describe the linkage here: both radii, the spacing and both start angles; rod and branch follow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.linkage.algebra import Pose
from strokecurve.kinematics.linkage.positions import driven_angle

Array = NDArray[np.float64]


def driven_curve(
    travel_rad: Array,
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_start_rad: ArrayLike,
    driven_start_rad: ArrayLike,
    *,
    longer_mm: float = 0.0,
) -> Array:
    """Driven angle turned since the start, counter-clockwise positive; NaN where the linkage cannot close.

    Parameters
    ----------
    travel_rad : ndarray, shape (N,)
        Drive arm turned since the start, counter-clockwise positive.
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        Linkages: numbers, or of shape (M, 1) (mm, rad).
    longer_mm : float
        By how much the rod acts longer than the start angles say, as play in its pins lets it; negative if it
        acts shorter.

    Returns
    -------
    ndarray, shape (N,) or (M, N)
        In rad, from the driven start angle.

    Examples
    --------
    >>> np.degrees(driven_curve(np.array([0.0, 0.5]), 60, 60, 200, 1.0, 1.0)).round(6).tolist()
    [0.0, 28.64789]
    >>> print(f"{driven_curve(np.zeros(1), 60, 60, 200, np.pi / 2, np.pi / 2, longer_mm=0.6)[0]:.4f}")
    -0.0100
    """
    a, c, d, th, ph = (
        np.asarray(v, float)
        for v in (drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad)
    )
    start = Pose.in_plane(a, c, d, th, ph)
    rod = start.rod_mm
    if longer_mm:
        rod = rod + longer_mm * _and_start(np.ones(travel_rad.shape))
    # at the start the closed form gives the start angle itself, up to full turns
    angle = driven_angle(th + _and_start(travel_rad), a, rod, c, d, start.branch())
    return np.asarray(angle[..., :-1] - angle[..., -1:])


@dataclass(frozen=True, slots=True)
class CurveRates:
    """How a driven curve changes.

    Parameters
    ----------
    by_parameter : ndarray, shape (N, 5) or (M, N, 5)
        By log drive radius, log driven radius, log spacing, drive start and driven start (rad).
    ratio : ndarray, shape (N,) or (M, N)
        Velocity ratio, driven by driver.
    by_rod : ndarray, shape (N,) or (M, N)
        By the rod's length (rad/mm): its size is 1 / (driven radius times sine of the transmission angle).
    """

    by_parameter: Array
    ratio: Array
    by_rod: Array


def driven_derivatives(
    travel_rad: Array,
    turned_rad: Array,
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_start_rad: ArrayLike,
    driven_start_rad: ArrayLike,
    *,
    longer_mm: float = 0.0,
) -> CurveRates:
    """Derivatives of `driven_curve`, from the closure equation.

    Parameters
    ----------
    travel_rad, turned_rad : ndarray, shape (N,) or (M, N)
        Drive and driven arm turned since the start (rad).
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        The linkage, or linkages of shape (M, 1) (mm, rad).
    longer_mm : float
        As for `driven_curve`.

    Returns
    -------
    CurveRates

    Notes ----- Let H be half the squared distance of the pins, b0 the rod at the start angles and e what it
    acts longer: H = (b0 + e)^2 / 2 holds all along the curve, and H0 = b0^2 / 2 at the start. A change of a
    parameter changes the right side by (b0 + e) / b0 times the change of H0, so it turns the driven arm
    until H has changed by as much. With H_q the derivative of H by q, and phi the driven angle: turned =
    ((b0 + e) / b0 * H0_q - H_q) / H_phi for each q, since the driven start moves the curve's angle as well
    as its reference. The rod alone gives (b0 + e) / H_phi, and the driver -H_theta / H_phi. With e = 0 this
    is Freudenstein's equation less itself at the start.

    Examples
    --------
    >>> rates = driven_derivatives(np.array([0.3]), np.array([0.3]), 60, 60, 200, 1.0, 1.0)
    >>> print(f"{rates.ratio[0]:.6f}")
    1.000000
    >>> rates = driven_derivatives(np.zeros(1), np.zeros(1), 60, 60, 200, np.pi / 2, np.pi / 2)
    >>> print(f"{60 * rates.by_rod[0]:.3f}")
    -1.000
    """
    a, c, d, th, ph = (
        np.asarray(v, float)
        for v in (drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad)
    )
    # the start goes last: one pose for all
    pose = Pose.in_plane(a, c, d, th + _and_start(travel_rad), ph + _and_start(turned_rad))
    by_all = pose.half_square_by()
    start_rod = pose.rod_mm[..., -1:]
    rod = start_rod + longer_mm
    by_drive, by_driven = by_all[3][..., :-1], by_all[4][..., :-1]
    by = np.empty((*by_driven.shape, 5))
    for k, one in enumerate(by_all):
        start = one[..., -1:] if longer_mm == 0 else rod / start_rod * one[..., -1:]
        np.subtract(start, one[..., :-1], out=by[..., k])
    with np.errstate(divide="ignore", invalid="ignore"):
        by /= by_driven[..., None]
        return CurveRates(by, -by_drive / by_driven, rod / by_driven)


def _and_start(turned_rad: Array) -> Array:
    """Angles turned, shape (..., N), and after them that of the start, 0."""
    return np.concatenate([turned_rad, np.zeros((*turned_rad.shape[:-1], 1))], axis=-1)
