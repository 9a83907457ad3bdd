"""Rotations as matrices, many at a time."""

from __future__ import annotations

import numpy as np

from strokecurve.vision.arrays import Floats


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


def vector_from_rotation(rotations: Floats) -> Floats:
    """Turn matrices (..., 3, 3) into rotation vectors (..., 3); not for turns near half a circle."""
    twist = 0.5 * (rotations - np.swapaxes(rotations, -1, -2))
    vector = np.stack([twist[..., 2, 1], twist[..., 0, 2], twist[..., 1, 0]], axis=-1)
    sine = np.linalg.norm(vector, axis=-1)
    angle = np.arctan2(sine, 0.5 * (np.trace(rotations, axis1=-2, axis2=-1) - 1.0))
    stretch = np.where(sine < 1e-8, 1.0, angle / np.maximum(sine, 1e-300))
    return np.asarray(vector * stretch[..., None], np.float64)


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
    result = np.zeros((*vectors.shape, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    result[..., 0, 1], result[..., 0, 2] = -z, y
    result[..., 1, 0], result[..., 1, 2] = z, -x
    result[..., 2, 0], result[..., 2, 1] = -y, x
    return result


def turn_about_z(angle_rad: Floats) -> Floats:
    """Give rotations about the z axis, shape (..., 3, 3)."""
    result = np.zeros((*np.shape(angle_rad), 3, 3))
    result[..., 0, 0] = result[..., 1, 1] = np.cos(angle_rad)
    result[..., 1, 0] = np.sin(angle_rad)
    result[..., 0, 1] = -result[..., 1, 0]
    result[..., 2, 2] = 1.0
    return result


def mean_rotation(rotations: Floats) -> Floats:
    """Give the rotation nearest to the mean of several, shape (3, 3)."""
    u, _, vt = np.linalg.svd(rotations.mean(axis=0))
    result: Floats = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return result


def least_turn_to(direction: Floats) -> Floats:
    """Give the rotation (3, 3) with the least turn that takes z to a direction, shape (3,), of any length."""
    to = direction / np.linalg.norm(direction)
    turn = np.cross([0.0, 0.0, 1.0], to)
    sine = float(np.linalg.norm(turn))
    if sine < 1e-12:
        return np.eye(3)
    result: Floats = rotation_from_vector(turn / sine * np.arctan2(sine, to[2]))
    return result
