"""The renderer's own truth: camera, closure, motion, edges, exposure, encoding, sample files."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

import sample_media
from sample_media.develop import quantise
from sample_media.film import write_clip, write_truth
from sample_media.make_samples import SAMPLES
from sample_media.mechanism import (
    driven_direction,
    frame_times,
    motion_length_s,
    motor_travel,
    play,
    solve,
    spacing_and_line,
)
from sample_media.optics import CameraPath, project, rays
from sample_media.presets import PRESETS, change, random_linkage, random_scene, scene_preset, toggle_margins
from sample_media.render import Renderer, render_frames
from sample_media.scene import Linkage, Move, Occluder, Scene, Slip, strokes
from sample_media.staging import rod_length_mm, rod_marker_layer, rod_pins
from sample_media.truth import truth_angles, truth_document
from tests.rendered.witness import ids, intrinsics, profile_errors, seen_px, side_mm

FOLDER = Path(sample_media.__file__).parent
HALF_HD = {"size_wh": (960, 540), "focal_px": 725.0, "offset_px": (3.3, -2.6)}
TINY = {"size_wh": (320, 180), "focal_px": 242.0}
HELD = {"shake_mm": 2.5, "shake_deg": 0.3}

SAME_MODEL_PX = 1e-6  # two writings of the same formula in double precision
EDGE_MEAN_PX = 0.02  # an edge as a whole; 64 rays a pixel leave about 0.003
EDGE_PIXEL_PX = 0.15  # one pixel of an edge, four standard deviations of its 64 rays
ANGLE_DEG = 1e-9
SIX_DECIMALS = 5.1e-7  # rounding of the truth table


@pytest.mark.parametrize("time_s", [0.0, 1.37, 4.9])
def test_camera_agrees_with_opencv(time_s: float) -> None:
    """OpenCV's projectPoints and undistortPoints are the outside reference."""
    scene = scene_preset("train", camera=HELD | {"roll_deg": 7.0, "azimuth_deg": -20.0, "k1": 0.06})
    pose = CameraPath(scene.camera).pose(time_s)
    points = np.random.default_rng(2).uniform([-200, -150, -5], [200, 150, 60], (80, 3))
    K, distortion = intrinsics(truth_document(scene)["camera"])
    rotation, _ = cv2.Rodrigues(pose.rotation)
    expected, _ = cv2.projectPoints(points, rotation, pose.translation_mm, K, distortion)
    pixels = project(scene.camera, pose, points)
    np.testing.assert_allclose(pixels, expected[:, 0], rtol=0, atol=SAME_MODEL_PX)
    np.testing.assert_allclose(np.linalg.det(pose.rotation), 1.0, rtol=0, atol=1e-12)
    straight = rays(scene.camera, pixels)
    local = (points - pose.centre_mm) @ pose.rotation.T
    np.testing.assert_allclose(straight, local[:, :2] / local[:, 2:], rtol=0, atol=1e-9)


def test_hand_held_motion_has_the_size_asked_for() -> None:
    scene = scene_preset("pair", camera=HELD)
    path = CameraPath(scene.camera)
    centres = np.array([path.pose(t).centre_mm for t in np.arange(0.0, 200.0, 0.37)])
    spread = centres.std(axis=0)
    np.testing.assert_allclose(spread, HELD["shake_mm"], rtol=0.25, atol=0)
    still = CameraPath(scene_preset("pair").camera)
    np.testing.assert_allclose(still.pose(0.0).centre_mm, still.pose(9.0).centre_mm, rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    "camera, exposure_s", [({}, 0.0), ({}, 0.02), (HELD, 0.004)], ids=["still", "exposed", "hand"]
)
def test_rendered_edges_lie_where_the_truth_says(camera: dict, exposure_s: float) -> None:
    """Clean linear light: every marker edge, card, arms and rods, within 0.02 px of projected truth."""
    scene = scene_preset("train", camera=HALF_HD | camera, picture={"exposure_s": exposure_s})
    assert_edges_lie_where_the_truth_says(scene, 2.6)


