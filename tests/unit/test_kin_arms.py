"""Which arm slipped: decided from linkages that keep step, rests that come back, and markers that agree."""

from __future__ import annotations

import numpy as np
import pytest
from kin_film import DEG, slow_error
from numpy.testing import assert_allclose, assert_array_equal

from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.arms import Moved, judge, pieced, stand_ins
from strokecurve.kinematics.faults.keeping_step import came_back, keeps_step, step_beside
from strokecurve.kinematics.findings.rules_arms import (
    ArmSlip,
    Link,
    Shaft,
    arm_slips,
    loose_findings,
    slip_finding,
)
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.stroke import find_stroke

FRAMES = 420
TIME_S = np.arange(FRAMES) / 30
LINKAGE = FourBar(60, 205, 70, 210, -1)
START = 0.8


def moved(at: int, size_deg: float, number: int = 2, turned: int | None = None, took: int = 0) -> Moved:
    """The last of so many markers moved against all others, which stayed together."""
    size = np.zeros((number, number))
    size[:-1, -1], size[-1, :-1] = size_deg * DEG, -size_deg * DEG
    groups = (tuple(range(number - 1)), (number - 1,))
    sd = 0.02 * DEG * (1 - np.eye(number))
    return Moved(at, at + took - 1, groups, size, sd, tuple(b == turned for b in range(number)))


def motor_rad() -> np.ndarray:
    share = np.interp(np.arange(FRAMES), [40, 170, 230, 360], [0, 1, 1, 0])
    return np.asarray(90 * DEG * (3 * share**2 - 2 * share**3))


def driven_rad(driver: np.ndarray, slack_deg: float = 0.0) -> np.ndarray:
    ideal = np.unwrap(LINKAGE.driven_angle(START + driver))
    out, at = np.empty_like(ideal), ideal[0]
    for k, top in enumerate(ideal):
        at = min(max(at, top - slack_deg * DEG), top)
        out[k] = at
    return out - out[0]


def noisy(angle: np.ndarray, rng: np.random.Generator, sd_deg: float = 0.03) -> tuple[np.ndarray, np.ndarray]:
    error = sd_deg * DEG * rng.normal(size=angle.size) + slow_error(rng, angle.size, 0.02 * DEG, 30)
    return angle + error, np.full(angle.size, sd_deg * DEG)


# ---- the verdict -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "driven_by", "driving", "back", "true", "why"),
    [
        (2, [0], [1], None, 1, "downstream"),
        (2, [1], [0], None, 0, "downstream"),
        (2, [0], [0], None, 0, "linkages"),
        (2, [1], [1], None, 1, "linkages"),
        (2, [0], [], None, 1, "loaded"),
        (2, [0], [None], None, 1, "loaded"),
        (2, [], [0], 1, 1, "rest"),
        (2, [], [0], 0, 0, "rest"),
        (2, [], [0], None, 1, "loaded"),
        (2, [None], [None], None, 0, "unknown"),
        (2, [], [], 1, 1, "rest"),
        (3, [1], [0], None, 0, "most"),
        (3, [0], [1], None, 0, "most"),
        (3, [None], [None], None, 0, "most"),
        (3, [1], [1], None, 1, "linkages"),
        (2, [0], [0, 1], None, 0, "linkages"),
    ],
)
def test_who_shows_the_shaft(
    number: int, driven_by: list[int | None], driving: list[int | None], back: int | None, true: int, why: str
) -> None:
    verdict = judge(moved(150, 3.0, number), driven_by, driving, back)
    assert (verdict.true, verdict.why) == (true, why)
    assert verdict.certain is (why in ("linkages", "most", "rest", "turned"))


def test_a_marker_that_turned_in_its_place_is_not_the_shaft() -> None:
    verdict = judge(moved(150, 3.0, turned=1), driven_by=[1])
    assert (verdict.true, verdict.why) == (0, "turned")
    # If every marker did, it does not count against any.
    both = moved(150, 3.0)
    both = Moved(both.first, both.last, both.groups, both.size_rad, both.sd_rad, (True, True))
    assert judge(both, [0], [1]).why == "downstream"


# ---- keeping step ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("drives", [False, True])
@pytest.mark.parametrize("at", [20, 60, 100, 168, 200, 300, 395])
def test_a_linkage_keeps_step_with_its_own_arm(drives: bool, at: int) -> None:
    """Within passes and holds and at their ends, toward open and toward closed, with lost motion."""
    for place, size_deg in enumerate((0.6, -1.5, 5.0)):
        rng = np.random.default_rng(at)
        motor = motor_rad()
        driven = driven_rad(motor, 0.3)
        own, partner = (motor, driven) if drives else (driven, motor)
        other = own + size_deg * DEG * (np.arange(FRAMES) >= at)
        arms = [noisy(own, rng), noisy(other, rng)]
        if place % 2:  # the linkage's own arm comes second
            step, own_group = moved(at, -size_deg), 1
            arms.reverse()
        else:
            step, own_group = moved(at, size_deg), 0
        assert keeps_step(TIME_S, noisy(partner, rng), arms, step, drives) == own_group


