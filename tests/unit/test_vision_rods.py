"""Rods and pins from a synthetic four-bar with known play."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from synthetic import (
    WH,
    Floats,
    TrueFree,
    TrueMarker,
    TrueShaft,
    Truth,
    looking,
    shaken,
    there_and_back,
    tracks_of,
    turn,
    without,
)

from strokecurve.vision.errors import DetectionError
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.pins import find_pin
from strokecurve.vision.motion.rods import RodMotion, centre_in_plane, common_plane, find_rod
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]
DRIVE_MM, DRIVEN_MM, ROD_MM = 60.0, 72.0, 236.0
CENTRES_MM = np.array([[-115.0, 120.0], [118.0, 128.0]])
ALONG_ROD_MM = 90.0  # marker from the drive pin
ARM_TO_MARKER_RAD = 0.25  # the lead marker's up side is not the arm's direction


def four_bar(drive_rad: Floats, play_rad: Floats) -> tuple[Floats, Floats, Floats]:
    """Driven arm's direction and both pins (K, 2), from circles about the drive pin and the driven centre."""
    pin = CENTRES_MM[0] + DRIVE_MM * np.column_stack([np.cos(drive_rad), np.sin(drive_rad)])
    to_pin = pin - CENTRES_MM[1]
    distance = np.linalg.norm(to_pin, axis=1)
    inner = np.arccos((DRIVEN_MM**2 + distance**2 - ROD_MM**2) / (2 * DRIVEN_MM * distance))
    driven = np.arctan2(to_pin[:, 1], to_pin[:, 0]) - inner
    end = CENTRES_MM[1] + DRIVEN_MM * np.column_stack([np.cos(driven), np.sin(driven)])
    # Play at the driven pin: the arm lags by an angle, the rod's end stays.
    return driven + play_rad, pin, end


def linkage(frames: int = 120, handheld: bool = False, play_mm: float = 0.0) -> tuple[Truth, np.ndarray]:
    """Truth of the clip, and the direction of loading, (K,)."""
    drive = there_and_back(frames, 90.0, 50.0)
    direction = np.sign(np.gradient(drive)).astype(int)
    direction[np.abs(np.gradient(drive)) < 1e-3] = 0
    driven, pin, end = four_bar(drive, -0.5 * direction * play_mm / DRIVEN_MM)
    rod = np.arctan2(*(end - pin).T[::-1])
    on_rod = pin + ALONG_ROD_MM * np.column_stack([np.cos(rod), np.sin(rod)])
    pose = looking(frames, middle_mm=(0.0, 70.0, 0.0))
    if handheld:
        pose = shaken(pose, np.random.default_rng(4))
    shafts = (
        TrueShaft(
            tuple(CENTRES_MM[0]), drive + ARM_TO_MARKER_RAD, (TrueMarker(10, offset_mm=(20.0, -6.0, 25.0)),)
        ),
        TrueShaft(
            tuple(CENTRES_MM[1]), driven + ARM_TO_MARKER_RAD, (TrueMarker(11, offset_mm=(-18.0, 8.0, 25.0)),)
        ),
    )
    centre = np.column_stack([on_rod, np.full(frames, 38.0)])
    rods = (TrueFree(20, centre, rod - np.pi / 2, tilt_rad=(0.02, -0.01)),)
    return Truth(np.arange(frames) / 30, pose[0], pose[1], shafts, rods), direction


def measured(truth: Truth, seed: int = 0) -> tuple[ShaftMotion, RodMotion]:
    tracks = tracks_of(truth, np.random.default_rng(seed), 0.02)
    shafts = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, WH)
    return shafts, find_rod(tracks, shafts, (0, 1), 20, 30.0)


@pytest.mark.parametrize("handheld", [False, True])
def test_pins_give_radii_rod_length_and_start_directions(handheld: bool) -> None:
    truth, direction = linkage(handheld=handheld)
    shafts, rod = measured(truth)
    loading = np.where(direction == 0, 1, direction)
    pins = [find_pin(shafts, s, rod, loading) for s in range(2)]
    assert all(p is not None for p in pins)
    radii = [np.hypot(*p.on_arm_mm) for p in pins if p]
    # DESIGN section 8: radii within 1 mm, rod within 1 %.
    assert_allclose(radii, [DRIVE_MM, DRIVEN_MM], rtol=0, atol=1.0)
    length = np.hypot(*(pins[0].on_rod_mm - pins[1].on_rod_mm))
    assert_allclose(length, ROD_MM, rtol=0.01, atol=0)
    for p, s in zip(pins, range(2), strict=True):
        arm = np.arctan2(*p.on_arm_mm[::-1])
        assert_allclose(np.rad2deg(arm), np.rad2deg(-ARM_TO_MARKER_RAD), rtol=0, atol=0.5)
        assert p.rms_mm < 0.3
        assert np.linalg.eigvalsh(p.covariance_mm2).min() > 0
        centre = centre_in_plane(shafts, s, rod.plane, rod.height_mm)
        assert_allclose(centre, CENTRES_MM[s], rtol=0, atol=1.0)


