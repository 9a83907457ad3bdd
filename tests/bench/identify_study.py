"""Are stated uncertainties of the geometry right? `python tests/bench/identify_study.py [--each N]`.

Seeded random linkages of every layout of the trade, each filmed with four sets of evidence, are identified
and held against the truth. `--strokes N` films N strokes, `--steady` from a stand, where nearly all slow
errors return in every stroke. Tables are Markdown; what is drawn is in `tests/unit/kin_study.py`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy: cases run side by side, not their algebra

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from kin_film import DEG
from kin_study import LAYOUTS, SCORED, SOURCES, Filming, Score, draw_case, score

INSIDE = 1.959964  # standard deviations of a 95 % interval
WRONG = 4.0  # standard deviations beyond which a determined quantity is called wrong

Job = tuple[int, str, str, Filming]


def run(job: Job) -> tuple[Job, list[Score], float]:
    """Scores of one case, and the seconds that they took."""
    case = draw_case(*job)
    start = time.perf_counter()
    scores = score(case)
    return job, scores, time.perf_counter() - start


def unit(quantity: str) -> tuple[str, float]:
    """Name as printed, and what one printed unit is inside."""
    if quantity.endswith("_rad"):
        return quantity.removesuffix("_rad").replace("_", " ") + " deg", DEG
    return quantity.removesuffix("_mm").replace("_", " ") + " mm", 1.0


def interval(inside: int, count: int) -> str:
    """Share in percent with its own 95 % interval (Wilson)."""
    if count == 0:
        return "none"
    share, z = inside / count, INSIDE
    centre = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count + z * z / (4 * count**2))
    return f"{100 * share:.1f} ({100 * (centre - half):.1f} to {100 * (centre + half):.1f})"


def row(title: str, scores: list[Score], size: float = 1.0) -> str:
    """One line of a table."""
    sure = [s for s in scores if s.determined]
    score_z = np.array([abs(s.error) / s.sd if s.error else 0.0 for s in sure])
    error = np.median([abs(s.error) for s in sure]) / size if sure else np.nan
    cells = [
        title,
        f"{100 * len(sure) / len(scores):.0f}",
        interval(int(np.sum(score_z <= INSIDE)), len(sure)),
        f"{int(np.sum(score_z > WRONG))} of {len(sure)}",
        f"{error:.3f}" if np.isfinite(error) else "",
    ]
    return f"| {' | '.join(cells)} |"


def table(head: str, groups: dict[str, list[Score]], size: Callable[[str], float]) -> str:
    """Markdown table, one line a group."""
    lines = [
        f"| {head} | determined % | within 95 % interval, % | beyond 4 sd | median error |",
        "| --- | --- | --- | --- | --- |",
    ]
    return "\n".join([*lines, *(row(name, scores, size(name)) for name, scores in groups.items())])


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=20, help="cases of each layout with each set of evidence")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--strokes", type=int, default=1, help="strokes in each film")
    parser.add_argument("--steady", action="store_true", help="the camera stands still")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--worst", type=int, default=0, help="so many of the worst cases are listed")
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.each)
    filming = Filming(options.strokes, options.steady)
    jobs = [(seed, name, sources, filming) for seed in seeds for name in LAYOUTS for sources in SOURCES]
    with multiprocessing.Pool(options.processes) as pool:
        results = pool.map(run, jobs, chunksize=4)
    scores = [s for _, found, _ in results for s in found]
    print(f"{len(jobs)} films\n")
    titles = {unit(q)[0]: unit(q)[1] for q in SCORED}
    print(table("quantity", {unit(q)[0]: [s for s in scores if s.quantity == q] for q in SCORED}, titles.get))
    for head, key in (("layout", "case"), ("evidence", "sources")):
        groups: dict[str, list[Score]] = {}
        for s in scores:
            groups.setdefault(getattr(s, key), []).append(s)
        print()
        print(table(head, groups, lambda _: np.nan))
    seconds = np.array([t for *_, t in results])
    print(f"\nidentification: median {np.median(seconds):.3f} s, longest {seconds.max():.3f} s")
    wrong = [
        (abs(s.error) / s.sd, job, s) for job, found, _ in results for s in found if s.determined and s.error
    ]
    for z, job, s in sorted(wrong, key=lambda w: -w[0])[: options.worst]:
        print(f"{z:6.2f} {job} {s.quantity} error {s.error:.4g} sd {s.sd:.4g}")


if __name__ == "__main__":
    main()
