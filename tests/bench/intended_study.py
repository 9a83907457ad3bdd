"""Are stated deviations of the intended travel right? `python tests/bench/intended_study.py [--each N]`.

Seeded random burners (`tests/unit/kin_burner.py`): published damper shapes of random authority and opening,
fuel curves from bent up to bent down, readings with errors of the sizes in `ReadingSettings`. The table is
Markdown.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy: as on a single core

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from kin_burner import random_burner, read

from strokecurve.kinematics.intended.from_readings import intended_from_readings, row_positions
from strokecurve.kinematics.intended.fuels import NATURAL_GAS

POSITIONS = (3, 4, 5, 7, 9)


def one(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Errors (deg) and stated deviations (deg) at all rows, which rows were read, seconds."""
    rng = np.random.default_rng(seed)
    burner = random_burner(rng)
    firing = np.linspace(0, 90, count)
    target = np.linspace(rng.uniform(0.045, 0.06), rng.uniform(0.03, 0.04), count)
    readings = read(burner, firing, target, rng)
    rows = row_positions(readings)
    start = time.perf_counter()
    found = intended_from_readings(readings, NATURAL_GAS, rows, rows, rng)
    seconds = time.perf_counter() - start
    at = np.degrees(rows)
    truth = burner.intended(at, np.interp(at, firing, target))
    error, sd = np.degrees(found.rows.damper_rad) - truth, np.degrees(found.rows.sigma_rad)
    return error, sd, np.isin(rows, readings.driver_rad), seconds


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=60, help="burners for each number of positions")
    options = parser.parse_args()
    print("| positions read | where | rows | RMS deg | median sd deg | error / sd, RMS | within 2 sd % | s |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for count in POSITIONS:
        parts = [one(1000 + seed, count) for seed in range(options.each)]
        error, sd, read_there = (np.concatenate([part[k] for part in parts]) for k in range(3))
        seconds = float(np.median([part[3] for part in parts]))
        for where, chosen in (("read", read_there), ("between", ~read_there)):
            known = chosen & np.isfinite(error)
            score = error[known] / sd[known]
            print(
                f"| {count} | {where} | {known.sum()} | {np.sqrt(np.mean(error[known] ** 2)):.2f} | "
                f"{np.median(sd[known]):.2f} | {np.sqrt(np.mean(score**2)):.2f} | "
                f"{100 * np.mean(np.abs(score) < 2):.1f} | {seconds:.1f} |"
            )


if __name__ == "__main__":
    main()
