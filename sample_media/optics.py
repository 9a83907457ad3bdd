"""The camera: where it stands at each moment, and how points reach pixels and back.

Every function takes one time or many: arrays of poses have their times in front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.filming import Camera, Pan
from sample_media.mechanism import soft_ramp
from sample_media.space import rotation_about

FloatArray = NDArray[np.float64]

UNDISTORT_STEPS = 25  # fixed-point steps; a wide lens's corners converge below 1e-9 by then
SWAY_HZ, TREMOR_HZ, BREATHING_HZ = (0.12, 0.9), (6.0, 10.0), (0.15, 0.4)
SWAYS, TREMORS = 5, 3  # waves of each coordinate and turn


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the camera is at one time, or at many (...).

    Attributes
    ----------
    rotation : (..., 3, 3) array
        World to camera; camera axes are x right, y down, z forward.
    centre_mm : (..., 3) array
        World position of the projection centre.
    focal_px : (...) array
        Focal length.
    """

    rotation: FloatArray
    centre_mm: FloatArray
    focal_px: FloatArray

    @property
    def translation_mm(self) -> FloatArray:
        """World origin in camera axes, (..., 3)."""
        return -(self.rotation @ self.centre_mm[..., None])[..., 0]


def principal_point(camera: Camera) -> tuple[float, float]:
    """Principal point, px (pixel centres at integers)."""
    width, height = camera.size_wh
    return (width - 1) / 2 + camera.offset_px[0], (height - 1) / 2 + camera.offset_px[1]


class CameraPath:
    """Pose of the camera at any time: a stand, the smooth random motion of a hand, and what it looks at."""

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        rng = np.random.default_rng(camera.seed)
        self._sway_hz = rng.uniform(*SWAY_HZ, (6, SWAYS))
        weight = 1.0 / (0.4 + self._sway_hz)
        self._sway = weight * np.sqrt(2.0) / np.linalg.norm(weight, axis=1, keepdims=True)
        self._sway_at = rng.uniform(0, 2 * np.pi, (6, SWAYS))
        self._tremor_hz = rng.uniform(*TREMOR_HZ, (6, TREMORS))
        self._tremor = np.full((6, TREMORS), np.sqrt(2.0 / TREMORS))
        self._tremor_at = rng.uniform(0, 2 * np.pi, (6, TREMORS))
        self._breath_hz, self._breath_at = rng.uniform(*BREATHING_HZ), rng.uniform(0, 2 * np.pi)
        self._stand, self._stand_mm = _stand(camera)

    def pose(self, time_s: float | FloatArray) -> Pose:
        """Pose of the camera.

        Parameters
        ----------
        time_s : float or (...) array
            Clip time, s.

        Returns
        -------
        Pose
        """
        camera, time = self.camera, np.asarray(time_s, float)
        sway = _waves(self._sway, self._sway_hz, self._sway_at, time)
        tremor = _waves(self._tremor, self._tremor_hz, self._tremor_at, time)
        shift = camera.shake_mm * sway[..., :3] + camera.tremor_mm * tremor[..., :3]
        turn = np.deg2rad(camera.shake_deg * sway[..., 3:] + camera.tremor_deg * tremor[..., 3:])
        return Pose(
            _turned(turn) @ self._aimed(time), self._stand_mm + shift, np.asarray(self._focal_px(time))
        )

    def aimed(self, time_s: float | FloatArray) -> Pose:
        """Pose of a camera that follows the pans but is held by a hand that does not move."""
        time = np.asarray(time_s, float)
        still = np.broadcast_to(self._stand_mm, (*time.shape, 3))
        return Pose(self._aimed(time), still, np.asarray(self._focal_px(time)))

    def _aimed(self, time_s: FloatArray) -> FloatArray:
        """Rotation without the hand's motion, (..., 3, 3)."""
        if not self.camera.pans:
            return np.broadcast_to(self._stand, (*time_s.shape, 3, 3))
        # Camera axes x right, y down: to look to the right or up, the world turns against them.
        turn = sum(
            np.multiply.outer(_out_and_back(pan, time_s), np.deg2rad([-pan.up_deg, -pan.right_deg, 0.0]))
            for pan in self.camera.pans
        )
        return _turned(np.asarray(turn)) @ self._stand

    def _focal_px(self, time_s: FloatArray) -> FloatArray:
        """Focal length, (...), px."""
        breath = np.sin(2 * np.pi * self._breath_hz * time_s + self._breath_at)
        return self.camera.focal_px * (1 + self.camera.breathing_share * breath)


