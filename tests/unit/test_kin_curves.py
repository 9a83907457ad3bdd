"""A seeded part of the study of curves and travels (`tests/bench/curve_study.py`)."""

from __future__ import annotations

import numpy as np
import pytest
from kin_curves import SLOW_DEG, linkage_case

FILMS = 12


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
