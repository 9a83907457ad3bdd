"""Speed of the kinematics on one core: `OMP_NUM_THREADS=1 python tests/bench/bench_kinematics.py`."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.identify.evidence import Evidence
from strokecurve.kinematics.identify.geometry import identify
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.travel import travel_curves

POSITIONS = 2_000_000
REPEATS = 7
STUDY = 4  # films of each layout with each set of evidence
DRIVE_START_RAD = 0.623
CASES = {
    "rod marker": (
        "spacing_mm",
        "drive_radius_mm",
        "driven_radius_mm",
        "drive_start_rad",
        "driven_start_rad",
    ),
    "hinges only": ("spacing_mm",),
    "angles only": (),
}
SIGMA = {"spacing_mm": 0.5, "drive_start_rad": 0.005, "driven_start_rad": 0.005}  # else 0.3 mm


def best_s(action: Callable[[], object]) -> float:
    """Shortest of several runs: the least disturbed one."""
    action()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print positions per second, then the time of each step for clips of several lengths."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
    from kin_film import film
    from kin_study import LAYOUTS, SOURCES, draw_case

    linkage = FourBar.from_start_angles(55, 68, 176, DRIVE_START_RAD, 1.33)
    drive = np.linspace(0.3, 2.0, POSITIONS)
    print(
        f"four-bar: {POSITIONS / best_s(partial(linkage.driven_angle, drive)) / 1e6:.1f} million positions/s"
    )
    for frames in (400, 600, 2000):
        made = film(linkage, DRIVE_START_RAD, np.random.default_rng(1), slack=0.01, frame_rate=frames / 18)
        print(f"{made.time.size} frames")
        for name, quantities in CASES.items():
            known = [Evidence(q, made.truth(q), SIGMA.get(q, 0.3), "bench") for q in quantities]
            seconds = best_s(partial(identify, made.stroke, made.motion, known))
            print(f"  identification, {name}: {seconds:.3f} s")
        print(f"  travel curves: {best_s(partial(travel_curves, made.stroke, made.motion)):.3f} s")
        print(f"  lost motion: {best_s(partial(lost_motion, made.stroke, made.motion)):.3f} s")
    seconds = []
    jobs = [(seed, name, sources) for seed in range(STUDY) for name in LAYOUTS for sources in SOURCES]
    for job in jobs:
        case = draw_case(*job)
        start = time.process_time()  # another program's turn on the core is not ours
        identify(case.stroke, case.motion, case.evidence)
        seconds.append(time.process_time() - start)
    print(f"identification, {len(jobs)} films of the study: median {np.median(seconds):.3f} s, ", end="")
    print(f"19 of 20 below {np.quantile(seconds, 0.95):.3f} s, longest {max(seconds):.3f} s")


if __name__ == "__main__":
    main()
