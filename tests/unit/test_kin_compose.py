"""Curves joined at a shared shaft, against the whole train computed at once."""

from __future__ import annotations

import math

import numpy as np
import pytest
from kin_joined import joined_case
from numpy.testing import assert_allclose

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.linkage.train import Train
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.compose import compose, composed_lost_motion, shared_difference
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.travel import TravelCurves

DEG = np.pi / 180
STROKE = 90 * DEG
STEP, FINE = 1 * DEG, 0.2 * DEG
SD = 0.03 * DEG
FIRST, FIRST_START = FourBar(60, 180, 70, 190, branch=-1), 0.8
SECOND, SECOND_START = FourBar(58, 170, 64, 175, branch=-1), 0.9
# Straight lines between steps of 0.2 degrees miss a curve of this bend by less.
EXACT = 1e-3 * DEG


def first_ideal(x: np.ndarray) -> np.ndarray:
    return FIRST.driven_angle(FIRST_START + x) - FIRST.driven_angle(FIRST_START)


def second_ideal(y: np.ndarray) -> np.ndarray:
    return SECOND.driven_angle(SECOND_START + y) - SECOND.driven_angle(SECOND_START)


def followed(path: np.ndarray, slack: float) -> np.ndarray:
    play = engage(path, slack)
    return path[play.source] - slack * play.opened


def there_and_back(travel: float, count: int = 6001) -> np.ndarray:
    """Driver path of one stroke, finer than any step of a curve."""
    return np.concatenate([np.linspace(0, travel, count), np.linspace(travel, 0, count)[1:]])


def curves(path: np.ndarray, driven: np.ndarray, step: float, sd: float = SD, sign: int = 1) -> TravelCurves:
    """The travel curves of a path that opens once and closes once."""
    turn = int(np.argmax(path))
    travel = float(path[turn])
    grid = np.arange(math.floor(travel / step + 1e-9) + 1) * step
    opening = np.interp(grid, path[: turn + 1], driven[: turn + 1])
    closing = np.interp(grid, path[turn:][::-1], driven[turn:][::-1])
    sds = np.full(grid.size, sd)
    return TravelCurves(grid, opening, closing, sds, sds, travel, sd, float(driven[turn]), sd, sign)


def train_curves(
    slack: tuple[float, float], shared_travel: float | None = None
) -> tuple[TravelCurves, TravelCurves, TravelCurves]:
    """First film, second film (with a stroke of its own), and the true whole."""
    path = there_and_back(STROKE)
    shared = followed(first_ideal(path), slack[0])
    whole = followed(second_ideal(shared), slack[1])
    again = there_and_back(float(shared.max()) if shared_travel is None else shared_travel)
    second = curves(again, followed(second_ideal(again), slack[1]), FINE, sign=-1)
    return curves(path, shared, STEP), second, curves(path, whole, STEP)


def test_without_play_it_is_the_chain_of_four_bars() -> None:
    first, second, _ = train_curves((0.0, 0.0))
    joined = compose(first, second)
    truth = Train((FIRST, SECOND), (FIRST_START, SECOND_START)).travel(first.driver_rad)[-1]
    assert_allclose(joined.opening_rad, truth, rtol=0, atol=EXACT)
    assert_allclose(joined.closing_rad, truth, rtol=0, atol=EXACT)
    assert_allclose(joined.driven_travel_rad, truth[-1], rtol=0, atol=EXACT)
    assert joined.driven_sign == second.driven_sign
    assert joined.driver_travel_rad == first.driver_travel_rad


def test_with_play_each_pass_is_composed_with_its_own() -> None:
    """Both films make the same stroke: take-up after either reversal included."""
    first, second, truth = train_curves((0.7 * DEG, 1.2 * DEG))
    joined = compose(first, second, 1.2 * DEG)
    assert_allclose(joined.opening_rad, truth.opening_rad, rtol=0, atol=EXACT)
    assert_allclose(joined.closing_rad, truth.closing_rad, rtol=0, atol=EXACT)