def test_the_rod_is_where_it_is() -> None:
    truth, _ = linkage()
    shafts, rod = measured(truth)
    scale = rod.height_mm / 38.0
    assert 0.9 < scale < 1.1
    assert_allclose(rod.position_mm, truth.rods[0].centre_mm[:, :2], rtol=0, atol=1.0)
    change = rod.angle_rad - truth.rods[0].angle_rad
    assert np.rad2deg(np.ptp(change)) < 0.15
    assert_allclose(common_plane(shafts, (0, 1))[:, 2], [0, 0, 1], rtol=0, atol=0.02)


@pytest.mark.parametrize("play_mm", [0.0, 0.8])
def test_play_is_found_at_the_pin_that_has_it(play_mm: float) -> None:
    truth, direction = linkage(play_mm=play_mm)
    shafts, rod = measured(truth)
    drive, driven = (find_pin(shafts, s, rod, direction) for s in range(2))
    assert drive is not None
    assert driven is not None
    # The arm lags by half the play in opening, so in its frame the pin moves ahead by the whole play.
    across = np.array([-np.sin(-ARM_TO_MARKER_RAD), np.cos(-ARM_TO_MARKER_RAD)])
    assert_allclose(driven.play_mm @ across, play_mm, rtol=0, atol=0.12)
    assert_allclose(drive.play_mm, 0.0, rtol=0, atol=0.12)


def test_uncertainty_of_pins_is_honest() -> None:
    z = []
    for seed in range(8):
        truth, direction = linkage(90, handheld=True)
        shafts, rod = measured(truth, seed)
        pin = find_pin(shafts, 0, rod, np.where(direction == 0, 1, direction))
        assert pin is not None
        radius = np.hypot(*pin.on_arm_mm)
        slope = pin.on_arm_mm / radius
        sigma = np.sqrt(slope @ pin.covariance_mm2[:2, :2] @ slope)
        z.append((radius - DRIVE_MM) / sigma)
    # 8 values; errors of the camera shared by all frames come on top of what the pin's own fit sees.
    assert 0.2 < np.sqrt(np.mean(np.square(z))) < 2.5


def test_no_pin_where_rod_and_arm_turn_together() -> None:
    truth, direction = linkage()
    shafts, rod = measured(truth)
    stuck = replace(rod, angle_rad=shafts.angle_rad[:, 0] + 0.3)
    assert find_pin(shafts, 0, stuck, np.where(direction == 0, 1, direction)) is None


def test_no_pin_from_a_few_frames() -> None:
    truth, direction = linkage()
    shafts, rod = measured(truth)
    assert find_pin(shafts, 0, rod, np.where(np.arange(120) < 12, 1, 0)) is None
    assert find_pin(shafts, 0, rod, np.zeros_like(direction)) is None


def test_without_a_closing_pass_play_is_unknown() -> None:
    truth, direction = linkage()
    shafts, rod = measured(truth)
    pin = find_pin(shafts, 0, rod, np.where(direction > 0, 1, 0))
    assert pin is not None
    assert np.isnan(pin.play_mm).all()
    assert np.isnan(pin.play_sigma_mm)
    assert_allclose(np.hypot(*pin.on_arm_mm), DRIVE_MM, rtol=0, atol=1.0)


def test_a_gap_of_the_rod_stays_a_gap_and_wrong_edges_are_refused() -> None:
    truth, _ = linkage()
    tracks = without(tracks_of(truth, np.random.default_rng(0), 0.02), 20, slice(50, 60))
    nodes = tracks.nodes_px.copy()
    column = int(np.flatnonzero(tracks.ids == 20)[0])
    nodes[[20, 90], column, 1] += 3.0
    tracks = replace(tracks, nodes_px=nodes)
    shafts = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, WH)
    rod = find_rod(tracks, shafts, (0, 1), 20, 30.0)
    gone = np.flatnonzero(np.isnan(rod.angle_rad))
    assert_array_equal(gone, [20, *range(50, 60), 90])
    assert_array_equal(np.flatnonzero(np.isnan(rod.position_mm[:, 0])), gone)
    assert_array_equal(np.flatnonzero(rod.refused), [20, 90])


def test_on_a_clean_film_a_rod_marker_less_than_a_tenth_of_a_pixel_off_is_believed() -> None:
    truth, _ = linkage()
    tracks = tracks_of(truth, np.random.default_rng(0), 0.002)
    nodes = tracks.nodes_px.copy()
    column = int(np.flatnonzero(tracks.ids == 20)[0])
    nodes[[20, 90], column, 1] += np.array([0.1, 1.0])[:, None, None]  # 0.05 and 0.5 px RMS over the marker
    shafts = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, WH)
    rod = find_rod(replace(tracks, nodes_px=nodes), shafts, (0, 1), 20, 30.0)
    assert_array_equal(np.flatnonzero(rod.refused), [90])