def _stand(camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Rotation and place of the stand."""
    azimuth, elevation = np.deg2rad([camera.azimuth_deg, camera.elevation_deg])
    back = np.array(
        [np.sin(azimuth) * np.cos(elevation), np.sin(elevation), np.cos(azimuth) * np.cos(elevation)]
    )
    forward = -back
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    # A camera body turned counter-clockwise (seen from behind) turns its axes against camera z.
    rotation = rotation_about((0, 0, 1), np.deg2rad(camera.roll_deg)) @ rotation
    return rotation, np.asarray(camera.target_mm) + camera.distance_mm * back


def _waves(size: FloatArray, hertz: FloatArray, phase: FloatArray, time_s: FloatArray) -> FloatArray:
    """Sums of sine waves, (..., 6)."""
    return np.sum(size * np.sin(2 * np.pi * hertz * time_s[..., None, None] + phase), axis=-1)


def _turned(turn_rad: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3)."""
    size = np.linalg.norm(turn_rad, axis=-1)
    axis = np.where(size[..., None] > 0, turn_rad, [1.0, 0.0, 0.0])
    return rotation_about(axis, size)


def _out_and_back(pan: Pan, time_s: FloatArray) -> FloatArray:
    """Share of a pan, (...), 0 to 1."""
    there = soft_ramp(time_s - pan.start_s, pan.there_s, pan.there_s / 2)
    leaves_s = pan.start_s + pan.there_s + pan.hold_s
    return there - soft_ramp(time_s - leaves_s, pan.back_s, pan.back_s / 2)


def project(camera: Camera, pose: Pose, points_mm: FloatArray) -> FloatArray:
    """Pixels of world points.

    Parameters
    ----------
    camera : Camera
    pose : Pose
        At one time, or at T times.
    points_mm : (N, 3) or (T, N, 3) array

    Returns
    -------
    (N, 2) or (T, N, 2) array
        Pixel x, y on the sensor; (0, 0) is the centre of the top-left pixel. No check that points lie in
        front.
    """
    from_centre = np.asarray(points_mm, float) - pose.centre_mm[..., None, :]
    local = from_centre @ np.swapaxes(pose.rotation, -1, -2)
    plane = local[..., :2] / local[..., 2:]
    squared = np.sum(plane**2, axis=-1, keepdims=True)
    bent = plane * (1 + camera.k1 * squared + camera.k2 * squared**2)
    return pose.focal_px[..., None, None] * bent + np.array(principal_point(camera))


def straightened(camera: Camera, bent: FloatArray) -> FloatArray:
    """Undistorted normalised coordinates (..., 2) of distorted ones."""
    plane = np.array(bent, float)
    for _ in range(UNDISTORT_STEPS):
        squared = np.sum(plane**2, axis=-1, keepdims=True)
        plane = bent / (1 + camera.k1 * squared + camera.k2 * squared**2)
    return plane


def rays(camera: Camera, pixels: FloatArray) -> FloatArray:
    """Undistorted normalised coordinates of pixels: the inverse of the last step of `project`.

    Parameters
    ----------
    camera : Camera
    pixels : (..., 2) array
        On the sensor, seen with the nominal focal length.

    Returns
    -------
    (..., 2) array
    """
    return straightened(camera, (np.asarray(pixels, float) - principal_point(camera)) / camera.focal_px)
