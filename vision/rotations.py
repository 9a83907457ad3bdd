"""Rotations as matrices, many at a time."""

from __future__ import annotations

import numpy as np

from vision.edges import Floats


def rotation_from_vector(vectors: Floats) -> Floats:
    """Turn rotation vectors into matrices (Rodrigues' formula).

    Parameters
    ----------
    vectors : ndarray, shape (..., 3)
        Axis times angle, rad.

    Returns
    -------
    ndarray, shape (..., 3, 3)
    """
    angle = np.linalg.norm(vectors, axis=-1)[..., None, None]
    small = angle < 1e-8
    safe = np.where(small, 1.0, angle)
    sine = np.where(small, 1.0, np.sin(safe) / safe)
    cosine = np.where(small, 0.5, (1.0 - np.cos(safe)) / safe**2)
    k = cross_matrix(vectors)
    result: Floats = np.eye(3) + sine * k + cosine * (k @ k)
    return result


def rotated(rotations: Floats, points: Floats) -> Floats:
    """Turn the points of each frame.

    Parameters
    ----------
    rotations : ndarray, shape (K, 3, 3)
    points : ndarray, shape (K, ..., 3)

    Returns
    -------
    ndarray, shape (K, ..., 3)
    """
    # One matrix product a frame is several times faster than a general sum over indices.
    flat = points.reshape(len(points), -1, 3) @ np.swapaxes(rotations, 1, 2)
    return np.asarray(flat.reshape(points.shape), np.float64)


def cross_matrix(vectors: Floats) -> Floats:
    """Give the matrix of the cross product with each vector, shape (..., 3, 3)."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    zero = np.zeros_like(x)
    return np.stack(
        [np.stack([zero, -z, y], -1), np.stack([z, zero, -x], -1), np.stack([-y, x, zero], -1)], axis=-2
    )


def turn_about_z(angle_rad: Floats) -> Floats:
    """Give rotations about the z axis, shape (..., 3, 3)."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    zero, one = np.zeros_like(c), np.ones_like(c)
    return np.stack(
        [np.stack([c, -s, zero], -1), np.stack([s, c, zero], -1), np.stack([zero, zero, one], -1)], axis=-2
    )


def mean_rotation(rotations: Floats) -> Floats:
    """Give the rotation nearest to the mean of several, shape (3, 3)."""
    u, _, vt = np.linalg.svd(rotations.mean(axis=0))
    result: Floats = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return result
