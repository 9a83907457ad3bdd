"""Lost motion, hysteresis, closeness to toggle, standstill, and the findings they lead to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from kin_film import DEG, REFERENCE, Film, film, play, random_linkage
from numpy.testing import assert_allclose

from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import (
    curve_hysteresis,
    hysteresis_max,
    lost_motion,
    signed_lost_motion,
    standstills,
    toggle_margins,
)
from strokecurve.kinematics.findings.findings import Finding, assess
from strokecurve.kinematics.identify.evidence import Evidence
from strokecurve.kinematics.identify.geometry import GeometryFit, identify
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.travel import travel_curves
from strokecurve.kinematics.settings import DEFAULTS

SLOW_START = (FourBar.from_start_angles(55, 68, 176, 35.7 * DEG, 76.1 * DEG), 35.7 * DEG)


def pins(made: Film, sigma_mm: float = 0.3, sigma_rad: float = 0.3 * DEG) -> list[Evidence]:
    lengths = ("drive_radius_mm", "driven_radius_mm", "spacing_mm")
    angles = ("drive_start_rad", "driven_start_rad")
    return [
        *(Evidence(n, made.truth(n), sigma_mm, "pins") for n in lengths),
        *(Evidence(n, made.truth(n), sigma_rad, "pins") for n in angles),
    ]


def findings(made: Film, fit: GeometryFit | None = None) -> dict[str, Finding]:
    curves = travel_curves(made.stroke, made.motion)
    _, found = assess("motor:shaft1", made.stroke, made.motion, curves, fit)
    return {f.code: f for f in found}


# ---- lost motion -----------------------------------------------------------------------------------------


def test_hysteresis_as_instrument_standards_define_it() -> None:
    # HY-01: method of ANSI/ISA-51.1 and IEC 61298-2, numbers made up for the check
    case = REFERENCE["HY-01"]
    i, e = case["inputs"], case["expected"]
    found = hysteresis_max(i["input"], i["up"], i["down"])
    assert_allclose(found.value, e["hysteresis"], rtol=0, atol=1e-9)
    assert found.at_driver_rad == e["at_input"]
    for at, difference in zip(i["input"], e["differences"], strict=True):
        k = i["input"].index(at)
        one = hysteresis_max([at], [i["up"][k]], [i["down"][k]])
        assert_allclose(one.value, difference, rtol=0, atol=1e-9)


def test_hysteresis_without_both_runs_is_unknown() -> None:
    assert np.isnan(hysteresis_max([0, 1], [0, np.nan], [np.nan, 1]).value)


def test_play_follows_its_definition() -> None:
    rng = np.random.default_rng(0)
    for slack in (0.0, 0.1, 0.7):
        path = np.cumsum(rng.normal(0, 0.1, 500))
        engaged = engage(path, slack)
        assert_allclose(path[engaged.source] - slack * engaged.opened, play(path, slack), rtol=0, atol=1e-12)


@pytest.mark.parametrize("slack_deg", [0.0, 0.2, 0.5, 2.0])
@pytest.mark.parametrize("noise_deg", [0.015, 0.15])
def test_lost_motion_without_bias_and_with_an_honest_sd(slack_deg: float, noise_deg: float) -> None:
    scores, errors = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        linkage, start, sign = random_linkage(rng)
        made = film(linkage, start, rng, sign=sign, slack=slack_deg * DEG, noise=noise_deg * DEG)
        found = signed_lost_motion(made.stroke, made.motion)
        errors.append(found.value - made.slack)
        scores.append(errors[-1] / found.sd)
    assert np.abs(errors).max() < 0.1 * DEG
    assert abs(np.mean(scores)) < 0.6
    assert 0.6 < np.std(scores) < 1.4  # 30 trials give it to about 13 %


def test_reported_lost_motion_is_never_negative() -> None:
    values = []
    for seed in range(12):
        made = film(*SLOW_START, np.random.default_rng(seed))
        values.append(lost_motion(made.stroke, made.motion).value)
    assert min(values) == 0  # about half the films without any fall on the other side
    assert max(values) > 0


def test_lost_motion_needs_both_passes() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    stop = made.stroke.high_holds[0].start
    stroke = find_stroke(made.time[:stop], made.driver[:stop], 0.0005)
    motion = LinkageMotion.of(made.driver[:stop], made.driven[:stop], 0.0005, 0.0005)
    assert np.isnan(lost_motion(stroke, motion).value)


def test_lost_motion_of_a_shaft_that_turns_back() -> None:
    # past its dead centre it comes back by less than the lost motion: part of its curve is hidden
    linkage = FourBar(45, 274, 48, 243, -1)
    made = film(linkage, -94.4 * DEG, np.random.default_rng(1), sign=-1, slack=2 * DEG)
    assert abs(lost_motion(made.stroke, made.motion).value - 2 * DEG) < 0.1 * DEG


def test_lost_motion_of_a_cam() -> None:
    rng = np.random.default_rng(2)
    made = film(*SLOW_START, rng)
    travel = np.interp(made.time, [0, 1.2, 8.4, 9.6, 16.8], np.array([0, 0, 90, 90, 0.0])) * DEG
    driven = play(0.7 * travel + 0.05 * np.sin(4 * travel), 0.6 * DEG)
    driven = driven + rng.normal(0, 0.03 * DEG, driven.size)
    found = lost_motion(made.stroke, LinkageMotion.of(made.driver, driven, 0.03 * DEG, 0.03 * DEG))
    assert abs(found.value - 0.6 * DEG) < 0.1 * DEG


# ---- toggle ----------------------------------------------------------------------------------------------


def exact_margins(made: Film) -> list[tuple[float, float]]:
    travel = np.linspace(0, 90, 901) * DEG
    drives = made.drive_start + made.stroke.opening_sign * travel
    found = []
    for angle in (made.linkage.drive_angle(drives), made.linkage.transmission_angle(drives)):
        in_line = np.minimum(angle, np.pi - angle)
        if in_line.min() < 0.1 * DEG:  # the rod passes through the line of the arm
            in_line = np.where(in_line == in_line.min(), 0.0, in_line)
        found.append((float(in_line.min()), float(travel[np.argmin(in_line)])))
    return found


def test_toggle_margins_within_their_standard_deviation() -> None:
    scores = []
    for seed in range(30):
        rng = np.random.default_rng(500 + seed)
        linkage, start, sign = random_linkage(rng)
        made = film(linkage, start, rng, sign=sign)
        known = [replace(e, value=e.value + rng.normal(0, e.sigma)) for e in pins(made)]
        fit = identify(made.stroke, made.motion, known)
        for margin, (value, _) in zip(toggle_margins(fit, made.stroke), exact_margins(made), strict=True):
            assert abs(margin.value - value) < 1.5 * DEG
            if value > 0:
                scores.append((margin.value - value) / margin.sd)
    assert 0.7 < np.std(scores) < 1.35
    assert np.abs(scores).max() < 4.5


def test_toggle_margins_say_where() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    fit = identify(made.stroke, made.motion, pins(made))
    for margin, (_, at) in zip(toggle_margins(fit, made.stroke), exact_margins(made), strict=True):
        assert abs(margin.at_driver_rad - at) < 1 * DEG


def test_linear_propagation_agrees_with_monte_carlo() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    fit = identify(made.stroke, made.motion, pins(made))
    rng = np.random.default_rng(1)
    draws = rng.multivariate_normal(fit.parameters, fit.covariance, 400)
    travel = np.linspace(0, fit.opening_sign * made.stroke.travel_rad, 91)
    sampled, rods = [], []
    for a, c, d, start, driven in (np.concatenate([np.exp(p[:3]), p[3:5]]) for p in draws):
        linkage = FourBar.from_start_angles(a, c, d, start, driven)
        rods.append(linkage.rod_mm)
        angles = linkage.drive_angle(start + travel), linkage.transmission_angle(start + travel)
        sampled.append([np.minimum(x, np.pi - x).min() for x in angles])
    spread = np.std(sampled, axis=0)
    margins = toggle_margins(fit, made.stroke)
    assert_allclose([m.sd for m in margins], spread, rtol=0.15, atol=0)  # 400 draws give it to about 4 %
    assert_allclose(fit.quantity("rod_mm").sd, np.std(rods), rtol=0.15, atol=0)


# ---- findings --------------------------------------------------------------------------------------------


def test_a_sound_linkage_has_no_findings() -> None:
    made = film(FourBar(75, 240, 75, 240, -1), 45 * DEG, np.random.default_rng(3))
    assert findings(made, identify(made.stroke, made.motion, pins(made))) == {}


@pytest.mark.parametrize(("driven_start", "severity"), [(70, "caution"), (74, "danger")])
def test_near_toggle(driven_start: float, severity: str) -> None:
    linkage = FourBar.from_start_angles(60, 62, 190, 40 * DEG, driven_start * DEG)
    made = film(linkage, 40 * DEG, np.random.default_rng(3), stroke=77 * DEG)
    found = findings(made, identify(made.stroke, made.motion, pins(made)))
    toggles = [f for code, f in found.items() if code.startswith("toggle")]
    worst = min(toggles, key=lambda f: f.value)
    assert worst.severity == severity
    assert worst.value < worst.limit
    assert worst.sd > 0
    assert "locked out" in in_words(worst).advice


@pytest.mark.parametrize(("slack_deg", "severity"), [(0.5, None), (1.5, "caution"), (3.5, "danger")])
def test_lost_motion_finding(slack_deg: float, severity: str | None) -> None:
    made = film(*SLOW_START, np.random.default_rng(3), slack=slack_deg * DEG)
    found = findings(made).get("lost_motion")
    assert (found.severity if found else None) == severity
    if found:
        assert_allclose(found.value, slack_deg, rtol=0, atol=0.1)
        assert found.where == "motor:shaft1"


def test_a_driven_shaft_against_its_stop() -> None:
    made = film(*SLOW_START, np.random.default_rng(3), slow=1e-6)
    stuck = LinkageMotion.of(made.driver, np.minimum(made.driven, 55 * DEG), 0.03 * DEG, 0.03 * DEG)
    curves = travel_curves(made.stroke, stuck)
    _, found = assess("motor:shaft1", made.stroke, stuck, curves, None)
    stalls = [f for f in found if f.code == "driven_stalls"]
    assert [f.where for f in stalls] == ["motor:shaft1 opening", "motor:shaft1 closing"]


def test_a_driven_shaft_that_turns_back_is_a_danger() -> None:
    linkage = FourBar.from_start_angles(40, 90, 220, 130 * DEG, 40 * DEG)
    dead = [a % (2 * np.pi) for a in linkage.toggle_positions().drive_in_line_rad]
    assert any(140 * DEG < a < 210 * DEG for a in dead)
    made = film(linkage, 130 * DEG, np.random.default_rng(1))
    found = findings(made, identify(made.stroke, made.motion, pins(made)))
    assert found["driven_reverses"].severity == "danger"
    assert found["toggle_drive"].value == 0


def test_take_up_is_not_taken_for_a_standstill() -> None:
    for slack in (0.0, 1.0, 3.0):
        made = film(*SLOW_START, np.random.default_rng(4), slack=slack * DEG)
        curves = travel_curves(made.stroke, made.motion)
        assert standstills(curves, lost_motion(made.stroke, made.motion)) == ()
    # without knowing of the lost motion the same pause would count
    assert standstills(curves, Estimate(0.0, 0.0), replace(DEFAULTS, stall_driver_rad=2 * DEG))


def test_a_cam_is_called_a_misfit() -> None:
    rng = np.random.default_rng(4)
    made = film(*SLOW_START, rng)
    travel = made.stroke.travel(made.driver)
    cam = 20 * DEG * np.sin(travel * 6) / 6 + travel * 0.7 + rng.normal(0, 0.03 * DEG, travel.size)
    made = replace(made, motion=LinkageMotion.of(made.driver, cam, 0.03 * DEG, 0.03 * DEG))
    assert "misfit" in findings(made, identify(made.stroke, made.motion))
    honest = film(*SLOW_START, np.random.default_rng(4))
    assert "misfit" not in findings(honest, identify(honest.stroke, honest.motion))


def test_short_stroke_and_missing_pass_are_notes() -> None:
    made = film(*SLOW_START, np.random.default_rng(0), stroke=70 * DEG)
    assert findings(made)["stroke"].severity == "note"
    stop = made.stroke.high_holds[0].start
    cut = film(*SLOW_START, np.random.default_rng(0), stroke=70 * DEG)
    stroke = find_stroke(cut.time[:stop], cut.driver[:stop], 0.0005)
    motion = LinkageMotion.of(cut.driver[:stop], cut.driven[:stop], 0.0005, 0.0005)
    found = findings(replace(cut, stroke=stroke, motion=motion))
    assert found["stroke_incomplete"].severity == "note"


def test_what_is_not_determined_comes_with_the_measurement_that_settles_it() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    found = findings(made, identify(made.stroke, made.motion))["not_determined"]
    assert "measure" in in_words(found).advice
    assert "rod" in in_words(found).text


def test_a_rod_marker_is_advised_only_where_there_was_none() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    fit, curves = identify(made.stroke, made.motion), travel_curves(made.stroke, made.motion)
    advice = {}
    for rod in ("unseen", "seen", "pins"):
        _, found = assess("a:b", made.stroke, made.motion, curves, fit, rod=rod)
        advice[rod] = next(in_words(f).advice for f in found if f.code == "not_determined")
    assert "film with a marker on the rod" in advice["unseen"]
    assert "the rod's marker in view, so that it shows both pins" in advice["seen"]
    assert "with a marker on" not in advice["seen"]
    assert "marker" not in advice["pins"]
    assert all(text.startswith("To settle it, ") for text in advice.values())


def test_gravest_first_and_hysteresis_of_a_curve() -> None:
    made = film(*SLOW_START, np.random.default_rng(0), slack=3.5 * DEG, stroke=80 * DEG)
    curves = travel_curves(made.stroke, made.motion)
    _, found = assess("motor:shaft1", made.stroke, made.motion, curves, None)
    assert [f.severity for f in found] == sorted(
        (f.severity for f in found), key=("danger", "caution", "note").index
    )
    assert 3.4 * DEG < curve_hysteresis(curves).value < 3.8 * DEG


def test_dangers_name_no_burner_safe() -> None:
    made = film(*SLOW_START, np.random.default_rng(0), slack=3.5 * DEG)
    found = findings(made, identify(made.stroke, made.motion, pins(made)))
    assert found["lost_motion"].severity == "danger"
    for finding in found.values():
        assert "safe" not in " ".join(in_words(finding)).lower()
