"""Is slip found, and nothing where there is nothing? `python tests/bench/slip_study.py [--each N]`.

Seeded random linkages of every layout of the trade (`tests/unit/kin_study.py`) with one fault each
(`tests/unit/kin_faulty.py`), and a third as many films of two strokes, and of eight from a stand, where slow
errors return. Tables are Markdown. `--each N`: films of each layout and fault.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy: films run side by side, not their algebra

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from kin_faulty import FAULTS, RETURNING, SLACK_RAD, faulty_film, special_film
from kin_film import DEG
from kin_study import LAYOUTS

from strokecurve.kinematics.findings.findings import Condition, assess
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import travel_curves
from strokecurve.kinematics.settings import DEFAULTS, Settings

SPECIAL = {"stick-slip": "stick_slip", "jump": "driven_jumps", "poor repeatability": "poor_repeatability"}
WATCHED = ("slip", "stick_slip", "driven_jumps", "poor_repeatability")
SLIPS = [f for f in FAULTS if "slip" in f]
MANY = 8  # strokes of a film from a stand
SLACK_SURE = 3.0  # standard deviations above 0 from which lost motion counts as found


@dataclass(frozen=True)
class Row:
    """What came out for one film."""

    fault: str
    cycles: int
    layout: str
    codes: frozenset[str]
    arm: str  # "right", "wrong" or "open"
    size_error: float  # of the slip, deg
    size_score: float  # in standard deviations
    late_s: float
    slack_error: float  # deg
    slack_score: float
    slack_sure: bool


def run(job: tuple[str, int, str, int]) -> Row:
    """One film."""
    fault, cycles, layout, seed = job
    names = [*FAULTS, *SPECIAL]
    rng = np.random.default_rng([seed, list(LAYOUTS).index(layout), names.index(fault), cycles])
    if fault in SPECIAL:
        codes, _ = _codes(*special_film(rng, layout, fault), DEFAULTS)
        return Row(fault, cycles, layout, codes, "", *[np.nan] * 5, False)
    steady = cycles == MANY
    film = faulty_film(rng, layout, fault, cycles=cycles, steady=steady)
    settings = replace(DEFAULTS, floor_place_share=RETURNING) if steady else DEFAULTS
    codes, condition = _codes(film.stroke, film.motion, settings)
    slack, sd = condition.slack.value, condition.slack.sd
    arm, error, score, late = "", np.nan, np.nan, np.nan
    if film.arm and condition.slips:
        slip = condition.slips[0]
        drive = film.arm == "drive"
        size, size_sd = (
            (slip.drive_rad, slip.drive_sd_rad) if drive else (slip.driven_rad, slip.driven_sd_rad)
        )
        error, score = (size - film.slip) / DEG, (size - film.slip) / size_sd
        late = float(film.time[slip.moment] - film.moment_s)
        arm = "open" if not slip.arm else "right" if slip.arm == film.arm else "wrong"
    off = slack - film.slack
    sure = bool(slack > SLACK_SURE * sd)
    return Row(fault, cycles, layout, codes, arm, error, score, late, off / DEG, off / sd, sure)


def _codes(stroke: Stroke, motion: LinkageMotion, settings: Settings) -> tuple[frozenset[str], Condition]:
    curves = travel_curves(stroke, motion, settings=settings)
    condition, findings = assess("a:b", stroke, motion, curves, None, settings)
    return frozenset(f.code for f in findings), condition


def share(flags: list[bool]) -> str:
    """Count and percent."""
    return f"{sum(flags)} of {len(flags)} ({100 * sum(flags) / max(len(flags), 1):.1f} %)"


def report(rows: list[Row]) -> None:
    """Print the tables."""
    print("| film | cycles | films | slip | stick-slip | jump | poor repeats |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for fault, cycles in dict.fromkeys((r.fault, r.cycles) for r in rows):
        some = [r for r in rows if (r.fault, r.cycles) == (fault, cycles)]
        found = [share([code in r.codes for r in some]).split(" of ")[0] for code in WATCHED]
        print(f"| {fault} | {cycles} | {len(some)} | {' | '.join(found)} |")
    print(
        "\n| film | cycles | slip found | size error deg, RMS, largest | error / sd, RMS "
        "| arm right, open, wrong | off by s, 95 % |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for fault, cycles in [(f, c) for f in SLIPS for c in (1, MANY)]:
        some = [r for r in rows if (r.fault, r.cycles) == (fault, cycles)]
        hit = [r for r in some if np.isfinite(r.size_error)]
        error, score = (np.array([getattr(r, n) for r in hit]) for n in ("size_error", "size_score"))
        arms = ", ".join(str(sum(r.arm == a for r in hit)) for a in ("right", "open", "wrong"))
        late = np.percentile(np.abs([r.late_s for r in hit]), 95)
        found = share(["slip" in r.codes for r in some])
        print(
            f"| {fault} | {cycles} | {found} | {np.sqrt(np.mean(error**2)):.3f}, "
            f"{np.abs(error).max():.2f} | {np.sqrt(np.mean(score**2)):.2f} | {arms} | {late:.2f} |"
        )
    print(
        "\n| film | cycles | lost motion deg | found | within 0.1 deg | largest error deg | error / sd, RMS |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for fault, cycles in [(f, c) for f in FAULTS for c in (1, MANY)]:
        some = [r for r in rows if (r.fault, r.cycles) == (fault, cycles) and np.isfinite(r.slack_error)]
        error = np.array([r.slack_error for r in some])
        score = np.array([r.slack_score for r in some])
        true = SLACK_RAD / DEG if "slack" in fault else 0.0
        near = share(list(np.abs(error) < 0.1))
        print(
            f"| {fault} | {cycles} | {true:.1f} | {share([r.slack_sure for r in some])} | {near} | "
            f"{np.abs(error).max():.2f} | {np.sqrt(np.mean(score**2)):.2f} |"
        )
    for r in rows:
        wrong = ("slip" in r.codes) != (r.fault in SLIPS) and r.fault not in SPECIAL
        if wrong:
            print("slip missed or false:", r.fault, r.cycles, r.layout, sorted(r.codes))


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--each", type=int, default=24, help="films of each layout and fault; a third for others"
    )
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    kinds = [(f, 1) for f in FAULTS] + [("none", 2), ("slack", 2)] + [(f, 1) for f in SPECIAL]
    kinds += [(f, MANY) for f in FAULTS]
    films = {
        kind: options.each if kind[1] == 1 and kind[0] in FAULTS else options.each // 3 for kind in kinds
    }
    jobs = [(kind[0], kind[1], layout, k) for kind in kinds for layout in LAYOUTS for k in range(films[kind])]
    with multiprocessing.Pool(options.processes) as pool:
        report(pool.map(run, jobs, chunksize=16))


if __name__ == "__main__":
    main()
