"""Published damper characteristics, and the curves fitted with them."""

from __future__ import annotations

from dataclasses import replace

import emcee
import kin_burner
import numpy as np
import pytest
from numpy.testing import assert_allclose

from strokecurve.kinematics.intended.characteristic import Curve, Draws, Model, Observed, bend_basis, draw
from strokecurve.kinematics.intended.combustion import excess_air
from strokecurve.kinematics.intended.damper import (
    OPPOSED_BLADES,
    PARALLEL_BLADES,
    PUBLISHED_DAMPERS,
    RECTANGULAR,
    ROUND_BUTTERFLY,
    ROUND_PLATE,
    SINGLE_BLADE,
    PublishedDamper,
    installed_flow,
)
from strokecurve.kinematics.intended.fuels import NATURAL_GAS
from strokecurve.kinematics.intended.settings import READING_DEFAULTS

SETTINGS = READING_DEFAULTS


@pytest.mark.parametrize(
    "damper, from_open_deg, flow",
    [
        # ASHRAE CD9-1 as transcribed (read); the same as Weisbach's throttle plate (from memory)
        (ROUND_PLATE, [0, 10, 20, 30, 40, 50, 60, 70], [1, 0.62, 0.36, 0.226, 0.136, 0.0783, 0.0412, 0.0163]),
        # ASHRAE CD9-1, later table, in another transcription (read)
        (
            ROUND_BUTTERFLY,
            [0, 10, 20, 30, 40, 50, 60, 70, 75],
            [1, 0.84, 0.594, 0.387, 0.253, 0.158, 0.0946, 0.0528, 0.0387],
        ),
        # ASHRAE CR9-1 in a transcription (read)
        (
            RECTANGULAR,
            [0, 10, 20, 30, 40, 50, 60, 65, 70],
            [1, 0.365, 0.191, 0.115, 0.0707, 0.0417, 0.0258, 0.02, 0.0145],
        ),
        # Idelchik 1986, diagram 9-5, in a transcription (read)
        (
            PARALLEL_BLADES,
            [0, 10, 20, 30, 40, 50, 60, 70],
            [1, 0.721, 0.57, 0.447, 0.31, 0.228, 0.147, 0.0894],
        ),
    ],
    ids=lambda value: value.name if isinstance(value, PublishedDamper) else "",
)
def test_flow_of_published_tables(damper: PublishedDamper, from_open_deg: list, flow: list) -> None:
    # Flow at constant pressure drop, sqrt(C_open / C), derived to three digits.
    assert_allclose(damper.flow(np.radians(90 - np.array(from_open_deg))), flow, atol=0.0006)


@pytest.mark.parametrize(
    "damper, loss",
    [
        (OPPOSED_BLADES, [424.113, 164.8441, 64.07152, 24.90329, 9.679401, 1.729538, 0.45]),
        (SINGLE_BLADE, [94.8598, 44.46045, 20.83845, 9.766909, 4.577715, 1.063304, 0.45]),
    ],
    ids=lambda value: value.name if isinstance(value, PublishedDamper) else "",
)
def test_exponential_model(damper: PublishedDamper, loss: list) -> None:
    # Typical figures of ASHRAE 825-RP, read in the documentation of an open building-simulation library;
    # values at 18 to 90 degrees of opening derived from its formula, to six digits.
    opening = np.radians([18, 27, 36, 45, 54, 72, 90])
    assert_allclose(0.45 / damper.flow(opening) ** 2, loss, rtol=1e-5)


def test_installed_flow_of_published_authorities() -> None:
    # Series resistance, derived: authority 0.1, 0.3, 0.5, 1.
    found = installed_flow(np.array([0.05, 0.2, 0.5, 0.8, 1.0]), np.array([[0.1], [0.3], [0.5], [1.0]]))
    expected = [
        [0.156364567, 0.542326145, 0.877058019, 0.973008511, 1.0],
        [0.0910219981, 0.349215148, 0.72547625, 0.92499458, 1.0],
        [0.0706224552, 0.277350098, 0.632455532, 0.883452209, 1.0],
        [0.05, 0.2, 0.5, 0.8, 1.0],
    ]
    assert_allclose(found, expected, rtol=1e-8)


@pytest.mark.parametrize("damper", PUBLISHED_DAMPERS, ids=lambda damper: damper.name)
def test_flow_rises_everywhere(damper: PublishedDamper) -> None:
    flow = damper.flow(np.radians(np.linspace(-10, 90, 401)))
    assert np.all(np.diff(flow) > 0)
    assert_allclose([flow[-1], damper.flow(np.radians(100.0))], 1.0, rtol=1e-12)


def test_bends_have_the_size_they_should() -> None:
    knots = np.linspace(0, 1.4, 41)
    basis = bend_basis(knots, 0.3, 0.4, 0.35)
    middle = (knots[1:] + knots[:-1]) / 2
    wanted = 0.3**2 + 0.4**2 * np.exp(-(((middle[:, None] - middle) / 0.35) ** 2) / 2)
    # 0.5 % of the variance is left out with the smallest bends, here and there a little more
    assert_allclose(basis @ basis.T, wanted, atol=0.05 * 0.25)


