"""Slow errors of a film: their size is found, and many frames do not hide them."""

from __future__ import annotations

import numpy as np
import pytest
from kin_film import DEG, film
from numpy.testing import assert_allclose

from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import thin
from strokecurve.kinematics.motion.deadband import fit_dead_band
from strokecurve.kinematics.motion.noise import (
    SlowErrors,
    noise_whitener,
    path_correlation,
    place_correlation,
)
from strokecurve.kinematics.settings import DEFAULTS

LINKAGE, START = FourBar.from_start_angles(55, 68, 176, 35.7 * DEG, 76.1 * DEG), 35.7 * DEG


@pytest.mark.parametrize("slow_deg", [0.01, 0.04])
def test_the_film_tells_the_size_of_its_slow_errors(slow_deg: float) -> None:
    found = []
    for seed in range(12):
        made = film(LINKAGE, START, np.random.default_rng(seed), noise=0.01 * DEG, slow=slow_deg * DEG)
        found.append(fit_dead_band(thin(made.motion, made.stroke)).slow.size_rad)
    # a film holds some twenty memories of each shaft's error: one size is known to about a third, the mean of
    # twelve to a tenth, and the prior draws both toward 0.02 degrees
    ratio = np.sqrt(np.mean(np.square(found))) / (slow_deg * DEG)
    low, high = (0.9, 1.5) if slow_deg < DEFAULTS.floor_rad / DEG else (0.7, 1.15)
    assert low < ratio < high


def test_whitened_errors_have_unit_covariance() -> None:
    made = film(LINKAGE, START, np.random.default_rng(0))
    bins = thin(made.motion, made.stroke)
    ratio = np.linspace(0.5, 1.5, bins.driver_rad.size)
    slow = SlowErrors(np.array([0.01, 0.03]) * DEG, 0.4)
    covariance = 0.6 * path_correlation(bins) + 0.4 * place_correlation(bins)
    covariance *= slow.size_rad[1] ** 2 + slow.size_rad[0] ** 2 * np.outer(ratio, ratio)
    covariance += np.diag(bins.driven_var + ratio**2 * bins.driver_var)
    whiten = noise_whitener(bins, ratio, slow)
    assert_allclose(whiten @ covariance @ whiten.T, np.eye(ratio.size), rtol=0, atol=1e-9)
    expected = noise_whitener(bins, ratio, SlowErrors.expected())
    assert_allclose(noise_whitener(bins, ratio), expected, rtol=0, atol=0)


def test_errors_of_the_same_place_are_shared_by_both_passes() -> None:
    made = film(LINKAGE, START)
    bins = thin(made.motion, made.stroke)
    middle = np.flatnonzero(np.abs(bins.driver_rad - 45 * DEG) < 1 * DEG)
    first, last = middle[0], middle[-1]
    apart = np.abs(bins.path_rad[last] - bins.path_rad[first])
    assert apart > 90 * DEG
    # the path's error is forgotten over that way, the place's is not
    assert path_correlation(bins)[first, last] < 0.02
    assert_allclose(place_correlation(bins)[first, last], 1.0, rtol=0, atol=0.06)
