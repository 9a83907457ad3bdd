"""Does the search find a known adjustment, with no more things touched, and how long does it take?

`OMP_NUM_THREADS=1 PYTHONPATH=tests/unit:. python tests/bench/adjust_study.py [PROBLEMS] [SEED]`
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np
from kin_adjusting import Problem, keeps_limits, problems, rms_deg

from strokecurve.kinematics.adjust.known import sample_linkages
from strokecurve.kinematics.adjust.search_all import propose, what_if
from strokecurve.kinematics.adjust.setting import Adjustable, Range

LIMIT_DEG = 0.2


def main() -> None:
    """Print how many problems were solved, what was broken, and times."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 210
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    solved: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    broken, times, what_ifs = 0, [], []
    rng = np.random.default_rng(seed)
    for n, problem in enumerate(problems(seed, number)):
        samples = sample_linkages(problem.found, [0.3, 0.3, 0.6, 0.003, 0.003], rng)
        began = time.process_time()
        answer = propose(problem.found, problem.intended, problem.adjustable, problem.limits, samples=samples)
        times.append(time.process_time() - began)
        began = time.process_time()
        what_if(
            problem.found, {problem.changed[0]: 0.97 * getattr(problem.found, problem.changed[0])},
            problem.intended, problem.adjustable, problem.limits, samples=samples,
        )  # fmt: skip
        what_ifs.append(time.process_time() - began)
        few = [p for p in answer.proposals if len(p.touched) <= len(problem.changed)]
        best = min((rms_deg(problem, p.outcome.setting) for p in few), default=np.inf)
        wrong = [bad for p in answer.proposals if (bad := keeps_limits(problem, p.outcome.setting))]
        broken += len(wrong)
        asked[problem.layout] += 1
        solved[problem.layout] += best < LIMIT_DEG
        if best >= LIMIT_DEG or wrong:
            _tell(n, problem, best, wrong)
    total = sum(solved.values())
    print(
        f"{number} problems: {total} solved ({100 * total / number:.1f} %), {broken} proposals break a limit"
    )
    for layout in asked:
        print(f"  {layout}: {solved[layout]} of {asked[layout]}")
    print(f"search: median {np.median(times):.2f} s, longest {max(times):.2f} s")
    print(f"what-if: median {1e3 * np.median(what_ifs):.1f} ms, longest {1e3 * max(what_ifs):.1f} ms")
    _unreachable()


def _tell(n: int, problem: Problem, best: float, wrong: list[list[str]]) -> None:
    print(f"problem {n} ({problem.layout}): {problem.changed}, best {best:.3f} degrees RMS, broken {wrong}")


def _unreachable() -> None:
    """Time of searches that must also say what stands in the way."""
    times, reached = [], 0
    for problem in problems(5, 14):
        bent = np.radians(25) * np.sin(2 * np.pi * problem.intended.driver_rad / problem.found.stroke_rad)
        wanted = type(problem.intended).from_table(
            problem.intended.driver_rad, problem.intended.driven_rad + bent
        )
        held = Adjustable(
            problem.adjustable.drive_radius_mm,
            problem.adjustable.driven_radius_mm,
            problem.adjustable.drive_start_rad,
            problem.adjustable.driven_start_rad,
            None,
            Range(0.8 * problem.found.four_bar().rod_mm, 1.2 * problem.found.four_bar().rod_mm),
        )
        began = time.process_time()
        reached += propose(problem.found, wanted, held, problem.limits).reached
        times.append(time.process_time() - began)
    share = f"{len(times) - reached} of {len(times)}"
    print(f"out of reach ({share}): median {np.median(times):.2f} s, longest {max(times):.2f} s")


if __name__ == "__main__":
    main()