@pytest.mark.parametrize("size_deg", [0.6, -1.5, 5.0])
def test_at_a_reversal_lost_motion_may_hide_a_small_step_but_never_the_wrong_arm(size_deg: float) -> None:
    rng = np.random.default_rng(5)
    motor = motor_rad()
    driven = driven_rad(motor, 0.3)
    arms = [noisy(driven, rng), noisy(driven + size_deg * DEG * (np.arange(FRAMES) >= 232), rng)]
    found = keeps_step(TIME_S, noisy(motor, rng), arms, moved(232, size_deg), False)
    assert found == 0 if abs(size_deg) > 1 else found in (0, None)


def test_a_linkage_whose_other_arm_slipped_too_keeps_step_with_none() -> None:
    rng = np.random.default_rng(1)
    motor = motor_rad()
    step = DEG * (np.arange(FRAMES) >= 100)
    arms = [noisy(driven_rad(motor) + 2 * step, rng), noisy(driven_rad(motor) + 5 * step, rng)]
    assert keeps_step(TIME_S, noisy(motor, rng), arms, moved(100, 3.0), False) is None


def test_a_shaft_that_was_not_seen_tells_nothing() -> None:
    rng = np.random.default_rng(2)
    motor, sd = noisy(motor_rad(), rng)
    arms = [noisy(driven_rad(motor_rad()), rng) for _ in range(2)]
    hidden = np.where(np.abs(np.arange(FRAMES) - 100) < 70, np.nan, motor)
    assert np.isnan(
        step_beside(TIME_S, find_stroke(TIME_S, motor, sd), (hidden, sd), arms[0], moved(100, 3.0)).value
    )
    still = np.zeros(FRAMES), sd
    assert keeps_step(TIME_S, still, arms, moved(100, 3.0), False) is None


def test_the_step_beside_a_linkage_is_sized_honestly() -> None:
    z = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        at = int(rng.integers(60, 150))
        motor = motor_rad()
        arm = driven_rad(motor) + 2 * DEG * (np.arange(FRAMES) >= at)
        partner = noisy(motor, rng)
        stroke = find_stroke(TIME_S, *partner)
        found = step_beside(TIME_S, stroke, partner, noisy(arm, rng), moved(at, 2.0))
        z.append((found.value - 2 * DEG) / found.sd)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.5


@pytest.mark.parametrize("at", [100, 200, 300])
def test_a_motor_comes_back_to_its_rests(at: int) -> None:
    rng = np.random.default_rng(at)
    motor = motor_rad()
    off = motor + 1.5 * DEG * (np.arange(FRAMES) >= at)
    stroke = find_stroke(TIME_S, *noisy(motor, rng))
    assert came_back(TIME_S, [noisy(motor, rng), noisy(off, rng)], moved(at, 1.5), stroke) == 0
    assert came_back(TIME_S, [noisy(off, rng), noisy(motor, rng)], moved(at, -1.5), stroke) == 1


def test_without_a_rest_before_and_after_nothing_comes_back() -> None:
    rng = np.random.default_rng(3)
    motor = motor_rad()[:200]
    off = motor + 1.5 * DEG * (np.arange(200) >= 100)
    stroke = find_stroke(TIME_S[:200], *noisy(motor, rng))
    arms = [noisy(motor, rng), noisy(off, rng)]
    assert came_back(TIME_S[:200], arms, moved(100, 1.5), stroke) is None
    # Nor where both missed their rests: the motor itself did not come back.
    missed = motor_rad() + 0.8 * DEG * (np.arange(FRAMES) > 200)
    off = missed + 1.5 * DEG * (np.arange(FRAMES) >= 100)
    stroke = find_stroke(TIME_S, *noisy(missed, rng))
    assert came_back(TIME_S, [noisy(missed, rng), noisy(off, rng)], moved(100, 1.5), stroke) is None


# ---- angles put together ---------------------------------------------------------------------------------


def test_one_marker_is_followed_throughout_where_one_will_do() -> None:
    first = moved(100, 1.0, 3)
    second = Moved(200, 199, ((0,), (1, 2)), first.size_rad, first.sd_rad, first.turned)
    assert stand_ins([first, second], [0, 1]) == (1, 1)
    assert stand_ins([first, second], [1, 0]) == (2, 0)
    assert stand_ins([], []) == ()


