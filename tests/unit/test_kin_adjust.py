"""The adjustment search: known answers, limits, uncertainty, published examples, a second opinion."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kin_adjusting import keeps_limits, problems, rms_deg
from numpy.testing import assert_allclose
from scipy.optimize import differential_evolution

from strokecurve.kinematics.adjust.known import KNOWN, sample_linkages
from strokecurve.kinematics.adjust.largest import least_largest
from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.relaxed import EVERYTHING
from strokecurve.kinematics.adjust.search import best_settings, largest, variable_sets, weighted_rms
from strokecurve.kinematics.adjust.search_all import propose, what_if
from strokecurve.kinematics.adjust.setting import (
    ADJUST_DEFAULTS,
    DECISION_VARIABLES,
    Adjustable,
    AdjustLimits,
    AdjustSettings,
    LinkageSetting,
    Range,
)
from strokecurve.kinematics.errors import GeometryError, KinematicsError
from strokecurve.kinematics.intended.equal import equal_travel
from strokecurve.kinematics.intended.table import Intended
from strokecurve.kinematics.linkage.fourbar import FourBar

DEG = math.pi / 180
ROUNDING = 1e-9  # closed forms evaluated twice
FOUND = LinkageSetting(60.0, 75.0, 220.0, 40 * DEG, 55 * DEG, 90 * DEG, 1)
FREE = Adjustable(
    Range(40, 90),
    Range(50, 110),
    Range(20 * DEG, 70 * DEG),
    Range(30 * DEG, 90 * DEG),
    rod_mm=Range(150, 300),
)
OPEN = AdjustLimits(min_toggle_rad=0.0, over_travel_rad=0.0, stall_ratio=0.0)
REFERENCES = {
    entry["id"]: entry
    for entry in json.loads((Path(__file__).parent / "data" / "reference_values.json").read_text("utf-8"))
}


def curve_of(found: LinkageSetting, **changes: float) -> Intended:
    """The curve of a linkage with changes, at every other degree, worked out by `FourBar`."""
    changed = replace(found, **changes)
    four_bar, at = changed.four_bar(), np.arange(0, found.stroke_rad + 1e-9, 2 * DEG)
    drive = changed.drive_start_rad + changed.opening_sign * at
    turned = four_bar.driven_angle(drive) - four_bar.driven_angle(changed.drive_start_rad)
    return Intended.from_table(at, found.driven_sign() * turned)


# ---- known answers ---------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_known_change_is_found_with_no_more_things_touched() -> None:
    for problem in problems(seed=4, number=14):
        answer = propose(problem.found, problem.intended, problem.adjustable, problem.limits)
        few = [p for p in answer.proposals if len(p.touched) <= len(problem.changed)]
        # the table is met exactly by the truth; straight lines between its rows leave some 0.01 degrees
        assert min(rms_deg(problem, p.outcome.setting) for p in few) < 0.2, problem
        for proposal in answer.proposals:
            assert keeps_limits(problem, proposal.outcome.setting) == [], problem
            assert proposal.outcome.broken == ()


def test_proposals_come_by_number_of_things_touched_then_by_fit() -> None:
    answer = propose(FOUND, curve_of(FOUND, drive_radius_mm=54.0, driven_start_rad=66 * DEG), FREE)
    order = [(len(p.touched), p.outcome.misfit) for p in answer.proposals]
    assert order == sorted(order)
    best = next(p for p in answer.proposals if p.touched == ("drive_radius_mm", "driven_start_rad"))
    assert_allclose(best.outcome.setting.drive_radius_mm, 54, rtol=0, atol=0.1)  # the table's straight lines
    assert answer.reached
    assert answer.relaxed == ()


def test_what_is_already_right_is_left_alone() -> None:
    answer = propose(FOUND, curve_of(FOUND), FREE)
    assert [p.touched for p in answer.proposals] == [()]
    assert answer.found.reached


def test_a_coarse_table_is_read_as_points_of_a_smooth_curve() -> None:
    fine = curve_of(FOUND, driven_radius_mm=90.0)
    rows = np.arange(0, 91, 15) * DEG
    coarse = Intended.from_table(rows, fine.driven_at(rows))
    proposals = propose(FOUND, coarse, FREE).proposals
    best = next(p for p in proposals if p.touched == ("driven_radius_mm",))
    # straight lines between these rows would be off by 0.1 degrees RMS; the smooth curve by a third of it
    assert_allclose(best.outcome.setting.driven_radius_mm, 90, rtol=0, atol=0.1)
    assert best.outcome.rms_rad < 0.05 * DEG
    three = Intended.from_table([0.0, 45 * DEG, 90 * DEG], [0.0, 20 * DEG, 60 * DEG])
    task = Task.of(FOUND, three)  # too few rows: straight lines
    assert_allclose(task.wanted_rad, three.driven_at(task.driver_rad), rtol=0, atol=ROUNDING)


def test_only_existing_holes_are_proposed_and_never_the_one_in_use() -> None:
    holes = (45.0, 60.4, 72.0, 84.0)  # 60.4 is the one in use, measured as 60
    some = replace(FREE, drive_radius_mm=Range(45, 84, holes))
    wanted = curve_of(FOUND, drive_radius_mm=72.0)
    answer = propose(FOUND, wanted, some)
    radii = {p.outcome.setting.drive_radius_mm for p in answer.proposals if "drive_radius_mm" in p.touched}
    assert radii
    assert radii <= {45.0, 72.0, 84.0}
    best = answer.proposals[0] if answer.proposals[0].touched else answer.proposals[1]
    assert (best.touched, best.outcome.setting.drive_radius_mm) == (("drive_radius_mm",), 72.0)
    assert_allclose(best.outcome.rms_rad / DEG, 0, rtol=0, atol=0.02)  # straight lines of the table


def test_a_shorter_stroke_is_a_touch_of_its_own_and_keeps_firing_positions_as_shares() -> None:
    shorter = Adjustable(stroke_rad=Range(60 * DEG, 90 * DEG))
    four_bar, at = FOUND.four_bar(), np.linspace(0, 1, 46)
    turned = four_bar.driven_angle(FOUND.drive_start_rad + at * 72 * DEG) - FOUND.driven_start_rad
    answer = propose(FOUND, Intended.from_table(at * 90 * DEG, turned), shorter)
    best = answer.proposals[-1]
    assert best.touched == ("stroke_rad",)
    assert_allclose(best.outcome.setting.stroke_rad / DEG, 72, rtol=0, atol=0.05)
    assert_allclose(best.outcome.curve.driver_rad[-1] / DEG, 72, rtol=0, atol=0.05)


def test_more_touches_are_used_only_where_fewer_do_not_reach() -> None:
    three = propose(FOUND, curve_of(FOUND, drive_radius_mm=64.0), FREE).proposals
    assert max(len(p.touched) for p in three) <= 3
    four = propose(
        FOUND,
        curve_of(
            FOUND, drive_radius_mm=42.0, driven_radius_mm=108.0, drive_start_rad=69 * DEG,
            driven_start_rad=89 * DEG,
        ),
        FREE,
    )  # fmt: skip
    assert all(len(p.touched) <= 4 for p in four.proposals)
    assert four.reached


# ---- limits ----------------------------------------------------------------------------------------------


def test_low_fire_and_branch_are_kept_and_the_rod_follows() -> None:
    answer = propose(FOUND, equal_travel(90 * DEG), FREE)
    assert answer.proposals
    for proposal in answer.proposals:
        setting = proposal.outcome.setting
        assert_allclose(proposal.outcome.curve.driven_rad[0], 0, rtol=0, atol=ROUNDING)
        assert_allclose(proposal.outcome.rod_mm, setting.four_bar().rod_mm, rtol=ROUNDING, atol=0)
        assert setting.four_bar().branch == FOUND.four_bar().branch
        assert 150 <= proposal.outcome.rod_mm <= 300


def test_each_limit_that_stands_in_the_way_is_named() -> None:
    wanted = curve_of(FOUND, driven_start_rad=70 * DEG)
    held = Adjustable(Range(55, 65), driven_start_rad=Range(50 * DEG, 60 * DEG))
    assert propose(FOUND, wanted, held).relaxed[0].name == "driven_start_rad"
    tight = replace(FREE, drive_radius_mm=None, driven_radius_mm=None, drive_start_rad=None)
    rod = FOUND.four_bar().rod_mm
    stuck = propose(FOUND, wanted, replace(tight, rod_mm=Range(rod - 2, rod + 2)))
    assert not stuck.reached
    assert stuck.relaxed[0].name == "rod_mm"
    assert stuck.relaxed[0].outcome.reached
    stops = AdjustLimits(driven_high_rad=0.9 * float(wanted.driven_rad[-1]))
    assert propose(FOUND, wanted, tight, stops).relaxed[0].name == "driven_stops"


def test_a_toggle_limit_that_stands_in_the_way_is_named_and_kept() -> None:
    wanted = curve_of(FOUND, drive_start_rad=22 * DEG)
    only = Adjustable(drive_start_rad=Range(15 * DEG, 70 * DEG))
    free = propose(FOUND, wanted, only, OPEN)
    assert free.reached
    lowest = free.proposals[-1].outcome.drive.value_rad
    answer = propose(FOUND, wanted, only, AdjustLimits(min_toggle_rad=lowest + 12 * DEG, over_travel_rad=0.0))
    assert not answer.reached
    assert answer.relaxed[0].name == "toggle"
    assert answer.proposals
    for proposal in answer.proposals:
        assert proposal.outcome.drive.value_rad >= lowest + 12 * DEG


def test_another_low_fire_is_a_limit_of_its_own() -> None:
    base = curve_of(FOUND, driven_radius_mm=85.0)
    wanted = Intended.from_table(
        base.driver_rad, base.driven_rad - 4 * DEG, np.full(base.driver_rad.shape, DEG / 2)
    )
    kept = propose(FOUND, wanted, FREE)
    assert not kept.reached
    assert "low_fire" in [one.name for one in kept.relaxed]
    moved = propose(FOUND, wanted, FREE, AdjustLimits(low_fire_rad=-4 * DEG))
    assert moved.reached
    assert_allclose(moved.proposals[0].outcome.curve.driven_rad[0] / DEG, -4, rtol=0, atol=ROUNDING)


def test_a_curve_that_no_linkage_gives_is_said_to_be_none() -> None:
    at = np.arange(0, 91, 5) * DEG
    waves = Intended.from_table(at, at * 0.7 + 12 * DEG * np.sin(6 * at))
    answer = propose(FOUND, waves, FREE)
    assert not answer.reached
    assert not any(one.outcome.reached for one in answer.relaxed)
    assert answer.nearest is not None
    assert answer.relaxed == () or answer.relaxed[0].name in {
        EVERYTHING,
        *DECISION_VARIABLES,
        "toggle",
        "rod_mm",
        "low_fire",
    }


def test_input_that_cannot_be_used_is_refused() -> None:
    with pytest.raises(KinematicsError, match="nothing inside this stroke"):
        propose(FOUND, Intended.from_table([2.0, 2.5], [0.0, 1.0]), FREE)
    with pytest.raises(GeometryError, match="jams after"):
        propose(replace(FOUND, driven_radius_mm=30.0, drive_radius_mm=110.0), equal_travel(1.5), FREE)
    with pytest.raises(ValueError, match="rising order"):
        Range(3.0, 2.0)
    with pytest.raises(ValueError, match="must lie within"):
        Range(1.0, 2.0, (5.0,))
    with pytest.raises(ValueError, match="positive number"):
        AdjustSettings(shown=0)
    with pytest.raises(KeyError):
        what_if(FOUND, {"colour": 3.0}, equal_travel(1.5))


# ---- what if ---------------------------------------------------------------------------------------------


def test_what_if_agrees_with_the_linkage_itself() -> None:
    made = what_if(FOUND, {"drive_radius_mm": 70.0, "stroke_rad": 80 * DEG}, equal_travel(90 * DEG))
    four_bar = FourBar.from_start_angles(70, 75, 220, 40 * DEG, 55 * DEG)
    at = made.curve.driver_rad
    expected = four_bar.driven_angle(40 * DEG + at) - 55 * DEG
    assert_allclose(made.curve.driven_rad, expected, rtol=0, atol=ROUNDING)
    drive = four_bar.drive_angle(40 * DEG + np.linspace(0, 80 * DEG, 8001))
    line = np.minimum(drive, np.pi - drive)
    # steps of a quarter degree, along which the angle changes by at most as much
    assert_allclose(made.drive.value_rad / DEG, line.min() / DEG, rtol=0, atol=0.25)
    assert math.isnan(made.curve.sd_rad[0])  # nothing known of the geometry's uncertainty


def test_a_rod_set_by_hand_moves_low_fire_and_broken_limits_are_named() -> None:
    longer = FOUND.four_bar().rod_mm + 5
    made = what_if(FOUND, {"rod_mm": longer}, equal_travel(90 * DEG))
    low = FourBar(60, longer, 75, 220, FOUND.four_bar().branch).driven_angle(40 * DEG)
    assert_allclose(made.curve.driven_rad[0], low - 55 * DEG, rtol=0, atol=ROUNDING)
    assert_allclose(made.rod_mm, longer, rtol=ROUNDING, atol=0)
    flat = what_if(
        FOUND, {"drive_start_rad": 10 * DEG}, equal_travel(90 * DEG), limits=AdjustLimits(25 * DEG)
    )
    assert "toggle" in flat.broken
    nearer = what_if(FOUND, {"spacing_mm": 200.0}, equal_travel(90 * DEG))
    assert_allclose(nearer.rod_mm, replace(FOUND, spacing_mm=200.0).four_bar().rod_mm, rtol=ROUNDING, atol=0)


# ---- uncertainty -----------------------------------------------------------------------------------------


def test_predicted_spread_agrees_with_linear_propagation() -> None:
    sd = np.array([0.3, 0.4, 0.6, 0.2 * DEG, 0.25 * DEG])
    many = replace(ADJUST_DEFAULTS, sample_count=2000)
    samples = sample_linkages(FOUND, sd, np.random.default_rng(3), many)
    changes = {"drive_radius_mm": 64.0, "driven_start_rad": 50 * DEG}
    made = what_if(FOUND, changes, equal_travel(90 * DEG), samples=samples)
    variance = np.zeros(made.curve.driver_rad.size)
    for name, step in zip(KNOWN, sd, strict=True):
        values = []
        for way in (1, -1):
            other = replace(FOUND, **{name: getattr(FOUND, name) + way * step})
            # the same changes made to a linkage that is a little different
            moved = {k: getattr(other, k) + changes[k] - getattr(FOUND, k) for k in changes}
            values.append(what_if(other, moved, equal_travel(90 * DEG)).curve.driven_rad)
        variance += ((values[0] - values[1]) / 2) ** 2
    # 2000 draws give a standard deviation to 2 %, and it is taken in the middle of a nearly linear curve
    assert_allclose(made.curve.sd_rad[1:], np.sqrt(variance)[1:], rtol=0.1, atol=1e-6)
    assert made.drive.worst_rad < made.drive.value_rad
    inside = (made.curve.low_rad <= made.curve.driven_rad) & (made.curve.driven_rad <= made.curve.high_rad)
    assert inside.all()


def test_what_tapes_leave_open_is_not_sold_as_an_improvement() -> None:
    wanted = curve_of(FOUND, driven_start_rad=55.9 * DEG)
    sure = propose(FOUND, wanted, FREE)
    assert any(p.touched for p in sure.proposals)
    samples = sample_linkages(FOUND, [3, 3, 5, 3 * DEG, 3 * DEG], np.random.default_rng(1))
    unsure = propose(FOUND, wanted, FREE, samples=samples)
    assert [p.touched for p in unsure.proposals if not p.told or p.touched] == []


# ---- published examples and a second opinion -------------------------------------------------------------


def synthesised(a: float, c: float, d: float, drive: float, driven: float, stroke: float) -> LinkageSetting:
    return LinkageSetting(a, c, d, drive, driven, stroke, 1)


def at_least_as_good(published: LinkageSetting, found: LinkageSetting, intended: Intended) -> None:
    """The search, given the freedom of the example, fits at least as well, by both measures."""
    around = {
        name: Range(0.4 * getattr(published, name), 2.5 * getattr(published, name))
        if name.endswith("_mm")
        else Range(getattr(published, name) - 50 * DEG, getattr(published, name) + 50 * DEG)
        for name in DECISION_VARIABLES[:4]
    }
    task = Task.of(found, intended, Adjustable(**around), OPEN)
    sets = variable_sets(task, [4])
    ours = best_settings(task, sets)[0]
    assert ours is not None
    theirs = published.decisions()[None, :]
    assert weighted_rms(task, ours[None, :])[0] <= weighted_rms(task, theirs)[0] * (1 + 1e-6)
    level = least_largest(task, ours, sets[0])
    level = ours if level is None else level
    assert largest(task, level[None, :])[0] <= largest(task, theirs)[0] * (1 + 1e-6)


def test_five_pairs_by_least_squares_are_fitted_at_least_as_well() -> None:
    # FS-05, read: EMT 2336 Laboratory Work 2, least squares of Freudenstein's equation at five pairs
    entry = REFERENCES["FS-05"]
    theta2, theta4 = (np.array(entry["inputs"][k]) * DEG for k in ("theta2", "theta4"))
    a, b, c, d = (*(entry["expected"][k] for k in "abc"), entry["inputs"]["d"])
    four_bar = next(
        bar
        for branch in (-1, 1)
        if abs(float((bar := FourBar(a, b, c, d, branch)).driven_angle(theta2[0])) - theta4[0]) < DEG
    )
    published = synthesised(a, c, d, theta2[0], float(four_bar.driven_angle(theta2[0])), 20 * DEG)
    found = synthesised(150, 130, d, 45 * DEG, 80 * DEG, 20 * DEG)
    at_least_as_good(published, found, Intended.from_table(theta2 - theta2[0], theta4 - theta4[0]))


def test_a_straight_relation_is_fitted_at_least_as_well_as_by_three_points() -> None:
    # FS-04, read: EMT 2336 Laboratory Work 1: theta4 = 65 + 0.43 theta2, 15 to 165 degrees, d = 0.410,
    # a -0.0577, b 0.4424, c -0.1203; a negative length is an arm turned by 180 degrees
    a, b, c, d = 57.7, 442.4, 120.3, 410.0
    start = (15 + 180) * DEG
    driven = [float(FourBar(a, b, c, d, branch).driven_angle(start)) for branch in (-1, 1)]
    near = min(driven, key=lambda v: abs(math.remainder(v - (65 + 0.43 * 15 + 180) * DEG, 2 * math.pi)))
    assert abs(math.remainder(near - (65 + 0.43 * 15 + 180) * DEG, 2 * math.pi)) < 2 * DEG
    published = synthesised(a, c, d, start, near, 150 * DEG)
    found = synthesised(65, 105, d, start + 8 * DEG, near - 10 * DEG, 150 * DEG)
    at = np.arange(0, 151, 5) * DEG
    at_least_as_good(published, found, Intended.from_table(at, 0.43 * at))


def test_a_logarithm_is_fitted_at_least_as_well_as_by_chebyshev_points() -> None:
    # FS-10, derived from FS-09 (classic example): y = log10 x, 1..2, ranges 60 and 90 degrees, starts 45 and
    # 135 degrees; a 1.85086, b 2.86801, c -1.92051 (d = 1), largest structural error 0.1686 degrees
    a, b, c, d = 185.086, 286.801, 192.051, 100.0
    start = 45 * DEG
    driven = [float(FourBar(a, b, c, d, branch).driven_angle(start)) for branch in (-1, 1)]
    near = min(driven, key=lambda v: abs(math.remainder(v - (135 + 180) * DEG, 2 * math.pi)))
    published = synthesised(a, c, d, start, near, 60 * DEG)
    at = np.arange(0, 61) * DEG
    intended = Intended.from_table(at, 90 * DEG * np.log10(1 + at / (60 * DEG)) / math.log10(2))
    task = Task.of(published, intended, Adjustable(), OPEN)
    structural = largest(task, published.decisions()[None, :])[0] * ADJUST_DEFAULTS.tolerance_rad / DEG
    # travel counts from its own start here, so the error at the start adds to the one elsewhere
    assert structural < 2 * 0.1686 + 0.01
    found = synthesised(160, 170, d, start + 6 * DEG, near + 5 * DEG, 60 * DEG)
    at_least_as_good(published, found, intended)


@pytest.mark.parametrize("number", range(4))
def test_a_global_optimiser_finds_nothing_better(number: int) -> None:
    # scipy's differential evolution as second opinion, on targets that cannot be reached exactly
    problem = problems(seed=11, number=4)[number]
    rng = np.random.default_rng(number)
    bent = problem.intended.driven_rad + rng.uniform(-6, 6) * DEG * np.sin(
        problem.intended.driver_rad / problem.found.stroke_rad * np.pi
    )
    wanted = Intended.from_table(problem.intended.driver_rad, bent)
    task = Task.of(problem.found, wanted, problem.adjustable, problem.limits)
    touched = next(
        s
        for s in variable_sets(task, [2])
        if not any(r.holes for k in s if (r := task.adjustable.ranges()[k]))
    )
    ours = best_settings(task, [touched])[0]
    bounds = [(r.low, r.high) for k in touched if (r := task.adjustable.ranges()[k])]

    def cost(places: np.ndarray) -> np.ndarray:
        values = np.tile(problem.found.decisions(), (places.shape[1], 1))
        values[:, list(touched)] = places.T
        over = np.max(np.concatenate(list(task.shortfalls(values).values()), axis=1), axis=1)
        misfit = weighted_rms(task, values)
        return np.where(
            np.isfinite(misfit) & (over <= 0), misfit, 1e3 + np.where(np.isfinite(over), over, 1e3)
        )

    theirs = differential_evolution(
        cost, bounds, rng=np.random.default_rng(2), vectorized=True, updating="deferred", popsize=20,
        maxiter=80, polish=False, tol=1e-8,
    )  # fmt: skip
    if ours is None:
        assert theirs.fun >= 1e3
        return
    assert weighted_rms(task, ours[None, :])[0] <= 1.02 * theirs.fun
