"""Travel curves, their even-step table, their comparison with each other and with what is intended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from kin_film import DEG, Film, film, random_linkage
from numpy.testing import assert_allclose

from strokecurve.kinematics.errors import KinematicsError, StrokeError
from strokecurve.kinematics.intended.equal import equal_travel
from strokecurve.kinematics.intended.table import Intended
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.train import Train
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.travel import TravelCurves, curves_at_steps, travel_curves

SLOW_START = FourBar.from_start_angles(55, 68, 176, 39.7 * DEG, 76.1 * DEG)
START = 39.7 * DEG


def truth(exact: Film, way: str, driver: np.ndarray) -> np.ndarray:
    """Exact driven travel of one pass, from a film without errors at a very high frame rate."""
    part = getattr(exact.stroke, way)[0]
    part = slice(part.start - 2, part.stop + 2)
    travel = exact.stroke.travel(exact.driver)[part]
    order = np.argsort(travel)
    sign = np.sign(exact.driven[np.argmax(np.abs(exact.driver))] - exact.driven[0])
    return np.interp(driver, travel[order], (sign * (exact.driven - exact.driven[0]))[part][order])


def test_stated_standard_deviations_hold_on_both_passes() -> None:
    scores = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        linkage, start, sign = random_linkage(rng)
        slack, noise = rng.choice([0, 0.5, 2.0]) * DEG, rng.choice([0.015, 0.03, 0.1]) * DEG
        made = film(linkage, start, rng, sign=sign, slack=slack, noise=noise)
        exact = film(linkage, start, None, sign=sign, slack=slack, frame_rate=600)
        curves = travel_curves(made.stroke, made.motion)
        for way in ("opening", "closing"):
            off = getattr(curves, f"{way}_rad") - truth(exact, way, curves.driver_rad)
            scores.append(off / getattr(curves, f"{way}_sd_rad"))
    score = np.concatenate(scores)
    assert not np.isnan(score).any()
    within = np.mean(np.abs(score) < 2)
    assert 0.90 < within < 0.99, within


def test_take_up_after_a_reversal_is_not_smeared() -> None:
    slack = 2 * DEG
    made = film(SLOW_START, START, np.random.default_rng(3), slack=slack, noise=0.015 * DEG, slow=0.005 * DEG)
    exact = film(SLOW_START, START, None, slack=slack, frame_rate=600)
    curves = travel_curves(made.stroke, made.motion)
    near = curves.driver_rad < 8 * DEG
    off = curves.opening_rad[near] - truth(exact, "opening", curves.driver_rad[near])
    assert np.abs(off).max() < 0.1 * DEG
    top = curves.driver_rad > 84 * DEG
    off = curves.closing_rad[top] - truth(exact, "closing", curves.driver_rad[top])
    assert np.abs(off).max() < 0.12 * DEG
    standing = curves.closing_rad[-1] - curves.closing_rad[-2]
    assert abs(standing) < 0.1 * DEG  # the driver has turned by 1 degree, the driven shaft not


def test_exact_angles_give_the_exact_curve() -> None:
    made = film(SLOW_START, START)
    curves = travel_curves(made.stroke, made.motion, 5 * DEG)
    ideal = SLOW_START.driven_angle(START + curves.driver_rad) - SLOW_START.driven_angle(START)
    assert curves.driver_rad.size == 19
    # a straight line over 2.5 degrees of a bent curve
    assert_allclose(curves.opening_rad / DEG, ideal / DEG, rtol=0, atol=0.01)
    assert_allclose(curves.closing_rad / DEG, ideal / DEG, rtol=0, atol=0.01)
    assert_allclose(curves.driven_travel_rad, ideal[-1], rtol=0, atol=1e-4)


@pytest.mark.parametrize("sign", [1, -1])
def test_each_shaft_has_its_own_opening_direction(sign: int) -> None:
    crossed = FourBar.from_start_angles(60, 70, 230, sign * 70 * DEG, -sign * 60 * DEG)
    made = film(crossed, sign * 70 * DEG, sign=sign, stroke=60 * DEG)
    curves = travel_curves(made.stroke, made.motion)
    assert curves.driven_sign == -sign
    assert curves.opening_rad[-1] > 30 * DEG


def test_a_gap_in_the_film_is_a_gap_in_the_curve() -> None:
    made = film(SLOW_START, START, np.random.default_rng(0))
    travel = made.stroke.travel(made.driver)
    part = made.stroke.opening[0]
    hidden = np.zeros(travel.size, bool)
    hidden[part] = (travel[part] > 30 * DEG) & (travel[part] < 50 * DEG)
    motion = LinkageMotion.of(made.driver, np.where(hidden, np.nan, made.driven), 0.0005, 0.0005)
    curves = travel_curves(made.stroke, motion)
    missing = np.isnan(curves.opening_rad)
    assert missing[33:48].all()
    assert not missing[:30].any()
    assert not missing[51:].any()
    assert not np.isnan(curves.closing_rad).any()
    assert np.array_equal(missing, np.isnan(curves.opening_sd_rad))


def test_one_pass_only() -> None:
    made = film(SLOW_START, START)
    keep = slice(0, made.stroke.high_holds[0].stop)
    stroke = find_stroke(made.time[keep], made.driver[keep], 0.0005)
    motion = LinkageMotion.of(made.driver[keep], made.driven[keep], 0.0005, 0.0005)
    curves = travel_curves(stroke, motion)
    assert np.isfinite(curves.opening_rad).all()
    assert np.isnan(curves.closing_rad).all()
    assert abs(curves.opening_rad[0]) < 1e-3


def test_jog_does_not_bend_the_curve() -> None:
    time = np.arange(0, 16, 1 / 30)
    driver = np.interp(time, [0, 1, 4, 4.6, 8.2, 9, 15], np.array([0, 0, 45, 38, 90, 90, 0.0])) * DEG
    driven = np.interp(time, [0, 1, 4, 4.6, 8.2, 9, 15], np.array([0, 0, 44, 38, 89, 89, 0.0])) * DEG
    motion = LinkageMotion.of(driver, driven, 0.0005, 0.0005)
    curves = travel_curves(find_stroke(time, driver, 0.0005), motion)
    forward = np.interp(44 * DEG, driver[30:120], driven[30:120])
    assert abs(curves.opening_rad[44] - forward) < 0.1 * DEG


def test_never_measured_together() -> None:
    made = film(SLOW_START, START)
    with pytest.raises(StrokeError, match="never measured together"):
        travel_curves(
            made.stroke, LinkageMotion.of(made.driver, np.full(made.driver.size, np.nan), 0.001, 0.001)
        )


def flat(driver: np.ndarray, opening: np.ndarray, closing: np.ndarray) -> TravelCurves:
    sd = np.full(driver.size, 0.001)
    return TravelCurves(driver, opening, closing, sd, sd, driver[-1], 0.001, opening[-1], 0.001, 1)


def test_even_step_table() -> None:
    driver = np.arange(91) * DEG
    curves = flat(driver, driver * 0.5, driver * 0.5 + 0.01)
    table = curves_at_steps(curves, 10 * DEG)
    assert table.driver_rad.size == 10
    assert_allclose(table.lost_rad, 0.01, rtol=0, atol=1e-12)
    assert_allclose(table.mean_rad, table.driver_rad * 0.5 + 0.005, rtol=0, atol=1e-12)
    assert_allclose(table.lost_sd_rad, 0.001 * np.sqrt(2), rtol=1e-12, atol=0)
    with pytest.raises(ValueError, match="whole multiple"):
        curves_at_steps(curves, 2.5 * DEG)


@pytest.mark.parametrize(
    ("driver", "driven", "tolerance", "words"),
    [
        ([0], [0], None, "two or more rows"),
        ([0, 1, 2], [0, 1], None, "two or more rows"),
        ([0, 1, 1], [0, 1, 2], None, "row 3"),
        ([0, np.nan], [0, 1], None, "number is missing"),
        ([0, 90], [0, 90], None, "beyond 360"),
        ([0, 1], [0, 1], [0.1, -0.1], "tolerance"),
    ],
)
def test_a_table_that_cannot_be_used(driver: list, driven: list, tolerance: list | None, words: str) -> None:
    with pytest.raises(KinematicsError, match=words):
        Intended.from_table(driver, driven, tolerance)


def test_a_table_says_nothing_beyond_its_ends() -> None:
    table = Intended.from_table([0.2, 1.0], [0.1, 0.9], [0.01, np.nan])
    assert np.isnan(table.driven_at([0.1, 1.1])).all()
    assert_allclose(table.driven_at([0.2, 0.6, 1.0]), [0.1, 0.5, 0.9], rtol=0, atol=1e-12)
    assert table.tolerance_at(0.2) == 0.01


@pytest.mark.parametrize("travel", [0.0, -1.0, np.nan])
def test_equal_travel_needs_a_travel(travel: float) -> None:
    with pytest.raises(KinematicsError, match="more than 0"):
        equal_travel(travel)


def test_train_runs_through_every_shaft() -> None:
    second = FourBar.from_start_angles(70, 60, 210, 50 * DEG, 65 * DEG)
    train = Train((SLOW_START, second), (START, 50 * DEG))
    driver = np.linspace(0, 1.4, 40)
    first = SLOW_START.driven_angle(START + driver) - SLOW_START.driven_angle(START)
    last = second.driven_angle(50 * DEG + first) - second.driven_angle(50 * DEG)
    assert_allclose(train.travel(driver), np.stack([first, last]), rtol=0, atol=1e-12)
    step = 1e-6
    slope = (train.travel(driver + step)[-1] - train.travel(driver - step)[-1]) / (2 * step)
    assert_allclose(train.velocity_ratio(driver), slope, rtol=1e-6, atol=1e-7)
    with pytest.raises(ValueError, match="one start angle"):
        Train((SLOW_START,), ())


def test_shapes_are_checked() -> None:
    driver = np.arange(5.0)
    with pytest.raises(ValueError, match="closing_rad"):
        replace(flat(driver, driver, driver), closing_rad=driver[:4])
    with pytest.raises(ValueError, match="driven_rad"):
        LinkageMotion.of([0, 1], [0, 1, 2], 0.1, 0.1)
    with pytest.raises(ValueError, match="must be positive"):
        LinkageMotion.of([0, 1], [0, 1], 0.0, 0.1)