def assert_edges_lie_where_the_truth_says(scene: Scene, time_s: float) -> None:
    """Every edge of every marker of a frame against the witness's own projection."""
    renderer, document = Renderer(scene), truth_document(scene)
    light = renderer.light(time_s) / renderer.illumination(time_s)
    for marker_id in ids(document):
        h = side_mm(document, marker_id) / 2
        share = np.linspace(-0.8, 0.8, 12) * h
        whole = np.full_like(share, h)
        for edge in ((share, whole), (share, -whole), (whole, share), (-whole, share)):
            plane = np.stack(edge, axis=-1)
            edge_px = seen_px(renderer, document, marker_id, plane, time_s)
            farther = seen_px(renderer, document, marker_id, 1.01 * plane[6:7], time_s)
            errors = profile_errors(light, edge_px, farther[0] - edge_px[6])
            assert len(errors) > 12
            assert abs(errors.mean()) < EDGE_MEAN_PX
            assert np.abs(errors).max() < EDGE_PIXEL_PX


def test_markers_decode_and_corners_keep_their_order() -> None:
    """OpenCV's detector as outside reference: no mirrored or turned codes; corners in the marker's order."""
    scene = scene_preset("fan", camera=HALF_HD | {"roll_deg": 25.0})
    renderer = Renderer(scene)
    picture = quantise(renderer.luma(3.0, 0))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    truth = renderer.marker_corners_px(3.0)
    seen = dict(zip(ids.reshape(-1).tolist(), corners, strict=True))
    assert set(seen) >= {0, 1, 2, 3, 10, 11, 12, 20}
    for marker_id in truth:
        # Unrefined corners of 40 px markers are rough; a swapped order would be off by a whole side.
        np.testing.assert_allclose(seen[marker_id][0], truth[marker_id], rtol=0, atol=2.5)


def test_exposure_is_the_mean_of_its_moments() -> None:
    """A fast arm, 2 px of smear: four moments against twelve sharp pictures."""
    fast = scene_preset("pair", camera=HALF_HD | HELD, moves=strokes(move_s=0.8))
    sharp = Renderer(change(fast, picture={"exposure_s": 0.0}))
    middle, span = 1.4, 0.03
    times = middle + span * ((np.arange(12) + 0.5) / 12 - 0.5)
    expected = np.mean([sharp.light(float(t)) for t in times], axis=0)
    smeared = Renderer(change(fast, picture={"exposure_s": span})).light(middle)
    x, y = sharp.marker_corners_px(middle)[10].mean(axis=0).astype(int)
    box = np.s_[y - 30 : y + 30, x - 30 : x + 30]
    error, effect = (
        np.abs(picture[box] - expected[box]).mean() for picture in (smeared, sharp.light(middle))
    )
    assert effect > 0.01
    assert error < 0.25 * effect
    assert abs(float(np.mean(smeared[box] - expected[box]))) < 0.001


def test_noise_has_the_level_asked_for_and_repeats() -> None:
    scene = scene_preset("pair", camera=TINY, picture={"noise_levels": 6.0, "noise_grain_px": 0.9})
    renderer = Renderer(scene)
    clean, noisy = renderer.luma(1.0), renderer.luma(1.0, 4)
    video_levels = 6.0 * 219 / 255
    np.testing.assert_allclose(np.std(noisy - clean), video_levels, rtol=0.05, atol=0)
    np.testing.assert_array_equal(noisy, renderer.luma(1.0, 4))
    assert np.abs(noisy - renderer.luma(1.0, 5)).mean() > 1.0


def test_gap_between_closure_and_a_published_four_bar() -> None:
    """Norton, Design of Machinery, Example 4-1: 40 / 120 / 80 / 100 at 40 degrees.

    Lengths from the public script of the example; the angles 57.33 (open) and -98.01 (crossed) from memory,
    57.33 being 0.005 high.
    """
    printed_deg = 0.006
    for branch, published in ((-1, 57.33), (1, -98.01)):
        linkage = Linkage(0, 1, 40.0, 80.0, 120.0, 40.0, branch)
        angle = np.rad2deg(driven_direction(linkage, 100.0, np.deg2rad([40.0])))[0]
        np.testing.assert_allclose(angle, published, rtol=0, atol=printed_deg)


def test_equal_parallel_arms_turn_alike() -> None:
    """Common practice: equal radii and parallel arms give equal travel."""
    linkage = Linkage(0, 1, 60.0, 60.0, 180.0, 45.0)
    drive = np.deg2rad(np.linspace(45.0, 135.0, 50))
    np.testing.assert_allclose(driven_direction(linkage, 180.0, drive), drive, rtol=0, atol=1e-12)