def test_an_angle_goes_on_with_the_marker_that_is_true_at_each_step() -> None:
    true = motor_rad()
    late = np.arange(FRAMES)
    arms = [true + 2 * DEG * (late >= 100), true - 3 * DEG * (late >= 250)]
    steps = [moved(100, -2.0), moved(250, -3.0)]
    angle, sd = pieced(
        [(a, np.full(FRAMES, s)) for a, s in zip(arms, (1.0, 2.0), strict=True)], steps, (1, 0)
    )
    assert_allclose(angle, true, rtol=0, atol=1e-12)
    assert_array_equal(np.unique(sd), [1.0, 2.0])
    assert sd[100] == 2.0
    assert sd[250] == 1.0


# ---- what is said ----------------------------------------------------------------------------------------

LIMIT = 0.3 * DEG
UP, DOWN = Link("motor:shaft1", 0, -1, 57 * DEG), Link("shaft1:shaft2", 1, -1, 49 * DEG)
SHAFT = Shaft("shaft1", (11, 31), (UP,), (DOWN,))


def test_a_slip_of_the_driven_arm_is_told_whole() -> None:
    step = moved(150, 3.0)
    verdict = judge(step, [0], [1])
    (slip,) = arm_slips(SHAFT, step, verdict, 5.2)
    # The arm moved clockwise against the shaft, so the shaft is behind; it opens clockwise: further closed.
    assert slip == ArmSlip(
        "motor:shaft1", "driven", (11,), 150, 149, 5.2, 57 * DEG, Estimate(-3 * DEG, 0.02 * DEG), False
    )
    finding = slip_finding(SHAFT, step, verdict, slip, LIMIT)
    assert (finding.code, finding.severity, finding.where) == ("slip", "danger", "motor:shaft1 driven arm")
    assert (round(finding.value or 0, 6), finding.unit) == (-3.0, "deg")
    for words in (
        "The driven arm, with marker 11, slipped on shaft1 by 3.00 degrees",
        "at 5.2 s, 57 degrees of driver travel",
        "stands so much further closed since",
        "would look the same",
        "taken from marker 31",
    ):
        assert words in in_words(finding).text
    assert loose_findings(SHAFT, step, verdict, 5.2, LIMIT) == ()


def test_a_slip_of_the_drive_arm_has_the_sign_of_its_own_travel() -> None:
    step = moved(150, -3.0, 3)
    shaft = Shaft("shaft1", (11, 41, 31), (UP,), (DOWN,))
    verdict = judge(step, [0], [1])
    (slip,) = arm_slips(shaft, step, verdict, 5.2)
    assert (slip.linkage, slip.arm, slip.markers, slip.certain) == ("shaft1:shaft2", "drive", (31,), True)
    assert slip.size.value == pytest.approx(3 * DEG)
    text = in_words(slip_finding(shaft, step, verdict, slip, LIMIT)).text
    assert "stands so much further toward high fire on its shaft" in text
    assert "markers 11 and 41 stay together" in text


@pytest.mark.parametrize("turned", [None, 1])
def test_a_marker_that_no_linkage_goes_with_came_loose(turned: int | None) -> None:
    step = moved(150, -2.0, turned=turned)
    shaft = Shaft("shaft1", (11, 31), (UP,), (Link("shaft1:shaft2", 0, -1, 0.0),))
    verdict = judge(step, [0], [0])
    assert arm_slips(shaft, step, verdict, 5.2) == ()
    (finding,) = loose_findings(shaft, step, verdict, 5.2, LIMIT)
    assert (finding.code, finding.where, finding.severity) == ("marker_loose", "marker 31", "caution")
    assert finding.value == pytest.approx(2.0)
    said = "turned in its place" if turned else "Neither linkage of shaft1 goes with it"
    assert said in in_words(finding).text
    assert "taken from marker 11" in in_words(finding).text


def test_where_nothing_tells_that_is_said() -> None:
    step = moved(150, -2.0)
    shaft = Shaft("shaft1", (11, 31), (Link("motor:shaft1", None, 1, 0.0),), ())
    verdict = judge(step, [None], [])
    assert arm_slips(shaft, step, verdict, 5.2) == ()
    (finding,) = loose_findings(shaft, step, verdict, 5.2, LIMIT)
    assert (finding.code, finding.where, finding.severity) == ("slip", "motor:shaft1", "danger")
    assert "Which one this film does not tell" in in_words(finding).text
