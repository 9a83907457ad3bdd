"""Closed-form positions for arrays of linkages: what `FourBar` and the fits share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_TOUCH = 1e-12  # share of the squared lengths by which a linkage may miss closing: rounding at the toggle


def triangle(drive_rad: Array, a: ArrayLike, b: ArrayLike, c: ArrayLike, d: ArrayLike) -> Array:
    """Sixteen times the squared area of the triangle drive pin, driven pin, driven centre (Heron).

    Parameters
    ----------
    drive_rad : ndarray, any shape
        Drive arm angles.
    a, b, c, d : array_like, shapes that broadcast with the angles
        Drive radius, rod, driven radius and spacing (mm).

    Returns
    -------
    ndarray, the broadcast shape
        In mm^4. Not negative where the linkage closes.

    Examples
    --------
    >>> triangle(np.array([0.0, 1.0]), 3.0, 4.0, 3.0, 8.0).round(1).tolist()
    [576.0, 89.1]
    """
    a, b, c, d = (np.asarray(v, float) for v in (a, b, c, d))
    return _area(_squared(drive_rad, a, d), b, c)


def _squared(drive_rad: Array, a: Array, d: Array) -> Array:
    """Squared distance of drive pin and driven centre."""
    return np.asarray((a - d) ** 2 + 4 * a * d * np.sin(drive_rad / 2) ** 2)


def _area(squared: Array, b: Array, c: Array) -> Array:
    area = (squared - (b - c) ** 2) * ((b + c) ** 2 - squared)
    return np.asarray(np.where(np.abs(area) <= _TOUCH * (b + c) ** 4, 0.0, area))


def driven_angle(
    drive_rad: Array,
    drive_radius_mm: ArrayLike,
    rod_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    branch: ArrayLike,
) -> Array:
    """Driven angle for arrays of linkages as well as of angles; NaN where a linkage cannot close.

    Parameters
    ----------
    drive_rad : ndarray, any shape
        Drive arm angles (rad), from the line of centres.
    drive_radius_mm, rod_mm, driven_radius_mm, spacing_mm, branch : array_like
        Linkages (mm; +1 or -1 as in `FourBar.branch`), of shapes that broadcast with the angles.

    Returns
    -------
    ndarray, the broadcast shape
        In rad. Continuous in the drive angle, see `FourBar.driven_angle`.

    Examples
    --------
    >>> np.degrees(driven_angle(np.radians([40.0]), 40, 120, 80, 100, [[-1], [1]])).round(2).tolist()
    [[57.32], [-98.0]]
    """
    a, b, c, d = (np.asarray(v, float) for v in (drive_radius_mm, rod_mm, driven_radius_mm, spacing_mm))
    s = np.asarray(branch, float)
    squared = _squared(drive_rad, a, d)
    with np.errstate(invalid="ignore"):
        corner = np.arctan2(np.sqrt(_area(squared, b, c)), squared + (c - b) * (c + b))
    return np.asarray(_bearing(drive_rad, a, d, s) + s * corner)


def _bearing(drive_rad: Array, a: Array, d: Array, s: Array) -> Array:
    """Direction from driven centre to drive pin, written so that it has no cut where the pin can go."""
    sine, cosine = np.sin(drive_rad), np.cos(drive_rad)
    short = a < d
    if short.all():
        return np.asarray(-s * np.pi - np.arctan2(a * sine, d - a * cosine))
    long_arm = drive_rad + np.arctan2(d * sine, a - d * cosine)
    if not short.any():
        return np.asarray(long_arm)
    return np.where(short, -s * np.pi - np.arctan2(a * sine, d - a * cosine), long_arm)