@pytest.mark.parametrize("more_deg", [0.6, 4.0])
def test_second_film_went_further(more_deg: float) -> None:
    """The train turns back before the second film did; it then stands until its play is taken up."""
    ends = float(first_ideal(np.array([STROKE]))[0])
    first, second, truth = train_curves((0.7 * DEG, 1.2 * DEG), ends - 0.7 * DEG + more_deg * DEG)
    joined = compose(first, second, 1.2 * DEG)
    assert_allclose(joined.opening_rad, truth.opening_rad, rtol=0, atol=EXACT)
    assert_allclose(joined.closing_rad, truth.closing_rad, rtol=0, atol=EXACT)
    assert_allclose(joined.driven_travel_rad, truth.driven_travel_rad, rtol=0, atol=EXACT)
    assert_allclose(shared_difference(first, second).value, more_deg * DEG, rtol=0, atol=1e-9)
    # where the difference lies is not known, so the figures are less sure than with equal strokes
    same = compose(*train_curves((0.7 * DEG, 1.2 * DEG))[:2])
    assert np.nanmean(joined.opening_sd_rad) > 1.5 * np.nanmean(same.opening_sd_rad)


def test_second_film_fell_short() -> None:
    """What it did not show stays a gap, in closing also what it showed within its own take-up."""
    ends = float(first_ideal(np.array([STROKE]))[0]) - 0.7 * DEG
    reached = ends - 5 * DEG
    first, second, truth = train_curves((0.7 * DEG, 1.2 * DEG), reached)
    joined = compose(first, second, 1.2 * DEG)
    covered = first.opening_rad <= reached - FINE
    assert_allclose(joined.opening_rad[covered], truth.opening_rad[covered], rtol=0, atol=EXACT)
    assert np.isnan(joined.opening_rad[first.opening_rad > reached + 0.4 * DEG]).all()
    assert np.isnan(joined.opening_sd_rad[np.isnan(joined.opening_rad)]).all()
    shown = np.isfinite(joined.closing_rad)
    assert_allclose(joined.closing_rad[shown], truth.closing_rad[shown], rtol=0, atol=EXACT)
    assert shown[first.closing_rad < reached - 4 * DEG].all()
    assert not shown[first.closing_rad > reached - 0.5 * DEG].any()
    assert math.isnan(joined.driven_travel_rad)
    assert math.isnan(joined.driven_travel_sd_rad)


def test_a_gap_of_either_film_stays_a_gap() -> None:
    first, second, _ = train_curves((0.0, 0.0))
    first.opening_rad[20:23] = np.nan
    hole = (second.driver_rad > 40 * DEG) & (second.driver_rad < 44 * DEG)
    second.closing_rad[hole] = np.nan
    joined = compose(first, second)
    assert np.isnan(joined.opening_rad[20:23]).all()
    assert np.isfinite(joined.closing_rad[20:23]).all()
    inside = (first.closing_rad > 40 * DEG) & (first.closing_rad < 44 * DEG)
    assert inside.any()
    assert np.isnan(joined.closing_rad[inside]).all()
    outside = (first.closing_rad < 39.5 * DEG) | (first.closing_rad > 44.5 * DEG)
    assert np.isfinite(joined.closing_rad[outside]).all()


def test_passes_that_do_not_meet() -> None:
    first, second, _ = train_curves((0.0, 0.0))
    first.closing_rad[:] = np.nan
    second.opening_rad[:] = np.nan
    with pytest.raises(StrokeError, match="no pass of the shared shaft in common"):
        compose(first, second)