def test_a_rod_marker_hardly_seen_is_refused() -> None:
    truth, _ = linkage(60)
    tracks = without(tracks_of(truth, np.random.default_rng(0), 0.02), 20, slice(8, None))
    shafts = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, WH)
    with pytest.raises(DetectionError, match="rod marker 20 was seen in 8 frames"):
        find_rod(tracks, shafts, (0, 1), 20, 30.0)


def test_the_common_plane_is_across_the_mean_axis() -> None:
    truth, _ = linkage(40)
    shafts, _ = measured(truth)
    for lean in ([0.1, -0.2, 0.0], [0.0, 0.0, 0.0]):
        # a third shaft that stands askew has no part in it
        axis = np.array([turn(lean)[:, 2], turn(lean)[:, 2], turn([0.4, 0.3, 0.0])[:, 2]])
        plane = common_plane(replace(shafts, axis=axis), (0, 1))
        assert_allclose(plane[:, 2], turn(lean)[:, 2], rtol=0, atol=1e-12)
        assert_allclose(plane @ plane.T, np.eye(3), rtol=0, atol=1e-12)


def test_rods_are_stored_and_read_back(tmp_path: Path) -> None:
    truth, _ = linkage(40)
    _, rod = measured(truth)
    rod.save(tmp_path / "rod.npz")
    read = RodMotion.load(tmp_path / "rod.npz")
    assert (read.marker_id, read.height_mm) == (rod.marker_id, rod.height_mm)
    for name in ("position_mm", "angle_rad", "plane", "refused"):
        assert_array_equal(getattr(read, name), getattr(rod, name))


def again(shafts: ShaftMotion, rod: RodMotion, times: int) -> tuple[ShaftMotion, RodMotion]:
    """The same film so many times in a row, as far as pins are concerned."""

    def repeated(values: Floats) -> Floats:
        return np.concatenate([values] * times)

    return (
        replace(
            shafts,
            time_s=np.arange(times * len(shafts.time_s)) / 30,
            angle_rad=repeated(shafts.angle_rad),
            sigma_rad=repeated(shafts.sigma_rad),
        ),
        replace(
            rod,
            position_mm=repeated(rod.position_mm),
            angle_rad=repeated(rod.angle_rad),
            refused=repeated(rod.refused),
        ),
    )


@pytest.mark.parametrize("times", [2, 22])
def test_pins_of_the_same_film_many_times_are_no_surer(times: int) -> None:
    truth, direction = linkage(play_mm=0.8)
    shafts, rod = measured(truth)
    for s in range(2):
        one = find_pin(shafts, s, rod, direction)
        many = find_pin(
            *again(shafts, rod, times)[:1], s, again(shafts, rod, times)[1], np.tile(direction, times)
        )
        assert one is not None
        assert many is not None
        # Means over the same frames: rounding alone.
        assert_allclose(many.on_arm_mm, one.on_arm_mm, rtol=0, atol=1e-8)
        assert_allclose(many.covariance_mm2, one.covariance_mm2, rtol=1e-6, atol=1e-15)
        assert_allclose(many.play_sigma_mm, one.play_sigma_mm, rtol=1e-6, atol=0)
        assert_allclose(many.slide_mm, one.slide_mm, rtol=0, atol=1e-8)


def test_pins_are_as_sure_as_what_returns_with_the_place_lets_them() -> None:
    """Errors of a millimetre that belong to the place or to the frame: only those of frames average out."""
    truth, direction = linkage()
    shafts, rod = measured(truth)
    rng = np.random.default_rng(7)
    drive = shafts.angle_rad[:, 0]
    sigmas = {}
    for kind in ("place", "frame"):
        for times in (1, 10):
            motion, seen = again(shafts, rod, times)
            z = []
            for _ in range(40):
                if kind == "frame":
                    error = rng.standard_normal(seen.position_mm.shape)
                else:
                    at = np.linspace(drive.min(), drive.max(), 19)
                    once = [np.interp(drive, at, rng.standard_normal(19)) for _ in range(2)]
                    error = np.tile(np.stack(once, axis=1), (times, 1))
                pin = find_pin(
                    motion, 0, replace(seen, position_mm=seen.position_mm + error), np.tile(direction, times)
                )
                assert pin is not None
                sigma = np.sqrt(np.diag(pin.covariance_mm2)[:2])
                z.append([pin.on_arm_mm, sigma])
            points, stated = np.swapaxes(np.array(z), 0, 1)
            # 40 draws of two correlated figures: the spread is known to 9 %, the stated one scatters besides.
            assert 0.6 < np.sqrt((points.std(axis=0) ** 2).mean() / (stated**2).mean()) < 1.5
            sigmas[kind, times] = stated.mean()
    assert 0.8 < sigmas["place", 10] / sigmas["place", 1] < 1.2
    assert 0.2 < sigmas["frame", 10] / sigmas["frame", 1] < 0.5