def test_curve_and_its_inverse() -> None:
    rng = np.random.default_rng(2)
    knots = np.linspace(-0.2, 1.0, 25)
    curve = Curve(knots, np.cumsum(rng.uniform(0.01, 0.2, (7, 25)), axis=1))
    at = rng.uniform(-0.25, 1.05, (7, 11))
    assert_allclose(curve.travel_of(curve.at(at)), at, atol=1e-12)
    inside = np.clip(at, knots[0], knots[-1])
    for row in range(7):
        assert_allclose(curve.at(inside)[row], np.interp(inside[row], knots, curve.values[row]), atol=1e-12)


def observed(burner: kin_burner.Burner, count: int, rng: np.random.Generator) -> Observed:
    firing = np.linspace(0, 90, count)
    readings = kin_burner.read(burner, firing, np.full(count, 0.04), rng)
    return Observed(
        readings.damper_rad,
        readings.sigma_damper_rad,
        readings.half_gap_rad,
        readings.valve_rad,
        readings.sigma_valve_rad,
        readings.valve_half_gap_rad,
        np.log(readings.fuel_rate),
        readings.sigma_fuel_rel,
        readings.o2_dry,
        readings.sigma_o2,
        np.zeros(count),
        SETTINGS.sigma_o2_common,
    )


def drawn(count: int, shapes: tuple[PublishedDamper, ...] = PUBLISHED_DAMPERS) -> tuple[Draws, Observed]:
    rng = np.random.default_rng(8)
    seen = observed(kin_burner.Burner(ROUND_BUTTERFLY), count, rng)
    return draw(NATURAL_GAS, seen, shapes, replace(SETTINGS, draws=200), rng), seen


def test_every_curve_rises_and_passes_through_the_readings() -> None:
    draws, seen = drawn(5)
    assert np.all(np.diff(draws.ln_air.values, axis=-1) > 0)
    assert np.all(np.diff(draws.ln_fuel.values, axis=-1) > 0)
    assert_allclose(sum(draws.shape_shares), 1.0, rtol=1e-9)
    # readings with errors of the size stated lie within about three of them
    assert np.all(np.abs(draws.misfits) < 3.5)
    air = np.log(1 + excess_air(NATURAL_GAS, seen.o2_dry)) + seen.ln_fuel
    off = draws.ln_air.at(seen.damper_rad).mean(0) - air
    # a protractor's half degree is up to 5 % of the air where the damper is nearly shut, 1 % at high fire
    assert np.all(np.abs(off) < [0.10, 0.05, 0.04, 0.04, 0.04])


def test_more_readings_narrow_the_band_between_them() -> None:
    at = np.radians(np.linspace(10, 45, 8))
    shapes = (ROUND_BUTTERFLY, PARALLEL_BLADES)
    few, many = (drawn(count, shapes)[0].ln_air.at(at).std(0) for count in (2, 7))
    assert np.all(many < few)
    assert np.mean(many) < np.mean(few) / 3


@pytest.mark.slow
def test_draws_against_a_long_markov_chain() -> None:
    # The ensemble sampler of the open library emcee draws from the very posterior, given time.
    rng = np.random.default_rng(4)
    seen = observed(kin_burner.Burner(ROUND_BUTTERFLY), 4, rng)
    draws = draw(NATURAL_GAS, seen, (ROUND_BUTTERFLY,), SETTINGS, rng)
    model = Model(NATURAL_GAS, seen, ROUND_BUTTERFLY, SETTINGS)
    walkers = 100
    start = model.refitted(np.zeros(model.size), rng.standard_normal((walkers, 8 + model.size)))
    sampler = emcee.EnsembleSampler(
        walkers,
        model.size,
        lambda z: -np.square(model.residuals(z)).sum(-1) / 2,
        vectorize=True,
        moves=[(emcee.moves.DEMove(), 0.8), (emcee.moves.StretchMove(), 0.2)],
    )
    sampler.random_state = np.random.RandomState(1).get_state()
    sampler.run_mcmc(start, 2700)
    chain = model.parts(sampler.get_chain(discard=900, thin=30, flat=True))
    at = np.radians(np.linspace(0, 55, 8))
    ours, theirs = draws.ln_air.at(at), chain.ln_air.at(at)
    # 600 draws give a mean within 0.04 and a spread within 3 %, the chain (some 300 independent states)
    # likewise; the rest is what randomised maximum likelihood leaves out.
    assert np.all(np.abs(ours.mean(0) - theirs.mean(0)) < 0.3 * theirs.std(0))
    ratio = ours.std(0) / theirs.std(0)
    assert np.all((ratio > 0.8) & (ratio < 1.3))
