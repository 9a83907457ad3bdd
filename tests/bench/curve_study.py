"""Are stated deviations of curves and travels right? `python tests/bench/curve_study.py [N]` (default 100).

Seeded random linkages and trains (`tests/unit/kin_curves.py`), white noise of 0.05 degrees, slow errors of
five sizes on every shaft; linkages also in films of ten strokes and from a stand, where nearly all slow
errors return. Each figure is an error in stated standard deviations: spread 1 and 95 % within two would be
perfect.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from kin_curves import SLOW_DEG, CurveScores, linkage_case, train_case
from kin_study import Filming

FILMED = {
    "a linkage": Filming(),
    "ten strokes": Filming(10),
    "on a stand": Filming(steady=True),
    "ten strokes on a stand": Filming(10, True),
}


def row(slow_deg: float, kind: str, found: list[CurveScores]) -> str:
    """One line of the table."""
    parts = (
        np.concatenate([s.curve for s in found]),
        np.concatenate([s.mean for s in found]),
        np.concatenate([s.difference for s in found]),
        np.array([s.driver_travel for s in found]),
        np.array([s.driven_travel for s in found]),
    )
    cells = []
    for errors in parts:
        known = errors[np.isfinite(errors)]
        cells.append(f"{np.sqrt(np.mean(known**2)):.2f} | {100 * np.mean(np.abs(known) < 2):.1f}")
    return f"| {slow_deg:g} | {kind} | " + " | ".join(cells) + " |"


def main(count: int) -> None:
    """Print one line for each size of the slow error and each kind of film."""
    print(
        f"| slow error deg | {count} films of | curve RMS | within 2 sd % | mean of passes RMS "
        "| within 2 sd % | their difference RMS | within 2 sd % | driver travel RMS | within 2 sd % "
        "| driven travel RMS | within 2 sd % |"
    )
    print("| --- " * 12 + "|")
    for slow_deg in SLOW_DEG:
        trains = [train_case(seed, slow_deg) for seed in range(count)]
        for kind, filming in FILMED.items():
            print(row(slow_deg, kind, [linkage_case(seed, slow_deg, filming) for seed in range(count)]))
        print(row(slow_deg, "a train", [direct for direct, _ in trains]))
        print(row(slow_deg, "two clips joined", [joined for _, joined in trains]), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
