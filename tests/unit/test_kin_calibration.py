"""A seeded part of the study of identification (`tests/bench/identify_study.py`)."""

from __future__ import annotations

import numpy as np
import pytest
from kin_study import LAYOUTS, SCORED, SOURCES, Score, draw_case, score

EACH = 2
FIRST = 1000  # seeds that the printed study does not use


@pytest.fixture(scope="module")
def scores() -> list[Score]:
    jobs = [(seed, name, sources) for seed in range(EACH) for name in LAYOUTS for sources in SOURCES]
    return [s for seed, name, sources in jobs for s in score(draw_case(FIRST + seed, name, sources))]


def deviations(scores: list[Score]) -> np.ndarray:
    return np.array([s.error / s.sd if s.error else 0.0 for s in scores if s.determined])


@pytest.mark.slow
def test_stated_intervals_cover_the_truth(scores: list[Score]) -> None:
    # 56 films. The nine quantities of a film hang together, so that they count for about three: with 170
    # independent intervals of 95 % the share has a standard deviation of 1.7 %, and three of those are
    # allowed either way. Intervals that are too wide fail as well.
    z = deviations(scores)
    assert z.size > 400
    assert 0.90 < np.mean(np.abs(z) < 1.96) < 0.995
    assert 0.8 < np.std(z) < 1.2
    assert np.abs(z).max() < 4.5


@pytest.mark.slow
@pytest.mark.parametrize("quantity", SCORED)
def test_no_quantity_is_worse_than_chance_allows(scores: list[Score], quantity: str) -> None:
    z = deviations([s for s in scores if s.quantity == quantity])
    assert z.size > 35
    # of 56 intervals of 95 % nine or more miss in 0.2 % of all seeds
    assert np.sum(np.abs(z) > 1.96) < 9
    # a spread estimated from 36 to 56 values is off by 9 to 12 %; too small a spread fails as well. An exact
    # zero, in line within the stroke, comes out exactly and narrows the spread of the drive angle.
    assert (0.4 if quantity == "min_drive_angle_rad" else 0.65) < np.std(z) < 1.4


@pytest.mark.slow
def test_more_is_determined_where_more_is_known(scores: list[Score]) -> None:
    share = {q: np.mean([s.determined for s in scores if s.sources == q]) for q in SOURCES}
    assert share["hinges"] < share["hinges tape"] < share["pins"]
    assert share["pins"] > 0.95
    # a curve and a spacing must not be taken for a whole linkage
    radii = [s for s in scores if s.sources == "hinges" and s.quantity.endswith("radius_mm")]
    assert np.mean([s.determined for s in radii]) < 0.6


def test_a_start_that_would_jam_with_all_its_play_still_tells_the_shape() -> None:
    # equal arms, 1.7 degrees of lost motion in the pins: both starts of the search jam with it, and without
    # the pins' shape the best fit is another linkage, in line at low fire
    found = {s.quantity: s for s in score(draw_case(918, "equal", "hinges"))}
    for quantity in ("min_drive_angle_rad", "min_transmission_angle_rad"):
        assert abs(found[quantity].error) < 3 * found[quantity].sd
