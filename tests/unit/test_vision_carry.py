"""A film carried along with the key frames that were fitted again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from synthetic import turn

from strokecurve.vision.joint_fit.camera import Camera
from strokecurve.vision.joint_fit.carry import carried
from strokecurve.vision.joint_fit.instant import Filmed
from strokecurve.vision.joint_fit.joint import JointState
from strokecurve.vision.joint_fit.path import CameraPath
from strokecurve.vision.joint_fit.row_time import RowTime

LEAN = turn([3.0, 0.2, -0.1])  # the card faces the camera
FRAMES, ARMS = 120, 2
LONGER = 1.03  # focal length, and with it the distance of the card
EXACT = 1e-9  # rounding of least squares over some dozen frames


def film(seed: int = 1) -> tuple[JointState, Filmed]:
    rng = np.random.default_rng(seed)
    time_s = np.arange(FRAMES) / 30
    size = np.array([0.02, 0.02, 0.02, 9.0, 9.0, 15.0])
    phase, pace = rng.uniform(0, 6, 6), rng.uniform(1.5, 6.0, 6)
    place = size * np.sin(pace * time_s[:, None] + phase) + np.array([0, 0, 0, 10.0, -20.0, 700.0])
    speed = size * pace * np.cos(pace * time_s[:, None] + phase)
    path = CameraPath(time_s, LEAN, place, speed, np.ones(FRAMES - 1, bool))
    rotation, translation = path.poses()
    state = JointState(
        camera=Camera(1500.0, (959.5, 539.5)),
        rotation=rotation,
        translation=translation,
        axis=np.repeat(np.eye(3)[None], ARMS, axis=0),
        centre_mm=np.zeros((ARMS, 2)),
        mount_rotation=np.repeat(np.eye(3)[None], ARMS, axis=0),
        mount_offset_mm=np.zeros((ARMS, 3)),
        angle_rad=rng.normal(size=(FRAMES, ARMS)),
    )
    return state, Filmed(path, RowTime(0.02, 0.0), (1920, 1080))


def again(state: JointState, filmed: Filmed, key: np.ndarray) -> tuple[JointState, CameraPath]:
    """Key frames by a camera of longer focal length that looks a little aside, and the path of all frames."""
    stretch = np.array([1, 1, 1, 1, 1, LONGER])
    aside = np.array([0.001, -0.002, 0.0, 1.0, 0.0, 0.0])
    path = replace(filmed.path, place=filmed.path.place * stretch + aside, speed=filmed.path.speed * stretch)
    rotation, translation = path.poses()
    moved = replace(
        state,
        camera=replace(state.camera, focal_px=LONGER * state.camera.focal_px),
        rotation=rotation[key],
        translation=translation[key],
        angle_rad=state.angle_rad[key] + np.array([0.01, -0.02]),
    )
    return moved, path


def test_frames_between_follow_what_changed_at_key_frames() -> None:
    state, filmed = film()
    key = np.arange(1, FRAMES, 3)
    better, path = again(state, filmed, key)
    found, taken = carried(state, filmed, better, key, np.ones((len(key), ARMS), bool))
    assert_allclose(taken.path.place, path.place, rtol=0, atol=EXACT)
    assert_allclose(taken.path.speed, path.speed, rtol=0, atol=1e-7)
    assert_allclose(found.angle_rad, state.angle_rad + np.array([0.01, -0.02]), rtol=0, atol=EXACT)
    assert found.camera.focal_px == better.camera.focal_px
    assert taken.row_time == filmed.row_time


def test_a_key_frame_that_went_astray_carries_nothing_away() -> None:
    state, filmed = film()
    key = np.arange(0, FRAMES, 3)
    better, path = again(state, filmed, key)
    better.translation[7] += [0.0, 0.0, 90.0]
    better.angle_rad[7] += 1.0
    found, taken = carried(state, filmed, better, key, np.ones((len(key), ARMS), bool))
    assert_allclose(taken.path.place, path.place, rtol=0, atol=EXACT)
    assert_allclose(found.angle_rad, state.angle_rad + np.array([0.01, -0.02]), rtol=0, atol=EXACT)


def test_with_few_key_frames_all_frames_change_alike() -> None:
    state, filmed = film()
    key = np.arange(0, FRAMES, 10)
    better, _ = again(state, filmed, key)
    _, taken = carried(state, filmed, better, key, np.ones((len(key), ARMS), bool))
    change = taken.path.place - filmed.path.place
    assert_allclose(change, np.repeat(change[:1], FRAMES, axis=0), rtol=0, atol=EXACT)
    assert change[0, 5] == pytest.approx(700.0 * (LONGER - 1), abs=1.0)
    assert_array_equal(taken.path.speed, filmed.path.speed)


def test_an_arm_that_no_key_frame_shows_stays() -> None:
    state, filmed = film()
    key = np.arange(0, FRAMES, 3)
    better, _ = again(state, filmed, key)
    seen = np.ones((len(key), ARMS), bool)
    seen[:, 1] = False
    found, _ = carried(state, filmed, better, key, seen)
    assert_array_equal(found.angle_rad[:, 1], state.angle_rad[:, 1])
    assert_allclose(found.angle_rad[:, 0], state.angle_rad[:, 0] + 0.01, rtol=0, atol=EXACT)


def test_shifted_pictures_are_left_to_settle_anew() -> None:
    state, filmed = film()
    key = np.arange(0, FRAMES, 3)
    better, _ = again(state, filmed, key)
    shifted = replace(filmed, shift_px=np.zeros((FRAMES, 2)))
    found, taken = carried(state, shifted, better, key, np.ones((len(key), ARMS), bool))
    assert taken is shifted
    assert_array_equal(found.angle_rad, state.angle_rad)
    assert found.camera.focal_px == better.camera.focal_px
