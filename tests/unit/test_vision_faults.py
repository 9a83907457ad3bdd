"""Filming faults: each said when it is there and only then."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from synthetic import WH, looking, tracks_of, turn, two_shafts, without

from strokecurve.app.words.findings import in_words
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.motion.faults import Fault, FaultSettings, find_faults
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.rods import RodMotion
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]


@cache
def good() -> tuple[MarkerTracks, ShaftMotion]:
    tracks = tracks_of(two_shafts(100), np.random.default_rng(0), 0.02)
    return tracks, find_shafts(tracks, SPECS, WH)


def found(faults: tuple[Fault, ...], code: str) -> list[Fault]:
    return [f for f in faults if f.code == code]


def test_a_good_clip_has_no_faults() -> None:
    assert find_faults(*good(), 0) == ()


def test_every_fault_is_a_plain_statement_with_its_figures() -> None:
    tracks, motion = good()
    strict = FaultSettings(1.01, 500.0, 0.1, 0.0, 0.0, 200.0)
    faults = find_faults(without(tracks, 2, slice(0, 80)), motion, 3, strict)
    assert {f.code: f.unit for f in faults} == {
        "marker_lost": "%",
        "marker_small": "px",
        "blurred": "px",
        "card_partial": "markers",
        "oblique": "deg",
        "arm_plane_tilted": "deg",
        "file_damaged": "pieces",
        "few_frames": "frames/s",
    }
    for f in faults:
        assert f.severity in ("note", "caution")
        assert in_words(f).text.endswith(".")
        assert in_words(f).advice.endswith(".")
        assert f.value is None or np.isfinite(f.value)


@pytest.mark.parametrize("gap, severity", [(5, "note"), (30, "caution")])
def test_a_lost_marker(gap: int, severity: str) -> None:
    tracks, motion = good()
    angle = motion.angle_rad.copy()
    angle[40 : 40 + gap, 1] = np.nan
    faults = found(find_faults(tracks, replace(motion, angle_rad=angle), 0), "marker_lost")
    assert [(f.where, f.severity) for f in faults] == [("shaft1", severity)]
    assert faults[0].value == pytest.approx(100 - gap)
    assert faults[0].limit == pytest.approx(97)
    longest = motion.time_s[40 + gap] - motion.time_s[39]
    assert f"{longest:.1f} s" in in_words(faults[0]).text


def test_a_shaft_never_measured_has_one_long_gap() -> None:
    tracks, motion = good()
    angle = motion.angle_rad.copy()
    angle[:, 0] = np.nan
    fault = found(find_faults(tracks, replace(motion, angle_rad=angle), 0), "marker_lost")[0]
    assert fault.value == 0
    assert f"{np.ptp(motion.time_s):.1f} s" in in_words(fault).text


def test_one_short_gap_is_no_fault() -> None:
    tracks, motion = good()
    angle = motion.angle_rad.copy()
    angle[10:12, 0] = np.nan
    assert not found(find_faults(tracks, replace(motion, angle_rad=angle), 0), "marker_lost")


@pytest.mark.parametrize("count, expected", [(2, 0), (6, 1)])
def test_a_disturbed_marker(count: int, expected: int) -> None:
    tracks, motion = good()
    refused = motion.refused.copy()
    refused[:count, motion.marker_ids.index(10)] = True
    faults = found(find_faults(tracks, replace(motion, refused=refused), 0), "marker_disturbed")
    assert len(faults) == expected
    assert all(f.where == "marker 10" and f.value == count for f in faults)


@pytest.mark.parametrize("allowed, limit", [(3.1, 3), (7.9, 7), (0.0, 0)])
def test_the_limit_of_disturbed_frames_is_whole_and_the_last_allowed(allowed: float, limit: int) -> None:
    tracks, motion = good()
    settings = FaultSettings(most_refused_share=allowed / len(motion.time_s))
    for count in (limit, limit + 1):
        refused = motion.refused.copy()
        refused[:count, 0] = True
        faults = found(find_faults(tracks, replace(motion, refused=refused), 0, settings), "marker_disturbed")
        assert [(f.value, f.limit) for f in faults] == ([] if count == limit else [(count, limit)])


def rod_like(marker_id: int) -> RodMotion:
    """A rod measured in every frame of the good clip."""
    motion = good()[1]
    frames = len(motion.time_s)
    return RodMotion(
        marker_id, np.zeros((frames, 2)), np.zeros(frames), 35.0, np.eye(3), np.zeros(frames, bool)
    )


def test_a_rod_is_held_to_the_same() -> None:
    tracks, motion = good()
    rod = rod_like(11)  # any marker that was followed
    assert find_faults(tracks, motion, 0, rods=[rod]) == ()
    lost = rod.angle_rad.copy()
    lost[:10] = np.nan
    gone = find_faults(tracks, motion, 0, rods=[replace(rod, angle_rad=lost)])
    assert [(f.code, f.where, f.severity) for f in gone] == [("marker_lost", "rod with marker 11", "note")]
    refused = rod.refused.copy()
    refused[:6] = True
    disturbed = find_faults(tracks, motion, 0, rods=[replace(rod, refused=refused)])
    assert [(f.code, f.where, f.value) for f in disturbed] == [("marker_disturbed", "marker 11", 6)]


def test_a_rod_marker_that_is_small_or_blurred() -> None:
    tracks, motion = good()
    column = int(np.flatnonzero(tracks.ids == 11)[0])
    nodes, blur = tracks.nodes_px.copy(), tracks.blur_px.copy()
    middle = nodes[:, column].mean(axis=(1, 2), keepdims=True)
    nodes[:, column] = middle + 0.4 * (nodes[:, column] - middle)
    blur[:, column] = 2.6
    tracks = replace(tracks, nodes_px=nodes, blur_px=blur)
    without_arm = replace(
        motion,
        marker_ids=motion.marker_ids[:-1],
        twist_rad=motion.twist_rad[:, :-1],
        shaft_of=motion.shaft_of[:-1],
    )
    assert find_faults(tracks, without_arm, 0) == ()
    faults = find_faults(tracks, without_arm, 0, rods=[rod_like(11)])
    assert {(f.code, f.where) for f in faults} == {("marker_small", "marker 11"), ("blurred", "marker 11")}


@pytest.mark.parametrize("distance_mm, expected", [(900.0, set()), (1500.0, {"marker 10", "marker 11"})])
def test_small_markers(distance_mm: float, expected: set[str]) -> None:
    truth = two_shafts(30)
    rotation, translation = looking(30, distance_mm)
    tracks = tracks_of(replace(truth, rotation=rotation, translation=translation))
    # 30 mm at 1500 mm and 1478 px: 29.6 px; at 900 mm: 49 px; the limit is 36 px.
    motion = find_shafts(tracks_of(truth, np.random.default_rng(0), 0.02), SPECS, WH)
    faults = found(find_faults(tracks, motion, 0), "marker_small")
    assert {f.where for f in faults} == expected
    assert all(f.value is not None and 28 < f.value < 31 for f in faults)


@pytest.mark.parametrize("blur_px, expected", [(2.0, 0), (2.6, 1)])
def test_blur(blur_px: float, expected: int) -> None:
    tracks, motion = good()
    blur = tracks.blur_px.copy()
    # Only while the arm moves: a fifth of the clip.
    blur[40:60, int(np.flatnonzero(tracks.ids == 11)[0]), 1] = blur_px
    faults = found(find_faults(replace(tracks, blur_px=blur), motion, 0), "blurred")
    assert [f.where for f in faults] == ["marker 11"] * expected


def test_part_of_the_card_out_of_sight() -> None:
    tracks, motion = good()
    assert not found(find_faults(without(tracks, 3, slice(0, 40)), motion, 0), "card_partial")
    away = find_faults(without(tracks, 3, slice(0, 60)), motion, 0)
    assert "3 was out of sight" in in_words(found(away, "card_partial")[0]).text
    truth = two_shafts(30, card_ids=(0, 1))
    tracks = tracks_of(truth, np.random.default_rng(0), 0.02)
    fault = found(find_faults(tracks, find_shafts(tracks, SPECS, WH), 0), "card_partial")[0]
    assert "2, 3 were out of sight" in in_words(fault).text
    assert fault.value == 2


@pytest.mark.parametrize("lean_deg, expected", [(30.0, 0), (41.0, 1)])
def test_an_oblique_view(lean_deg: float, expected: int) -> None:
    tracks, motion = good()
    rotation, translation = looking(100, 650.0, (0.0, lean_deg))
    faults = found(
        find_faults(tracks, replace(motion, rotation=rotation, translation=translation), 0), "oblique"
    )
    assert len(faults) == expected
    assert all(f.value == pytest.approx(lean_deg, abs=0.2) for f in faults)


@pytest.mark.parametrize(
    "leans_deg, expected",
    [
        ((7.0, 7.0), []),
        ((9.5, 9.0), ["motor", "shaft1"]),
        ((1.0, 22.0), []),
        ((12.0, 30.0), ["motor", "shaft1"]),
    ],
)
def test_a_card_out_of_the_plane_of_the_arms(leans_deg: tuple[float, float], expected: list[str]) -> None:
    tracks, motion = good()
    axis = np.array([turn([0.0, np.deg2rad(lean), 0.0])[:, 2] for lean in leans_deg])
    faults = found(find_faults(tracks, replace(motion, axis=axis), 0), "arm_plane_tilted")
    assert [f.where for f in faults] == expected


def test_damage_and_a_low_rate() -> None:
    tracks, motion = good()
    damage = found(find_faults(tracks, motion, 4), "file_damaged")
    assert [f.value for f in damage] == [4]
    slow = replace(tracks, time_s=2.0 * tracks.time_s)
    few = found(find_faults(slow, replace(motion, time_s=slow.time_s), 0), "few_frames")
    assert few[0].value == pytest.approx(15, rel=0.05)
