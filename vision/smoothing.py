"""The pose of a hand-held camera, smoothed over frames.

A single frame tells the tilt of the card only from its foreshortening, which is weak, and every angle
inherits that noise. But a hand cannot move a phone at will from one frame to the next: its acceleration is
limited. So the camera's place and direction are taken as integrated white acceleration, as strong as the
clip itself says (maximum likelihood), and smoothed with the poses of single frames and their covariances as
measurements. Where poses are well measured against what the hand does, this changes nothing; where they are
noisy, it averages over as many frames as the hand allows. Only the camera is smoothed, never a shaft.

With second differences over frames as the law of motion, the equations are banded, with a half width of
two frames, and solved at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from vision.edges import Bools, Floats
from vision.rotations import cross_matrix, mean_rotation, rotation_from_vector

_POSE = 6

_PAIR = 2 * _POSE
"""Half width of the band: a second difference reaches over two frames."""

_JERK = 6.25
"""Mean square difference, over the six parts of a pose in standard deviations, from which a frame's pose and
the smooth one are at odds: by chance once in a million frames."""

_LOOSE = 1e8
"""Factor on the variance of the acceleration where the camera or the card was knocked."""

_LEAST_FRAMES = 8
"""Frames with a pose below which there is nothing to estimate the acceleration from."""


@dataclass(frozen=True, slots=True)
class SmoothPoses:
    """Poses of F frames after smoothing.

    Attributes
    ----------
    rotation, translation : ndarray, shape (F, 3, 3) and (F, 3)
        Card to camera.
    covariance : ndarray, shape (F, 6, 6)
        Of a turn (rad) and a shift (mm) of the card in the camera frame, as if frames erred independently.
    knocked : ndarray of bool, shape (F,)
        Frames at which the motion was not smooth, and was left as measured.
    """

    rotation: Floats
    translation: Floats
    covariance: Floats
    knocked: Bools


def smooth_poses(
    time_s: Floats, rotation: Floats, translation: Floats, information: Floats
) -> SmoothPoses | None:
    """Smooth the poses of a hand-held camera.

    Parameters
    ----------
    time_s : ndarray, shape (F,)
        Rising.
    rotation, translation : ndarray, shape (F, 3, 3) and (F, 3)
        Pose of each frame alone.
    information : ndarray, shape (F, 6, 6)
        Inverse covariance of a turn and a shift of the card in the camera frame; 0 where none was measured.

    Returns
    -------
    SmoothPoses or None
        None where there are too few poses.
    """
    known = np.asarray(information[:, 0, 0] > 0)
    if known.sum() < _LEAST_FRAMES:
        return None
    reference = mean_rotation(rotation[known])
    path, by_step = _path(reference, rotation, translation)
    inverse = np.linalg.inv(by_step)
    weight = np.where(known[:, None, None], np.swapaxes(inverse, 1, 2) @ information @ inverse, 0.0)
    middle = path[known].mean(axis=0)
    line = _Path(time_s, np.where(known[:, None], path - middle, 0.0), weight)
    knocked = np.zeros(len(time_s), bool)
    strength = np.log(np.array([1e-3, 1.0]))
    for _ in range(3):
        strength = _strength(line, strength)
        smooth, covariance = line.smoothed(strength)
        off = np.where(known[:, None], path - middle - smooth, 0.0)
        jerk = np.einsum("fi,fij,fj->f", off, weight, off) > _JERK * _POSE
        if not (jerk & ~knocked).any():
            break
        knocked |= jerk
        line.loosen(knocked)
    vector = smooth[:, :3] + middle[:3]
    turned = rotation_from_vector(vector)
    place = (turned @ (smooth[:, 3:] + middle[3:])[..., None])[..., 0]
    return SmoothPoses(turned @ reference, place, inverse @ covariance @ np.swapaxes(inverse, 1, 2), knocked)


def _path(reference: Floats, rotation: Floats, translation: Floats) -> tuple[Floats, Floats]:
    """Path of the camera: its turn from a reference, and its place in the axes of the reference (negative).

    Returns
    -------
    path : ndarray, shape (F, 6)
    by_step : ndarray, shape (F, 6, 6)
        Its derivative by a turn and a shift of the card in the camera frame.
    """
    vector = np.asarray(Rotation.from_matrix(rotation @ reference.T).as_rotvec(), np.float64)
    back = np.swapaxes(rotation_from_vector(vector), 1, 2)
    by_step = np.zeros((len(vector), _POSE, _POSE))
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


class _Path:
    """Measured path of a camera, and the law that its acceleration is white."""

    def __init__(self, time_s: Floats, path: Floats, weight: Floats) -> None:
        self.frames = len(time_s)
        step = np.diff(time_s)
        # From one interval to the next, white acceleration changes the mean velocity as if it worked for half
        # the time of both.
        self._span = 0.5 * (step[:-1] + step[1:])
        self._differences = np.stack([1.0 / step[:-1], -1.0 / step[:-1] - 1.0 / step[1:], 1.0 / step[1:]], 1)
        self._loose = np.ones(self.frames - 2)
        pull = weight @ path[..., None]
        self._pull = pull.reshape(-1)
        self._measured = np.zeros((_PAIR + 1, self.frames * _POSE))
        for i in range(_POSE):
            for j in range(i + 1):
                self._measured[i - j, j::_POSE] = weight[:, i, j]

    def loosen(self, knocked: Bools) -> None:
        """Let the velocity change at will at these frames."""
        touched = knocked[:-2] | knocked[1:-1] | knocked[2:]
        self._loose = np.where(touched, _LOOSE, 1.0)

    def _band(self, strength: Floats) -> Floats:
        """Lower band of the information matrix of the path."""
        band = self._measured.copy()
        variance = 1.0 / (self._span * self._loose)
        per_axis = np.repeat(np.exp(-strength), 3)
        for i in range(3):
            for j in range(i + 1):
                law = variance * self._differences[:, i] * self._differences[:, j]
                rows = band[_POSE * (i - j)].reshape(self.frames, _POSE)
                rows[j : j + self.frames - 2] += law[:, None] * per_axis
        return band

    def misfit(self, strength: Floats) -> float:
        """Twice the negative log likelihood of the two intensities, up to a constant."""
        try:
            factor = cholesky_banded(self._band(strength), lower=True, check_finite=False)
        except np.linalg.LinAlgError:
            return np.inf
        best = cho_solve_banded((factor, True), self._pull, check_finite=False)
        prior = 3.0 * (self.frames - 2) * strength.sum()
        return float(2.0 * np.log(factor[0]).sum() + prior - self._pull @ best)

    def smoothed(self, strength: Floats) -> tuple[Floats, Floats]:
        """Path (F, 6) and its covariance in each frame (F, 6, 6)."""
        factor = cholesky_banded(self._band(strength), lower=True, check_finite=False)
        best = cho_solve_banded((factor, True), self._pull, check_finite=False)
        return best.reshape(self.frames, _POSE), _frame_blocks(factor, self.frames)


def _strength(line: _Path, start: NDArray[np.float64]) -> Floats:
    """Most likely intensities of acceleration (log): of the turn, rad^2/s^3, and of the place, mm^2/s^3."""
    simplex = start + np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]])
    # The smoothing hardly depends on them: half a factor of two is near enough.
    found = minimize(
        line.misfit,
        start,
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 0.35, "fatol": 2.0, "maxfev": 60},
    )
    return np.asarray(found.x, np.float64)


def _frame_blocks(factor: Floats, frames: int) -> Floats:
    """Blocks of six on the diagonal of the inverse, from the banded Cholesky factor.

    Two frames at a time make the factor block bidiagonal; then the inverse follows from the last pair
    backwards, S_k = (L_k L_k')^-1 + G_k S_k+1 G_k', G_k = L_k'^-1 B_k', with B_k the block below L_k.
    """
    pairs = (frames + 1) // 2
    padded = np.zeros((_PAIR + 1, pairs * _PAIR))
    padded[0] = 1.0
    padded[:, : factor.shape[1]] = factor
    block = np.zeros((pairs, _PAIR, _PAIR))
    below = np.zeros((pairs, _PAIR, _PAIR))
    for column in range(_PAIR):
        values = padded[:, column::_PAIR]
        block[:, column:, column] = values[: _PAIR - column].T
        below[:, : column + 1, column] = values[_PAIR - column :].T
    inverse = np.linalg.inv(block)
    carry = np.swapaxes(below @ inverse, 1, 2)
    carried = np.swapaxes(carry, 1, 2).copy()
    whole = np.swapaxes(inverse, 1, 2) @ inverse
    for k in range(pairs - 2, -1, -1):
        whole[k] += carry[k] @ whole[k + 1] @ carried[k]
    result = np.empty((2 * pairs, _POSE, _POSE))
    result[0::2] = whole[:, :_POSE, :_POSE]
    result[1::2] = whole[:, _POSE:, _POSE:]
    return result[:frames]