@pytest.mark.parametrize("name", list(PRESETS))
def test_rods_keep_their_length(name: str) -> None:
    """Without play the pins stay a rod's length apart; the rod marker keeps its place on the rod."""
    scene = scene_preset(name)
    mechanism = solve(scene)
    for number, linkage in enumerate(scene.linkages):
        for i in range(0, len(mechanism.time_s), 500):
            pins = rod_pins(
                scene, linkage, mechanism.drive_arm_rad[number, i], mechanism.driven_arm_rad[number, i]
            )
            length = np.hypot(*(pins[1] - pins[0])[:2])
            np.testing.assert_allclose(length, linkage.rod_mm, rtol=0, atol=1e-9)
            if linkage.rod_marker is not None:
                centre = rod_marker_layer(linkage.rod_marker, rod_length_mm(scene, linkage), pins).origin_mm
                from_pins = np.linalg.norm(centre - pins, axis=1)
                share = np.array([linkage.rod_marker.along, 1 - linkage.rod_marker.along])
                expected = np.hypot(share * rod_length_mm(scene, linkage), linkage.rod_marker.height_mm)
                np.testing.assert_allclose(from_pins, expected, rtol=0, atol=1e-9)


def test_rod_that_does_not_reach_is_refused() -> None:
    scene = scene_preset("pair")
    short = Linkage(0, 1, 56.0, 66.0, 110.0, 42.0)
    with pytest.raises(ValueError, match="cannot close"):
        solve(change(scene, linkages=(short,)))


def test_shaft_driven_twice_is_refused() -> None:
    scene = scene_preset("pair")
    with pytest.raises(ValueError, match="already driven"):
        solve(change(scene, linkages=scene.linkages * 2))


@pytest.mark.parametrize("travel_deg", [90.0, -90.0])
def test_lost_motion_shows_as_the_gap_between_the_passes(travel_deg: float) -> None:
    """Opening lags by half the play, closing leads by half, the low-fire hold is on the closing side."""
    start = 45.0 if travel_deg > 0 else 135.0
    linkage = Linkage(0, 1, 60.0, 60.0, 180.3, start, lost_motion_deg=1.7)
    scene = change(scene_preset("pair"), linkages=(linkage,), moves=strokes(travel_deg))
    mechanism = solve(scene)
    lag = np.rad2deg(mechanism.closed_rad[0] - mechanism.driven_arm_rad[0]) * np.sign(travel_deg)
    opening = (mechanism.time_s > 2.0) & (mechanism.time_s < 6.0)
    closing = (mechanism.time_s > 8.0) & (mechanism.time_s < 10.0)
    np.testing.assert_allclose(lag[opening], 0.85, rtol=0, atol=ANGLE_DEG)
    np.testing.assert_allclose(lag[closing], -0.85, rtol=0, atol=ANGLE_DEG)
    np.testing.assert_allclose(lag[[0, -1]], -0.85, rtol=0, atol=ANGLE_DEG)
    assert np.abs(lag).max() < 0.85 + ANGLE_DEG
    shaft = np.rad2deg(mechanism.shaft_rad[1])
    document = truth_document(scene)["linkages"][0]
    gap = document["driven_start_at_rest_deg"] - document["driven_start_deg"]
    np.testing.assert_allclose(gap, 0.85 * np.sign(travel_deg), rtol=0, atol=ANGLE_DEG)
    np.testing.assert_allclose(shaft[0], shaft[-1], rtol=0, atol=ANGLE_DEG)


def test_play_without_enough_motion_stays_put() -> None:
    small = np.deg2rad(np.abs(np.sin(np.linspace(0, 3, 40))))
    stays = play(small, np.deg2rad(1.1), 1.0)
    np.testing.assert_allclose(stays, np.deg2rad(0.55), rtol=0, atol=1e-15)


def test_motor_reaches_its_ends_at_an_even_speed() -> None:
    moves = (Move(90.0, 4.0, 1.0, 0.5), Move(0.0, 3.0, 1.0, 0.0))
    t = np.array([0.0, 1.0, 3.0, 5.0, 6.0, 7.5, 9.0, 10.0])
    expected = [0.0, 0.0, 45.0, 90.0, 90.0, 45.0, 0.0, 0.0]
    np.testing.assert_allclose(motor_travel(moves, 1.0, t), expected, rtol=0, atol=ANGLE_DEG)
    speed = np.diff(motor_travel(moves, 1.0, np.array([2.0, 2.1, 3.9, 4.0]))) / 0.1
    np.testing.assert_allclose(speed[[0, 2]], 90.0 / 3.5, rtol=0, atol=1e-6)


