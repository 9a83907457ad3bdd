"""Pinhole camera with radial distortion, and the reference card it looks at.

Camera frame: x right, y down, z forward (OpenCV). Card frame: origin at the card's centre, x right,
y up, z toward the camera, mm. ``x_cam = R x_card + t``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.edges import NODE_FRACTIONS
from strokecurve.vision.edges.markers import CARD_IDS

CARD_MARKER_SIDE_MM = 40.0
CARD_CENTRES_MM: Floats = np.array(
    [[-70.0, 45.0, 0.0], [70.0, 45.0, 0.0], [70.0, -45.0, 0.0], [-70.0, -45.0, 0.0]]
)
"""Centres of the card's markers, ids 0 to 3, in the card frame."""

CAMERA_PARAMETERS = 6
"""log focal length, cx, cy, k1, k2, ink spread."""


@dataclass(frozen=True, slots=True)
class Camera:
    """Intrinsic parameters of the stored picture.

    Attributes
    ----------
    focal_px : float
        Focal length; pixels are square.
    centre_px : tuple of float
        Principal point.
    k1, k2 : float
        Radial distortion: a ray at normalised radius r is imaged at ``r (1 + k1 r^2 + k2 r^4)``.
    ink_spread : float
        How far white paper seems to spread over black ink at an edge, in standard deviations of that edge's
        blur: a camera blurs in linear light and then brightens the dark half of the blur (gamma).
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float = 0.0
    k2: float = 0.0
    ink_spread: float = 0.0

    def moved(self, change: Floats) -> Camera:
        """Give the camera after a change of its parameters, shape (6,)."""
        return Camera(
            self.focal_px * float(np.exp(change[0])),
            (self.centre_px[0] + float(change[1]), self.centre_px[1] + float(change[2])),
            self.k1 + float(change[3]),
            self.k2 + float(change[4]),
            self.ink_spread + float(change[5]),
        )

    def matrix(self) -> Floats:
        """Give the camera matrix, shape (3, 3)."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])

    def project(self, points_cam: Floats) -> Floats:
        """Project points.

        Parameters
        ----------
        points_cam : ndarray, shape (..., 3)
            Points in the camera frame.

        Returns
        -------
        ndarray, shape (..., 2)
            Pixels.
        """
        x, y = points_cam[..., 0] / points_cam[..., 2], points_cam[..., 1] / points_cam[..., 2]
        r2 = x * x + y * y
        stretch = self.focal_px * (1.0 + r2 * (self.k1 + r2 * self.k2))
        return np.stack([stretch * x + self.centre_px[0], stretch * y + self.centre_px[1]], axis=-1)

    def project_with_slopes(self, points_cam: Floats, normals: Floats) -> tuple[Floats, Floats, Floats]:
        """Project points and differentiate their position along given directions of the picture.

        Parameters
        ----------
        points_cam : ndarray, shape (..., 3)
            Points in the camera frame.
        normals : ndarray, shape (..., 2)
            Directions in the picture.

        Returns
        -------
        pixels : ndarray, shape (..., 2)
        by_point : ndarray, shape (..., 3)
            Derivative of ``normals . pixels`` by the point.
        by_camera : ndarray, shape (..., 5)
            Derivative by (log focal length, cx, cy, k1, k2).
        """
        inverse_depth = 1.0 / points_cam[..., 2]
        x, y = points_cam[..., 0] * inverse_depth, points_cam[..., 1] * inverse_depth
        nx, ny = normals[..., 0], normals[..., 1]
        r2 = x * x + y * y
        factor = 1.0 + r2 * (self.k1 + r2 * self.k2)
        growth = 2.0 * (self.k1 + 2.0 * r2 * self.k2)
        radial = nx * x + ny * y
        by_x = self.focal_px * (nx * factor + growth * x * radial)
        by_y = self.focal_px * (ny * factor + growth * y * radial)
        by_point = np.stack(
            [by_x * inverse_depth, by_y * inverse_depth, -(by_x * x + by_y * y) * inverse_depth], axis=-1
        )
        stretch = self.focal_px * radial
        by_camera = np.stack([stretch * factor, nx, ny, stretch * r2, stretch * r2 * r2], axis=-1)
        pixels = np.stack(
            [self.focal_px * factor * x + self.centre_px[0], self.focal_px * factor * y + self.centre_px[1]],
            axis=-1,
        )
        return pixels, by_point, by_camera

    def rays(self, pixels: Floats) -> Floats:
        """Give the direction of each pixel's ray in the camera frame, shape (..., 3), z = 1."""
        x = (pixels[..., 0] - self.centre_px[0]) / self.focal_px
        y = (pixels[..., 1] - self.centre_px[1]) / self.focal_px
        u, v = x, y
        # Fixed-point inversion converges fast for the mild distortion of phones.
        for _ in range(8):
            r2 = u * u + v * v
            factor = 1.0 + r2 * (self.k1 + r2 * self.k2)
            u, v = x / factor, y / factor
        return np.stack([u, v, np.ones_like(u)], axis=-1)


