"""The camera: where it stands at each moment, and how points reach pixels and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.scene import Camera

FloatArray = NDArray[np.float64]

UNDISTORT_STEPS = 10  # fixed-point steps; phone lenses converge far below 1e-9 by then


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the camera is.

    Attributes
    ----------
    rotation : (3, 3) array
        World to camera; camera axes are x right, y down, z forward.
    centre_mm : (3,) array
        World position of the projection centre.
    """

    rotation: FloatArray
    centre_mm: FloatArray

    @property
    def translation_mm(self) -> FloatArray:
        """World origin in camera axes, (3,)."""
        return -self.rotation @ self.centre_mm


def principal_point(camera: Camera) -> tuple[float, float]:
    """Principal point, px (pixel centres at integers)."""
    width, height = camera.size_wh
    return (width - 1) / 2 + camera.offset_px[0], (height - 1) / 2 + camera.offset_px[1]


def rotation_about(axis: tuple[float, float, float] | FloatArray, angle_rad: float) -> FloatArray:
    """Rotation matrix about an axis through the origin (Rodrigues' formula), (3, 3)."""
    x, y, z = np.asarray(axis, float) / np.linalg.norm(axis)
    K = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle_rad) * K + (1 - np.cos(angle_rad)) * (K @ K)


class CameraPath:
    """Pose of the camera at any time: a fixed stand plus the smooth random motion of a hand."""

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        rng = np.random.default_rng(camera.seed)
        # Slow sway carries most of the motion, tremor near 7 Hz a little of it.
        self._hertz = np.concatenate([rng.uniform(0.12, 0.9, (6, 5)), rng.uniform(5.0, 8.5, (6, 2))], axis=1)
        weight = np.concatenate([1.0 / (0.4 + self._hertz[:, :5]), np.full((6, 2), 0.025)], axis=1)
        weight[:, :5] *= np.sqrt(2.0) / np.linalg.norm(weight[:, :5], axis=1, keepdims=True)
        self._weight = weight
        self._phase = rng.uniform(0, 2 * np.pi, self._hertz.shape)

    def pose(self, time_s: float) -> Pose:
        """Pose of the camera at one time.

        Parameters
        ----------
        time_s : float
            Clip time, s.

        Returns
        -------
        Pose
        """
        camera = self.camera
        sway = np.sum(self._weight * np.sin(2 * np.pi * self._hertz * time_s + self._phase), axis=1)
        azimuth, elevation = np.deg2rad([camera.azimuth_deg, camera.elevation_deg])
        back = np.array(
            [np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
        )
        centre = np.asarray(camera.target_mm) + camera.distance_mm * back
        forward = -back
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        rotation = np.stack([right, np.cross(forward, right), forward])
        # A camera body turned counter-clockwise (seen from behind) turns its axes against camera z.
        rotation = rotation_about((0, 0, 1), np.deg2rad(camera.roll_deg)) @ rotation
        turn = np.deg2rad(camera.shake_deg) * sway[3:]
        size = float(np.linalg.norm(turn))
        if size > 0:
            rotation = rotation_about(turn, size) @ rotation
        return Pose(rotation, centre + camera.shake_mm * sway[:3])


def project(camera: Camera, pose: Pose, points_mm: FloatArray) -> FloatArray:
    """Pixels of world points.

    Parameters
    ----------
    camera : Camera
    pose : Pose
    points_mm : (N, 3) array

    Returns
    -------
    (N, 2) array
        Pixel x, y; (0, 0) is the centre of the top-left pixel. No check that points lie in front.
    """
    local = (np.asarray(points_mm, float) - pose.centre_mm) @ pose.rotation.T
    plane = local[:, :2] / local[:, 2:]
    squared = np.sum(plane**2, axis=1, keepdims=True)
    bent = plane * (1 + camera.k1 * squared + camera.k2 * squared**2)
    return camera.focal_px * bent + np.array(principal_point(camera))


def rays(camera: Camera, pixels: FloatArray) -> FloatArray:
    """Undistorted normalised coordinates of pixels: the inverse of the last step of `project`.

    Parameters
    ----------
    camera : Camera
    pixels : (..., 2) array

    Returns
    -------
    (..., 2) array
    """
    bent = (np.asarray(pixels, float) - principal_point(camera)) / camera.focal_px
    plane = bent.copy()
    for _ in range(UNDISTORT_STEPS):
        squared = np.sum(plane**2, axis=-1, keepdims=True)
        plane = bent / (1 + camera.k1 * squared + camera.k2 * squared**2)
    return plane