def test_slips_shift_what_comes_after_them() -> None:
    scene = scene_preset("pair", slips=(Slip(0, "drive", 3.0, 5.0), Slip(0, "driven", 8.0, -2.0)))
    time_s, slipped = truth_angles(scene)
    _, plain = truth_angles(change(scene, slips=()))
    early, last = time_s < 3.0, -1
    np.testing.assert_allclose(slipped[:, early], plain[:, early], rtol=0, atol=ANGLE_DEG)
    np.testing.assert_allclose(slipped[0], plain[0], rtol=0, atol=ANGLE_DEG)
    ratio_at_low_fire = (plain[1, 60] - plain[1, 0]) / (plain[0, 60] - plain[0, 0])
    assert slipped[1, last] + 2.0 == pytest.approx(5.0 * ratio_at_low_fire, abs=0.6)


def test_frame_times_follow_the_film() -> None:
    scene = scene_preset("pair", film={"fps": 29.97, "jitter_s": 0.006, "start_s": 2.0, "duration_s": 5.0})
    t = frame_times(scene)
    gaps = np.diff(t)
    assert len(t) == 150
    assert t[0] == 0.0
    np.testing.assert_allclose(gaps.mean(), 1 / 29.97, rtol=0, atol=0.002)
    np.testing.assert_allclose(gaps.std(), 0.006, rtol=0.3, atol=0)
    np.testing.assert_allclose(t * 90_000, np.round(t * 90_000), rtol=0, atol=1e-6)
    assert motion_length_s(scene) == 12.0
    # A film cut at the start counts from its own first frame, in mid-stroke.
    assert truth_angles(scene)[1][0, 0] == 0.0
    assert truth_angles(scene)[1][0].max() < 80.0


def test_random_linkages_close_and_keep_clear_of_toggle() -> None:
    rng = np.random.default_rng(8)
    branches = set()
    for _ in range(40):
        travel = float(rng.choice([90.0, -90.0]))
        linkage, spacing = random_linkage(rng, travel)
        drive, driven, moved = toggle_margins(linkage, spacing, travel)
        assert min(drive, driven) > 18.0
        assert 35.0 < abs(moved) < 130.0
        branches.add(linkage.branch)
    assert branches == {-1, 1}
    scene = random_scene(rng, film={"fps": 24.0})
    spacing, _ = spacing_and_line(scene, scene.linkages[0])
    document = truth_document(scene)
    assert document["fps"] == 24.0
    np.testing.assert_allclose(document["linkages"][0]["shaft_distance_mm"], spacing, rtol=0, atol=1e-12)


def test_unknown_scene_is_refused() -> None:
    with pytest.raises(ValueError, match="no scene 'wheel'"):
        scene_preset("wheel")


def test_hand_covers_the_marker_while_it_rests() -> None:
    hand = Occluder(start_s=2.0, end_s=3.0, rest_mm=(-90.0, 78.0))
    scene = scene_preset("pair", camera=HALF_HD, occluders=(hand,))
    bare = Renderer(change(scene, occluders=()))
    renderer = Renderer(scene)
    for time_s, hidden in ((1.0, False), (2.5, True), (4.0, False)):
        x, y = bare.marker_corners_px(time_s)[10].mean(axis=0).astype(int)
        box = np.s_[y - 15 : y + 15, x - 15 : x + 15]
        change_of_light = np.abs(renderer.light(time_s)[box] - bare.light(time_s)[box]).max()
        assert (change_of_light > 0.1) == hidden


def test_torn_card_and_glare_change_the_picture() -> None:
    scene = scene_preset("pair", camera=HALF_HD, card={"missing_ids": (1,)})
    assert 1 not in Renderer(scene).marker_corners_px(0.0)
    x, y = Renderer(scene).marker_corners_px(0.0)[10].mean(axis=0)
    glare = change(scene, picture={"glare_mm": (-70.0, 60.0), "glare_strength": 1.5, "glare_radius_mm": 30.0})
    plain, washed = (Renderer(s).luma(0.0)[int(y), int(x)] for s in (scene, glare))
    assert washed > plain + 50


def test_bit_depths_round_to_their_own_scale() -> None:
    luma = np.array([[16.0, 100.26, 300.0, -5.0]], np.float32)
    np.testing.assert_array_equal(quantise(luma), [[16, 100, 255, 0]])
    np.testing.assert_array_equal(quantise(luma, 10), [[64, 401, 1023, 0]])


CLIPS = [
    {"codec": "h264", "bits": 8, "rotation_deg_clockwise": 0, "jitter_s": 0.005},
    {"codec": "h264", "bits": 8, "rotation_deg_clockwise": 90, "jitter_s": 0.0},
    {"codec": "hevc", "bits": 10, "rotation_deg_clockwise": 180, "jitter_s": 0.0},
]


