"""Films of random linkages with one fault each: what the study of the condition and its tests draw from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from kin_film import DEG, play
from kin_study import Layout, draw_layout, markov, slow_error

from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke

WHITE_DEG = (0.02, 0.1)  # frame noise of each shaft, as rendered clips give it
SLOW_RAD = 0.02 * DEG  # slow error of each shaft, with the memory that `markov` has
RETURNING = 0.9  # share of it that comes back at the same place with the camera on a stand
SLIP_RAD = 2 * DEG
SLACK_RAD = 0.5 * DEG
FAULTS = ("none", "slack", "slack in the pins", "driven arm slips", "drive arm slips", "slip and slack")


@dataclass(frozen=True)
class FaultyFilm:
    """A film and its fault: signed slip (0 for none), the arm that slips, when, and lost motion."""

    layout: Layout
    fault: str
    slip: float
    arm: str
    moment_s: float
    slack: float
    time: np.ndarray
    stroke: Stroke
    motion: LinkageMotion


def faulty_film(
    rng: np.random.Generator,
    name: str,
    fault: str,
    *,
    cycles: int = 1,
    slip: float = SLIP_RAD,
    steady: bool = False,
) -> FaultyFilm:
    """One film of a layout of `kin_study.LAYOUTS` with one of `FAULTS`; each shaft has its own errors."""
    layout = draw_layout(rng, name)
    time, driver = stroked(rng, layout, cycles)
    slack = SLACK_RAD if "slack" in fault else 0.0
    arm = {"driven arm slips": "driven", "drive arm slips": "drive"}.get(fault, "")
    if fault == "slip and slack":
        arm = str(rng.choice(["driven", "drive"]))
    size = float(rng.choice([-1, 1])) * slip if arm else 0.0
    moment = rng.uniform(*moving(driver)) / 30
    slipped = size * np.clip((time - moment) / rng.choice([1e-3, rng.uniform(0.05, 0.5)]), 0, 1)
    if arm == "drive" and not layout.linkage.closes(drives(layout, driver, slipped)).all():
        slipped, size = -slipped, -size
    driven, way = driven_of(layout, driver, slipped if arm == "drive" else 0 * time, slack)
    if arm == "driven":
        driven = driven + way * slipped
    if fault == "slack in the pins":
        driven = worn_pins(layout, driver, slack)
    stroke, motion = filmed(rng, time, driver, driven, steady)
    return FaultyFilm(layout, fault, size, arm, moment, slack, time, stroke, motion)


def stroked(rng: np.random.Generator, layout: Layout, cycles: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Frame times and driver angles: rest, opening, rest, closing, rest, so many times over."""
    hold, move = rng.uniform(0.6, 2.0), abs(layout.stroke) / (rng.uniform(4, 15) * DEG)
    corners = np.cumsum([0, hold, *[move, hold, move, hold] * cycles])
    time = np.arange(0, corners[-1], 1 / 30)
    return time, np.interp(time, corners, [0, 0, *[1, 1, 0, 0] * cycles]) * layout.stroke


def moving(driver: np.ndarray) -> tuple[float, float]:
    """First and last frame between which something may happen: 3 degrees within the outermost passes."""
    off = np.flatnonzero(np.abs(driver) > 3 * DEG)
    return float(off[0]), float(off[-1])


def drives(layout: Layout, driver: np.ndarray, slipped: np.ndarray) -> np.ndarray:
    """Drive arm angles, the arm having slipped toward open by so much."""
    return layout.drive_start + driver + np.sign(layout.stroke) * slipped


def driven_of(
    layout: Layout, driver: np.ndarray, slipped: np.ndarray, slack: float
) -> tuple[np.ndarray, float]:
    """Driven angles behind lost motion, from the first frame's, and the way in which they open."""
    angle = layout.linkage.driven_angle(drives(layout, driver, slipped))
    ends = layout.linkage.driven_angle(layout.drive_start + np.array([0, layout.stroke]))
    way = float(np.sign(ends[1] - ends[0]))
    return way * play(way * (angle - angle[0]), slack), way


def worn_pins(layout: Layout, driver: np.ndarray, slack: float) -> np.ndarray:
    """Driven angles with so much mean lost motion from play in the pins: pulled, the rod acts longer."""
    whole, ends = layout.linkage, layout.drives()

    def acting(by_mm: float, at: np.ndarray) -> np.ndarray:
        return replace(whole, rod_mm=whole.rod_mm + by_mm).driven_angle(at)

    gap = float(np.mean(np.abs(acting(0.05, ends) - acting(-0.05, ends)))) / 0.1
    both = [acting(way * slack / gap / 2, layout.drive_start + driver) for way in (-1, 1)]
    low, high = np.minimum(*both), np.maximum(*both)
    turned = whole.driven_angle(ends)
    at = high[0] if turned[-1] > turned[0] else low[0]  # the side on which a closing pass leaves it
    driven = np.empty_like(low)
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        at = min(max(at, a), b)
        driven[k] = at
    return driven - driven[0]


def filmed(
    rng: np.random.Generator, time: np.ndarray, driver: np.ndarray, driven: np.ndarray, steady: bool = False
) -> tuple[Stroke, LinkageMotion]:
    """The angles with frame noise and slow errors, which return in every pass where the camera is steady."""
    still = 10 * DEG / 30 * (np.abs(np.gradient(driver)) == 0)  # memory fades with time too
    path = np.cumsum(np.abs(np.gradient(driver)) + still)
    white = np.exp(rng.uniform(*np.log(WHITE_DEG), 2)) * DEG
    noisy = []
    for angle, w in zip((driver, driven), white, strict=True):
        frame = rng.normal(0, w, time.size)
        slow = (
            slow_error(rng, path, np.abs(driver), SLOW_RAD, RETURNING)
            if steady
            else markov(rng, path, SLOW_RAD)
        )
        noisy.append(angle + frame + slow)
    return find_stroke(time, noisy[0], white[0]), LinkageMotion.of(*noisy, *white)


def sticking(ideal: np.ndarray, stick_rad: float) -> np.ndarray:
    """A shaft that stands until the path has gone on by so much, and then jumps after it."""
    out, at = np.empty_like(ideal), ideal[0]
    for k, wanted in enumerate(ideal):
        if abs(wanted - at) >= stick_rad:
            at = wanted
        out[k] = at
    return out


def special_film(rng: np.random.Generator, name: str, fault: str) -> tuple[Stroke, LinkageMotion]:
    """A film with stick-slip of 2 degrees, one jump of 3, or a second cycle that is off by 1.5."""
    layout = draw_layout(rng, name)
    time, driver = stroked(rng, layout, 2 if fault == "poor repeatability" else 1)
    driven, _ = driven_of(layout, driver, 0 * time, 0.0)
    if fault == "stick-slip":
        driven = sticking(driven, 2 * DEG)
    if fault == "jump":  # caught by something, then free again
        off = np.flatnonzero(np.abs(driver) > 20 * DEG)
        k = int(rng.integers(off[0], off[0] + 20))
        held = np.minimum(np.abs(driven[k:] - driven[k]), 3 * DEG)
        free = int(np.argmax(held >= 3 * DEG)) or held.size
        driven[k : k + free] = driven[k]
    if fault == "poor repeatability":
        part = (time > time[-1] / 2) * np.sin(np.pi * driver / layout.stroke)
        driven = driven + 1.5 * DEG * part
    return filmed(rng, time, driver, driven)
