"""The pose of a hand-held camera, smoothed over frames.

A single frame tells the tilt of the card only from its foreshortening, which is weak, and every angle
inherits that noise. But a hand cannot move a phone at will from one frame to the next: its acceleration is
limited. So the camera's place and direction are taken as integrated white acceleration, as strong as the
clip itself says (maximum likelihood), and smoothed with the poses of single frames and their covariances as
measurements. Where poses are well measured against what the hand does, this changes nothing; where they are
noisy, it averages over as many frames as the hand allows. Only the camera is smoothed, never a shaft.

With second differences over frames as the law of motion, each frame is tied to two before and two after it.
The equations are solved a few frames at a time, from the first to the last and back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.arrays import Bools, Floats
from vision.rotations import cross_matrix, mean_rotation, rotation_from_vector, vector_from_rotation

_POSE = 6

_BLOCK = 6
"""Frames solved together: fewer make more turns of the loop, more make larger matrices."""

_TIED = 2 * _POSE
"""Unknowns of a block that are tied to the next: a second difference reaches over two frames."""

_LOOSE = 1e8
"""Factor on the variance of the acceleration where the camera or the card was knocked."""

_MOST_TURNS, _LONGEST = 6, 3.0
"""Turns of the search for the intensity of the acceleration, and its longest step (natural logarithm)."""

_SHORTEST_S = 1e-4
"""Frames of a damaged file that carry the same time are taken to lie so far apart."""

_TRACE = 1e-9
"""Share of the mean information of a frame that is assumed in every frame."""

_STRETCHES, _STRETCH = 4, 300
"""A longer clip shows how the camera is held in so many stretches of so many frames."""

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
    time_s: Floats, rotation: Floats, translation: Floats, information: Floats, knock: float
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
    knock : float
        Difference of a frame's pose and the smooth one, in standard deviations (root mean square of its six
        parts), from which the motion was not smooth.

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
    measured = np.where(known[:, None], path - middle, 0.0)
    line = _Path(time_s, measured, weight)
    stretches = [(_Path(time_s[s], measured[s], weight[s]), s) for s in _stretches(len(time_s))]
    knocked = np.zeros(len(time_s), bool)
    strength = line.guess()
    for _ in range(3):
        strength = _likeliest([part for part, _ in stretches], strength)
        smooth, covariance = line.smoothed(strength)
        off = np.where(known[:, None], path - middle - smooth, 0.0)
        off_path = np.einsum("fi,fij,fj->f", off, weight, off) > knock**2 * _POSE
        if not (off_path & ~knocked).any():
            break
        knocked |= off_path
        line.loosen(knocked)
        for part, where in stretches:
            part.loosen(knocked[where])
    vector = smooth[:, :3] + middle[:3]
    turned = rotation_from_vector(vector)
    place = (turned @ (smooth[:, 3:] + middle[3:])[..., None])[..., 0]
    return SmoothPoses(turned @ reference, place, inverse @ covariance @ np.swapaxes(inverse, 1, 2), knocked)


def _stretches(frames: int) -> list[slice]:
    """Parts of the clip from which the intensity of the acceleration is taken: all of a short one."""
    if frames <= _STRETCHES * _STRETCH:
        return [slice(0, frames)]
    first = np.linspace(0, frames - _STRETCH, _STRETCHES).astype(int)
    return [slice(f, f + _STRETCH) for f in first.tolist()]


def _path(reference: Floats, rotation: Floats, translation: Floats) -> tuple[Floats, Floats]:
    """Path of the camera: its turn from a reference, and its place in the axes of the reference (negative).

    Returns
    -------
    path : ndarray, shape (F, 6)
    by_step : ndarray, shape (F, 6, 6)
        Its derivative by a turn and a shift of the card in the camera frame.
    """
    vector = vector_from_rotation(rotation @ reference.T)
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
        self._path, self._weight = path, weight
        step = np.maximum(np.diff(time_s), _SHORTEST_S)
        # From one interval to the next, white acceleration changes the mean velocity as if it worked for half
        # the time of both.
        self._span = 0.5 * (step[:-1] + step[1:])
        self._differences = np.stack([1.0 / step[:-1], -1.0 / step[:-1] - 1.0 / step[1:], 1.0 / step[1:]], 1)
        self._loose = np.ones(self.frames - 2)
        self._blocks = -(-self.frames // _BLOCK)
        # Frames added to fill the last block are known to be 0, and tied to nothing.
        filled = np.repeat(np.eye(_POSE)[None], self._blocks * _BLOCK, axis=0)
        filled[: self.frames] = weight
        # A trace of knowledge keeps long gaps solvable.
        filled += np.diag(_TRACE * np.diagonal(weight, axis1=1, axis2=2).mean(axis=0))
        each = np.arange(_BLOCK)
        self._measured = np.zeros((self._blocks, _BLOCK, _POSE, _BLOCK, _POSE))
        self._measured[:, each, :, each] = np.swapaxes(
            filled.reshape(self._blocks, _BLOCK, _POSE, _POSE), 0, 1
        )
        pull = np.zeros((self._blocks * _BLOCK, _POSE))
        pull[: self.frames] = (weight @ path[..., None])[..., 0]
        self._pull = pull.reshape(self._blocks, _BLOCK * _POSE)
        self._whole = float((path * pull[: self.frames]).sum())

    def loosen(self, knocked: Bools) -> None:
        """Let the velocity change at will at these frames."""
        touched = knocked[:-2] | knocked[1:-1] | knocked[2:]
        self._loose = np.where(touched, _LOOSE, 1.0)

    def guess(self) -> Floats:
        """Intensities (log) from the size of the second differences, less what noise would make."""
        known = self._weight[:, 0, 0] > 0
        noise = np.full((self.frames, _POSE), np.nan)
        noise[known] = np.diagonal(np.linalg.inv(self._weight[known]), axis1=1, axis2=2)
        path = np.where(known[:, None], self._path, np.nan)
        change, chance = np.zeros((2, self.frames - 2, _POSE))
        for i in range(3):
            part = slice(i, i + self.frames - 2)
            change += self._differences[:, i, None] * path[part]
            chance += self._differences[:, i, None] ** 2 * noise[part]
        size = np.nanmean(change**2 / self._span[:, None], axis=0)
        rest = np.maximum(size - np.nanmean(chance / self._span[:, None], axis=0), 0.02 * size)
        both = rest.reshape(2, 3).mean(axis=1)
        return np.asarray(np.log(np.maximum(both, 1e-12)), np.float64)

    def _law(self) -> Floats:
        """Lower band of what the law says of each axis for intensity 1: (3, F), frame with itself, +1, +2."""
        law = np.zeros((3, self._blocks * _BLOCK))
        precision = 1.0 / (self._span * self._loose)
        for i in range(3):
            for j in range(i + 1):
                product = precision * self._differences[:, i] * self._differences[:, j]
                law[i - j, j : j + self.frames - 2] += product
        return law

    def _equations(self, strengths: Floats) -> tuple[Floats, Floats]:
        """Information of blocks with themselves, and of their last two frames with the next two.

        Shapes (n, C, 36, 36) and (n, C, 12, 12) for C pairs of intensities.
        """
        law = self._law().reshape(3, self._blocks, _BLOCK)
        precision = np.repeat(np.exp(-strengths), 3, axis=1)
        within = np.zeros((self._blocks, _BLOCK, _BLOCK))
        each = np.arange(_BLOCK)
        within[:, each, each] = law[0]
        for lag in (1, 2):
            within[:, each[lag:], each[:-lag]] = law[lag][:, :-lag]
            within[:, each[:-lag], each[lag:]] = law[lag][:, :-lag]
        matrix = np.repeat(self._measured[:, None], len(strengths), axis=1)
        for axis in range(_POSE):
            matrix[:, :, :, axis, :, axis] += within[:, None] * precision[:, axis, None, None]
        tie = np.zeros((self._blocks, 2, 2))
        tie[:, 0, 0], tie[:, 1, 0], tie[:, 1, 1] = law[2][:, -2], law[1][:, -1], law[2][:, -1]
        ties = np.einsum("nij,ca,ab->nciajb", tie, precision, np.eye(_POSE))
        shape = (self._blocks, len(strengths))
        return matrix.reshape(*shape, _BLOCK * _POSE, -1), ties.reshape(*shape, _TIED, _TIED)

    def _eliminated(self, strengths: Floats) -> tuple[Floats, Floats, Floats]:
        """Eliminate block after block.

        Returns
        -------
        factors : ndarray, shape (n, C, 37, 37)
            Cholesky factors of the blocks once those before are eliminated, the right side as last row.
        ties : ndarray, shape (n, C, 12, 12)
        pulls : ndarray, shape (n, C, 36)
            Right side once those before are eliminated.
        """
        matrix, ties = self._equations(strengths)
        size = matrix.shape[-1]
        factors = np.zeros((*matrix.shape[:2], size + 1, size + 1))
        factors[..., :size, :size] = matrix
        factors[..., size, :size] = self._pull[:, None]
        # Any number that is larger than what the solution explains keeps the border positive.
        factors[..., size, size] = self._whole + 1.0
        pulls = np.repeat(self._pull[:, None], len(strengths), axis=1)
        factors[0] = np.linalg.cholesky(factors[0])
        for k in range(1, self._blocks):
            last = factors[k - 1][:, size - _TIED :, size - _TIED : size]
            carry = np.linalg.inv(last[:, :_TIED]) @ ties[k - 1]
            turned = np.swapaxes(carry, 1, 2)
            pulls[k, :, :_TIED] -= (turned @ last[:, _TIED, :, None])[..., 0]
            factors[k, :, :_TIED, :_TIED] -= turned @ carry
            factors[k, :, size, :_TIED] = pulls[k, :, :_TIED]
            factors[k] = np.linalg.cholesky(factors[k])
        return factors, ties, pulls

    def misfits(self, strengths: Floats) -> Floats:
        """Twice the negative log likelihood (C,) of pairs of intensities (C, 2), up to a constant."""
        factors, _, _ = self._eliminated(strengths)
        size = _BLOCK * _POSE
        diagonal = np.diagonal(factors, axis1=2, axis2=3)[..., :size]
        prior = 3.0 * (self.frames - 2) * strengths.sum(axis=1)
        explained = (factors[:, :, size, :size] ** 2).sum(axis=(0, 2))
        return np.asarray(2.0 * np.log(diagonal).sum(axis=(0, 2)) + prior - explained, np.float64)

    def smoothed(self, strength: Floats) -> tuple[Floats, Floats]:
        """Path (F, 6) and its covariance in each frame (F, 6, 6)."""
        factors, ties, pulls = (values[:, 0] for values in self._eliminated(strength[None]))
        size = _BLOCK * _POSE
        root = np.linalg.inv(factors[:, :size, :size])
        whole = np.swapaxes(root, 1, 2) @ root
        path = (whole @ pulls[..., None])[..., 0]
        # What a block does (negative) when the first two frames of the next one move.
        follow = whole[:, :, size - _TIED :] @ ties
        back = np.swapaxes(follow, 1, 2).copy()
        for k in range(self._blocks - 2, -1, -1):
            path[k] -= follow[k] @ path[k + 1, :_TIED]
            whole[k] += follow[k] @ whole[k + 1, :_TIED, :_TIED] @ back[k]
        each = np.arange(_BLOCK)
        blocks = whole.reshape(self._blocks, _BLOCK, _POSE, _BLOCK, _POSE)[:, each, :, each]
        covariance = np.swapaxes(blocks, 0, 1).reshape(-1, _POSE, _POSE)
        return path.reshape(-1, _POSE)[: self.frames], covariance[: self.frames]


def _likeliest(lines: list[_Path], start: Floats) -> Floats:
    """Most likely intensities of acceleration (log): of the turn, rad^2/s^3, and of the place, mm^2/s^3.

    Parabolas through three points along each of the two lead there. The smoothing hardly depends on them: a
    factor of one and a half is near enough.
    """
    best = start
    sides = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, -1.0], [1.0, 0.0], [0.0, 1.0]])
    for _ in range(_MOST_TURNS):
        here, *around = np.sum([line.misfits(best + sides) for line in lines], axis=0)
        less, more = np.array(around).reshape(2, 2)
        bend, slope = less - 2.0 * here + more, 0.5 * (more - less)
        # Where the parabola has no bottom, go a long step downhill.
        move = np.where(bend > 0, -slope / np.where(bend > 0, bend, 1.0), -np.sign(slope) * _LONGEST)
        best = best + np.clip(move, -_LONGEST, _LONGEST)
        if np.abs(move).max() < 0.4:
            break
    return best
