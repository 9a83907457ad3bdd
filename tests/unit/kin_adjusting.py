"""Random linkages that a known change brings to their intended travel: for study and tests."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.setting import (
    DECISION_VARIABLES,
    Adjustable,
    AdjustLimits,
    LinkageSetting,
    Range,
)
from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.intended.table import Intended

LAYOUTS = ("equal", "short_drive", "short_driven", "slow_start", "fast_start", "near_toggle", "crossed")
_DEG = math.pi / 180
_ROW_RAD = 2.5 * _DEG  # rows of the table: straight lines between them are off by some 0.01 degrees


@dataclass(frozen=True, slots=True)
class Problem:
    """A linkage as found and the travel that a known change gives it."""

    layout: str
    found: LinkageSetting
    truth: NDArray[np.float64]
    changed: tuple[str, ...]
    intended: Intended
    adjustable: Adjustable
    limits: AdjustLimits


def random_problem(
    rng: np.random.Generator, layout: str, holes: bool, stroke: bool, count: int | None = None
) -> Problem:
    """A problem of one layout whose truth keeps every limit."""
    while True:
        found = _linkage(rng, layout)
        if found is None:
            continue
        adjustable = _adjustable(rng, found, holes, stroke)
        limits = AdjustLimits(min_toggle_rad=25 * _DEG)
        names = [name for name in DECISION_VARIABLES if getattr(adjustable, name) is not None]
        chosen = rng.choice(names, size=count or int(rng.integers(1, 4)), replace=False)
        changed = tuple(name for name in DECISION_VARIABLES if name in chosen)
        truth = _changed(rng, found, adjustable, changed)
        if truth is None:
            continue
        flat = Intended.from_table([0.0, found.stroke_rad], [0.0, found.stroke_rad])
        task = Task.of(found, flat, adjustable, limits)
        if not task.feasible(truth[None, :])[0]:
            continue
        at = np.unique(np.append(np.arange(0, found.stroke_rad, _ROW_RAD), found.stroke_rad))
        driven = task.motion(truth[None, :], at / found.stroke_rad).driven_rad[0]
        rod = task.motion(truth[None, :], np.zeros(1)).rod_mm[0]
        reach = Range(0.85 * min(rod, found.four_bar().rod_mm), 1.15 * max(rod, found.four_bar().rod_mm))
        return Problem(
            layout,
            found,
            truth,
            changed,
            Intended.from_table(at, driven),
            replace(adjustable, rod_mm=reach),
            limits,
        )


def _linkage(rng: np.random.Generator, layout: str) -> LinkageSetting | None:
    a = rng.uniform(45, 110)
    c = a * rng.uniform(0.8, 1.25)
    d = rng.uniform(150, 420)
    drive, driven = rng.uniform(30, 75), rng.uniform(35, 100)
    if layout == "equal":
        c, driven = a, drive + rng.uniform(-2, 2)
    elif layout == "short_drive":
        c = a / rng.uniform(0.4, 0.75)
    elif layout == "short_driven":
        c = a * rng.uniform(0.65, 0.9)
    elif layout == "slow_start":
        drive, driven = rng.uniform(22, 40), rng.uniform(60, 100)
    elif layout == "fast_start":
        drive, driven = rng.uniform(75, 100), rng.uniform(30, 55)
    elif layout == "near_toggle":
        drive, driven = rng.uniform(12, 25), rng.uniform(30, 70)
    elif layout == "crossed":
        driven = -rng.uniform(60, 130)
    side = rng.choice([-1, 1])  # above or below the line of centres: opening one way or the other
    try:
        found = LinkageSetting(
            a, c, d, side * drive * _DEG, side * driven * _DEG, rng.uniform(80, 90) * _DEG, int(side)
        )
        found.driven_sign()
    except GeometryError:
        return None
    return found


def _adjustable(rng: np.random.Generator, found: LinkageSetting, holes: bool, stroke: bool) -> Adjustable:
    def radius(now: float) -> Range:
        low, high = now * rng.uniform(0.6, 0.8), now * rng.uniform(1.2, 1.5)
        if not holes:
            return Range(low, high)
        made = tuple(float(v) for v in np.linspace(low, high, int(rng.integers(4, 8))))
        return Range(low, high, made)

    def start(now: float) -> Range:
        return Range(now - rng.uniform(20, 45) * _DEG, now + rng.uniform(20, 45) * _DEG)

    return Adjustable(
        radius(found.drive_radius_mm),
        radius(found.driven_radius_mm),
        start(found.drive_start_rad),
        start(found.driven_start_rad),
        Range(0.75 * found.stroke_rad, found.stroke_rad) if stroke else None,
    )


def _changed(
    rng: np.random.Generator, found: LinkageSetting, adjustable: Adjustable, changed: tuple[str, ...]
) -> NDArray[np.float64] | None:
    values = found.decisions()
    for k, name in enumerate(DECISION_VARIABLES):
        if name not in changed:
            continue
        allowed: Range = getattr(adjustable, name)
        if allowed.holes:
            others = [hole for hole in allowed.holes if abs(hole - values[k]) >= 1.0]
            values[k] = rng.choice(others)
        else:
            values[k] = rng.uniform(allowed.low, allowed.high)
    return values


def problems(seed: int, number: int) -> list[Problem]:
    """So many problems over all layouts, with and without holes, some with a stroke that may change."""
    rng = np.random.default_rng(seed)
    return [
        random_problem(rng, LAYOUTS[n % len(LAYOUTS)], holes=(n // 7) % 2 == 1, stroke=(n // 14) % 3 == 2)
        for n in range(number)
    ]


def keeps_limits(problem: Problem, setting: LinkageSetting) -> list[str]:
    """Limits a setting breaks, judged apart from the search by `FourBar` at every tenth of a degree."""
    broken = []
    four_bar = setting.four_bar()
    stroke, beyond = setting.stroke_rad, problem.limits.over_travel_rad
    way, start = setting.opening_sign, setting.drive_start_rad
    inside = start + way * np.arange(0, stroke, 0.1 * _DEG)
    outside = start + way * np.concatenate([-np.linspace(0, beyond, 51), stroke + np.linspace(0, beyond, 51)])
    if not (four_bar.closes(inside).all() and four_bar.closes(outside).all()):
        return ["closes"]
    slack = 1e-3 * _DEG  # between the positions checked here and those of the search
    for angles, limit in (
        (inside, problem.limits.min_toggle_rad),
        (outside, problem.limits.beyond_toggle_rad),
    ):
        lines = np.stack([four_bar.drive_angle(angles), four_bar.transmission_angle(angles)])
        if np.minimum(lines, np.pi - lines).min() < limit - slack:
            broken.append("toggle")
    ratio = four_bar.velocity_ratio(inside) * problem.found.driven_sign() * way
    if ratio.min() < problem.limits.stall_ratio:
        broken.append("stall")
    if four_bar.branch != problem.found.four_bar().branch:
        broken.append("branch")
    for name in (*DECISION_VARIABLES, "rod_mm"):
        allowed: Range | None = getattr(problem.adjustable, name)
        now = four_bar.rod_mm if name == "rod_mm" else getattr(setting, name)
        if name != "rod_mm" and now == getattr(problem.found, name):
            continue
        outside = allowed is None or not allowed.low - 1e-9 <= now <= allowed.high + 1e-9
        if outside or (allowed.holes and not any(abs(now - hole) < 1e-9 for hole in allowed.holes)):
            broken.append(name)
    return broken


def rms_deg(problem: Problem, setting: LinkageSetting) -> float:
    """Fit of a setting, judged by `FourBar` at the rows of the table."""
    four_bar, way = setting.four_bar(), setting.opening_sign
    share = problem.intended.driver_rad / problem.found.stroke_rad
    angles = setting.drive_start_rad + way * share * setting.stroke_rad
    driven = four_bar.driven_angle(angles) - four_bar.driven_angle(setting.drive_start_rad)
    off = problem.found.driven_sign() * driven - problem.intended.driven_rad
    return float(np.degrees(np.sqrt(np.mean(off**2))))