def test_standard_deviation_against_random_errors() -> None:
    """Errors of both films drawn at random move the whole by what is stated."""
    rng = np.random.default_rng(5)
    first, second, _ = train_curves((0.7 * DEG, 1.2 * DEG))
    drawn = []
    for _ in range(400):
        off, own = SD * rng.standard_normal((2, first.driver_rad.size)), SD * rng.standard_normal()
        moved = compose(
            TravelCurves(
                first.driver_rad,
                first.opening_rad + off[0],
                first.closing_rad + off[1],
                *[first.opening_sd_rad] * 2,
                first.driver_travel_rad,
                SD,
                first.driven_travel_rad,
                SD,
                1,
            ),
            TravelCurves(
                second.driver_rad,
                second.opening_rad + own,
                second.closing_rad + own,
                *[second.opening_sd_rad] * 2,
                second.driver_travel_rad,
                SD,
                second.driven_travel_rad,
                SD,
                1,
            ),
        )
        drawn.append([moved.opening_rad, moved.closing_rad])
    spread = np.std(drawn, axis=0)
    stated = compose(first, second)
    # away from the take-up, where the curve has corners; 400 draws give a spread to 4 %, its extremes to 15 %
    middle = slice(10, 80)
    for seen, said in zip(spread, (stated.opening_sd_rad, stated.closing_sd_rad), strict=True):
        assert_allclose(said[middle], seen[middle], rtol=0.17, atol=0)
        assert_allclose(np.mean(said[middle]), np.mean(seen[middle]), rtol=0.04, atol=0)


@pytest.mark.parametrize("slack_deg", [(0.0, 0.0), (0.7, 1.2), (1.5, 0.0)])
def test_lost_motion_of_the_whole(slack_deg: tuple[float, float]) -> None:
    """Composed lost motion against the dead band fitted to the motion of the whole train."""
    slack = slack_deg[0] * DEG, slack_deg[1] * DEG
    first, second, _ = train_curves(slack)
    found = composed_lost_motion(
        first, Estimate(slack[0], 0.02 * DEG), second, Estimate(slack[1], 0.03 * DEG)
    )
    time_s = np.arange(0, 14, 1 / 30)
    driver = np.interp(time_s, [1, 6, 7, 12], [0, STROKE, STROKE, 0])
    whole = followed(second_ideal(followed(first_ideal(driver), slack[0])), slack[1])
    rng = np.random.default_rng(3)
    sigma = 0.01 * DEG
    noisy = [a + sigma * rng.standard_normal(a.size) for a in (driver, whole)]
    fitted = lost_motion(find_stroke(time_s, noisy[0], sigma), LinkageMotion.of(*noisy, sigma, sigma))
    # The slope of the second changes along the stroke, so the width does; the fit knows one width only.
    assert_allclose(found.value, fitted.value, rtol=0, atol=0.05 * DEG)
    assert 0.03 * DEG < found.sd < 0.06 * DEG


def test_lost_motion_not_known_stays_unknown() -> None:
    first, second, _ = train_curves((0.0, 0.0))
    found = composed_lost_motion(first, Estimate(math.nan, math.nan), second, Estimate(0.01, 0.001))
    assert math.isnan(found.value)
    assert math.isnan(found.sd)


def test_equal_strokes_differ_by_noise_only() -> None:
    """The difference is no surer than the travel of either film allows."""
    first, second, _ = train_curves((0.0, 0.0))
    off = shared_difference(first, second)
    assert_allclose(off.value, 0.0, rtol=0, atol=1e-9)
    assert_allclose(off.sd, math.sqrt(2) * SD, rtol=1e-9, atol=0)


@pytest.mark.slow
def test_random_trains_in_two_clips() -> None:
    """Stated standard deviations against the truth; `tests/bench/join_study.py` does many more."""
    cases = [joined_case(seed) for seed in range(16)]
    pulls = np.concatenate([c.curve for c in cases])
    assert np.isfinite(pulls).all(), "both clips show the full stroke, so there is no gap"
    # Errors along one curve go together, so 16 trains are few: the spread of all 200 of the study is 0.9.
    assert 0.6 < pulls.std() < 1.25
    assert np.mean(np.abs(pulls) < 2) > 0.9
    assert np.mean(np.abs(pulls) > 4) < 0.01
    for errors in ([c.travel for c in cases], [c.difference for c in cases]):
        assert 0.4 < np.sqrt(np.mean(np.square(errors))) < 1.5
    # errors of both clips' own lost motion, whose limit is 0.1 degrees
    assert np.sqrt(np.mean(np.square([c.lost_deg for c in cases]))) < 0.1
