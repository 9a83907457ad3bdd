"""Films as phones make them: rows one after another, tremor, steadying, breathing focus, pans, encoders."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from av.video.frame import PictureType

from sample_media.film import write_clip, write_truth
from sample_media.filming import Film, Pan
from sample_media.mechanism import closing_direction, driven_direction, spacing_and_line
from sample_media.optics import CameraPath, project
from sample_media.presets import (
    HAND,
    MESSENGER_FILM,
    PHONE_FILM,
    SHAKY_HAND,
    change,
    scene_preset,
)
from sample_media.render import Renderer
from sample_media.scene import ArmMarker, Linkage, Scene, Shaft, Slip, strokes
from sample_media.shutter import sensor_shutter
from sample_media.truth import truth_document, truth_table
from tests.rendered.witness import ids, marker_frame, pins_mm, profile_errors, seen_px, side_mm

HALF_HD: dict[str, Any] = {"size_wh": (960, 540), "focal_px": 725.0, "offset_px": (3.3, -2.6)}
HALF_WIDE: dict[str, Any] = HALF_HD | {"focal_px": 528.0, "k1": -0.06, "k2": 0.008, "distance_mm": 430.0}
TINY: dict[str, Any] = {"size_wh": (320, 180), "focal_px": 242.0}
INSTANT = {"exposure_s": 0.0}
STEADIED = {"steadied_share": 0.85, "breathing_share": 0.006}
FAST = strokes(90.0, move_s=1.0)

EDGE_MEAN_PX = 0.02  # an edge as a whole; 64 rays a pixel leave about 0.003
EDGE_PIXEL_PX = 0.15  # one pixel of an edge, four standard deviations of its 64 rays
SAME_PX = 1e-3  # linear in time between nodes a quarter of a millisecond apart
SAME_ANGLE_DEG = 1e-9


def slipping(end: str) -> Scene:
    """Three shafts; on shaft1 each arm carries its own marker, and one of them slips by 4 degrees."""
    train = scene_preset("train", camera=HALF_HD, moves=FAST)
    middle = train.shafts[1]
    markers = (
        replace(middle.markers[0], arm=(0, "driven")),
        ArmMarker(31, height_mm=23.0, along_mm=31.0, mount_angle_deg=2.9, arm=(1, "drive")),
    )
    shafts = (train.shafts[0], replace(middle, markers=markers), train.shafts[2])
    second = replace(train.linkages[1], rod_mm=163.0, drive_start_deg=-132.0, branch=1)
    linkage = 0 if end == "driven" else 1
    slips = (Slip(linkage, end, 1.4, 4.0, duration_s=0.1),)
    return change(train, shafts=shafts, linkages=(train.linkages[0], second), slips=slips)


def tilted(tilt_deg: float = 22.0, tilt_axis_deg: float = 110.0, **changes: Any) -> Scene:
    """The pair with its driven shaft tilted."""
    pair = scene_preset("pair", camera=HALF_HD, moves=FAST)
    shafts = (pair.shafts[0], replace(pair.shafts[1], tilt_deg=tilt_deg, tilt_axis_deg=tilt_axis_deg))
    return change(pair, shafts=shafts, linkages=(replace(pair.linkages[0], rod_mm=190.0),), **changes)


PHONES = {
    "rows": scene_preset(
        "train", camera=HALF_HD | SHAKY_HAND, film={"row_readout_s": 0.02}, picture=INSTANT, moves=FAST
    ),
    "rows-backward-60": scene_preset(
        "train", camera=HALF_HD | HAND, film={"row_readout_s": -0.012, "fps": 60.0}, picture=INSTANT
    ),
    "columns": scene_preset(
        "train",
        camera=HALF_HD | SHAKY_HAND,
        film={"row_readout_s": 0.024, "readout_along": "columns"},
        picture=INSTANT,
        moves=FAST,
    ),
    "portrait": scene_preset(
        "pair",
        camera=HALF_HD | SHAKY_HAND | {"size_wh": (540, 960), "distance_mm": 650.0},
        film={"row_readout_s": 0.018, "rotation_deg_clockwise": 90},
        picture=INSTANT,
        moves=FAST,
    ),
    "exposed": scene_preset(
        "pair", camera=HALF_HD, film={"row_readout_s": 0.02}, picture={"exposure_s": 0.01}
    ),
    "wide": scene_preset(
        "pair", camera=HALF_WIDE | HAND, film={"row_readout_s": 0.02}, picture=INSTANT, moves=FAST
    ),
    "steadied": scene_preset(
        "train", camera=HALF_HD | SHAKY_HAND | STEADIED, film={"row_readout_s": 0.018}, picture=INSTANT
    ),
    "slipped": change(slipping("driven"), camera=HAND, film={"row_readout_s": 0.018}, picture=INSTANT),
    "tilted": tilted(camera=HAND, film={"row_readout_s": 0.018}, picture=INSTANT),
}


@pytest.mark.parametrize("name", list(PHONES))
def test_edges_lie_where_the_row_saw_them(name: str) -> None:
    """Every edge of every marker within 0.02 px of OpenCV's projection at the row's own time."""
    scene, time_s = PHONES[name], 1.52
    renderer, document = Renderer(scene), truth_document(scene)
    light = renderer.light(time_s) / renderer.illumination(time_s)
    at_once = Renderer(change(scene, film={"row_readout_s": 0.0}))
    moved = []
    for marker_id in ids(document):
        h = side_mm(document, marker_id) / 2
        share = np.linspace(-0.8, 0.8, 12) * h
        whole = np.full_like(share, h)
        for edge in ((share, whole), (share, -whole), (whole, share), (-whole, share)):
            plane = np.stack(edge, axis=-1)
            edge_px = seen_px(renderer, document, marker_id, plane, time_s)
            farther = seen_px(renderer, document, marker_id, 1.01 * plane[6:7], time_s)
            errors = profile_errors(light, edge_px, farther[0] - edge_px[6])
            assert len(errors) > 8
            assert abs(errors.mean()) < EDGE_MEAN_PX
            assert np.abs(errors).max() < EDGE_PIXEL_PX
        corners = h * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        seen = renderer.marker_corners_px(time_s)[marker_id]
        wanted = seen_px(renderer, document, marker_id, corners, time_s)
        np.testing.assert_allclose(seen, wanted, rtol=0, atol=SAME_PX)
        moved.append(np.abs(seen - at_once.marker_corners_px(time_s)[marker_id]).max())
    # The same frame exposed at once looks otherwise by many times what is allowed above.
    assert max(moved) > 5 * EDGE_MEAN_PX


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("along", ["rows", "columns"])
def test_readout_follows_the_stored_picture(turn: int, along: str) -> None:
    """Times written into a stored picture, turned by numpy as a player would turn it."""
    width, height, readout_s = 7, 4, 0.021
    stored_w, stored_h = (height, width) if turn % 180 else (width, height)
    rows, columns = np.mgrid[0:stored_h, 0:stored_w]
    share = rows / stored_h if along == "rows" else columns / stored_w
    shown = np.rot90((share - 0.5) * readout_s, -turn // 90)
    film = Film(rotation_deg_clockwise=turn, row_readout_s=readout_s, readout_along=along)
    shutter = sensor_shutter(film, (width, height))
    y, x = np.mgrid[0:height, 0:width]
    times = shutter.offset_s(np.stack([x, y], axis=-1))
    np.testing.assert_allclose(times, shown, rtol=0, atol=1e-15)


def test_readout_along_neither_rows_nor_columns_is_refused() -> None:
    with pytest.raises(ValueError, match="'rows' or 'columns', not 'sideways'"):
        sensor_shutter(Film(readout_along="sideways"), (7, 4))


def test_a_turned_film_is_stored_with_its_rows_in_order(tmp_path: Path) -> None:
    """The decoded picture of a fast arm is the one with this order of rows, not the one with the contrary."""
    pair = scene_preset("pair", camera=TINY | {"size_wh": (180, 320)}, first_hold_s=0.2, moves=FAST)
    film = {"rotation_deg_clockwise": 90, "row_readout_s": 0.03, "crf": 6.0}
    cut = film | {"start_s": 0.1, "duration_s": 0.4}
    scene = change(pair, film=cut, picture={"noise_levels": 0.0})
    write_clip(scene, tmp_path / "turned.mp4")
    with av.open(str(tmp_path / "turned.mp4")) as container:
        frame = list(container.decode(video=0))[6]
    stored = np.frombuffer(frame.planes[0], np.uint8).reshape(frame.height, -1)[:, : frame.width]
    assert stored.shape == (180, 320)
    shown = np.rot90(stored, round(frame.rotation / 90)).astype(float)
    document = truth_document(scene)
    renderer = Renderer(scene)
    centre = seen_px(renderer, document, 10, np.zeros((1, 2)), frame.time)[0]
    x, y = np.round(centre).astype(int)
    wanted = renderer.luma(frame.time)
    box = np.s_[y - 8 : y + 9, x - 8 : x + 9]
    other = Renderer(change(scene, film={"row_readout_s": -0.03})).luma(frame.time)
    assert np.abs(shown[box] - wanted[box]).mean() < 0.5 * np.abs(shown[box] - other[box]).mean()


def test_tremor_has_the_size_and_the_pace_asked_for() -> None:
    camera = scene_preset("pair", camera={"tremor_mm": 0.4, "tremor_deg": 0.06}).camera
    time_s = np.arange(0.0, 120.0, 1 / 100)
    pose = CameraPath(camera).pose(time_s)
    away = pose.centre_mm - pose.centre_mm.mean(axis=0)
    np.testing.assert_allclose(away.std(axis=0), 0.4, rtol=0.02, atol=0)
    turn = pose.rotation @ np.linalg.inv(CameraPath(replace(camera, tremor_deg=0.0)).pose(0.0).rotation)
    angles = np.rad2deg(np.stack([turn[:, 2, 1], turn[:, 0, 2], turn[:, 1, 0]]))
    np.testing.assert_allclose(angles.std(axis=1), 0.06, rtol=0.02, atol=0)
    power = np.abs(np.fft.rfft(away[:, 0] * np.hanning(len(away)))) ** 2
    hertz = np.fft.rfftfreq(len(away), 1 / 100)
    assert power[(hertz > 5.9) & (hertz < 10.1)].sum() > 0.999 * power.sum()


def test_hands_shake_the_picture_as_much_as_real_ones_do() -> None:
    """Card's middle between 5 and 11 Hz, px RMS: 1.0 for an ordinary hand, 1.5 for a shaky one.

    Measured on two films of the same geometry made by others, in which the hand was as harsh as phones show.
    """
    time_s = np.arange(0.0, 60.0, 1 / 60)
    for hand, wanted in ((HAND, 1.0), (SHAKY_HAND, 1.5)):
        scene = scene_preset("pair", camera=hand)
        path = CameraPath(scene.camera)
        card = np.array([[scene.card.centre_mm]])
        pixels = project(scene.camera, path.pose(time_s), card)[:, 0]
        hertz = np.fft.rfftfreq(len(time_s), 1 / 60)
        spectrum = np.fft.rfft(pixels - pixels.mean(axis=0), axis=0)
        spectrum[(hertz < 5) | (hertz > 11)] = 0
        rms = np.fft.irfft(spectrum, len(time_s), axis=0).std(axis=0)
        np.testing.assert_allclose(rms, wanted, rtol=0.35, atol=0)


def test_steadying_takes_its_share_of_the_hands_motion_out() -> None:
    """The point aimed at keeps 15 % of its motion, and a line through it 15 % of its turn."""
    scene = scene_preset("pair", camera=SHAKY_HAND)
    times = np.arange(0.0, 30.0, 0.37)

    def motion(share: float) -> np.ndarray:
        renderer = Renderer(change(scene, camera={"steadied_share": share}))
        out = []
        for time_s in times:
            pose, place = renderer.path.pose(time_s), renderer.shot(time_s).place
            right = pose.rotation[0] * 10.0
            aim = np.array(scene.camera.target_mm)
            # Level lines of the stand, not of the hand: their turn in the picture is the hand's turn.
            level = renderer.path.aimed(time_s).rotation[0] * 10.0
            assert np.linalg.norm(right - level) < 1.0
            ends = place.shown(project(scene.camera, pose, np.array([aim - level, aim + level])))
            along = ends[1] - ends[0]
            out.append([*ends.mean(axis=0), np.arctan2(along[1], along[0])])
        return np.array(out).std(axis=0)

    np.testing.assert_allclose(motion(0.85) / motion(0.0), 0.15, rtol=0.1, atol=0)


def test_focus_breathes_by_the_share_asked_for() -> None:
    camera = scene_preset("pair", camera={"breathing_share": 0.006}).camera
    focal = CameraPath(camera).pose(np.arange(0.0, 60.0, 0.05)).focal_px / camera.focal_px - 1
    np.testing.assert_allclose([focal.min(), focal.max()], [-0.006, 0.006], rtol=0.02, atol=0)


def test_a_careless_hand_loses_the_card_and_finds_it_again() -> None:
    pan = Pan(1.0, up_deg=14.0, there_s=0.3, hold_s=0.2, back_s=0.3)
    scene = scene_preset("pair", camera=HALF_HD | {"pans": (pan, Pan(3.0, right_deg=20.0))})
    renderer = Renderer(scene)

    def card_px(time_s: float) -> np.ndarray:
        return np.concatenate([renderer.marker_corners_px(time_s)[k] for k in range(4)])

    away, height = card_px(1.4), scene.camera.size_wh[1]
    assert away[:, 1].max() > height
    assert card_px(3.4)[:, 0].min() < card_px(0.0)[:, 0].min() - 150
    np.testing.assert_allclose(card_px(2.0), card_px(0.0), rtol=0, atol=1e-6)
    # Looking up by 14 degrees moves the picture down by the focal length times its tangent, near the middle.
    path = CameraPath(scene.camera)
    aim = np.array([scene.camera.target_mm])
    moved = project(scene.camera, path.pose(1.4), aim) - project(scene.camera, path.pose(0.0), aim)
    np.testing.assert_allclose(moved[0], [0.0, 725.0 * np.tan(np.deg2rad(14.0))], rtol=0, atol=4.0)


@pytest.mark.parametrize(
    "settings, b_frames, keyframes",
    [(PHONE_FILM, False, 3), (MESSENGER_FILM, True, 1)],
    ids=["phone", "messenger"],
)
def test_encoders_store_as_asked(settings: dict, b_frames: bool, keyframes: int, tmp_path: Path) -> None:
    """A phone: a whole picture every second, none that refers to later ones; a messenger: the contrary."""
    film = settings | {"duration_s": 2.4, "bitrate": 4e5}
    scene = scene_preset("pair", camera=TINY | HAND, film=film, moves=FAST)
    write_clip(scene, tmp_path / "a.mp4")
    with av.open(str(tmp_path / "a.mp4")) as container:
        frames = list(container.decode(video=0))
    assert any(frame.pict_type == PictureType.B for frame in frames) == b_frames
    assert sum(frame.key_frame for frame in frames) == keyframes
    times = [frame.time for frame in frames]
    np.testing.assert_allclose(times, np.arange(72) / 30, rtol=0, atol=1e-5)
    rate = 8 * (tmp_path / "a.mp4").stat().st_size / 2.4
    assert 0.5 * 4e5 < rate < 1.6 * 4e5


@pytest.mark.parametrize("end", ["driven", "drive"])
def test_a_slipped_arm_has_its_own_angle_beside_the_shafts(end: str, tmp_path: Path) -> None:
    scene = slipping(end)
    table, document = truth_table(scene), truth_document(scene)
    time_s, apart = table["time_s"], table["arm1_deg"] - table["shaft1_deg"]
    wanted = -4.0 if end == "driven" else 4.0
    np.testing.assert_allclose(apart[time_s < 1.4], 0.0, rtol=0, atol=SAME_ANGLE_DEG)
    np.testing.assert_allclose(apart[time_s > 1.5], wanted, rtol=0, atol=SAME_ANGLE_DEG)
    slip = document["slips"][0]
    assert (slip["slipped_marker_ids"], slip["true_marker_ids"]) == (
        ([11], [31]) if end == "driven" else ([31], [11])
    )
    assert (slip["column"], slip["arm_against_shaft_deg"]) == ("arm1_deg", wanted)
    # The markers' faces turn as the columns say.
    renderer = Renderer(scene)
    for marker_id in (11, 31):
        ups = [marker_frame(renderer, document, marker_id, t)[1][:, 1] for t in (0.0, 1.9)]
        turned = np.rad2deg(np.arctan2(np.cross(*ups)[2], np.dot(*ups)))
        column = "arm1_deg" if marker_id in slip["slipped_marker_ids"] else "shaft1_deg"
        assert turned == pytest.approx(np.interp(1.9, time_s, table[column]), abs=1e-4)
    write_truth(scene, tmp_path / "a.csv", tmp_path / "a.json")
    with (tmp_path / "a.csv").open() as file:
        head = next(csv.reader(file))
    assert head == ["time_s", "motor_deg", "shaft1_deg", "shaft2_deg", "arm1_deg"]
    assert json.loads((tmp_path / "a.json").read_text())["slips"] == document["slips"]


def test_two_arms_that_slip_on_one_shaft_have_a_column_each() -> None:
    scene = slipping("driven")
    table = truth_table(change(scene, slips=(*scene.slips, Slip(1, "drive", 1.6, -2.0))))
    apart = [table[name][-1] - table["shaft1_deg"][-1] for name in ("arm1_deg", "arm1_2_deg")]
    np.testing.assert_allclose(apart, [-4.0, -2.0], rtol=0, atol=SAME_ANGLE_DEG)


def test_an_arm_that_does_not_exist_is_refused() -> None:
    pair = scene_preset("pair", camera=TINY)
    lost = replace(pair.shafts[0], markers=(ArmMarker(10, arm=(0, "upper")),))
    with pytest.raises(ValueError, match="'drive' or the 'driven' end"):
        Renderer(change(pair, shafts=(lost, pair.shafts[1]))).luma(0.0)


@pytest.mark.parametrize("branch", [-1, 1])
def test_closure_in_space_agrees_with_the_plane(branch: int) -> None:
    """Both shafts tilted alike are a planar linkage in another plane."""
    linkage = Linkage(0, 1, 55.0, 63.0, 178.0, 50.0, branch)
    drive = np.deg2rad(np.linspace(50.0, 130.0, 60))
    # The tilt's axis is the line of centres, so that spacing and directions stay what they are.
    shafts = tuple(Shaft((x, 0.0), (), tilt_deg=25.0, tilt_axis_deg=0.0) for x in (0.0, 175.0))
    scene = change(scene_preset("pair"), shafts=shafts, linkages=(linkage,))
    plane = driven_direction(linkage, 175.0, drive)
    space = closing_direction(scene, linkage, drive)
    np.testing.assert_allclose(np.cos(space - plane), 1.0, rtol=0, atol=1e-12)


@pytest.mark.parametrize("tilt_deg, tilt_axis_deg", [(22.0, 110.0), (35.0, 75.0), (-18.0, 0.0)])
def test_a_linkage_in_space_keeps_its_rod(tilt_deg: float, tilt_axis_deg: float) -> None:
    """Distances between ball joints, the angle between the shafts, and margins by the ratio of speeds."""
    scene = tilted(tilt_deg, tilt_axis_deg)
    renderer, document = Renderer(scene), truth_document(scene)
    known = document["linkages"][0]
    motion = renderer.mechanism
    times = np.linspace(0.0, 4.0, 41)
    pins = np.array([pins_mm(renderer, document, 0, t) for t in times])
    np.testing.assert_allclose(np.linalg.norm(pins[:, 1] - pins[:, 0], axis=1), 190.0, rtol=0, atol=1e-4)
    assert known["rod_length_mm"] == 190.0
    assert known["rod_length_in_plane_mm"] is None
    axes = [np.array(shaft["axis"]) for shaft in document["shafts"]]
    assert np.rad2deg(np.arccos(axes[0] @ axes[1])) == pytest.approx(abs(tilt_deg), abs=1e-9)
    assert known["axis_angle_deg"] == pytest.approx(abs(tilt_deg), abs=1e-9)
    for end, centre in (("drive", pins[0, 0]), ("driven", pins[0, 1])):
        radius = np.linalg.norm(centre - known[f"{end}_ball_circle_centre_mm"])
        assert radius == pytest.approx(known[f"{end}_radius_mm"], abs=1e-9)
    # A rod's ends keep their speed along it: r sin(drive margin) w = q sin(driven margin) v.
    opening = (motion.time_s > 1.2) & (motion.time_s < 1.8)
    drive, driven = motion.drive_arm_rad[0, opening], motion.driven_arm_rad[0, opening]
    ratio = np.gradient(driven) / np.gradient(drive)
    rods = np.array([pins_mm(renderer, document, 0, t) for t in motion.time_s[opening]])
    along = (rods[:, 1] - rods[:, 0]) / 190.0
    step = 1e-6
    speeds = []
    for end, angle in (("drive", drive), ("driven", driven)):
        speeds.append((_ball(document, end, angle + step) - _ball(document, end, angle - step)) / (2 * step))
    wanted = np.sum(speeds[0] * along, axis=1) / np.sum(speeds[1] * along, axis=1)
    np.testing.assert_allclose(ratio, wanted, rtol=1e-3, atol=0)
    margins = np.rad2deg(np.arcsin(np.abs(np.sum(speeds[1] * along, axis=1)) / known["driven_radius_mm"]))
    assert known["toggle_margin_driven_arm_deg"] <= margins.min() + 1e-3


def _ball(document: dict, end: str, arm_rad: np.ndarray) -> np.ndarray:
    """Ball joint of an arm at given directions, (N, 3)."""
    known = document["linkages"][0]
    frame = np.array(document["shafts"][known[f"{end}_shaft"]]["frame"])
    out = known[f"{end}_radius_mm"] * np.stack([np.cos(arm_rad), np.sin(arm_rad)], axis=1)
    return known[f"{end}_ball_circle_centre_mm"] + out @ frame[:, :2].T


def test_a_rod_in_space_that_does_not_reach_is_refused() -> None:
    scene = tilted()
    short = replace(scene.linkages[0], rod_mm=90.0)
    with pytest.raises(ValueError, match="cannot close"):
        truth_document(change(scene, linkages=(short,)))


def test_parallel_shafts_are_no_linkage_in_space() -> None:
    scene = scene_preset("pair")
    spacing, _ = spacing_and_line(scene, scene.linkages[0])
    known = truth_document(scene)["linkages"][0]
    assert "spatial" not in known
    np.testing.assert_allclose(known["shaft_distance_mm"], spacing, rtol=0, atol=1e-12)
