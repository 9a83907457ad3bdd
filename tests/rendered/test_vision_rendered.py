"""From rendered clips with known truth to corners, angles and radii: the whole of ``vision`` at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sample_media.develop import quantise
from sample_media.film import write_clip
from sample_media.mechanism import frame_times
from sample_media.presets import change, scene_preset
from sample_media.render import Renderer, render_frames
from sample_media.scene import Scene, strokes
from sample_media.truth import truth_angles
from strokecurve.vision.edges.follow import MarkerTracks, follow_markers
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.pins import find_pin
from strokecurve.vision.motion.rods import find_rod
from strokecurve.vision.motion.shafts import ShaftSpec
from strokecurve.vision.video.reader import ClipReader, Frame

SMALL = {"size_wh": (960, 540), "focal_px": 725}
SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]


def short_scene(**camera: float) -> Scene:
    """One quick stroke of the pair in a small picture."""
    scene = scene_preset("pair", camera=SMALL | camera)
    return change(scene, first_hold_s=0.2, moves=strokes(90.0, 0.9, 0.2, 0.2, soft_s=0.2), film={"fps": 12})


def followed(scene: Scene) -> MarkerTracks:
    return follow_markers(Frame(k, time_s, luma, 8) for k, (time_s, luma) in enumerate(render_frames(scene)))


def test_corners_of_rendered_frames() -> None:
    scene = scene_preset("pair", camera=SMALL)
    renderer = Renderer(scene)
    times = frame_times(scene)[:3]
    frames = [
        Frame(k, float(t), quantise(renderer.luma(float(t), noise_seed=k)), 8) for k, t in enumerate(times)
    ]
    tracks = follow_markers(frames)
    truth = renderer.marker_corners_px(float(times[2]))
    assert set(tracks.ids.tolist()) >= {0, 1, 2, 3, 10, 11, 20}
    found = tracks.corners_px()[2]
    off = np.array([found[m] - truth[i] for m, i in enumerate(tracks.ids.tolist())])
    assert np.isfinite(off).all()
    # Paper seems to spread over ink by less than the blur; noise of single corners is about 0.03 px.
    assert np.abs(off).max() < 0.35
    assert np.abs(off.mean(axis=(0, 1))).max() < 0.06


@pytest.mark.slow
@pytest.mark.parametrize("shake", [0.0, 1.0])
def test_angles_and_radii_of_a_short_stroke(shake: float) -> None:
    scene = short_scene(shake_mm=2.2 * shake, shake_deg=0.25 * shake)
    tracks = followed(scene)
    wh = scene.camera.size_wh
    motion = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, wh)
    _, truth_deg = truth_angles(scene)
    for s in range(2):
        off = np.rad2deg(motion.angle_rad[:, s]) - truth_deg[s]
        off = off - np.nanmean(off)
        assert np.isfinite(off).mean() > 0.97
        # 0.12 degrees RMS are allowed at 720 lines in poor light; here are fewer lines, in good light.
        assert np.sqrt(np.nanmean(off**2)) < 0.08
        inside = np.abs(np.deg2rad(off)) < 2 * motion.sigma_rad[:, s]
        assert inside[np.isfinite(off)].mean() > 0.8
    rod = find_rod(tracks, motion, (0, 1), 20, scene.linkages[0].rod_marker.side_mm)
    steady = np.ones(len(tracks.time_s), int)
    for s, radius in ((0, scene.linkages[0].drive_radius_mm), (1, scene.linkages[0].driven_radius_mm)):
        pin = find_pin(motion, s, rod, steady)
        assert pin is not None
        # Radii within 1 mm are asked for at 1080 lines; twice that in a picture of half the size.
        assert_allclose(np.hypot(*pin.on_arm_mm), radius, rtol=0, atol=2.0)


@pytest.mark.slow
def test_an_encoded_ten_bit_clip_held_upright(tmp_path: Path) -> None:
    scene = change(short_scene(), film={"codec": "hevc", "bits": 10, "rotation_deg_clockwise": 90})
    write_clip(scene, tmp_path / "short.mp4")
    with ClipReader(tmp_path / "short.mp4") as reader:
        facts = reader.facts
        tracks = follow_markers(reader)
    assert (facts.codec, facts.bit_depth, facts.quarter_turns % 2) == ("hevc", 10, 1)
    motion = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, facts.size_wh_px)
    time_s, truth_deg = truth_angles(scene)
    assert_allclose(tracks.time_s - tracks.time_s[0], time_s - time_s[0], rtol=0, atol=1e-3)
    for s in range(2):
        off = np.rad2deg(motion.angle_rad[:, s]) - truth_deg[s]
        assert np.nanstd(off) < 0.1
