"""Where findings begin: a figure just inside its limit is none, one just beyond it is and names the limit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from kin_film import DEG, film

from strokecurve.kinematics.estimate import Estimate, Extreme
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.faults.repeat import Repeatability
from strokecurve.kinematics.findings.findings import RULES, Condition, Finding, assess
from strokecurve.kinematics.identify.geometry import identify
from strokecurve.kinematics.identify.to_toggle import TravelLeft
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.travel import travel_curves

SD = 0.001 * DEG
CLEAR = Extreme(50 * DEG, SD, 0.0)
Change = Callable[[Condition, float], Condition]


@cache
def sound() -> Condition:
    """A linkage of which nothing is to be found but what its film leaves open."""
    made = film(FourBar(60, 180, 70, 190, branch=-1), 0.8, np.random.default_rng(0))
    fit = identify(made.stroke, made.motion)
    condition, _ = assess("a:b", made.stroke, made.motion, travel_curves(made.stroke, made.motion), fit)
    return replace(
        condition, slack=Estimate(0.0, SD), drive=CLEAR, transmission=CLEAR, to_toggle=(None, None)
    )


def found(condition: Condition) -> dict[str, Finding]:
    return {f.code: f for rule in RULES for f in rule(condition)}


def slack(c: Condition, value: float) -> Condition:
    return replace(c, slack=Estimate(value, SD))


def drive(c: Condition, value: float) -> Condition:
    return replace(c, drive=Extreme(value, SD, 0.0))


def transmission(c: Condition, value: float) -> Condition:
    return replace(c, transmission=Extreme(value, SD, 0.0))


def left(c: Condition, value: float) -> Condition:
    return replace(c, to_toggle=(None, TravelLeft(value, SD, "driven", value, SD)))


def left_to_danger(c: Condition, value: float) -> Condition:
    return replace(c, to_toggle=(TravelLeft(40 * DEG, SD, "drive", value, SD), None))


def repeat(c: Condition, value: float) -> Condition:
    return replace(c, repeat=Repeatability(value, SD, "opening", 0.5, 3))


def play(c: Condition, value: float) -> Condition:
    return replace(c, joints=(JointPlay(0.1, 0.01, value, SD), JointPlay(0.0, 0.01, 0.0, SD)))


def apart(c: Condition, value: float) -> Condition:
    return replace(c, axes=Estimate(value, SD))


def stroke(c: Condition, value: float) -> Condition:
    return replace(c, stroke=replace(c.stroke, travel_rad=value))


def misfit(c: Condition, value: float) -> Condition:
    assert c.fit is not None
    return replace(c, fit=replace(c.fit, rms_rad=value, chi_square=10.0 * c.fit.degrees_of_freedom))


def noise(c: Condition, value: float) -> Condition:
    """A misfit with this chi-square for each degree of freedom."""
    assert c.fit is not None
    return replace(c, fit=replace(c.fit, rms_rad=DEG, chi_square=value * c.fit.degrees_of_freedom))


def test_nothing_is_found_of_a_sound_linkage() -> None:
    assert set(found(sound())) <= {"not_determined"}


@pytest.mark.parametrize(
    ("change", "code", "severity", "limit", "beyond"),
    [
        (slack, "lost_motion", "caution", 1.0, +1),
        (slack, "lost_motion", "danger", 3.0, +1),
        (drive, "toggle_drive", "caution", 30.0, -1),
        (drive, "toggle_drive", "danger", 15.0, -1),
        (transmission, "toggle_driven", "caution", 30.0, -1),
        (transmission, "toggle_driven", "danger", 15.0, -1),
        (left, "over_travel", "danger", 5.0, -1),
        (left_to_danger, "over_travel", "caution", 5.0, -1),
        (repeat, "poor_repeatability", "caution", 0.5, +1),
        (play, "worn_joint", "note", 0.5, +1),
        (apart, "axes_not_parallel", "caution", 3.0, +1),
        (misfit, "misfit", "caution", 0.2, +1),
    ],
    ids=lambda one: getattr(one, "__name__", None),
)
def test_a_finding_begins_at_its_limit(
    change: Change, code: str, severity: str, limit: float, beyond: int
) -> None:
    inside, outside = (found(change(sound(), (limit + side * beyond * 0.02) * DEG)) for side in (-1, 1))
    assert code not in inside or inside[code].severity != severity
    assert outside[code].severity == severity
    assert outside[code].limit == pytest.approx(limit)
    assert outside[code].value == pytest.approx(limit + beyond * 0.02)
    assert outside[code].unit == "deg"


@pytest.mark.parametrize(("limit", "beyond"), [(85.0, -1), (95.0, +1)])
def test_a_stroke_may_be_off_by_five_degrees(limit: float, beyond: int) -> None:
    inside, outside = (found(stroke(sound(), (limit + side * beyond * 0.02) * DEG)) for side in (-1, 1))
    assert "stroke" not in inside
    assert outside["stroke"].limit == pytest.approx(90.0)


def test_a_misfit_that_noise_explains_is_none() -> None:
    assert "misfit" not in found(noise(sound(), 1.98))
    assert "misfit" in found(noise(sound(), 2.02))
