"""A seeded part of the study of curves and travels (`tests/bench/curve_study.py`)."""

from __future__ import annotations

import numpy as np
import pytest
from kin_curves import SLOW_DEG, linkage_case

from strokecurve.kinematics.faults.slip import follow
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.travel import travel_curves

FILMS = 12
NOISE_RAD = np.radians(0.02)


@pytest.mark.slow
@pytest.mark.parametrize("slow_deg", SLOW_DEG)
def test_stated_deviations_hold_whatever_the_slow_errors(slow_deg: float) -> None:
    found = [linkage_case(500 + seed, slow_deg) for seed in range(FILMS)]
    curve = np.concatenate([s.curve for s in found])
    travel = np.array([t for s in found for t in (s.driver_travel, s.driven_travel)])
    assert not np.isnan(curve).any()
    # 12 films hold some hundred memories of slow errors: the share is known to about 3 %
    assert 0.87 < np.mean(np.abs(curve) < 2) < 0.999
    assert 0.6 < np.sqrt(np.mean(curve**2)) < 1.35
    # 24 travels. That there is no slow error at all no film can tell: half their deviation is doubt.
    assert (0.5 if slow_deg else 0.3) < np.sqrt(np.mean(travel**2)) < 1.5


@pytest.mark.parametrize("slip_deg", [2.0, 5.0])
def test_a_slip_is_no_error_of_the_angles(slip_deg: float) -> None:
    """The curve is as well known beside a slip as without one: the step is part of what was filmed."""
    rng = np.random.default_rng(1)
    time_s = np.arange(0, 12, 1 / 30)
    driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    driven = 0.6 * driver + 0.1 * np.sin(2 * driver)
    noise = NOISE_RAD * rng.standard_normal((2, time_s.size))
    found = []
    for step_deg in (0.0, slip_deg):
        slipped = driven + np.radians(step_deg) * (time_s > 8)
        motion = LinkageMotion.of(driver + noise[0], slipped + noise[1], NOISE_RAD, NOISE_RAD)
        stroke = find_stroke(time_s, motion.driver_rad, NOISE_RAD)
        following = follow(stroke, motion)
        assert following is not None
        assert len(following.slips) == (step_deg > 0)
        curves = travel_curves(stroke, motion, slow=following.slow)
        found.append((curves.opening_sd_rad, curves.closing_sd_rad, curves.driven_travel_sd_rad))
    for without, beside in zip(*found, strict=True):
        # the same noise: only the bins of the step itself are missing from what sizes the errors
        assert 0.8 < np.median(beside) / np.median(without) < 1.25
