"""The smoothed path of a hand-held camera: against a dense solve, honest, and never across a knock."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from synthetic import turn

from vision import smoothing
from vision.hinges import HingeSettings
from vision.rotations import vector_from_rotation
from vision.smoothing import SmoothPoses, smooth_poses

LEAN = turn(np.deg2rad([5.0, -7.0, 2.0])) @ np.diag([1.0, -1.0, -1.0])


def times(frames: int, rng: np.random.Generator) -> np.ndarray:
    """A clock that wanders, with a gap of some lost frames."""
    step = rng.uniform(0.025, 0.045, frames)
    step[frames // 3] = 0.2
    return np.cumsum(step)


def informations(frames: int, rng: np.random.Generator) -> np.ndarray:
    root = rng.normal(size=(frames, 6, 6))
    return root @ np.swapaxes(root, 1, 2) + 0.1 * np.eye(6)


def dense(time_s: np.ndarray, path: np.ndarray, weight: np.ndarray, log_intensity: np.ndarray) -> tuple:
    """Path, covariance of each frame and -2 log likelihood from full matrices, the law written out anew."""
    frames = len(time_s)
    step = np.diff(time_s)
    law = np.zeros((frames - 2, frames))
    for k in range(frames - 2):
        law[k, k : k + 3] = 1 / step[k], -1 / step[k] - 1 / step[k + 1], 1 / step[k + 1]
    per_time = law.T @ np.diag(2 / (step[:-1] + step[1:])) @ law
    precision = np.kron(per_time, np.diag(np.repeat(np.exp(-log_intensity), 3)))
    measured = np.zeros((6 * frames, 6 * frames))
    for k in range(frames):
        measured[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] = weight[k]
    covariance = np.linalg.inv(precision + measured)
    pull = measured @ path.reshape(-1)
    best = covariance @ pull
    misfit = -np.linalg.slogdet(covariance)[1] + 3 * (frames - 2) * log_intensity.sum() - pull @ best
    blocks = [covariance[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] for k in range(frames)]
    return best.reshape(frames, 6), np.array(blocks), misfit


@pytest.mark.parametrize("frames", [9, 12, 13, 25])
def test_blocks_give_what_a_dense_solve_gives(frames: int) -> None:
    rng = np.random.default_rng(frames)
    time_s, path = times(frames, rng), rng.normal(size=(frames, 6))
    weight = informations(frames, rng)
    weight[4] = 0.0
    line = smoothing._Path(time_s, path, weight)
    both = np.array([[1.0, 3.0], [-2.0, 0.5]])
    misfits = line.misfits(both)
    for strength, misfit in zip(both, misfits, strict=True):
        best, covariance, wanted = dense(time_s, path, weight, strength)
        found, blocks = line.smoothed(strength)
        # A trace of knowledge (1e-9) in every frame is the only difference.
        assert_allclose(found, best, rtol=0, atol=1e-5 * np.abs(best).max())
        assert_allclose(blocks, covariance, rtol=0, atol=1e-5 * np.abs(covariance).max())
        assert_allclose(misfit, wanted, rtol=0, atol=1e-4)


def test_steps_of_the_path_are_finite_differences() -> None:
    rng = np.random.default_rng(1)
    rotation = np.array([turn(0.3 * rng.normal(size=3)) @ LEAN for _ in range(6)])
    translation = rng.normal(size=(6, 3)) * 40 + np.array([0, 0, 600])
    _, by_step = smoothing._path(LEAN, rotation, translation)
    for i in range(6):
        step = 1e-6 * np.eye(6)[i]
        ends = [
            smoothing._path(LEAN, turn(sign * step[:3]) @ rotation, translation + sign * step[3:])[0]
            for sign in (1, -1)
        ]
        numeric = (ends[0] - ends[1]) / 2e-6
        assert_allclose(by_step[..., i], numeric, rtol=0, atol=1e-6 * max(np.abs(numeric).max(), 1))


def test_rotation_vectors_are_those_that_made_the_rotation() -> None:
    vectors = np.random.default_rng(2).normal(size=(20, 3))
    vectors[0], vectors[1] = 0.0, (1e-9, 0.0, 0.0)
    found = vector_from_rotation(np.array([turn(v) for v in vectors]))
    assert_allclose(found, vectors, rtol=0, atol=1e-12)


def swaying(frames: int, turn_deg: float, shift_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, rotation and translation of a card seen by a camera that sways below one hertz."""
    rng = np.random.default_rng(3)
    t = np.arange(frames) / 30
    sway = sum(np.sin(2 * np.pi * hertz * t[:, None] + rng.uniform(0, 6, 6)) / 2 for hertz in (0.3, 0.5, 0.8))
    rotation = np.array([turn(np.deg2rad(turn_deg) * s[:3]) @ LEAN for s in sway])
    return t, rotation, np.array([0.0, 30.0, 600.0]) + shift_mm * sway[:, 3:]


KNOCK = HingeSettings().knock

SIGMA = np.array([8e-4, 8e-4, 2e-4, 0.02, 0.02, 0.1])
"""Noise of one frame's pose in low light: rad and mm."""


