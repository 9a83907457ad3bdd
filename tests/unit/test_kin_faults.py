"""Slip, jumps, repeatability and travel left until toggle, on films with one known fault each."""

from __future__ import annotations

import numpy as np
import pytest
from kin_faulty import SLACK_RAD, driven_of, drives, faulty_film, filmed, special_film, stroked
from kin_film import DEG, film, wrapped
from kin_study import draw_layout
from numpy.testing import assert_allclose
from test_kin_condition import SLOW_START, pins

from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.faults.slip import follow, without_slips
from strokecurve.kinematics.findings.findings import Finding, assess
from strokecurve.kinematics.identify.geometry import identify
from strokecurve.kinematics.identify.posterior import linkage_of
from strokecurve.kinematics.identify.to_toggle import travel_to_toggle
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import travel_curves
from strokecurve.kinematics.settings import DEFAULTS

SIZE_TOLERANCE = 0.3 * DEG  # of a slip of 2 degrees: five standard deviations of the noisiest film here


def findings(stroke: Stroke, motion: LinkageMotion, time_s: np.ndarray | None = None) -> dict[str, Finding]:
    curves = travel_curves(stroke, motion)
    _, found = assess("motor:shaft1", stroke, motion, curves, None, time_s=time_s)
    return {f.code: f for f in found}


# ---- slip ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", ["driven arm slips", "drive arm slips", "slip and slack"])
@pytest.mark.parametrize("layout", ["equal", "short drive arm", "slow start", "crossed"])
def test_a_slip_of_two_degrees_is_found(layout: str, fault: str) -> None:
    made = faulty_film(np.random.default_rng(11), layout, fault)
    followed = follow(made.stroke, made.motion)
    assert len(followed.slips) == 1
    slip = followed.slips[0]
    assert slip.arm in ("", made.arm)
    size = slip.driven_rad if made.arm == "driven" else slip.drive_rad
    assert abs(size - made.slip) < SIZE_TOLERANCE
    assert abs(made.time[slip.moment] - made.moment_s) < 0.6  # a slip takes up to half a second
    found = findings(made.stroke, made.motion, made.time)["slip"]
    assert found.severity == "danger"
    assert found.unit == "deg"
    assert f"{made.time[slip.moment]:.1f} s" in in_words(found).text


@pytest.mark.parametrize("layout", ["equal", "fast start", "near toggle"])
@pytest.mark.parametrize("fault", ["none", "slack"])
def test_no_slip_where_there_is_none(layout: str, fault: str) -> None:
    made = faulty_film(np.random.default_rng(12), layout, fault, cycles=2)
    codes = set(findings(made.stroke, made.motion))
    assert not codes & {"slip", "stick_slip", "driven_jumps", "poor_repeatability"}
    followed = follow(made.stroke, made.motion)
    assert abs(followed.slack_rad - made.slack) < 0.1 * DEG


@pytest.mark.parametrize("number", [9, 17])
def test_a_slip_at_the_end_of_the_stroke_does_not_trade_places_with_lost_motion(number: int) -> None:
    """Such as -41 degrees of it, or 3, each beside a step that makes up for it: both fit these films."""
    made = faulty_film(np.random.default_rng([number, 0, 3, 1]), "equal", "driven arm slips")
    followed = follow(made.stroke, made.motion)
    (slip,) = followed.slips
    assert made.stroke.travel_rad - slip.at_driver_rad < 8 * DEG
    assert abs(slip.driven_rad - made.slip) < SIZE_TOLERANCE
    assert abs(followed.slack_rad) < SIZE_TOLERANCE


def test_a_slip_does_not_pretend_lost_motion() -> None:
    for seed in range(3):
        made = faulty_film(np.random.default_rng(20 + seed), "short drive arm", "driven arm slips")
        curves = travel_curves(made.stroke, made.motion)
        condition, found = assess("a:b", made.stroke, made.motion, curves, None)
        assert condition.slack.value < 0.15 * DEG
        assert "lost_motion" not in {f.code for f in found}


def test_lost_motion_stays_itself_beside_a_slip() -> None:
    made = faulty_film(np.random.default_rng(3), "slow start", "slip and slack")
    curves = travel_curves(made.stroke, made.motion)
    condition, _ = assess("a:b", made.stroke, made.motion, curves, None)
    assert abs(condition.slack.value - SLACK_RAD) < max(0.1 * DEG, 4 * condition.slack.sd)


@pytest.mark.parametrize("fault", ["driven arm slips", "drive arm slips"])
def test_geometry_is_that_before_the_slip(fault: str) -> None:
    made = faulty_film(np.random.default_rng(5), "short drive arm", fault)
    slips = follow(made.stroke, made.motion).slips
    whole = without_slips(made.stroke, made.motion, slips)
    expected = made.layout.linkage.driven_angle(
        drives(made.layout, made.layout.stroke * np.linspace(0, 1, 5), np.zeros(5))
    )
    known = made.stroke.low_holds[0]
    driver = whole.driver_rad - np.mean(whole.driver_rad[known])
    driven = whole.driven_rad - np.nanmean(whole.driven_rad[known])
    true = made.layout.linkage.driven_angle(made.layout.drive_start + driver) - expected[0]
    after = slice(slips[0].last + 1, None)
    assert np.nanmedian(np.abs(driven - true)[after]) < 0.15 * DEG
    as_filmed = (
        made.layout.linkage.driven_angle(made.layout.drive_start + made.motion.driver_rad) - expected[0]
    )
    zero = np.mean(made.motion.driven_rad[known])
    assert np.nanmedian(np.abs(made.motion.driven_rad - zero - as_filmed)[after]) > 0.4 * DEG