@pytest.mark.parametrize("film", CLIPS, ids=["variable-rate", "turned-h264", "ten-bit-hevc"])
def test_clip_reads_back_as_rendered(film: dict, tmp_path: Path) -> None:
    scene = scene_preset("pair", camera=TINY, film=film | {"start_s": 2.0, "duration_s": 0.3, "crf": 8.0})
    clip = tmp_path / "a.mp4"
    write_clip(scene, clip)
    write_truth(scene, tmp_path / "a.csv", tmp_path / "a.json", clip)
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.name == film["codec"]
        frames = list(container.decode(stream))
    with (tmp_path / "a.csv").open() as file:
        table = list(csv.DictReader(file))
    times = [float(row["time_s"]) for row in table]
    np.testing.assert_allclose([f.time for f in frames], times, rtol=0, atol=SIX_DECIMALS)
    document = json.loads((tmp_path / "a.json").read_text())
    assert document["frames"] == len(frames) == 9
    assert document["stored_size"] == [frames[0].width, frames[0].height]
    for frame, (_, upright) in zip(frames, render_frames(scene), strict=True):
        kind = np.dtype("<u2" if film["bits"] == 10 else "u1")
        plane = np.frombuffer(frame.planes[0], kind).reshape(frame.height, -1)[:, : frame.width]
        shown = np.rot90(plane, round(frame.rotation / 90)) / (1 << (film["bits"] - 8))
        # Fine quantisation leaves a level or two; a wrong turn or a dropped frame leaves tens.
        assert np.abs(shown - upright).mean() < 2.0


def assert_same_plain_values(a: object, b: object) -> None:
    """Same structure, same words, numbers equal but for the last digits (other machines' sines)."""
    if isinstance(a, dict) and isinstance(b, dict):
        assert a.keys() == b.keys()
        for key in a:
            assert_same_plain_values(a[key], b[key])
    elif isinstance(a, list) and isinstance(b, list):
        assert len(a) == len(b)
        for x, y in zip(a, b, strict=True):
            assert_same_plain_values(x, y)
    elif isinstance(a, float) and isinstance(b, float):
        assert a == pytest.approx(b, rel=1e-9, abs=1e-9)
    else:
        assert a == b


@pytest.mark.parametrize("name", list(SAMPLES))
def test_sample_files_are_what_their_script_makes(name: str, tmp_path: Path) -> None:
    scene, clip = SAMPLES[name](), FOLDER / f"{name}.mp4"
    assert clip.stat().st_size <= 5_000_000
    write_truth(scene, tmp_path / "t.csv", tmp_path / "t.json", clip)
    documents = [json.loads(p.read_text()) for p in (tmp_path / "t.json", FOLDER / f"{name}.truth.json")]
    assert_same_plain_values(*documents)
    made, stored = (
        np.loadtxt(p, delimiter=",", skiprows=1) for p in (tmp_path / "t.csv", FOLDER / f"{name}.truth.csv")
    )
    np.testing.assert_allclose(made, stored, rtol=0, atol=2e-6)
    with av.open(str(clip)) as container:
        frame = next(container.decode(video=0))
    luma = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.height, -1)[:, : frame.width]
    rendered = Renderer(scene).luma(0.0)
    # The stored picture differs by noise and by compression.
    assert np.abs(luma - rendered).mean() < 3.0
    readme = (FOLDER / "README.md").read_text()
    for suffix in (".mp4", ".truth.csv", ".truth.json"):
        assert hashlib.sha256((FOLDER / f"{name}{suffix}").read_bytes()).hexdigest() in readme


def test_sample_clips_show_the_faults_they_are_meant_to_show() -> None:
    found, left = (truth_document(SAMPLES[name]()) for name in ("as_found", "as_left"))
    motor, damper = found["shafts"][0]["travel_deg"], found["shafts"][1]["travel_deg"]
    assert motor == pytest.approx(90.0, abs=1e-9)
    assert damper < 60.0
    assert 15.0 < found["linkages"][0]["toggle_margin_drive_arm_deg"] < 30.0
    assert found["linkages"][0]["lost_motion_deg_at_driven"] == 1.3
    assert left["shafts"][1]["travel_deg"] == pytest.approx(90.0, abs=2.5)
    assert min(k["toggle_margin_drive_arm_deg"] for k in left["linkages"]) > 30.0
    assert left["linkages"][0]["lost_motion_deg_at_driven"] == 0.3
