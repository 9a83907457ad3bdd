"""Rows exposed one after another, and steadied pictures: found, taken out, no worse where there are none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation
from synthetic import (
    WH,
    Truth,
    departures_deg,
    outward_of,
    rolled_nodes,
    tracks_of,
    true_nodes,
    turn,
    two_shafts,
    without,
)

from strokecurve.vision.joint_fit import blocks
from strokecurve.vision.joint_fit.camera import Camera
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.row_time import RowTime, row_fractions
from strokecurve.vision.joint_fit.shutter import ShutterSettings
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]
NOISE_PX = 0.02


@cache
def trembling(frames: int = 120) -> Truth:
    """A film from a hand that sways, and trembles by a tenth of a degree at 7 Hz."""
    truth = two_shafts(frames, handheld=np.random.default_rng(4))
    time_s = truth.time_s
    phase = np.random.default_rng(5).uniform(0, 2 * np.pi, 6)
    tremor = np.sin(2 * np.pi * 7.0 * time_s[:, None] + phase)
    turns = np.array([turn(np.deg2rad(0.1) * v) for v in tremor[:, :3]])
    return replace(
        truth,
        rotation=turns @ truth.rotation,
        translation=truth.translation + 0.4 * tremor[:, 3:],
    )


@cache
def standing() -> Truth:
    truth = two_shafts(120)
    return replace(truth, time_s=1.3 * truth.time_s)


@cache
def seen(truth_of: str, rows_s: float, columns_s: float = 0.0) -> tuple:
    return rolled_nodes(trembling() if truth_of == "hand" else standing(), rows_s, columns_s)


def measured(truth: Truth, nodes: tuple, seed: int = 0) -> ShaftMotion:
    return find_shafts(tracks_of(truth, np.random.default_rng(seed), NOISE_PX, seen=nodes), SPECS, WH)


def errors_deg(truth: Truth, motion: ShaftMotion) -> np.ndarray:
    return np.array(
        [departures_deg(motion.angle_rad[:, s], shaft.angle_rad) for s, shaft in enumerate(truth.shafts)]
    )


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(values**2)))


def test_the_films_of_these_tests_are_those_of_opencv_at_the_rows_poses() -> None:
    """Nodes of the card at the pose of their own row, by ``cv2.projectPoints``."""
    truth, rows_s = trembling(), 0.02
    ids, nodes = seen("hand", rows_s)
    nodes = nodes + truth.ink_spread * truth.blur_px * outward_of(nodes)[..., None, :]
    turns = Rotation.from_matrix(truth.rotation @ truth.rotation[0].T).as_rotvec()
    path = CubicSpline(truth.time_s, np.concatenate([turns, truth.translation], axis=1))
    matrix = np.array([[truth.focal_px, 0, 959.5], [0, truth.focal_px, 539.5], [0, 0, 1.0]])
    share = 0.5 - 0.4 / 3**0.5
    corner, following = np.array([50.0, 65.0, 0.0]), np.array([90.0, 65.0, 0.0])
    point = (1 - share) * corner + share * following  # first node of the upper edge of marker 1
    for k in range(5, 115, 10):
        late = rows_s * (nodes[k, 1, 0, 0, 1] / 1080 - 0.5)
        now = path(truth.time_s[k] + late)
        vector = cv2.Rodrigues(turn(now[:3]) @ truth.rotation[0])[0]
        there = cv2.projectPoints(point[None], vector, now[3:], matrix, np.zeros(4))[0].reshape(2)
        assert_allclose(nodes[k, 1, 0, 0], there, rtol=0, atol=1e-4)
    assert ids[1] == 1


@pytest.mark.parametrize("readout_s, along", [(0.02, "rows"), (-0.015, "rows"), (0.018, "columns")])
def test_a_readout_is_found_and_taken_out_of_a_film_from_the_hand(readout_s: float, along: str) -> None:
    truth = trembling()
    rows, columns = (readout_s, 0.0) if along == "rows" else (0.0, readout_s)
    motion = measured(truth, seen("hand", rows, columns))
    value, sd = motion.shutter.readout_s
    assert motion.shutter.along == along
    assert abs(value - readout_s) < min(3 * sd, 0.002)
    assert not motion.shutter.steadied
    errors = errors_deg(truth, motion)
    # The same noise on a film whose rows are exposed at once: nothing is left to be found there.
    at_once = rms(errors_deg(truth, measured(truth, true_nodes(truth))))
    assert rms(errors) < 2 * at_once
    within = np.abs(errors) <= 2 * np.rad2deg(motion.sigma_rad.T)
    assert 0.85 < within.mean() < 0.999


def test_without_the_rows_time_that_film_errs_many_times_as_much() -> None:
    """The tremor is worth correcting: nodes as they are, taken for those of an instant, err far more."""
    truth = trembling()
    plain = [turn_of_marker(truth, seen("hand", 0.02)[1], m) for m in (4, 5)]
    instant = [turn_of_marker(truth, true_nodes(truth)[1], m) for m in (4, 5)]
    assert rms(np.array(plain) - np.array(instant)) > 0.1


def turn_of_marker(truth: Truth, nodes: np.ndarray, marker: int) -> np.ndarray:
    """Direction of a marker against the card in the picture, degrees: what a single frame shows at once."""

    def direction(m: int) -> np.ndarray:
        across = nodes[:, m, 0].mean(axis=1) - nodes[:, m, 2].mean(axis=1)
        return np.unwrap(np.arctan2(across[:, 1], across[:, 0]))

    return np.rad2deg(direction(marker) - direction(0))


def test_a_film_whose_rows_are_exposed_at_once_has_no_readout_and_loses_nothing() -> None:
    truth = trembling()
    motion = measured(truth, true_nodes(truth))
    assert motion.shutter.readout_s == (0.0, 0.0)
    assert not motion.shutter.steadied
    assert rms(errors_deg(truth, motion)) < 0.02


def test_long_films_are_moved_to_an_instant_a_block_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same as in one piece; where nothing moves them, nodes are handed on as they are."""
    truth = trembling()
    filmed = measured(truth, seen("hand", 0.02)).filmed
    rng = np.random.default_rng(3)
    shape = (len(truth.time_s), 2, 8)
    normals = rng.normal(size=(*shape, 2))
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    nodes = Nodes(rng.uniform(0, 1000, (*shape, 2)), normals, np.ones(shape), np.ones(shape))
    points, speeds = rng.uniform(-80, 80, (*shape, 3)), rng.uniform(-50, 50, (*shape, 3))
    camera = Camera(truth.focal_px, truth.centre_px, 0.01)
    whole = filmed.instant_points(nodes, camera, points, speeds)
    monkeypatch.setattr(blocks, "_FRAMES", 37)
    assert_allclose(
        filmed.instant_points(nodes, camera, points, speeds).pixels, whole.pixels, rtol=0, atol=1e-9
    )
    assert np.abs(whole.pixels - nodes.pixels).max() > 1.0
    at_once = replace(filmed, row_time=RowTime(), shift_px=None)
    assert at_once.instant_points(nodes, camera, points, speeds) is nodes


