"""Are stated deviations of joined clips right? `python tests/bench/join_study.py [N]` (default 200 trains).

Seeded random linkages in series (`tests/unit/kin_joined.py`). Each figure is an error in stated standard
deviations: spread 1 and 95 % within two would be perfect.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from kin_joined import joined_case


def main(count: int) -> None:
    """Print one line for each figure."""
    cases = [joined_case(seed) for seed in range(count)]
    print(f"| figure of {count} trains | values | spread | within 2 | beyond 4 | gaps |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, errors in (
        ("overall curve", np.concatenate([c.curve for c in cases])),
        ("overall travel", np.array([c.travel for c in cases])),
        ("shared shaft's difference", np.array([c.difference for c in cases])),
    ):
        known = errors[np.isfinite(errors)]
        size = np.abs(known)
        print(
            f"| {name} | {known.size} | {known.std():.2f} | {100 * np.mean(size < 2):.1f} % "
            f"| {100 * np.mean(size > 4):.2f} % | {errors.size - known.size} |"
        )
    lost = np.array([c.lost_deg for c in cases])
    print(
        f"\nLost motion against the distance of both true passes: RMS {np.sqrt(np.mean(lost**2)):.3f} degrees"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