def test_a_step_of_a_few_frames_is_no_slip() -> None:
    made = faulty_film(np.random.default_rng(6), "equal", "none")
    driven = made.motion.driven_rad.copy()
    driven[200:203] += 2 * DEG
    motion = LinkageMotion.of(made.motion.driver_rad, driven, 0.03 * DEG, 0.03 * DEG)
    assert follow(made.stroke, motion).slips == ()


# ---- jumps, repeats --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "code"),
    [("stick-slip", "stick_slip"), ("jump", "driven_jumps"), ("poor repeatability", "poor_repeatability")],
)
def test_what_is_not_smooth_is_named(fault: str, code: str) -> None:
    found = findings(*special_film(np.random.default_rng(2), "short driven arm", fault))
    assert found[code].severity == "caution"
    assert found[code].value > found[code].limit
    assert found[code].sd > 0
    assert "slip" not in found


def test_a_slip_between_cycles_is_no_poor_repeat() -> None:
    rng = np.random.default_rng(9)
    layout = draw_layout(rng, "short drive arm")
    time, driver = stroked(rng, layout, 2)
    driven, way = driven_of(layout, driver, 0 * time, 0.0)
    stroke, motion = filmed(rng, time, driver, driven + way * 1.5 * DEG * (time > time[-1] / 2))
    codes = set(findings(stroke, motion))
    assert "slip" in codes
    assert "poor_repeatability" not in codes


# ---- travel left until toggle ----------------------------------------------------------------------------


def searched(four_bar: FourBar, start: float, way: int) -> tuple[float, str]:
    """First in-line position ahead by stepping on in hundredths of a degree."""
    ahead = np.arange(0, np.pi, 0.01 * DEG)
    closes = four_bar.closes(start + way * ahead)
    stop = int(np.argmin(closes)) if not closes.all() else ahead.size
    drives_rad = start + way * ahead[:stop]
    side = np.sign(np.sin(wrapped(four_bar.rod_angle(drives_rad) - drives_rad)))
    turned = np.flatnonzero(side[1:] != side[:-1])
    if turned.size:
        return float(ahead[turned[0] + 1]), "drive"
    return (float(ahead[stop]), "driven") if stop < ahead.size else (np.pi, "")


@pytest.mark.parametrize("layout", ["equal", "slow start", "short driven arm", "near toggle", "crossed"])
def test_travel_left_is_what_stepping_on_finds(layout: str) -> None:
    for seed in range(4):
        drawn = draw_layout(np.random.default_rng(seed), layout)
        made = film(
            drawn.linkage, drawn.drive_start, sign=int(np.sign(drawn.stroke)), stroke=abs(drawn.stroke)
        )
        fit = identify(made.stroke, made.motion, pins(made, 0.01, 1e-4))
        ends = (
            (made.drive_start, -made.stroke.opening_sign),
            (
                made.drive_start + drawn.stroke,
                made.stroke.opening_sign,
            ),
        )
        for left, (at, way) in zip(travel_to_toggle(fit, made.stroke), ends, strict=True):
            value, arm = searched(drawn.linkage, at, way)
            if left is None:
                assert value >= np.pi - 0.02 * DEG
                continue
            # the fit is exact to some hundredths of a degree; close to toggle travel depends on it steeply
            assert abs(left.value - value) < max(0.3 * DEG, 4 * left.sd)
            if layout != "equal":  # in a parallelogram both arms come into line at once
                assert left.arm == arm


def test_travel_left_spreads_as_the_posterior() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    fit = identify(made.stroke, made.motion, pins(made))
    rng = np.random.default_rng(1)
    drawn: list[list[float]] = [[], []]
    for parameters in rng.multivariate_normal(fit.parameters, fit.covariance, 300):
        a, c, d, start, driven = (float(v) for v in linkage_of(parameters))
        four_bar = FourBar.from_start_angles(a, c, d, start, driven)
        limit, dead = (
            four_bar.toggle_positions().driven_in_line_rad,
            four_bar.toggle_positions().drive_in_line_rad,
        )
        for k, (at, way) in enumerate(((start, -1), (start + made.stroke.travel_rad, 1))):
            drawn[k].append(min((way * (p - at)) % (2 * np.pi) for p in (*limit, *dead)))
    for left, sample in zip(travel_to_toggle(fit, made.stroke), drawn, strict=True):
        # 300 draws give it to about 4 %, and travel left bends with the geometry
        assert_allclose(left.sd, np.std(sample), rtol=0.2, atol=0.02 * DEG)


def test_a_full_crank_never_jams() -> None:
    four_bar = FourBar(30, 130, 80, 120, -1)  # shortest and longest together shorter than the other two
    assert four_bar.toggle_positions().driven_in_line_rad == ()
    made = film(four_bar, 60 * DEG, stroke=60 * DEG)
    fit = identify(made.stroke, made.motion, pins(made, 0.1, 1e-3))
    for left in travel_to_toggle(fit, made.stroke):
        assert left is None or left.arm == "drive"


def test_little_travel_left_is_a_finding() -> None:
    made = film(FourBar.from_start_angles(55, 68, 176, 0.69, 1.40), 0.69, np.random.default_rng(0))
    curves = travel_curves(made.stroke, made.motion)
    fit = identify(made.stroke, made.motion, pins(made))
    _, found = assess("motor:shaft1", made.stroke, made.motion, curves, fit)
    over = [f for f in found if f.code == "over_travel"]
    assert [f.where for f in over] == ["motor:shaft1 high fire"]
    assert over[0].severity == "danger"
    assert over[0].limit == pytest.approx(np.degrees(DEFAULTS.over_travel_rad), abs=1e-9)
    # cos(theta) = (a^2 + d^2 - (b + c)^2) / (2 a d): 131.885 degrees, the stroke ends at 129.534
    assert abs(over[0].value - 2.35) < max(0.1, 4 * over[0].sd)