def test_on_a_tripod_the_arms_tell_and_the_doubt_is_in_the_deviations() -> None:
    truth = standing()
    rolled = measured(truth, seen("tripod", 0.018))
    assert rolled.steady
    value, sd = rolled.shutter.readout_s
    assert abs(value - 0.018) < 3 * sd
    assert sd > 0.001
    instant = measured(truth, true_nodes(truth))
    assert instant.filmed.row_time == RowTime(0.0, 0.0)
    assert rms(errors_deg(truth, rolled)) < 2 * rms(errors_deg(truth, instant))
    # While arms turn, a doubt of milliseconds is one of angles; at rest it is none.
    moving = np.abs(np.gradient(truth.shafts[0].angle_rad, truth.time_s)) > 0.5
    resting = np.abs(np.gradient(truth.shafts[0].angle_rad, truth.time_s)) < 0.01
    assert rolled.sigma_rad[moving, 0].mean() > 1.1 * rolled.sigma_rad[resting, 0].mean()


def test_a_slow_stroke_on_a_tripod_keeps_what_is_usual_and_says_how_unsure_that_is() -> None:
    """Where arms hardly turn the film tells nothing, and nothing is shifted by what it does not tell."""
    truth = standing()
    slow = replace(truth, time_s=20.0 * truth.time_s)
    motion = measured(slow, rolled_nodes(slow, 0.018))
    known = ShutterSettings()
    value, sd = motion.shutter.readout_s
    assert abs(value - known.usual_s) < known.usual_sigma_s
    assert 0.5 * known.usual_sigma_s < sd < 2 * known.usual_sigma_s
    assert rms(errors_deg(slow, motion)) < 0.02


