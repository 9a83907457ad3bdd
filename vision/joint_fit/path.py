"""Path of a camera through time: where it stands and how it moves at each frame, and in between.

A hand moves a phone by white acceleration, as far as one can tell. Of all paths through given places and
speeds at the frames the likeliest one is then a cubic polynomial between each frame and the next (Barfoot,
Tong and Särkkä, Batch continuous-time trajectory estimation as exactly sparse Gaussian process regression,
2014; from memory). So places and speeds at the frames are all there is to know.

The camera's turn is a rotation vector from a common reference, and its place is that of the card seen in the
axes of the reference: turning the phone about itself leaves it alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.rotations import cross_matrix, rotation_from_vector, vector_from_rotation

POSE = 6
"""Three turns (rad) and three places (mm)."""

SHORTEST_S = 1e-4
"""Frames of a damaged file that carry the same time are taken to lie so far apart."""


@dataclass(frozen=True, slots=True)
class CameraPath:
    """Places and speeds of a camera at F frames.

    Attributes
    ----------
    time_s : ndarray, shape (F,)
        Rising within a stretch.
    reference : ndarray, shape (3, 3)
        Rotation, card to camera, that turns are counted from.
    place : ndarray, shape (F, 6)
        Rotation vector from the reference (rad), and the card's place in the axes of the reference (mm).
    speed : ndarray, shape (F, 6)
        Their change in a second.
    tied : ndarray of bool, shape (F - 1,)
        Whether a frame and the next one belong to one stretch of film, so that a path leads from one to the
        other.
    """

    time_s: Floats
    reference: Floats
    place: Floats
    speed: Floats
    tied: Bools

    def poses(self) -> tuple[Floats, Floats]:
        """Give the poses of the card at the frames, card to camera: (F, 3, 3) and (F, 3)."""
        turn = rotation_from_vector(self.place[:, :3])
        return turn @ self.reference, (turn @ self.place[:, 3:, None])[..., 0]

    def weights(self, delay_s: Floats) -> tuple[Floats, Floats]:
        """Say how places soon before and after each frame follow from the frames around.

        Parameters
        ----------
        delay_s : ndarray, shape (F, N)
            N moments of each frame, from its own time.

        Returns
        -------
        weights, slopes : ndarray, shape (F, N, 3, 2)
            Parts of place and speed (last axis) of the frame before, the frame itself and the next one in the
            place at the moment, and in its change in a second.
        """
        step = np.where(self.tied, np.maximum(np.diff(self.time_s), SHORTEST_S), np.inf)
        ahead = delay_s >= 0
        length = np.where(ahead, np.append(step, np.inf)[:, None], np.insert(step, 0, np.inf)[:, None])
        alone = ~np.isfinite(length)
        length[alone] = 1.0
        # The frame itself begins the piece of path ahead of it and ends the one behind it: seen from the
        # frame, both pieces are the same but for the sign of time.
        sign = np.where(ahead, 1.0, -1.0)
        at = np.abs(delay_s) / length
        square = at * at
        rise, rising = square * (3.0 - 2.0 * at), 6.0 * (at - square) / length
        leaving, leaving_rate = at * (1.0 - at) ** 2 * length, 1.0 - at * (4.0 - 3.0 * at)
        arriving, arriving_rate = square * (at - 1.0) * length, at * (3.0 * at - 2.0)
        weights, slopes = np.zeros((2, *delay_s.shape, 3, 2))
        weights[..., 1, 0], weights[..., 1, 1] = 1.0 - rise, sign * leaving
        slopes[..., 1, 0], slopes[..., 1, 1] = -sign * rising, leaving_rate
        for side, there in ((2, ahead), (0, ~ahead)):
            np.copyto(weights[..., side, 0], rise, where=there)
            np.copyto(weights[..., side, 1], sign * arriving, where=there)
            np.copyto(slopes[..., side, 0], sign * rising, where=there)
            np.copyto(slopes[..., side, 1], arriving_rate, where=there)
        if alone.any():
            # At the ends of a stretch the path goes straight on.
            weights[alone] = slopes[alone] = 0.0
            weights[alone, 1, 0], weights[alone, 1, 1] = 1.0, delay_s[alone]
            slopes[alone, 1, 1] = 1.0
        return weights, slopes

    def at(self, weights: Floats) -> Floats:
        """Give places (F, N, 6) or their change from what `weights` gave, (F, N, 3, 2)."""
        both = np.stack([self.place, self.speed], axis=1)
        around = np.stack(
            [np.concatenate([both[:1], both[:-1]]), both, np.concatenate([both[1:], both[-1:]])], axis=1
        )
        frames, moments = weights.shape[:2]
        return np.asarray(weights.reshape(frames, moments, 6) @ around.reshape(frames, 6, POSE), np.float64)


def camera_path(
    time_s: Floats, reference: Floats, rotation: Floats, translation: Floats, known: Bools, tied: Bools
) -> CameraPath:
    """Lay a path through single poses; straight over frames without one.

    Parameters
    ----------
    time_s : ndarray, shape (F,)
    reference : ndarray, shape (3, 3)
    rotation, translation : ndarray, shape (F, 3, 3) and (F, 3)
        Card to camera.
    known : ndarray of bool, shape (F,)
        Frames with a pose.
    tied : ndarray of bool, shape (F - 1,)
        As in `CameraPath`.
    """
    place, _ = places_of(reference, rotation, translation)
    order = np.arange(len(time_s), dtype=float)
    place = np.stack([np.interp(order, order[known], p[known]) for p in place.T], axis=1)
    change = np.diff(place, axis=0) / np.maximum(np.diff(time_s), SHORTEST_S)[:, None]
    change[~tied] = np.nan
    sides = np.stack([np.append(change, change[-1:] * np.nan, 0), np.insert(change, 0, np.nan, 0)])
    number = np.isfinite(sides).sum(axis=0)
    speed = np.nansum(sides, axis=0) / np.maximum(number, 1)
    return CameraPath(time_s, reference, place, speed, tied)


def places_of(reference: Floats, rotation: Floats, translation: Floats) -> tuple[Floats, Floats]:
    """Give the places that belong to poses.

    Parameters
    ----------
    reference : ndarray, shape (3, 3)
        Rotation that turns are counted from, as in `CameraPath`.
    rotation, translation : ndarray, shapes (F, 3, 3), (F, 3)
        Poses, card to camera; mm.

    Returns
    -------
    place : ndarray, shape (F, 6)
        As in `CameraPath`.
    by_step : ndarray, shape (F, 6, 6)
        Its derivative by a turn and a shift of the card in the camera frame.
    """
    vector = vector_from_rotation(rotation @ reference.T)
    back = np.swapaxes(rotation_from_vector(vector), 1, 2)
    by_step = np.zeros((len(vector), POSE, POSE))
    by_step[:, :3, :3] = _left_jacobian_inverse(vector)
    by_step[:, 3:, :3] = back @ cross_matrix(translation)
    by_step[:, 3:, 3:] = back
    return np.concatenate([vector, (back @ translation[..., None])[..., 0]], axis=1), by_step


def _left_jacobian_inverse(vector: Floats) -> Floats:
    """Change of a rotation vector with a further small turn from the left, shape (F, 3, 3)."""
    angle = np.linalg.norm(vector, axis=1)[:, None, None]
    safe = np.maximum(angle, 1e-4)
    # Below a ten-thousandth the series 1/12 + angle^2/720 is exact to the last digit.
    factor = np.where(
        angle < 1e-4, 1.0 / 12.0, 1.0 / safe**2 - (1.0 + np.cos(safe)) / (2.0 * safe * np.sin(safe))
    )
    k = cross_matrix(vector)
    return np.asarray(np.eye(3) - 0.5 * k + factor * (k @ k), np.float64)


def turned_by(vectors: Floats, points: Floats) -> Floats:
    """Turn points by rotation vectors of their own, both (..., 3) (Rodrigues' formula)."""
    square = (vectors * vectors).sum(axis=-1)[..., None]
    angle = np.sqrt(square)
    safe = np.where(square < 1e-12, 1.0, angle)
    sine = np.where(square < 1e-12, 1.0, np.sin(safe) / safe)
    cosine = np.where(square < 1e-12, 0.5, (1.0 - np.cos(safe)) / (safe * safe))
    # across (across p) is along (along . p) less p times the square.
    along = (vectors * points).sum(axis=-1)[..., None]
    turned = sine * np.cross(vectors, points)
    turned += cosine * along * vectors
    turned += (1.0 - cosine * square) * points
    return np.asarray(turned, np.float64)
