"""Two markers of one shaft on a tripod tell the readout of the rows, also where an arm slips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic import WH, departures_deg, rolled_nodes, tracks_of
from synthetic_train import Slip, Train, train

from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

READOUT_S = 0.021
BOTH = (("motor", (10,)), ("shaft1", (11, 31)), ("shaft2", (12,)))
ONE = (("motor", (10,)), ("shaft1", (11,)), ("shaft2", (12,)))


def measured(
    made: Train, readout_s: float = READOUT_S, shafts: tuple[tuple[str, tuple[int, ...]], ...] = BOTH
) -> ShaftMotion:
    truth = replace(made.truth, rods=())
    tracks = tracks_of(truth, np.random.default_rng(3), 0.03, seen=rolled_nodes(truth, readout_s))
    return find_shafts(tracks, [ShaftSpec(n, tuple((i, 30.0) for i in ids)) for n, ids in shafts], WH)


def rms_deg(motion: ShaftMotion, made: Train) -> float:
    off = [departures_deg(motion.arm_of(i)[0], made.arm_rad[i]) for i in motion.mounted_ids]
    return float(np.sqrt(np.mean(np.square(off))))


@pytest.mark.parametrize("slips", [(), (Slip(11, 66, 2.5, 6),)])
def test_the_readout_shows_between_the_markers_of_a_shaft(slips: tuple[Slip, ...]) -> None:
    made = train(slips, frames=160)
    motion, alone = measured(made), measured(made, shafts=ONE)
    assert motion.steady
    assert abs(motion.shutter.readout_s[0] - READOUT_S) < 0.002
    # What lasts over the film keeps it unsure, but less than one marker on each shaft does.
    assert motion.shutter.readout_s[1] < 0.95 * alone.shutter.readout_s[1]
    assert [step.group for step in motion.arms.steps] == [(0, 1)] * len(slips)
    assert rms_deg(motion, made) < 0.025


def test_where_all_rows_are_exposed_at_once_that_shows_too() -> None:
    made = train(frames=160)
    motion = measured(made, 0.0)
    assert motion.shutter.readout_s[0] == 0.0
    assert rms_deg(motion, made) < 0.025