def swaying(truth: Truth) -> Truth:
    """The same with a camera that turns by a degree about itself, as a hand that holds it does."""
    time_s = truth.time_s
    phase = np.random.default_rng(7).uniform(0, 2 * np.pi, (3, 3))
    hertz = np.array([0.4, 0.9, 1.7])
    sway = np.sin(2 * np.pi * time_s[:, None, None] * hertz + phase).sum(axis=2)
    turns = np.array([turn(np.deg2rad(0.6) * v) for v in sway])
    moved = (turns @ truth.translation[..., None])[..., 0]
    return replace(truth, rotation=turns @ truth.rotation, translation=moved)


def steadying(truth: Truth) -> np.ndarray:
    """Shifts (K, 2) that keep the middle of the card in its place but for a part of the hand's motion, px."""
    middle = truth.translation[:, :2] / truth.translation[:, 2:]
    return np.asarray(-0.85 * truth.focal_px * (middle - middle.mean(axis=0)))


def test_steadied_pictures_are_recognised() -> None:
    """How far shift and turn of the camera share one motion shows on the open clips, not here."""
    truth = swaying(trembling(240))
    motion = measured(truth, rolled_nodes(truth, 0.018, 0.0, steadying(truth)))
    assert motion.shutter.steadied
    assert motion.filmed.shift_px is not None
    assert motion.filmed.shift_px.shape == (240, 2)
    plain = measured(truth, rolled_nodes(truth, 0.018))
    assert not plain.shutter.steadied
    assert plain.filmed.shift_px is None
    assert rms(errors_deg(truth, plain)) < 0.05


def test_frames_without_the_card_are_gaps_and_the_path_goes_on_beside_them() -> None:
    truth = trembling()
    tracks = tracks_of(truth, np.random.default_rng(0), NOISE_PX, seen=seen("hand", 0.02))
    gone = slice(50, 62)
    for card in (0, 1, 2, 3):
        tracks = without(tracks, card, gone)
    motion = find_shafts(tracks, SPECS, WH)
    assert np.isnan(motion.angle_rad[gone]).all()
    assert np.isnan(motion.rotation[gone]).all()
    rest = np.ones(120, bool)
    rest[gone] = False
    assert np.isfinite(motion.angle_rad[rest]).all()
    assert np.nanmax(np.abs(errors_deg(truth, motion))) < 0.12


def test_fractions_of_a_readout() -> None:
    pixels = np.array([[0.0, 0.0], [960.0, 540.0], [1920.0, 1080.0]])
    fractions = row_fractions(pixels, WH)
    assert_allclose(fractions, [[-0.5, -0.5], [0.0, 0.0], [0.5, 0.5]], rtol=0, atol=1e-12)
    assert_allclose(RowTime(0.02, 0.0).delay_s(fractions), [-0.01, 0.0, 0.01], rtol=0, atol=1e-12)
    assert_allclose(RowTime(0.0, -0.01).delay_s(fractions), [0.005, 0.0, -0.005], rtol=0, atol=1e-12)


# Measured on phones, s from the first row to the last: iPhone 4 (720p), 4S, Galaxy S3 (1080p); L. Oth,
# P. Furgale, L. Kneip and R. Siegwart, Rolling shutter camera calibration, 2013, and the table collected by
# github.com/JzHuai0108/kalibr (doc/rolling-shutter-table.md).
PUBLISHED_READOUTS_S = (0.032, 0.026, 0.033)


def test_what_is_taken_for_usual_holds_for_published_phones() -> None:
    known = ShutterSettings()
    for readout_s in PUBLISHED_READOUTS_S:
        assert abs(readout_s - known.usual_s) < 2 * known.usual_sigma_s
