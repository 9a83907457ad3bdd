"""A card that was moved and a marker that came loose: found, sized, and never where nothing happened."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic import WH, Truth, tracks_of, two_shafts

from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.motion.faults import Fault, find_faults
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.shafts import ShaftSpec
from strokecurve.vision.motion.shifts import largest_step

SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]
FRAMES = 150


def spliced(before: Truth, after: Truth, at: int, seed: int) -> MarkerTracks:
    """Tracks of one clip up to a frame and of another from there on."""
    one, other = (tracks_of(t, np.random.default_rng(seed), 0.03) for t in (before, after))
    return replace(one, nodes_px=np.concatenate([one.nodes_px[:at], other.nodes_px[at:]]))


def faults_of(tracks: MarkerTracks) -> list[Fault]:
    wanted = ("card_moved", "marker_loose")
    return [f for f in find_faults(tracks, find_shafts(tracks, SPECS, WH), 0) if f.code in wanted]


def hand(seed: int | None) -> np.random.Generator | None:
    return None if seed is None else np.random.default_rng(seed)


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_nothing_is_found_where_nothing_moved(seed: int | None) -> None:
    truth = two_shafts(FRAMES, handheld=hand(seed))
    assert faults_of(tracks_of(truth, np.random.default_rng(3), 0.05)) == []


@pytest.mark.parametrize("seed", [None, 1])
@pytest.mark.parametrize("shift_mm", [(1.0, 0.0), (-0.9, 1.2)])
def test_a_card_that_was_pushed(seed: int | None, shift_mm: tuple[float, float]) -> None:
    truth = two_shafts(FRAMES, handheld=hand(seed))
    # Seen from the card, all shafts shift the other way; for the camera the card alone moves.
    moved = replace(
        truth,
        shafts=tuple(
            replace(s, centre_mm=(s.centre_mm[0] - shift_mm[0], s.centre_mm[1] - shift_mm[1]))
            for s in truth.shafts
        ),
    )
    faults = faults_of(spliced(truth, moved, 80, 5))
    assert [f.code for f in faults] == ["card_moved"]
    assert faults[0].value == pytest.approx(np.hypot(*shift_mm), rel=0.3)


@pytest.mark.parametrize("seed", [None, 1])
@pytest.mark.parametrize("twist_deg", [2.0, -3.0])
def test_a_marker_that_turned_on_its_arm(seed: int | None, twist_deg: float) -> None:
    truth = two_shafts(FRAMES, handheld=hand(seed))
    motor, shaft = truth.shafts
    marker = shaft.markers[0]
    loose = replace(shaft, markers=(replace(marker, spin_rad=marker.spin_rad + np.radians(twist_deg)),))
    faults = faults_of(spliced(truth, replace(truth, shafts=(motor, loose)), 80, 6))
    assert [(f.code, f.where) for f in faults] == [("marker_loose", "marker 11")]
    assert faults[0].value == pytest.approx(abs(twist_deg), rel=0.35)


def test_the_largest_step_of_a_series() -> None:
    rng = np.random.default_rng(7)
    time_s = np.arange(300) / 30
    values = np.where(time_s < 6, 0.0, 0.8) + rng.normal(0, 0.2, 300)
    values[40:60] = np.nan
    step, sigma, at_s = largest_step(time_s, values)
    assert step == pytest.approx(0.8, abs=5 * sigma)
    assert at_s == pytest.approx(6.0, abs=0.5)
    assert 0.01 < sigma < 0.1


def test_a_series_too_short_has_no_step() -> None:
    assert largest_step(np.arange(10) / 30, np.arange(10.0))[0] == 0.0
    assert largest_step(np.arange(90) / 30, np.full(90, np.nan))[0] == 0.0
