"""The camera's path between frames, and the chain of equations that ties it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import CubicHermiteSpline
from synthetic import turn

from strokecurve.vision.joint_fit.chain import REACH, STATE, Chain
from strokecurve.vision.joint_fit.path import CameraPath, camera_path, places_of, turned_by
from strokecurve.vision.joint_fit.path_fit import _laws

LEAN = turn([3.0, 0.2, -0.1])  # the card faces the camera
EXACT = 1e-9  # rounding of sums of some hundred numbers near one


def wandering(frames: int, seed: int) -> CameraPath:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.02, 0.05, frames))
    return CameraPath(
        time_s, LEAN, rng.normal(size=(frames, 6)), rng.normal(size=(frames, 6)), np.ones(frames - 1, bool)
    )


def test_between_frames_the_path_is_the_cubic_through_places_and_speeds() -> None:
    path = wandering(12, 1)
    spline = CubicHermiteSpline(path.time_s, path.place, path.speed)
    late = np.random.default_rng(2).uniform(-0.009, 0.009, (12, 7))
    weights, slopes = path.weights(late)
    moments = path.time_s[:, None] + late
    inside = (moments >= path.time_s[0]) & (moments <= path.time_s[-1])
    assert_allclose(path.at(weights)[inside], spline(moments[inside]), rtol=0, atol=EXACT)
    assert_allclose(path.at(slopes)[inside], spline(moments[inside], 1), rtol=0, atol=1e-6)


def test_at_the_ends_of_a_stretch_the_path_goes_straight_on() -> None:
    path = wandering(4, 3)
    tied = np.array([True, False, True])
    cut = CameraPath(path.time_s, LEAN, path.place, path.speed, tied)
    late = np.array([[-0.01], [0.01], [-0.01], [0.01]])
    weights, slopes = cut.weights(late)
    assert_allclose(cut.at(weights)[:, 0], path.place + late * path.speed, rtol=0, atol=EXACT)
    assert_allclose(cut.at(slopes)[:, 0], path.speed, rtol=0, atol=EXACT)


def test_poses_and_places_belong_to_each_other() -> None:
    rng = np.random.default_rng(4)
    path = wandering(6, 5)
    small = CameraPath(path.time_s, LEAN, 0.2 * path.place, path.speed, path.tied)
    rotation, translation = small.poses()
    place, by_step = places_of(LEAN, rotation, translation)
    assert_allclose(place, small.place, rtol=0, atol=EXACT)
    # Its derivative by a turn and a shift of the card, against differences.
    step = 1e-6 * rng.normal(size=6)
    after, before = (
        places_of(LEAN, turn(sign * step[:3]) @ rotation, translation + sign * step[3:])[0]
        for sign in (1.0, -1.0)
    )
    assert_allclose((after - before) / 2, by_step @ step, rtol=0, atol=1e-11)


def test_a_path_through_poses_is_straight_over_frames_without_one() -> None:
    time_s = np.arange(5) * 0.04
    turns = np.array([0.0, 0.01, 9.0, 0.03, 0.04])[:, None] * np.array([1.0, 0.0, 0.0])
    rotation = np.array([turn(v) @ LEAN for v in turns])
    translation = np.tile([0.0, 0.0, 600.0], (5, 1))
    known = np.array([True, True, False, True, True])
    path = camera_path(time_s, LEAN, rotation, translation, known, np.ones(4, bool))
    assert_allclose(path.place[:, 0], 0.01 * np.arange(5), rtol=0, atol=EXACT)
    assert_allclose(path.speed[:, 0], 0.25, rtol=0, atol=EXACT)


def test_vectors_turn_points_as_matrices_do() -> None:
    rng = np.random.default_rng(6)
    for size in (0.0, 1e-8, 1e-3, 1.0, 3.0):
        vector, points = size * rng.normal(size=3), rng.normal(size=(5, 3))
        assert_allclose(turned_by(np.tile(vector, (5, 1)), points), points @ turn(vector).T, atol=EXACT)


@pytest.mark.parametrize("frames", [3, 8, 9])
def test_the_chain_is_solved_as_one_dense_system_would_be(frames: int) -> None:
    rng = np.random.default_rng(frames)
    rows = rng.normal(size=(frames, 60, REACH))
    measured, pull = np.swapaxes(rows, 1, 2) @ rows, rng.normal(size=(frames, REACH, 3))
    # What frames before the first and after the last one would add is nothing.
    measured[0, :STATE] = measured[0, :, :STATE] = measured[-1, -STATE:] = measured[-1, :, -STATE:] = 0.0
    pull[0, :STATE] = pull[-1, -STATE:] = 0.0
    law = _laws(np.full(frames - 1, 0.03), np.ones(frames - 1, bool))[0]
    state = rng.normal(size=(frames, STATE))
    size = STATE * (frames + 2)
    dense, right = np.zeros((size, size)), np.zeros((size, 3))
    for k in range(frames):
        at = slice(STATE * k, STATE * k + REACH)
        dense[at, at] += measured[k]
        right[at] += pull[k]
    for k in range(frames - 1):
        at = slice(STATE * (k + 1), STATE * (k + 3))
        dense[at, at] += law[k]
        right[at, 0] += law[k] @ state[k : k + 2].reshape(-1)
    inner = slice(STATE, size - STATE)
    chain = Chain(measured, pull)
    band = chain.law_band(law)
    solution, _, volume = chain.solved(band, chain.law_pull(law, state))
    wanted = np.linalg.solve(dense[inner, inner], right[inner])
    # The chain holds every unknown with a billionth of its own information, a law of 1e5 among them.
    assert_allclose(solution.reshape(-1, 3), wanted, rtol=0, atol=1e-4 * np.abs(wanted).max())
    assert_allclose(volume, np.linalg.slogdet(dense[inner, inner])[1], rtol=1e-6)
    inverse = np.linalg.inv(dense[inner, inner])
    blocks = [inverse[STATE * k : STATE * (k + 1), STATE * k : STATE * (k + 1)] for k in range(frames)]
    assert_allclose(chain.variances(band), blocks, rtol=0, atol=1e-4 * np.abs(blocks).max())


def test_the_law_is_that_of_white_acceleration() -> None:
    """Its inverse is the textbook covariance of place and speed after a time (Bar-Shalom, from memory)."""
    time_s = 0.04
    law = _laws(np.array([time_s]), np.ones(1, bool))[0].reshape(4, 6, 4, 6)[:, 0, :, 0]
    covariance = np.array([[time_s**3 / 3, time_s**2 / 2], [time_s**2 / 2, time_s]])
    # With the first frame known, the second one has that covariance.
    assert_allclose(np.linalg.inv(law[2:, 2:]), covariance, rtol=1e-9)
    # A steady speed costs nothing.
    steady = np.array([1.0, 2.0, 1.0 + 2.0 * time_s, 2.0])
    assert abs(steady @ law @ steady) < 1e-6
