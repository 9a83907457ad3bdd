"""Is the arm that slipped named and sized? `python tests/bench/arms_study.py [--films N] [--first SEED]`.

Seeded films of a train of three shafts with two or three markers on one of them
(`tests/unit/synthetic_train.py`), as tracks of markers: one arm or marker slips by 0.5 to 6 degrees, either
way, at any moment, within one to eight frames; from the hand or a stand, with or without lost motion and
errors that last. One line a film, then a table.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[2]))
from synthetic import WH, tracks_of
from synthetic_train import RATE_HZ, Slip, train

from strokecurve.app.measure.clip import FilmedClip, work_out
from strokecurve.app.measure.rig import Rig
from strokecurve.app.measure.settings import Settings
from strokecurve.vision.control import Unattended
from strokecurve.vision.video.reader import ClipFacts

DRIVEN_BY_11, DRIVEN_BY_31 = ((10, 11), (31, 12)), ((10, 31), (11, 12))
BOTH_BY_11 = ((10, 11), (11, 12))
CASES = {
    "driven arm (11 of 11, 31)": (11, (31,), DRIVEN_BY_11, "slip", "motor:shaft1 driven arm"),
    "driven arm (31 of 11, 31)": (31, (31,), DRIVEN_BY_31, "slip", "motor:shaft1 driven arm"),
    "loose marker (31 of 11, 31)": (31, (31,), BOTH_BY_11, "marker_loose", "marker 31"),
    "motor's arm (10 of 10, 30)": (10, (30,), BOTH_BY_11, "slip", "motor:shaft1 drive arm"),
    "loose marker (30 of 10, 30)": (30, (30,), BOTH_BY_11, "marker_loose", "marker 30"),
    "end shaft's arm (12 of 12, 32)": (12, (32,), BOTH_BY_11, "slip", "shaft1:shaft2 driven arm"),
    "driven arm (11 of 11, 31, 41)": (11, (31, 41), DRIVEN_BY_11, "slip", "motor:shaft1 driven arm"),
    "drive arm (31 of 11, 31, 41)": (31, (31, 41), DRIVEN_BY_11, "slip", "shaft1:shaft2 drive arm"),
    "loose marker (41 of 11, 31, 41)": (41, (31, 41), DRIVEN_BY_11, "marker_loose", "marker 41"),
    "none (11, 31)": (0, (31,), DRIVEN_BY_11, "", ""),
}
TRUE_OTHERWISE = ("lost_motion", "worn_joint")  # said where the film has lost motion, at the driven pin


@dataclass(frozen=True)
class Row:
    """What came out for one film."""

    case: str
    named: bool
    size_error_deg: float
    size_score: float  # in standard deviations
    shafts_deg: float  # largest RMS of a shaft
    arms_deg: float  # largest RMS of what a marker sits on
    within: float  # share of all angles within two standard deviations
    slack_deg: float  # largest error of lost motion
    radius_mm: float  # largest error of a radius
    false: tuple[str, ...]


def rms_deg(found: np.ndarray, truth: np.ndarray) -> float:
    off = found - truth
    return float(np.rad2deg(np.sqrt(np.mean((off - np.median(off)) ** 2))))


def run(seed: int) -> Row:
    """One film."""
    rng = np.random.default_rng(seed)
    case = list(CASES)[seed % len(CASES)]
    marker, further, joined, code, where = CASES[case]
    hand = np.random.default_rng(seed + 1000) if rng.random() < 0.6 else None
    size, at = float(rng.choice([-1, 1]) * rng.uniform(0.5, 6.0)), float(rng.uniform(20, 400))
    slack = tuple(float(s) for s in rng.choice([0.0, 0.0, 0.5, 1.0], 2))
    slips = (Slip(marker, at, size, float(rng.choice([1, 3, 8]))),) if marker else ()
    made = train(slips, further=further, joined=joined, hand=hand, slack_deg=(slack[0], slack[1]))
    tracks = tracks_of(
        made.truth, rng, float(rng.uniform(0.02, 0.06)), memory_frames=float(rng.choice([0.0, 4.0]))
    )
    frames = len(tracks.time_s)
    facts = ClipFacts("h264", WH, 0, 8, frames / RATE_HZ, frames)
    clip = FilmedClip("train.mp4", "0" * 64, facts, frames, 0.0, float(tracks.time_s[-1]), 0)
    measured = work_out(clip, tracks, Rig(), Unattended(), Settings())
    motion = measured.motion
    said = [*measured.findings, *measured.faults]
    hits = [f for f in said if (f.code, f.where) == (code, where)]
    false = [f"{f.code} {f.where}" for f in said if f not in hits and f.code not in TRUE_OTHERWISE]
    off = abs(hits[0].value) - abs(size) if hits else np.nan
    truth = np.column_stack(made.shaft_rad)
    error = motion.angle_rad - truth
    error = error - np.median(error, axis=0)
    fits = [(link.fit, true) for link, true in zip(measured.linkages, made.linkages, strict=True)]
    return Row(
        case,
        len(hits) == len(slips),
        off,
        off / hits[0].sd if hits else np.nan,
        max(rms_deg(motion.angle_rad[:, s], truth[:, s]) for s in range(3)),
        max(rms_deg(motion.arm_of(i)[0], made.arm_rad[i]) for i in motion.mounted_ids),
        float(np.mean(np.abs(error) < 2 * motion.sigma_rad)),
        max(
            abs(float(np.rad2deg(link.condition.slack.value)) - true)
            for link, true in zip(measured.linkages, slack, strict=True)
        ),
        max(
            abs(fit.quantity(name).value - getattr(true, name)) if fit else np.inf
            for fit, true in fits
            for name in ("drive_radius_mm", "driven_radius_mm")
        ),
        tuple(false),
    )


def report(rows: Sequence[Row]) -> None:
    """Print the table."""
    print(
        "\n| what slips | films | named | size error deg, largest | error / sd, RMS | "
        "shafts deg, largest RMS |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for case in [*CASES, "all"]:
        some = [r for r in rows if case in (r.case, "all")]
        if not some:
            continue
        slipped = [r for r in some if np.isfinite(r.size_error_deg)]
        size = max((abs(r.size_error_deg) for r in slipped), default=np.nan)
        score = np.sqrt(np.mean([r.size_score**2 for r in slipped])) if slipped else np.nan
        print(
            f"| {case} | {len(some)} | {sum(r.named for r in some)} | {size:.3f} | {score:.2f} | "
            f"{max(r.shafts_deg for r in some):.3f} |"
        )
    print(
        f"\narms: largest RMS {max(r.arms_deg for r in rows):.3f} degrees; within two standard deviations "
        f"{100 * np.mean([r.within for r in rows]):.1f} %; lost motion off by at most "
        f"{max(r.slack_deg for r in rows):.3f} degrees, radii by {max(r.radius_mm for r in rows):.2f} mm; "
        f"films with a false finding: {sum(bool(r.false) for r in rows)}"
    )


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    rows = []
    for seed in range(options.first, options.first + options.films):
        rows.append(run(seed))
        print(seed, rows[-1], flush=True)
    report(rows)


if __name__ == "__main__":
    main()
