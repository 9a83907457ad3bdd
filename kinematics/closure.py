"""The closure of a four-bar from its low-fire position: the driven curve and its derivatives.

Five numbers describe the linkage here: both radii, the spacing and both start angles; rod and branch follow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.positions import driven_angle

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
    travel_rad : ndarray
        Drive arm turned since the start, counter-clockwise positive.
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad : array_like
        Linkages, broadcast against the travel.

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
    angle = driven_angle(th + travel_rad, a, rod, c, d, branch)
    # at the start the closed form gives the start angle itself, up to full turns
    start = driven_angle(th + np.zeros(1), a, rod, c, d, branch)
    return np.asarray(angle - start)


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


def in_line_cotangent(
    drive_radius_mm: ArrayLike,
    driven_radius_mm: ArrayLike,
    spacing_mm: ArrayLike,
    drive_rad: ArrayLike,
    driven_rad: ArrayLike,
) -> tuple[Array, Array]:
    """Cotangent of the transmission angle, which grows without bound toward the in-line position.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad : array_like
        Linkages and arm angles, broadcast.

    Returns
    -------
    cotangent : ndarray
        Signed: positive with the driven pin between rod and arm stretched out.
    by_parameter : ndarray, shape (..., 5)
        Derivatives by log drive radius, log driven radius, log spacing, drive angle, driven angle.

    Examples
    --------
    >>> cotangent, _ = in_line_cotangent(1.0, 2**0.5, 1.0, np.pi / 2, np.radians(75))
    >>> print(f"{abs(1 / cotangent):.6f}")
    1.732051
    """
    a, c, d, th, ph = np.broadcast_arrays(
        *(
            np.asarray(v, float)
            for v in (drive_radius_mm, driven_radius_mm, spacing_mm, drive_rad, driven_rad)
        )
    )
    sine, cosine = np.sin(ph), np.cos(ph)
    rod_x, rod_y = d + c * cosine - a * np.cos(th), c * sine - a * np.sin(th)
    along, across = rod_x * cosine + rod_y * sine, rod_x * sine - rod_y * cosine
    rod_by_x = [-a * np.cos(th), c * cosine, d, a * np.sin(th), -c * sine]
    rod_by_y = [-a * np.sin(th), c * sine, np.zeros_like(d), -a * np.cos(th), c * cosine]
    by = []
    for k, (x, y) in enumerate(zip(rod_by_x, rod_by_y, strict=True)):
        along_by, across_by = x * cosine + y * sine, x * sine - y * cosine
        if k == 4:  # the driven angle also turns the arm itself
            along_by, across_by = along_by - across, across_by + along
        by.append((along_by * across - along * across_by) / across**2)
    return np.asarray(along / across), np.stack(by, axis=-1)