def measured(
    rotation: np.ndarray, translation: np.ndarray, sigma: np.ndarray, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    error = sigma * rng.normal(size=(len(rotation), 6))
    noisy = np.array([turn(e[:3]) @ r for e, r in zip(error, rotation, strict=True)])
    return noisy, translation + error[:, 3:], np.repeat(np.diag(sigma**-2)[None], len(rotation), axis=0)


def errors(smooth: SmoothPoses, rotation: np.ndarray, translation: np.ndarray) -> np.ndarray:
    """Turn and shift that are left, (F, 6)."""
    left = vector_from_rotation(smooth.rotation @ np.swapaxes(rotation, 1, 2))
    return np.concatenate([left, smooth.translation - translation], axis=1)


def test_noise_falls_and_what_is_left_is_stated() -> None:
    t, rotation, translation = swaying(240, 0.2, 1.5)
    off, z = [], []
    for seed in range(4):
        smooth = smooth_poses(t, *measured(rotation, translation, SIGMA, seed), KNOCK)
        assert smooth is not None
        assert not smooth.knocked.any()
        off.append(errors(smooth, rotation, translation))
        z.append(off[-1] / np.sqrt(np.diagonal(smooth.covariance, axis1=1, axis2=2)))
    # The tilts are the noisy ones; sways below a hertz at 30 frames/s leave several frames to average over.
    assert np.std(off, axis=(0, 1))[:2].max() < 0.55 * SIGMA[0]
    # 960 frames, of which about one in six is independent.
    spread = np.sqrt((np.array(z) ** 2).mean(axis=(0, 1)))
    assert spread.min() > 0.6
    assert spread.max() < 1.25


def test_well_measured_poses_stay_as_they_are() -> None:
    t, rotation, translation = swaying(120, 0.5, 4.0)
    sigma = SIGMA * 1e-3
    noisy, place, information = measured(rotation, translation, sigma, 5)
    smooth = smooth_poses(t, noisy, place, information, KNOCK)
    assert smooth is not None
    # Sways are large against this noise even from frame to frame: the change is less than the noise itself.
    assert (np.abs(errors(smooth, noisy, place)) < 3 * sigma).all()


def test_a_knock_is_not_smoothed_over() -> None:
    t, rotation, translation = swaying(150, 0.2, 1.5)
    moved = translation.copy()
    moved[75:] += np.array([1.5, -1.0, 2.0])
    rotation = rotation.copy()
    rotation[75:] = turn([0.012, -0.008, 0.004]) @ rotation[75:]
    smooth = smooth_poses(t, *measured(rotation, moved, SIGMA, 6), KNOCK)
    assert smooth is not None
    assert smooth.knocked[74:76].all()
    assert np.flatnonzero(smooth.knocked).min() >= 68
    assert np.flatnonzero(smooth.knocked).max() <= 81
    # Beside the knock as elsewhere: within the noise of single frames.
    assert (np.abs(errors(smooth, rotation, moved)) < 4 * SIGMA).all()


def test_frames_without_a_pose_neither_help_nor_hurt() -> None:
    t, rotation, translation = swaying(150, 0.2, 1.5)
    noisy, place, information = measured(rotation, translation, SIGMA, 7)
    information[60:75] = 0.0
    noisy[60:75], place[60:75] = np.eye(3), 1e6
    smooth = smooth_poses(t, noisy, place, information, KNOCK)
    assert smooth is not None
    known = np.delete(np.arange(150), np.s_[60:75])
    assert (np.abs(errors(smooth, rotation, translation))[known] < 4 * SIGMA).all()
    assert_array_equal(smooth.knocked[known], False)


def test_two_frames_with_the_same_time_do_no_harm() -> None:
    t, rotation, translation = swaying(120, 0.2, 1.5)
    t = t.copy()
    t[50] = t[49]
    smooth = smooth_poses(t, *measured(rotation, translation, SIGMA, 10), KNOCK)
    assert smooth is not None
    assert (np.abs(errors(smooth, rotation, translation)) < 4.5 * SIGMA).all()


def test_a_handful_of_poses_is_not_smoothed() -> None:
    t, rotation, translation = swaying(40, 0.2, 1.5)
    noisy, place, information = measured(rotation, translation, SIGMA, 8)
    information[5:] = 0.0
    assert smooth_poses(t, noisy, place, information, KNOCK) is None


def test_the_intensity_of_a_random_acceleration_is_found() -> None:
    rng = np.random.default_rng(9)
    frames, step = 400, 1 / 30
    wanted = np.array([2e-4, 30.0])
    kick = rng.normal(size=(frames, 6)) * np.sqrt(np.repeat(wanted, 3) * step)
    path = np.cumsum(np.cumsum(kick, axis=0) * step, axis=0)
    sigma = np.repeat([8e-4, 0.3], 3)
    noisy = path + sigma * rng.normal(size=path.shape)
    weight = np.repeat(np.diag(sigma**-2)[None], frames, axis=0)
    line = smoothing._Path(np.arange(frames) * step, noisy, weight)
    found = smoothing._likeliest([line], line.guess())
    # Three axes and some fifty independent stretches each: known to about 15 %, and sought within half.
    assert_allclose(found, np.log(wanted), rtol=0, atol=np.log(1.9))


def test_long_clips_show_their_motion_in_stretches() -> None:
    assert smoothing._stretches(1200) == [slice(0, 1200)]
    parts = smoothing._stretches(9000)
    assert [p.stop - p.start for p in parts] == [300] * 4
    assert (parts[0].start, parts[-1].stop) == (0, 9000)
