"""Initialisation: sizes of markers told apart, key frames, and the start of the joint fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from synthetic import WH, TrueMarker, looking, tracks_of, two_shafts, without

from strokecurve.vision.errors import DetectionError, PoseError
from strokecurve.vision.joint_fit.initialisation import initial_state, key_frames, marker_sides, unwrapped
from strokecurve.vision.joint_fit.joint import JointModel, JointSettings, MountedMarker
from strokecurve.vision.joint_fit.nodes import Nodes

MOUNTED = [MountedMarker(10, 30.0, 0), MountedMarker(11, 30.0, 1)]


@pytest.mark.parametrize("height_mm", [5.0, 30.0, 60.0, 90.0])
@pytest.mark.parametrize("lean_deg", [(0.0, 0.0), (25.0, -10.0), (-8.0, 34.0)])
@pytest.mark.parametrize("focal_px, distance_mm", [(1250.0, 550.0), (1478.0, 700.0), (1750.0, 1100.0)])
def test_twenty_and_thirty_millimetres_are_told_apart(
    height_mm: float, lean_deg: tuple[float, float], focal_px: float, distance_mm: float
) -> None:
    truth = two_shafts(12, focal_px=focal_px)
    rotation, translation = looking(12, distance_mm, lean_deg, (0.0, 60.0, 0.0))
    shafts = tuple(
        replace(s, markers=(TrueMarker(m, side, (1.0, 45.0, height_mm)),))
        for s, m, side in zip(truth.shafts, (10, 11), (20.0, 30.0), strict=True)
    )
    truth = replace(truth, rotation=rotation, translation=translation, shafts=shafts)
    tracks = tracks_of(truth, np.random.default_rng(1), 0.1)
    assert marker_sides(tracks, [10, 11], (30.0, 20.0), WH) == {10: 20.0, 11: 30.0}


def test_a_marker_never_seen_with_the_card_is_given_the_usual_size() -> None:
    tracks = without(tracks_of(two_shafts(12)), 10, slice(6, None))
    for card in range(4):
        tracks = without(tracks, card, slice(0, 6))
    assert marker_sides(tracks, [10], (30.0, 20.0), WH) == {10: 30.0}


def test_key_frames_follow_the_motion_and_prefer_full_frames() -> None:
    truth = two_shafts(300)
    still = replace(
        truth,
        shafts=tuple(
            replace(s, angle_rad=np.where(np.arange(300) < 200, s.angle_rad[0], s.angle_rad))
            for s in truth.shafts
        ),
    )
    tracks = without(tracks_of(still), 11, slice(250, 260))
    nodes = Nodes.from_tracks(tracks, [0, 1, 2, 3, 10, 11], np.full(6, 0.02))
    key = key_frames(nodes, 4, 60, 8)
    assert len(key) <= 60
    assert (np.diff(key) > 0).all()
    # The last third holds all of the motion.
    assert (key >= 200).mean() > 0.7
    assert not np.isin(key, np.arange(250, 260)).any()


def test_too_few_useful_frames_are_refused() -> None:
    tracks = without(without(tracks_of(two_shafts(20)), 10, slice(3, None)), 11, slice(3, None))
    nodes = Nodes.from_tracks(tracks, [0, 1, 2, 3, 10, 11], np.full(6, 0.02))
    with pytest.raises(DetectionError, match="only 3 frames"):
        key_frames(nodes, 4, 60, 8)


@pytest.mark.parametrize("handheld", [False, True])
def test_the_joint_fit_starts_near_the_truth(handheld: bool) -> None:
    truth = two_shafts(40, handheld=np.random.default_rng(2) if handheld else None)
    tracks = tracks_of(truth, np.random.default_rng(3), 0.03)
    model = JointModel([0, 1, 2, 3], MOUNTED, False, WH, JointSettings())
    state, key = initial_state(model, tracks, [0, 1, 2, 3, 10, 11], np.arange(40))
    assert_array_equal(key, np.arange(40))
    for s, shaft in enumerate(truth.shafts):
        assert_allclose(state.centre_mm[s], shaft.centre_mm, rtol=0, atol=12.0)
        assert_allclose(np.ptp(state.angle_rad[:, s]), np.ptp(shaft.angle_rad), rtol=0, atol=0.05)
        assert_allclose(state.mount_offset_mm[s, :2], shaft.markers[0].offset_mm[:2], rtol=0, atol=10.0)
    assert_allclose(state.translation[:, 2], truth.translation[:, 2], rtol=0.05, atol=0)


def test_no_card_pose_is_said_plainly() -> None:
    tracks = tracks_of(two_shafts(10))
    for card in range(4):
        tracks = without(tracks, card, slice(0, 10))
    model = JointModel([0, 1, 2, 3], MOUNTED, False, WH, JointSettings())
    with pytest.raises(PoseError, match="reference card"):
        initial_state(model, tracks, [0, 1, 2, 3, 10, 11], np.arange(10))


def test_unwrapping_steps_over_gaps() -> None:
    angle = np.linspace(0, 9, 40)
    wrapped = np.angle(np.exp(1j * angle))
    wrapped[7:10] = np.nan
    result = unwrapped(wrapped)
    assert np.isnan(result[7:10]).all()
    good = np.isfinite(wrapped)
    assert_allclose(result[good], angle[good], rtol=0, atol=1e-12)
