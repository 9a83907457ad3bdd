"""Geometry from motion and evidence: right, honestly uncertain, and silent where the film cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from kin_film import DEG, Film, film, random_linkage, wrapped
from numpy.testing import assert_allclose

from strokecurve.kinematics.errors import FitError
from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES, Evidence, JointEvidence, whitened
from strokecurve.kinematics.identify.geometry import GeometryFit, identify
from strokecurve.kinematics.identify.posterior import PARAMETERS, Posterior, linkage_of
from strokecurve.kinematics.linkage.closure import driven_curve, driven_derivatives
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.motion.angles import LinkageMotion, thin
from strokecurve.kinematics.motion.deadband import fit_dead_band
from strokecurve.kinematics.motion.noise import SlowErrors, noise_whitener
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.wear import even_wear, pin_wear
from strokecurve.kinematics.settings import DEFAULTS, Settings

SLOW_START = (FourBar.from_start_angles(55, 68, 176, 35.7 * DEG, 76.1 * DEG), 35.7 * DEG)
PINS = {
    "drive_radius_mm": 0.3,
    "driven_radius_mm": 0.3,
    "drive_start_rad": 0.3 * DEG,
    "driven_start_rad": 0.3 * DEG,
}
HINGES = {"spacing_mm": 0.5}
TAPE = {"drive_radius_mm": 1.0, "driven_radius_mm": 1.0, "rod_mm": 2.0}


def evidence(made: Film, rng: np.random.Generator | None, **sources: dict[str, float]) -> list[Evidence]:
    """Evidence of the given sources about a film, with errors as large as it says."""
    return [
        Evidence(name, made.truth(name) + (rng.normal(0, sigma) if rng else 0.0), sigma, source)
        for source, sigmas in sources.items()
        for name, sigma in sigmas.items()
    ]


def error(fit: GeometryFit, made: Film, name: str) -> float:
    found = fit.slack_signed_rad if name == "slack_rad" else fit.quantity(name).value
    off = found - made.truth(name)
    return float(wrapped(off)) if name in ANGLES else off


@pytest.mark.parametrize("slack", [0.0, 0.3, 2.0])
def test_rod_marker_gives_the_whole_linkage(slack: float) -> None:
    rng = np.random.default_rng(5)
    made = film(*SLOW_START, rng, slack=slack * DEG)
    fit = identify(made.stroke, made.motion, evidence(made, rng, pins=PINS, hinges=HINGES))
    assert fit.linkage.branch == -1
    assert all(q.determined for q in (*fit.quantities, fit.slack))
    limits = dict(zip(QUANTITIES, (1, 1, 1.5, 1.8, 0.5 * DEG, 0.5 * DEG), strict=True))
    for name, limit in limits.items():
        assert abs(error(fit, made, name)) < limit, name
    assert abs(error(fit, made, "slack_rad")) < 0.05 * DEG
    assert fit.slack.value >= 0
    assert 0.6 < fit.chi_square / fit.degrees_of_freedom < 1.4
    assert fit.widened == 1
    # play that is the same angle everywhere is none of the pins, and no play tells nothing
    assert fit.pins_share < 0.01 if slack else np.isnan(fit.pins_share)
    assert fit.quantity("spacing_mm").evidence == ("hinges",)
    assert "pins" in fit.quantity("drive_radius_mm").evidence


@pytest.mark.parametrize(
    ("start", "driven_start", "branch", "sign"),
    [(60, 75, -1, 1), (-60, -75, 1, -1), (60, -70, 1, 1), (-60, 70, -1, -1), (130, 136, -1, -1)],
)
def test_both_branches_and_both_ways_of_opening(
    start: float, driven_start: float, branch: int, sign: int
) -> None:
    rng = np.random.default_rng(8)
    linkage = FourBar.from_start_angles(62, 70, 240, start * DEG, driven_start * DEG)
    assert linkage.branch == branch
    made = film(linkage, start * DEG, rng, sign=sign, slack=0.4 * DEG)
    fit = identify(made.stroke, made.motion, evidence(made, rng, tape=TAPE, hinges=HINGES))
    assert fit.linkage.branch == branch
    for name in (*QUANTITIES, "slack_rad"):
        assert abs(error(fit, made, name)) < 4 * fit.quantity(name).sd, name
    assert fit.quantity("drive_start_rad").sd < 3 * DEG


def test_no_lost_motion_is_not_read_as_some() -> None:
    found, sds = [], []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        made = film(*SLOW_START, rng, noise=0.05 * DEG)
        fit = identify(made.stroke, made.motion, evidence(made, rng, pins=PINS, hinges=HINGES))
        found.append(fit.slack_signed_rad)
        sds.append(fit.slack.sd)
    assert abs(np.mean(found)) < 3 * np.mean(sds) / 4
    assert 0.6 < np.std(found) / np.mean(sds) < 1.5
    assert np.mean(sds) < 0.03 * DEG


def test_equal_radii_and_rod_as_long_as_spacing_is_not_determined() -> None:
    # DESIGN: every radius gives the same curve, so the film alone must not name one
    rng = np.random.default_rng(2)
    made = film(FourBar(75, 240, 75, 240, -1), 50 * DEG, rng)
    fit = identify(made.stroke, made.motion, evidence(made, rng, hinges=HINGES))
    for name in ("drive_radius_mm", "driven_radius_mm", "drive_start_rad", "driven_start_rad"):
        assert not fit.quantity(name).determined, name
        assert fit.quantity(name).settle, name
    assert fit.quantity("drive_radius_mm").sd > 0.2 * fit.quantity("drive_radius_mm").value
    settled = "radius" in fit.quantity("drive_radius_mm").settle
    assert settled
    # and the measurement it asks for does settle it
    tape = Evidence("drive_radius_mm", 75, 1.0, "tape")
    again = identify(made.stroke, made.motion, [*evidence(made, rng, hinges=HINGES), tape])
    for name in ("drive_radius_mm", "driven_radius_mm"):
        assert again.quantity(name).determined, name
        assert abs(error(again, made, name)) < 4 * again.quantity(name).sd
    assert not again.quantity("drive_start_rad").determined  # a parallelogram's start angle stays open


def test_angles_alone_never_give_the_size() -> None:
    rng = np.random.default_rng(3)
    made = film(*SLOW_START, rng)
    fit = identify(made.stroke, made.motion)
    for name in ("drive_radius_mm", "driven_radius_mm", "rod_mm", "spacing_mm"):
        assert not fit.quantity(name).determined
        assert fit.quantity(name).sd > 0.2 * fit.quantity(name).value
    assert any("length has to be measured" in note for note in fit.notes)
    # proportions do follow
    ratio = fit.linkage.drive_radius_mm / fit.linkage.driven_radius_mm
    assert abs(ratio - 55 / 68) < 0.05


def test_a_correlated_measurement_counts_for_what_it_is() -> None:
    made = film(*SLOW_START, np.random.default_rng(1))
    names = ("drive_radius_mm", "driven_radius_mm", "spacing_mm")
    values = np.array([made.truth(n) for n in names])
    apart = [Evidence(n, v, 1.0, "card") for n, v in zip(names, values, strict=True)]
    scale = 0.01 * values  # the card's size is off: all three by the same share
    together = JointEvidence(names, values, np.outer(scale, scale) + np.diag([1e-4] * 3), "card")
    loose = identify(made.stroke, made.motion, apart)
    joint = identify(made.stroke, made.motion, [together])
    assert loose.quantity("spacing_mm").sd < 1.0
    assert_allclose(joint.quantity("spacing_mm").sd, 0.01 * 176, rtol=0.1, atol=0)
    # the start angles depend on the proportions only, which are well known in the second case
    assert joint.quantity("drive_start_rad").sd < loose.quantity("drive_start_rad").sd


def test_singular_covariance_is_allowed() -> None:
    made = film(*SLOW_START, np.random.default_rng(1))
    values = np.array([made.truth(n) for n in QUANTITIES])
    lift = (
        np.random.default_rng(0).normal(size=(6, 5)) * np.array([0.3, 0.3, 0.4, 0.5, 0.005, 0.005])[:, None]
    )
    fit = identify(made.stroke, made.motion, [JointEvidence(QUANTITIES, values, lift @ lift.T, "pins")])
    assert all(q.determined for q in fit.quantities)


def test_wrong_tape_is_seen_in_chi_square() -> None:
    made = film(*SLOW_START, np.random.default_rng(1))
    good = evidence(made, None, pins=PINS, hinges=HINGES)
    wrong = [*good, Evidence("rod_mm", made.truth("rod_mm") + 15, 1.0, "tape")]
    right = identify(made.stroke, made.motion, good)
    assert identify(made.stroke, made.motion, wrong).chi_square > right.chi_square + 50


def test_no_four_bar_explains_a_cam() -> None:
    rng = np.random.default_rng(4)
    made = film(*SLOW_START, rng)
    travel = made.stroke.travel(made.driver)
    cam = 20 * DEG * np.sin(travel * 6) / 6 + travel * 0.7
    motion = LinkageMotion.of(made.driver, cam + rng.normal(0, 0.03 * DEG, cam.size), 0.03 * DEG, 0.03 * DEG)
    fit = identify(made.stroke, motion, evidence(made, rng, pins=PINS, hinges=HINGES))
    assert fit.rms_rad > 0.5 * DEG
    assert fit.chi_square > 10 * fit.degrees_of_freedom
    assert fit.widened > 3
    assert fit.notes


def test_one_pass_leaves_lost_motion_to_the_take_up() -> None:
    rng = np.random.default_rng(6)
    made = film(*SLOW_START, rng, slack=0.5 * DEG)
    stop = made.stroke.high_holds[0].stop
    stroke = find_stroke(made.time[:stop], made.driver[:stop], 0.03 * DEG)
    motion = LinkageMotion.of(made.driver[:stop], made.driven[:stop], 0.03 * DEG, 0.03 * DEG)
    fit = identify(stroke, motion, evidence(made, rng, pins=PINS, hinges=HINGES))
    assert abs(error(fit, made, "slack_rad")) < 4 * fit.slack.sd
    assert fit.slack.sd > 0.015 * DEG


@pytest.mark.parametrize("slack_deg", [0.3, 1.0, 2.0])
@pytest.mark.parametrize("opened", [0.5, 1.0])
def test_a_driven_shaft_that_does_not_rest_on_the_closing_side(slack_deg: float, opened: float) -> None:
    # pushed by hand, or left by an earlier move: the first rest is elsewhere in the lost motion than usual
    rng, slack = np.random.default_rng(3), slack_deg * DEG
    made, exact = film(*SLOW_START, rng, slack=slack), film(*SLOW_START, slack=slack)
    ideal = exact.linkage.driven_angle(exact.drive_start + exact.driver)
    ideal = ideal - ideal[0]
    engaged = engage(ideal, slack, opened)
    pushed = ideal[engaged.source] - slack * engaged.opened
    noise = made.driven - exact.driven
    motion = LinkageMotion.of(made.driver, pushed + noise, 0.03 * DEG, 0.03 * DEG)
    fit = identify(made.stroke, motion, evidence(made, rng, pins=PINS, hinges=HINGES))
    # small lost motion half taken up cannot be told from noise at the first rest; it costs 0.06 degrees
    limit = (0.1 if slack_deg < 0.5 else 0.05) * DEG
    assert abs(fit.slack.value - slack) < limit
    assert fit.widened == 1
    assert abs(lost_motion(made.stroke, motion).value - slack) < limit


def test_several_cycles_and_gaps() -> None:
    rng = np.random.default_rng(9)
    made = film(*SLOW_START, rng, slack=0.5 * DEG)
    time = np.concatenate([made.time, made.time + made.time[-1] + 1 / 30])
    driver, driven = np.tile(made.driver, 2), np.tile(made.driven, 2)
    driven[rng.random(driven.size) < 0.2] = np.nan
    stroke = find_stroke(time, driver, 0.03 * DEG)
    assert len(stroke.opening) == 2
    motion = LinkageMotion.of(driver, driven, 0.03 * DEG, 0.03 * DEG)
    fit = identify(stroke, motion, evidence(made, rng, pins=PINS, hinges=HINGES))
    for name in (*QUANTITIES, "slack_rad"):
        assert abs(error(fit, made, name)) < 4 * fit.quantity(name).sd, name


def test_what_cannot_be_fitted_says_why() -> None:
    made = film(*SLOW_START, np.random.default_rng(0))
    still = LinkageMotion.of(made.driver, made.driven * 1e-3, 0.001, 0.001)
    with pytest.raises(FitError, match="hardly moved"):
        identify(made.stroke, still)
    gone = np.where(np.arange(made.driven.size) < 40, made.driven, np.nan)
    with pytest.raises(FitError, match="points only"):
        identify(made.stroke, LinkageMotion.of(made.driver, gone, 0.001, 0.001))


@pytest.mark.parametrize("seed", range(6))
def test_jacobian_is_the_derivative(seed: int) -> None:
    rng = np.random.default_rng(seed)
    linkage, start, sign = random_linkage(rng)
    made = film(linkage, start, rng, sign=sign, slack=0.8 * DEG)
    bins = thin(made.motion, made.stroke)
    band = fit_dead_band(bins)
    names = ("rod_mm", "spacing_mm", "driven_start_rad")
    known = tuple(whitened([Evidence(n, made.truth(n), 0.4, "tape") for n in names]))
    way = 1 if wrapped(linkage.driven_angle(start + sign * 0.1) - linkage.driven_angle(start)) > 0 else -1
    lengths = np.log([linkage.drive_radius_mm, linkage.driven_radius_mm, linkage.spacing_mm])
    point = np.array([*lengths, start, made.driven_start, 0.8 * DEG, 0.001])
    shape = pin_wear(bins, sign, way, tuple(linkage_of(point)), 0.8 * DEG) if seed % 2 else even_wear(bins)
    assert shape is not None
    posterior = Posterior(bins, sign, way, 0.0, noise_whitener(bins, band.ratio), known, DEFAULTS, shape)
    exact = posterior.jacobian(point)
    assert len(posterior.sources()) == exact.shape[0] == posterior.residuals(point).size
    for k in range(len(PARAMETERS)):
        step = np.zeros(len(PARAMETERS))
        step[k] = 1e-6
        slope = (posterior.residuals(point + step) - posterior.residuals(point - step)) / 2e-6
        change = (posterior.lost_motion(point + step) - posterior.lost_motion(point - step)) / 2e-6
        assert abs(change - posterior.lost_motion_derivatives(point)[k]) < 1e-6
        assert_allclose(slope, exact[:, k], rtol=1e-5, atol=1e-5 * np.abs(exact[:, k]).max())


def test_closure_agrees_with_the_four_bar() -> None:
    linkage, start = SLOW_START
    travel = np.linspace(0, 1.5, 30)
    values = (55, 68, 176, start, float(linkage.driven_angle(start)))
    turned = driven_curve(travel, *values)
    assert_allclose(
        turned, linkage.driven_angle(start + travel) - linkage.driven_angle(start), rtol=0, atol=1e-12
    )
    ratio = driven_derivatives(travel, turned, *values).ratio
    assert_allclose(ratio, linkage.velocity_ratio(start + travel), rtol=1e-9, atol=0)
    cotangent = linkage.pose(start + travel).transmission_cotangent()
    angle = linkage.transmission_angle(start + travel)
    assert_allclose(np.abs(cotangent), np.abs(1 / np.tan(angle)), rtol=1e-9, atol=1e-9)


def test_slow_errors_are_not_averaged_away() -> None:
    made = film(*SLOW_START, np.random.default_rng(1), frame_rate=30)
    dense = film(*SLOW_START, np.random.default_rng(1), frame_rate=240)
    slow = SlowErrors.expected()
    one, eight = (fit_dead_band(thin(f.motion, f.stroke), slow=slow).sd_rad for f in (made, dense))
    assert 0.5 * one < eight < one  # eight times the frames do not give a band eight, or three, times as sure
    assert thin(dense.motion, dense.stroke).frames.size < 1.3 * thin(made.motion, made.stroke).frames.size


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("length_mm", 5.0, 1.0, "tape"), "unknown quantity"),
        (("rod_mm", -5.0, 1.0, "tape"), "above 0"),
        (("rod_mm", np.nan, 1.0, "tape"), "finite"),
        (("rod_mm", 5.0, 0.0, "tape"), "sigma"),
    ],
)
def test_evidence_is_checked(arguments: tuple[str, float, float, str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Evidence(*arguments)


def test_joint_evidence_is_checked() -> None:
    with pytest.raises(ValueError, match="different quantities"):
        JointEvidence(("rod_mm", "rod_mm"), np.ones(2), np.eye(2), "pins")
    with pytest.raises(ValueError, match="shape"):
        JointEvidence(("rod_mm", "spacing_mm"), np.ones(2), np.eye(3), "pins")
    with pytest.raises(ValueError, match="positive variance"):
        JointEvidence(("rod_mm", "spacing_mm"), np.ones(2), np.zeros((2, 2)), "pins")


def test_settings_are_checked() -> None:
    with pytest.raises(ValueError, match="floor_rad"):
        replace(DEFAULTS, floor_rad=0.0)
    with pytest.raises(TypeError):
        Settings(flor_rad=1.0)  # type: ignore[call-arg]
