"""Markers of one shaft put together: against dense least squares, with gaps, and honest."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from strokecurve.vision.joint_fit.rigid import MarkerAngles, alike_unwrapped, arm_angles, as_one, leading_arm

FRAMES = 60


def covariances(rng: np.random.Generator, frames: int, number: int) -> np.ndarray:
    """Covariances (F, n, n) of some hundredths of a degree, with common parts."""
    root = np.deg2rad(0.03) * rng.normal(size=(frames, number, number + 1))
    return np.asarray(root @ np.swapaxes(root, 1, 2))


def errors(rng: np.random.Generator, covariance: np.ndarray) -> np.ndarray:
    root = np.linalg.cholesky(covariance)
    return np.asarray((root @ rng.normal(size=(*covariance.shape[:2], 1)))[..., 0])


def test_the_mean_is_that_of_dense_least_squares() -> None:
    rng = np.random.default_rng(1)
    truth = np.deg2rad(np.linspace(0, 80, FRAMES))
    covariance = covariances(rng, FRAMES, 3)
    measured = truth[:, None] + [0.0, 1.0, -2.0] + errors(rng, covariance)
    seen = rng.random((FRAMES, 3)) > 0.2
    seen[:, 0] |= ~seen.any(axis=1)
    angle, sigma = as_one(alike_unwrapped(np.where(seen, measured, np.nan)), covariance)
    # One row for each measured angle; unknown are the angle of each frame and two angles between markers.
    design, values, noise = [], [], np.zeros((seen.sum(), seen.sum()))
    row = 0
    for f in range(FRAMES):
        mine = np.flatnonzero(seen[f])
        noise[row : row + mine.size, row : row + mine.size] = covariance[f][np.ix_(mine, mine)]
        row += mine.size
        for b in mine:
            line = np.zeros(FRAMES + 2)
            line[f] = 1.0
            if b:
                line[FRAMES + b - 1] = 1.0
            design.append(line)
            values.append(measured[f, b])
    information = np.array(design).T @ np.linalg.inv(noise)
    dense = np.linalg.solve(information @ np.array(design), information @ np.array(values))
    assert_allclose(angle, dense[:FRAMES], rtol=0, atol=1e-9)
    assert (sigma < np.sqrt(np.min(np.where(seen, covariance[:, range(3), range(3)], np.inf), axis=1))).any()


def test_the_mean_is_better_than_each_and_its_deviation_is_honest() -> None:
    rng = np.random.default_rng(2)
    z, off, alone = [], [], []
    for _ in range(20):
        covariance = covariances(rng, FRAMES, 2)
        each = errors(rng, covariance)
        angle, sigma = as_one(0.3 + each, covariance)
        off.append(angle - angle.mean())
        z.append(off[-1] / sigma)
        alone.append(each)
    # 1200 values: a spread of one is found to 2 %.
    assert 0.93 < np.std(z) < 1.07
    assert np.std(off) < 0.85 * np.std(alone, axis=(0, 1)).min()


def test_one_carries_on_where_the_other_is_covered() -> None:
    truth = np.linspace(0, 9.0, FRAMES)
    covariance = np.repeat((np.eye(2) * 1e-8)[None], FRAMES, axis=0)
    measured = np.angle(np.exp(1j * (truth[:, None] + [0.0, 2.5])))
    measured[20:50, 0] = np.nan
    measured[:5, 1] = np.nan
    measured[55] = np.nan
    angle, sigma = as_one(alike_unwrapped(measured), covariance)
    assert_array_equal(np.flatnonzero(np.isnan(angle)), [55])
    assert_array_equal(np.isnan(sigma), np.isnan(angle))
    known = np.isfinite(angle)
    assert_allclose(angle[known], truth[known], rtol=0, atol=1e-9)


def film(
    rng: np.random.Generator, arms_rad: np.ndarray, noise_deg: float = 0.03, turned_rad: float = 0.0
) -> tuple[np.ndarray, MarkerAngles]:
    """Times and measured angles of markers on one shaft whose arms turn as given, (F, n)."""
    frames, number = arms_rad.shape
    sigma = np.deg2rad(noise_deg)
    covariance = np.repeat((np.eye(number) * sigma**2)[None], frames, axis=0)
    angle = arms_rad + np.arange(number) * 1.3 + sigma * rng.normal(size=arms_rad.shape)
    twist = sigma * rng.normal(size=arms_rad.shape)
    twist[frames // 2 :, -1] += turned_rad
    angle = np.angle(np.exp(1j * angle))
    return np.arange(frames) / 30, MarkerAngles(angle, covariance, 0 * covariance, twist, (0,) * number)


def stroke(frames: int = 420) -> np.ndarray:
    return np.deg2rad(np.interp(np.arange(frames), [60, 180, 240, 360], [0, 90, 90, 0]))


def test_a_marker_never_seen_with_the_others_adds_nothing() -> None:
    time_s, markers = film(np.random.default_rng(4), np.zeros((FRAMES, 2)))
    markers.angle_rad[:20, 1], markers.angle_rad[20:, 0] = np.nan, np.nan
    arms = arm_angles(time_s, markers)
    assert arms.steps == ()
    # The angle between the two is not known, so neither carries on for the other; the longer part is kept.
    assert_array_equal(np.isfinite(arms.angle_rad), np.isfinite(markers.angle_rad))
    assert leading_arm(arms, 0, (0, 0)) == 1


def test_shafts_with_one_marker_stay_as_they_are() -> None:
    rng = np.random.default_rng(3)
    time_s, markers = film(rng, 0.01 * rng.normal(size=(FRAMES, 3)))
    markers.angle_rad[7, 1] = np.nan
    alone = MarkerAngles(
        markers.angle_rad, markers.covariance, markers.shared, markers.twist_rad, shaft_of=(0, 1, 1)
    )
    arms = arm_angles(time_s, alone)
    assert_array_equal(arms.angle_rad[:, 0], markers.angle_rad[:, 0])
    assert_array_equal(arms.sigma_rad[:, 0], np.sqrt(markers.covariance[:, 0, 0]))
    assert np.isfinite(arms.angle_rad[:, 1]).all()


@pytest.mark.parametrize("number", [2, 3])
def test_arms_that_stay_together_show_one_angle(number: int) -> None:
    truth = stroke()
    off = []
    for seed in range(10):
        time_s, markers = film(np.random.default_rng(seed), np.repeat(truth[:, None], number, axis=1))
        arms = arm_angles(time_s, markers)
        assert arms.steps == ()
        assert_allclose(arms.angle_rad, arms.angle_rad[:, :1] * np.ones(number), rtol=0, atol=1e-12)
        off.append(arms.angle_rad[:, 0] - truth - np.mean(arms.angle_rad[:, 0] - truth))
    # 4200 independent errors: their spread is found to 2 %.
    assert_allclose(np.rad2deg(np.std(off)), 0.03 / np.sqrt(number), rtol=0.07, atol=0)


@pytest.mark.parametrize("size_deg", [0.5, -1.0, 3.0, -6.0])
@pytest.mark.parametrize("at", [30, 120, 210, 300, 390])
def test_a_slip_is_found_and_sized(size_deg: float, at: int) -> None:
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    truth[at:, 1] += np.deg2rad(size_deg)
    for seed in range(3):
        time_s, markers = film(np.random.default_rng(seed), truth)
        arms = arm_angles(time_s, markers)
        assert len(arms.steps) == 1
        step = arms.steps[0]
        assert step.group == (0, 1)
        assert abs(step.moment - at) <= 2
        assert abs(np.rad2deg(step.size_rad[0, 1]) - size_deg) < 0.05
        assert step.size_rad[1, 0] == -step.size_rad[0, 1]
        assert np.rad2deg(step.sigma_rad[0, 1]) < 0.04
        for b in range(2):
            off = np.rad2deg(arms.angle_rad[:, b] - truth[:, b])
            off = np.delete(off - np.median(off), np.s_[at - 2 : at + 2])
            assert np.abs(off).max() < 0.15
            # Both levels rest on the arm's own marker.
            assert abs(off[:at].mean() - off[at:].mean()) < 0.02


def test_sizes_of_slips_are_honest() -> None:
    z = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        truth = np.repeat(stroke()[:, None], 2, axis=1)
        at, size = int(rng.integers(30, 390)), float(rng.uniform(0.6, 6.0) * rng.choice([-1, 1]))
        truth[at:, 1] += np.deg2rad(size)
        arms = arm_angles(*film(rng, truth, float(rng.uniform(0.02, 0.06))))
        assert len(arms.steps) == 1
        z.append((arms.steps[0].size_rad[0, 1] - np.deg2rad(size)) / arms.steps[0].sigma_rad[0, 1])
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_a_slip_that_takes_its_time_is_one() -> None:
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    truth[:, 1] += np.deg2rad(np.interp(np.arange(420), [120, 165], [0, 4.0]))
    arms = arm_angles(*film(np.random.default_rng(5), truth))
    assert len(arms.steps) == 1
    step = arms.steps[0]
    assert abs(step.first - 121) <= 4
    assert abs(step.last - 164) <= 4
    assert abs(np.rad2deg(step.size_rad[0, 1]) - 4.0) < 0.05
    # While it is under way each arm has its own marker alone.
    off = np.rad2deg(arms.angle_rad - truth)
    off -= np.median(off[:100], axis=0)
    assert np.abs(off).max() < 0.2
    assert np.rad2deg(arms.sigma_rad[130:150]).min() > 0.029 > np.rad2deg(arms.sigma_rad[300:]).max()


def test_two_slips_are_two() -> None:
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    truth[150:, 1] += np.deg2rad(2.0)
    truth[200:, 0] += np.deg2rad(-1.0)
    arms = arm_angles(*film(np.random.default_rng(6), truth))
    assert [abs(s.moment - at) <= 1 for s, at in zip(arms.steps, (150, 200), strict=True)] == [True, True]
    sizes = [np.rad2deg(s.size_rad[0, 1]) for s in arms.steps]
    assert_allclose(sizes, [2.0, 1.0], rtol=0, atol=0.06)


def test_of_three_markers_two_stay_together() -> None:
    truth = np.repeat(stroke()[:, None], 3, axis=1)
    truth[250:, 0] += np.deg2rad(1.5)
    arms = arm_angles(*film(np.random.default_rng(7), truth))
    assert [s.group for s in arms.steps] == [(0, 1, 1)]
    assert leading_arm(arms, 0, (0, 0, 0)) == 1
    off = np.rad2deg(arms.angle_rad[:, 1] - truth[:, 1])
    assert np.std(off) < 0.8 * 0.03


def test_a_slip_behind_a_hand_is_still_one() -> None:
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    truth[170:, 0] += np.deg2rad(2.0)
    time_s, markers = film(np.random.default_rng(8), truth)
    markers.angle_rad[150:190, 0] = np.nan
    arms = arm_angles(time_s, markers)
    assert len(arms.steps) == 1
    assert abs(np.rad2deg(arms.steps[0].size_rad[1, 0]) - 2.0) < 0.05
    # How the hidden arm stood meanwhile is not known, not even from the other marker, up to the slip.
    assert np.isfinite(arms.angle_rad[:, 1]).all()


def test_a_marker_that_turned_in_its_place_is_noted() -> None:
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    truth[210:, 1] += np.deg2rad(1.0)
    step = arm_angles(*film(np.random.default_rng(9), truth, turned_rad=np.deg2rad(2.0))).steps[0]
    assert_allclose(np.rad2deg(step.twist_rad), [0.0, 2.0], rtol=0, atol=0.06)


def test_slow_errors_are_no_slips() -> None:
    """Errors of a tenth of a degree that come and go with the angle, as a wrong lens makes them."""
    truth = np.repeat(stroke()[:, None], 2, axis=1)
    bent = truth.copy()
    bent[:, 1] += np.deg2rad(0.1) * np.sin(2 * truth[:, 1])
    for seed in range(5):
        assert arm_angles(*film(np.random.default_rng(seed), bent)).steps == ()
