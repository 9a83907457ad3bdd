"""Two markers of one shaft on a tripod tell the readout of the rows, also where an arm slips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic import (
    WH,
    TrueMarker,
    Truth,
    departures_deg,
    node_points_mm,
    outward_of,
    project,
    there_and_back,
    tracks_of,
    true_nodes,
    turn,
    two_shafts,
)

from vision.follow import MarkerTracks
from vision.hinges import find_shafts
from vision.motion import ShaftMotion, ShaftSpec

READOUT_S = 0.021
SPECS = [ShaftSpec("motor", ((10, 30.0), (30, 30.0))), ShaftSpec("shaft1", ((11, 30.0),))]


def rolling(truth: Truth, arms_rad: dict[int, np.ndarray], readout_s: float, seed: int) -> MarkerTracks:
    """Tracks of a tripod film whose rows are exposed one after another; every arm's angle given, (K,)."""
    ids, nodes = true_nodes(truth)
    for shaft in truth.shafts:
        axis = turn([*shaft.lean_rad, 0.0])
        for marker in shaft.markers:
            column = int(np.flatnonzero(ids == marker.marker_id)[0])
            mount = turn([0, 0, marker.spin_rad]) @ turn([*marker.tilt_rad, 0.0])
            body = node_points_mm(marker.side_mm) @ mount.T + marker.offset_mm
            for k, now in enumerate(truth.time_s):
                late = now + (nodes[k, column, ..., 1].reshape(8) / truth.wh[1] - 0.5) * readout_s
                angle = np.interp(late, truth.time_s, arms_rad[marker.marker_id])
                points = [
                    axis @ turn([0, 0, a]) @ p + [*shaft.centre_mm, 0.0]
                    for a, p in zip(angle, body, strict=True)
                ]
                nodes[k, column] = project(truth, k, np.array(points)).reshape(4, 2, 2)
    nodes[:, 4:] -= truth.bleed * truth.blur_px * outward_of(nodes[:, 4:])[..., None, :]
    noisy = tracks_of(truth, np.random.default_rng(seed), 0.03)
    error = noisy.nodes_px - true_nodes(truth)[1]
    return replace(noisy, nodes_px=nodes + error)


def film(
    slip_deg: float = 0.0, readout_s: float = READOUT_S, frames: int = 240
) -> tuple[dict[int, np.ndarray], MarkerTracks]:
    truth = two_shafts(frames)
    motor, shaft1 = truth.shafts
    more = TrueMarker(30, 30.0, (4.0, -48.0, 35.0), (0.01, 0.0), spin_rad=1.9)
    angle = there_and_back(frames, 90.0, 20.0)
    truth = replace(
        truth,
        time_s=np.arange(frames) / 30,
        shafts=(replace(motor, angle_rad=angle, markers=(*motor.markers, more)), shaft1),
    )
    slipped = angle + np.deg2rad(slip_deg) * (np.arange(frames) >= 150)
    arms = {10: angle, 30: slipped, 11: shaft1.angle_rad}
    return arms, rolling(truth, arms, readout_s, 3)


def measured(tracks: MarkerTracks, both: bool = True) -> ShaftMotion:
    specs = SPECS if both else [ShaftSpec("motor", ((10, 30.0),)), SPECS[1]]
    return find_shafts(tracks, specs, WH)


@pytest.mark.parametrize("slip_deg", [0.0, 3.0])
def test_the_readout_shows_between_the_markers_of_a_shaft(slip_deg: float) -> None:
    arms, tracks = film(slip_deg)
    motion, alone = measured(tracks), measured(tracks, both=False)
    value, sd = motion.shutter.readout_s
    assert abs(value - READOUT_S) < 3 * sd
    assert sd < 0.6 * alone.shutter.readout_s[1]
    assert [step.group for step in motion.arms.steps] == ([(0, 1)] if slip_deg else [])
    for marker, angle in arms.items():
        off = departures_deg(motion.arm_of(marker)[0], angle)
        assert np.sqrt(np.mean(off**2)) < 0.03


def test_where_all_rows_are_exposed_at_once_that_shows_too() -> None:
    arms, tracks = film(readout_s=0.0)
    motion = measured(tracks)
    assert motion.shutter.readout_s[0] == 0.0
    for marker, angle in arms.items():
        assert np.sqrt(np.mean(departures_deg(motion.arm_of(marker)[0], angle) ** 2)) < 0.03
