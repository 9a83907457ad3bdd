"""Holds and passes: every way a clip is really filmed."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from kin_film import DEG
from numpy.testing import assert_allclose

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke

FULL = [(1, 0), (7, 90), (1, 90), (7, 0), (1, 0)]
Parts = list[tuple[float, float]]


def drive(
    parts: Parts, frame_rate: float = 30, ease: bool = False, start: float = 0
) -> tuple[np.ndarray, ...]:
    """Time and angle (rad) for pieces of (seconds, angle at the end); a hold ends where it began."""
    total = sum(seconds for seconds, _ in parts)
    time = np.arange(0, total, 1 / frame_rate)
    angle, begin, level = np.full(time.size, np.nan), 0.0, start
    for seconds, target in parts:
        here = (time >= begin - 1e-9) & (time <= begin + seconds + 1e-9)
        share = (time[here] - begin) / seconds
        share = share**2 * (3 - 2 * share) if ease else share
        angle[here] = level + (target - level) * share
        begin, level = begin + seconds, target
    return time, angle * DEG


def ends(time: np.ndarray, parts: tuple[slice, ...]) -> list[tuple[float, float]]:
    return [(float(time[p.start]), float(time[p.stop - 1])) for p in parts]


def noisy(angle: np.ndarray, sigma: float, seed: int = 0) -> np.ndarray:
    return angle + np.random.default_rng(seed).normal(0, sigma, angle.size)


@pytest.mark.parametrize("sigma_deg", [0.01, 0.03, 0.1, 0.3])
@pytest.mark.parametrize("frame_rate", [24, 30, 60])
@pytest.mark.parametrize("sign", [1, -1])
def test_full_stroke(sigma_deg: float, frame_rate: float, sign: int) -> None:
    time, angle = drive(FULL, frame_rate)
    stroke = find_stroke(time, noisy(sign * angle, sigma_deg * DEG), sigma_deg * DEG)
    assert stroke.opening_sign == sign
    assert stroke.notes == ()
    near = {"rtol": 0, "atol": 3 / frame_rate + sigma_deg / 4}  # frames; 3 sigma over 13 deg/s
    assert_allclose(ends(time, stroke.opening), [(1, 8)], **near)
    assert_allclose(ends(time, stroke.closing), [(9, 16)], **near)
    assert_allclose(ends(time, stroke.low_holds), [(0, 1), (16, 17)], **near)
    assert_allclose(ends(time, stroke.high_holds), [(8, 9)], **near)
    assert abs(stroke.travel_rad - 90 * DEG) < 4 * stroke.travel_noise_rad


def test_slices_do_not_overlap_and_cover_the_film() -> None:
    time, angle = drive(FULL)
    s = find_stroke(time, noisy(angle, 0.05 * DEG), 0.05 * DEG)
    parts = sorted((*s.low_holds, *s.high_holds, *s.opening, *s.closing), key=lambda p: p.start)
    assert parts[0].start == 0
    assert parts[-1].stop == time.size
    assert all(a.stop == b.start for a, b in itertools.pairwise(parts))


@pytest.mark.parametrize(("sigma_deg", "late_deg"), [(0.02, 0.06), (0.1, 0.25), (0.3, 0.75)])
def test_a_soft_start_is_not_taken_for_rest(sigma_deg: float, late_deg: float) -> None:
    for seed in range(10):
        time, angle = drive([(1, 0), (20, 90), (1, 90), (20, 0), (1, 0)], ease=True)
        stroke = find_stroke(time, noisy(angle, sigma_deg * DEG, seed), sigma_deg * DEG)
        held = angle[stroke.low_holds[0]]
        assert held[-1] < late_deg * DEG  # moved by no more than noise hides: 2.5 sigma
        assert stroke.opening[0].start >= 20  # and rest is not taken for movement: 30 frames of rest


def test_jitter_and_gaps() -> None:
    rng = np.random.default_rng(1)
    time, angle = drive(FULL)
    time = np.sort(time + rng.uniform(-0.012, 0.012, time.size))
    angle = noisy(angle, 0.03 * DEG)
    for start in rng.integers(0, time.size - 12, 8):
        angle[start : start + rng.integers(2, 12)] = np.nan
    stroke = find_stroke(time, angle, 0.03 * DEG)
    assert len(stroke.opening) == len(stroke.closing) == len(stroke.high_holds) == 1
    assert_allclose(stroke.travel_rad / DEG, 90, rtol=0, atol=0.05)


def test_wild_frames_make_no_turning_points() -> None:
    time, angle = drive(FULL)
    angle = noisy(angle, 0.03 * DEG)
    angle[[100, 200, 300]] += np.array([60, -70, 80]) * DEG
    stroke = find_stroke(time, angle, 0.03 * DEG)
    assert (len(stroke.opening), len(stroke.closing)) == (1, 1)
    assert_allclose(stroke.travel_rad / DEG, 90, rtol=0, atol=0.05)


MISSING = [
    # parts, start, holds low/high, passes opening/closing, words in the notes
    ([(7, 90), (1, 90), (7, 0), (1, 0)], 0, (1, 1), (1, 1), "does not start at rest"),
    ([(1, 0), (7, 90), (1, 90), (7, 0)], 0, (1, 1), (1, 1), ""),
    ([(1, 0), (7, 90), (7, 0), (1, 0)], 0, (2, 0), (1, 1), "No rest at high fire"),
    ([(1, 0), (7, 90), (1, 90)], 0, (1, 1), (1, 0), "No closing pass"),
    ([(1, 0), (7, 90)], 0, (1, 0), (1, 0), "No closing pass"),
    ([(1, 0), (7, 90), (1, 90), (2, 60)], 0, (1, 1), (1, 1), "only part of one closing"),
    ([(2.5, 0), (1, 0), (7, 90), (1, 90), (7, 0), (1, 0)], 30, (2, 1), (1, 2), "only part of one closing"),
    ([(5, 90), (1, 90), (7, 0), (1, 0)], 30, (1, 1), (1, 1), "only part of one opening"),
]


@pytest.mark.parametrize(("parts", "start", "holds", "passes", "words"), MISSING)
def test_what_is_missing_is_a_note(
    parts: Parts, start: float, holds: tuple, passes: tuple, words: str
) -> None:
    time, angle = drive(parts, start=start)
    stroke = find_stroke(time, noisy(angle, 0.03 * DEG), 0.03 * DEG)
    assert stroke.opening_sign == 1
    assert (len(stroke.low_holds), len(stroke.high_holds)) == holds
    assert (len(stroke.opening), len(stroke.closing)) == passes
    assert words in " ".join(stroke.notes)
    assert_allclose(stroke.travel_rad / DEG, 90, rtol=0, atol=0.6)  # a cut at either end costs up to a frame


def test_several_cycles() -> None:
    cycle = [(5, 90), (0.6, 90), (5, 0), (0.6, 0)]
    time, angle = drive([(1, 0), *cycle, *cycle, *cycle])
    stroke = find_stroke(time, noisy(angle, 0.03 * DEG), 0.03 * DEG)
    assert (len(stroke.opening), len(stroke.closing)) == (3, 3)
    assert (len(stroke.low_holds), len(stroke.high_holds)) == (4, 3)


@pytest.mark.parametrize("middle", [[(4, 45), (2, 45), (4, 90)], [(4, 45), (1, 38), (5, 90)]])
def test_a_pause_or_a_jog_leaves_one_pass(middle: Parts) -> None:
    time, angle = drive([(1, 0), *middle, (1, 90), (7, 0), (1, 0)])
    stroke = find_stroke(time, noisy(angle, 0.03 * DEG), 0.03 * DEG)
    assert (len(stroke.opening), len(stroke.closing)) == (1, 1)


def test_rest_after_an_overshoot() -> None:
    time, angle = drive([(1, 0), (7, 90.6), (0.5, 90), (1, 90), (7, 0), (1, 0)])
    stroke = find_stroke(time, noisy(angle, 0.03 * DEG), 0.03 * DEG)
    assert len(stroke.high_holds) == 1
    assert_allclose(stroke.travel_rad / DEG, 90, rtol=0, atol=0.05)


def test_low_fire_that_is_not_found_again() -> None:
    time, angle = drive([(1, 0), (7, 90), (1, 90), (7, 1), (1, 1)])
    stroke = find_stroke(time, noisy(angle, 0.03 * DEG), 0.03 * DEG)
    assert "1.0 degrees" in " ".join(stroke.notes)
    assert_allclose(stroke.low_fire_rad, 0, rtol=0, atol=0.05 * DEG)


def test_the_way_of_opening_can_be_given() -> None:
    time, angle = drive([(1, 90), (7, 0), (1, 0)], start=90)
    given = find_stroke(time, angle, 0.001, opening=1)
    assert (len(given.opening), len(given.closing)) == (0, 1)
    assert_allclose(given.travel([0.0, 90 * DEG]), [0, 90 * DEG], rtol=0, atol=1e-9)


@pytest.mark.parametrize("sigma_deg", [0.01, 0.3])
def test_no_movement_is_no_stroke(sigma_deg: float) -> None:
    time, angle = drive([(10, 0)])
    with pytest.raises(StrokeError, match="no stroke"):
        find_stroke(time, noisy(angle, sigma_deg * DEG), sigma_deg * DEG)


def test_too_few_frames() -> None:
    with pytest.raises(StrokeError, match="9 frames"):
        find_stroke(np.arange(20.0), np.where(np.arange(20) < 9, np.arange(20.0), np.nan), 0.01)


@pytest.mark.parametrize(
    ("time", "opening", "words"), [(np.arange(11.0), None, "equally long"), (np.arange(12.0), 2, "opening")]
)
def test_misuse(time: np.ndarray, opening: int | None, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        find_stroke(time, np.arange(12.0), 0.01, opening)


def test_too_small_a_sigma_does_no_harm() -> None:
    time, angle = drive(FULL)
    stroke = find_stroke(time, noisy(angle, 0.2 * DEG), 0.005 * DEG)
    assert isinstance(stroke, Stroke)
    assert (len(stroke.low_holds), len(stroke.high_holds)) == (2, 1)
