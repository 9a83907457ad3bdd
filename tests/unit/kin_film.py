"""A film of one linkage as the kinematics see it: angles with frame noise, slow errors and lost motion."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke

Array = NDArray[np.float64]

DEG = np.pi / 180
SLOW_PATH_RAD = 20 * DEG  # over which a slow error forgets itself
REFERENCE = {
    entry["id"]: entry
    for entry in json.loads(
        (Path(__file__).parent / "data" / "reference_values.json").read_text(encoding="utf-8")
    )
}


def wrapped(angle: Any) -> Array:
    """Angle difference in (-pi, pi]."""
    return np.asarray(np.angle(np.exp(1j * np.asarray(angle, float))))


def play(ideal: Array, slack: float) -> Array:
    """Play operator written down from its definition, independent of the package."""
    out = np.empty_like(ideal)
    state = ideal[0]
    for k, top in enumerate(ideal):
        state = min(max(state, top - slack), top)
        out[k] = state
    return out


def slow_error(rng: np.random.Generator, count: int, sd: float, frames: float) -> Array:
    """First-order Markov error with a memory of so many frames."""
    keep = np.exp(-1 / frames)
    steps = rng.normal(0, sd * np.sqrt(1 - keep**2), count)
    out = np.empty(count)
    out[0] = rng.normal(0, sd)
    for k in range(1, count):
        out[k] = keep * out[k - 1] + steps[k]
    return out


@dataclass(frozen=True)
class Film:
    """What was filmed, and the truth behind it."""

    linkage: FourBar
    drive_start: float
    driven_start: float
    slack: float
    time: Array
    driver: Array
    driven: Array
    stroke: Stroke
    motion: LinkageMotion

    def truth(self, quantity: str) -> float:
        """True value of an identified quantity."""
        values = {
            "drive_start_rad": self.drive_start,
            "driven_start_rad": self.driven_start,
            "slack_rad": self.slack,
        }
        return values[quantity] if quantity in values else float(getattr(self.linkage, quantity))


def film(
    linkage: FourBar,
    drive_start: float,
    rng: np.random.Generator | None = None,
    *,
    noise: float = 0.03 * DEG,
    slow: float = 0.02 * DEG,
    slack: float = 0.0,
    sign: int = 1,
    stroke: float = 90 * DEG,
    frame_rate: float = 30.0,
    hold_s: float = 1.2,
    rate: float = 12.5 * DEG,
) -> Film:
    """Low-fire hold, opening, high-fire hold, closing, low-fire hold; exact without `rng`."""
    move = stroke / rate
    corners = np.cumsum([0, hold_s, move, hold_s, move, hold_s])
    time = np.arange(0, corners[-1], 1 / frame_rate)
    driver = sign * np.interp(time, corners, np.array([0, 0, 1, 1, 0, 0]) * stroke)
    angle = linkage.driven_angle(drive_start + driver)
    way = float(
        np.sign(linkage.driven_angle(drive_start + sign * stroke) - linkage.driven_angle(drive_start))
    )
    driven = way * play(way * (angle - angle[0]), slack)
    if rng is not None:
        memory = SLOW_PATH_RAD / rate * frame_rate
        driver = driver + rng.normal(0, noise, time.size) + slow_error(rng, time.size, slow, memory)
        driven = driven + rng.normal(0, noise, time.size) + slow_error(rng, time.size, slow, memory)
    return Film(
        linkage,
        drive_start,
        float(wrapped(linkage.driven_angle(drive_start))),
        slack,
        time,
        driver,
        driven,
        find_stroke(time, driver, noise),
        LinkageMotion.of(driver, driven, noise, noise),
    )


def random_linkage(rng: np.random.Generator) -> tuple[FourBar, float, int]:
    """A linkage of one of the trade's layouts, its drive start angle, and the way it opens."""
    while True:
        layout = rng.integers(0, 6)
        drive, driven, spacing = rng.uniform(40, 110), rng.uniform(40, 110), rng.uniform(150, 400)
        start, driven_start = rng.uniform(15, 110) * DEG, rng.uniform(20, 130) * DEG
        if layout == 0:  # equal radii, parallel arms
            driven, driven_start = drive, start
        if layout == 1:  # short drive arm
            drive = driven * rng.uniform(0.45, 0.75)
        if layout == 2:  # short driven arm
            driven = drive * rng.uniform(0.6, 0.9)
        if layout == 3:  # drive arm nearly in line with the rod
            start = rng.uniform(5, 25) * DEG
        if layout == 5:  # crossed
            driven_start = -driven_start
        mirror, sign = rng.choice([-1, 1]), int(rng.choice([-1, 1]))
        linkage = FourBar.from_start_angles(drive, driven, spacing, mirror * start, mirror * driven_start)
        drives = mirror * start + sign * np.linspace(0, 90, 91) * DEG
        if not linkage.closes(drives).all():
            continue
        angle = linkage.transmission_angle(drives)
        turned = linkage.driven_angle(drives)
        if np.minimum(angle, np.pi - angle).min() > 12 * DEG and abs(turned[-1] - turned[0]) > 25 * DEG:
            return linkage, mirror * start, sign
