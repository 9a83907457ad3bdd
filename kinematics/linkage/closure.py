"""The closure of a four-bar from its low-fire position: the driven curve and its derivatives.

Five numbers describe the linkage here: both radii, the spacing and both start angles; rod and branch follow.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from strokecurve.kinematics.linkage.positions import driven_angle

Array = NDArray[np.float64]


def driven_curve(
    travel_rad: Array,
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_start_rad: ArrayLike,
    driven_start_rad: ArrayLike,
) -> Array:
    """Driven angle turned since the start, counter-clockwise positive; NaN where the linkage cannot close.

    Parameters
    ----------
    travel_rad : ndarray, shape (N,)
        Drive arm turned since the start, counter-clockwise positive.
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        Linkages: numbers, or of shape (M, 1).

    Returns
    -------
    ndarray, broadcast shape

    Examples
    --------
    >>> np.degrees(driven_curve(np.array([0.0, 0.5]), 60, 60, 200, 1.0, 1.0)).round(6).tolist()
    [0.0, 28.64789]
    """
    a, c, d, th, ph = (
        np.asarray(v, float)
        for v in (drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad)
    )
    rod_x = d + c * np.cos(ph) - a * np.cos(th)
    rod_y = c * np.sin(ph) - a * np.sin(th)
    branch = np.where(rod_x * np.sin(ph) - rod_y * np.cos(ph) > 0, -1.0, 1.0)
    rod = np.hypot(rod_x, rod_y)
    # at the start the closed form gives the start angle itself, up to full turns
    angle = driven_angle(th + np.append(travel_rad, 0.0), a, rod, c, d, branch)
    return np.asarray(angle[..., :-1] - angle[..., -1:])


def driven_derivatives(
    travel_rad: Array,
    turned_rad: Array,
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_start_rad: ArrayLike,
    driven_start_rad: ArrayLike,
) -> tuple[Array, Array]:
    """Derivatives of the driven curve, from the closure equation.

    Parameters
    ----------
    travel_rad, turned_rad : ndarray, shape (N,) or (M, N)
        Drive and driven arm turned since the start.
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        The linkage, or linkages of shape (M, 1).

    Returns
    -------
    by_parameter : ndarray, shape (N, 5) or (M, N, 5)
        By log drive radius, log driven radius, log spacing, drive start, driven start.
    ratio : ndarray, shape (N,) or (M, N)
        Velocity ratio, driven by driver.

    Notes
    -----
    With theta, phi the arm angles and 0 marking the start, equal rod length before and after reads
    -a d (cos theta - cos theta0) + c d (cos phi - cos phi0) - a c (cos(theta - phi) - cos(theta0 - phi0)) = 0
    (Freudenstein's equation less itself at the start); implicit differentiation gives the rest.

    Examples
    --------
    >>> _, ratio = driven_derivatives(np.array([0.3]), np.array([0.3]), 60, 60, 200, 1.0, 1.0)
    >>> print(f"{ratio[0]:.6f}")
    1.000000
    """
    a, c, d, th0, ph0 = (
        np.asarray(v, float)
        for v in (drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad)
    )
    th, ph = th0 + travel_rad, ph0 + turned_rad
    drive, driven = np.cos(th) - np.cos(th0), np.cos(ph) - np.cos(ph0)
    both = np.cos(th - ph) - np.cos(th0 - ph0)
    skew, skew0 = np.sin(th - ph), np.sin(th0 - ph0)
    by_driven = -c * d * np.sin(ph) - a * c * skew
    by_drive = a * d * np.sin(th) + a * c * skew
    by = np.stack(
        [
            a * (-d * drive - c * both),
            c * (d * driven - a * both),
            d * (-a * drive + c * driven),
            by_drive - a * d * np.sin(th0) - a * c * skew0,
            # the driven start moves the whole curve's angle as well as the reference
            by_driven + c * d * np.sin(ph0) + a * c * skew0,
        ],
        axis=-1,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return -by / by_driven[..., None], -by_drive / by_driven


def rod_curve(
    travel_rad: Array,
    longer_mm: float,
    drive_radius_mm: float,
    driven_radius_mm: float,
    spacing_mm: float,
    drive_start_rad: float,
    driven_start_rad: float,
) -> Array:
    """Driven curve with a rod that acts longer than the start angles say, as play in its pins lets it.

    Parameters
    ----------
    travel_rad : ndarray, shape (N,)
        Drive arm turned since the start, counter-clockwise positive.
    longer_mm : float
        By how much; negative if it acts shorter.
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : float
        The linkage without play.

    Returns
    -------
    ndarray, shape (N,)
        Driven angle from the driven start angle; NaN where the linkage cannot close.

    Examples
    --------
    >>> turned = rod_curve(np.zeros(1), 0.6, 60.0, 60.0, 200.0, np.pi / 2, np.pi / 2)
    >>> print(f"{turned[0]:.4f}")
    -0.0100
    """
    a, c, d, th0, ph0 = drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad
    rod_x, rod_y = d + c * math.cos(ph0) - a * math.cos(th0), c * math.sin(ph0) - a * math.sin(th0)
    rod = math.hypot(rod_x, rod_y)
    branch = -1.0 if rod_x * math.sin(ph0) - rod_y * math.cos(ph0) > 0 else 1.0
    rods = np.append(np.full(travel_rad.size, rod + longer_mm), rod)
    angle = driven_angle(th0 + np.append(travel_rad, 0.0), a, rods, c, d, branch)
    return np.asarray(angle[:-1] - angle[-1])


def rod_derivatives(
    travel_rad: Array,
    turned_rad: Array,
    longer_mm: float,
    drive_radius_mm: float,
    driven_radius_mm: float,
    spacing_mm: float,
    drive_start_rad: float,
    driven_start_rad: float,
) -> tuple[Array, Array]:
    """Derivatives of `rod_curve`.

    Parameters
    ----------
    travel_rad, turned_rad : ndarray, shape (N,)
        Drive and driven arm turned since the start.
    longer_mm, drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : float
        As for `rod_curve`.

    Returns
    -------
    by_parameter : ndarray, shape (N, 5)
        By log drive radius, log driven radius, log spacing, drive start, driven start.
    gain : ndarray, shape (N,)
        By the rod's length (rad/mm): its size is 1 / (driven radius times sine of the transmission angle).

    Notes
    -----
    From b^2 / 2 = (a^2 + c^2 + d^2) / 2 - a d cos theta + c d cos phi - a c cos(theta - phi) by implicit
    differentiation, b being the rod at the start angles plus what it acts longer.

    Examples
    --------
    >>> _, gain = rod_derivatives(np.zeros(1), np.zeros(1), 0.0, 60.0, 60.0, 200.0, np.pi / 2, np.pi / 2)
    >>> print(f"{60 * gain[0]:.3f}")
    -1.000
    """
    a, c, d, th0, ph0 = drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad
    start_rod = math.hypot(d + c * math.cos(ph0) - a * math.cos(th0), c * math.sin(ph0) - a * math.sin(th0))
    rod = start_rod + longer_mm
    now = _half_square_by(a, c, d, th0 + travel_rad, ph0 + turned_rad)
    then = _half_square_by(a, c, d, np.array([th0]), np.array([ph0]))
    # the driven start moves the whole curve's angle as well as the reference
    by = np.stack([rod / start_rod * x - y for x, y in zip(then, now, strict=True)], axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return by / now[4][:, None], rod / now[4]


def _half_square_by(a: float, c: float, d: float, th: Array, ph: Array) -> list[Array]:
    """Derivatives of half the squared distance of both pins by log a, log c, log d and both angles."""
    both, skew = np.cos(th - ph), np.sin(th - ph)
    return [
        a * (a - d * np.cos(th) - c * both),
        c * (c + d * np.cos(ph) - a * both),
        d * (d - a * np.cos(th) + c * np.cos(ph)),
        a * d * np.sin(th) + a * c * skew,
        -c * d * np.sin(ph) - a * c * skew,
    ]


def in_line_cotangent(
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_rad: ArrayLike,
    driven_rad: ArrayLike,
) -> Array:
    """Cotangent of the transmission angle, which grows without bound toward the in-line position.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad : array_like
        Linkages and arm angles, broadcast.

    Returns
    -------
    ndarray
        Signed: positive with the driven pin between rod and arm stretched out.

    Examples
    --------
    >>> cotangent = in_line_cotangent(1.0, 2**0.5, 1.0, np.pi / 2, np.radians(75))
    >>> print(f"{abs(1 / cotangent):.6f}")
    1.732051
    """
    along, across, _, _ = _along_across(drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad)
    return np.asarray(along / across)


def in_line_derivatives(
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_rad: ArrayLike,
    driven_rad: ArrayLike,
) -> Array:
    """Derivatives of `in_line_cotangent`.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad : array_like
        Linkages and arm angles, broadcast.

    Returns
    -------
    ndarray, shape (..., 5)
        By log drive radius, log driven radius, log spacing, drive angle, driven angle.

    Examples
    --------
    >>> step = in_line_cotangent(60, 70, 200, 1.0, 1.2 + 1e-6) - in_line_cotangent(60, 70, 200, 1.0, 1.2)
    >>> bool(abs(step / 1e-6 - in_line_derivatives(60, 70, 200, 1.0, 1.2)[4]) < 1e-5)
    True
    """
    values = (drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad)
    along, across, by_along, by_across = _along_across(*values)
    by = [(x * across - along * y) / across**2 for x, y in zip(by_along, by_across, strict=True)]
    return np.stack(np.broadcast_arrays(*by), axis=-1)


def _along_across(
    a: ArrayLike, c: ArrayLike, d: ArrayLike, th: ArrayLike, ph: ArrayLike
) -> tuple[Array, Array, list[Array], list[Array]]:
    """Rod along and across the driven arm, and the derivatives of both.

    In the arm's own frame the rod is the arm less the drive arm seen turned by the angle between them, plus
    the line of centres seen turned back.
    """
    a, c, d, th, ph = (np.asarray(v, float) for v in (a, c, d, th, ph))
    sine, cosine, skew, both = d * np.sin(ph), d * np.cos(ph), a * np.sin(th - ph), a * np.cos(th - ph)
    along, across = cosine + c - both, sine + skew
    nothing = np.zeros_like(across)
    return (
        along,
        across,
        [-both, c + nothing, cosine, skew, -sine - skew],
        [skew, nothing, sine, both, cosine - both],
    )
