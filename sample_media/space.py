"""Shafts that are not parallel: directions in space, ball joints, and the closure of such a linkage.

A rod with ball joints between two arms on tilted shafts keeps the distance between two points that move on
two circles. That distance closes the linkage; it needs no plane.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_media.scene import Linkage, Scene, Shaft

FloatArray = NDArray[np.float64]


def rotation_about(
    axis: tuple[float, float, float] | FloatArray, angle_rad: float | FloatArray
) -> FloatArray:
    """Rotation matrices about axes through the origin (Rodrigues' formula).

    Parameters
    ----------
    axis : (..., 3) array
        Any length but zero.
    angle_rad : float or (...) array

    Returns
    -------
    (..., 3, 3) array
    """
    unit = np.asarray(axis, float)
    unit = unit / np.linalg.norm(unit, axis=-1, keepdims=True)
    K = np.cross(unit[..., None, :], -np.eye(3))  # the matrix of the cross product with the axis
    angle = np.asarray(angle_rad, float)[..., None, None]
    return np.eye(3) + np.sin(angle) * K + (1 - np.cos(angle)) * (K @ K)


def shaft_axes(shaft: Shaft) -> FloatArray:
    """Directions from which a shaft's angles count, (3, 3): columns at 0 and 90 degrees, and its axis."""
    axis = np.deg2rad(shaft.tilt_axis_deg)
    return rotation_about((np.cos(axis), np.sin(axis), 0.0), np.deg2rad(shaft.tilt_deg))


def on_shaft(
    shaft: Shaft, along_mm: float | FloatArray, across_mm: float | FloatArray, height_mm: float
) -> FloatArray:
    """World points (..., 3) from coordinates (...) on the shaft's own axes, from where it passes z = 0."""
    F = shaft_axes(shaft)
    base = np.array([*shaft.centre_mm, 0.0]) + height_mm * F[:, 2]
    return base + np.multiply.outer(along_mm, F[:, 0]) + np.multiply.outer(across_mm, F[:, 1])


def ball_joint(
    shaft: Shaft, radius_mm: float, direction_rad: float | FloatArray, height_mm: float
) -> FloatArray:
    """World positions (..., 3) of a ball joint on an arm with the given directions (...)."""
    return on_shaft(shaft, radius_mm * np.cos(direction_rad), radius_mm * np.sin(direction_rad), height_mm)


def is_spatial(scene: Scene, linkage: Linkage) -> bool:
    """Whether one of a linkage's shafts is tilted."""
    return any(scene.shafts[k].tilt_deg != 0 for k in (linkage.driver, linkage.driven))


def driven_direction_in_space(scene: Scene, linkage: Linkage, drive_rad: FloatArray) -> FloatArray:
    """Direction of the driven arm that closes a linkage between any two shafts.

    The ball joint of the driven arm lies on a circle, ``c + q (cos b x + sin b y)``; its distance from the
    drive arm's ball joint is the rod's length, which leaves ``A cos b + B sin b = D``.

    Parameters
    ----------
    scene : Scene
    linkage : Linkage
    drive_rad : (N,) array
        Direction of the drive arm on its shaft's own axes, rad.

    Returns
    -------
    (N,) array
        Direction of the driven arm on its shaft's own axes, rad, unwrapped along N.

    Raises
    ------
    ValueError
        If the rod does not reach at some position.
    """
    driven = scene.shafts[linkage.driven]
    F, q = shaft_axes(driven), linkage.driven_radius_mm
    pin = ball_joint(
        scene.shafts[linkage.driver], linkage.drive_radius_mm, drive_rad, linkage.drive_pin_height_mm
    )
    to_pin = pin - on_shaft(driven, 0.0, 0.0, linkage.driven_pin_height_mm)
    A, B = 2 * q * to_pin @ F[:, 0], 2 * q * to_pin @ F[:, 1]
    D = np.sum(to_pin**2, axis=-1) + q**2 - linkage.rod_mm**2
    share = D / np.hypot(A, B)
    if np.any(np.abs(share) >= 1):
        raise ValueError(f"linkage {linkage.driver}:{linkage.driven} cannot close over the whole stroke")
    return np.unwrap(np.arctan2(B, A) + linkage.branch * np.arccos(share))