def meet_plane(
    camera: Camera, rotation: Floats, translation: Floats, pixels: Floats, height_mm: float
) -> Floats:
    """Meet the rays of pixels with a plane parallel to the x-y plane of the frame that a pose belongs to.

    Parameters
    ----------
    camera : Camera
        Intrinsics.
    rotation, translation : ndarray, shape (K, 3, 3) and (K, 3)
        Pose of that frame in each of K pictures (frame to camera).
    pixels : ndarray, shape (K, P, 2)
        Points in the pictures.
    height_mm : float
        z of the plane.

    Returns
    -------
    ndarray, shape (K, P, 2)
        x and y where the rays meet the plane, mm.
    """
    rays = np.einsum("kji,kpj->kpi", rotation, camera.rays(pixels))
    eye = -np.einsum("kji,kj->ki", rotation, translation)
    reach = (height_mm - eye[:, None, 2]) / rays[..., 2]
    meeting: Floats = eye[:, None, :2] + reach[..., None] * rays[..., :2]
    return meeting


def square_corners_mm(side_mm: float) -> Floats:
    """Corners of a marker in its own frame (x right, y up), shape (4, 3), clockwise from top left."""
    half = 0.5 * side_mm
    return np.array([[-half, half, 0.0], [half, half, 0.0], [half, -half, 0.0], [-half, -half, 0.0]])


def square_nodes_mm(side_mm: float) -> Floats:
    """Edge nodes of a marker in its own frame, shape (8, 3): two on each of the four edges in turn."""
    corners = square_corners_mm(side_mm)
    following = np.roll(corners, -1, axis=0)
    fractions = np.array(NODE_FRACTIONS)[None, :, None]
    nodes: Floats = (corners[:, None] + fractions * (following - corners)[:, None]).reshape(8, 3)
    return nodes


def card_corners_mm(marker_id: int) -> Floats:
    """Corners of one of the card's markers in the card frame, shape (4, 3)."""
    corners: Floats = CARD_CENTRES_MM[CARD_IDS.index(marker_id)] + square_corners_mm(CARD_MARKER_SIDE_MM)
    return corners


def card_nodes_mm(marker_id: int) -> Floats:
    """Edge nodes of one of the card's markers in the card frame, shape (8, 3)."""
    nodes: Floats = CARD_CENTRES_MM[CARD_IDS.index(marker_id)] + square_nodes_mm(CARD_MARKER_SIDE_MM)
    return nodes


def card_pose(camera: Camera, ids: NDArray[np.int64], corners_px: Floats) -> tuple[Floats, Floats] | None:
    """Find the pose of the card from one picture, as a start for the joint fit.

    Parameters
    ----------
    camera : Camera
        Assumed intrinsics.
    ids : ndarray of int, shape (M,)
        Card markers seen.
    corners_px : ndarray, shape (M, 4, 2)
        Their corners.

    Returns
    -------
    tuple of ndarray or None
        Rotation (3, 3) and translation (3,) that map card to camera; None where no pose fits.
    """
    if not len(ids):
        return None
    points = np.concatenate([card_corners_mm(int(i)) for i in ids])
    pixels = corners_px.reshape(-1, 2)
    distortion = np.array([camera.k1, camera.k2, 0.0, 0.0])
    count, rotations, translations, errors = cv2.solvePnPGeneric(
        points, pixels, camera.matrix(), distortion, flags=cv2.SOLVEPNP_IPPE
    )
    if not count:
        return None
    order = np.argsort(np.asarray(errors).reshape(-1))
    for choice in order:
        rotation = np.asarray(cv2.Rodrigues(rotations[choice])[0], float)
        translation = np.asarray(translations[choice], float).reshape(3)
        # The card faces the camera: its z axis must point back at it.
        if translation[2] > 0 and rotation[2, 2] < 0:
            return rotation, translation
    return None
