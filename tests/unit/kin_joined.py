"""Two random linkages in series, filmed in two clips with errors like those of films, and joined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from kin_film import DEG
from kin_study import SLOW_DEG, SLOW_PATH_RAD, SLOW_PLACE, WHITE_DEG, Layout, draw_layout, slow_error

from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.compose import compose, composed_lost_motion, shared_difference
from strokecurve.kinematics.motion.stroke import find_stroke
from strokecurve.kinematics.motion.travel import TravelCurves, travel_curves

NAMES = ("equal", "short drive arm", "short driven arm")
SLACK_DEG = (0.0, 1.5)
COARSE_RAD, FINE_RAD = 1 * DEG, 0.2 * DEG
CORNER_RAD = 8 * DEG  # beside the ends a curve has the corners of its take-up, which a local line rounds off
RATE_HZ = 30.0
HALF = 4001  # positions of the true path each way
PASSES = ((slice(0, HALF), 1), (slice(HALF - 1, None), -1))


@dataclass(frozen=True)
class JoinedCase:
    """Errors of one join in stated standard deviations: curve away from the corners, travel, shared shaft.

    `lost_deg` is the error of lost motion (degrees) against the mean distance of both true passes.
    """

    curve: np.ndarray
    travel: float
    difference: float
    lost_deg: float


def ideal(layout: Layout, turned: np.ndarray) -> np.ndarray:
    """Driven travel without play, positive in its opening direction, at travels of the driver."""
    way = np.sign(layout.stroke)
    start, end = layout.linkage.driven_angle(layout.drive_start + np.array([0.0, layout.stroke]))
    return np.sign(end - start) * (layout.linkage.driven_angle(layout.drive_start + way * turned) - start)


def followed(layout: Layout, turned: np.ndarray, slack: float) -> np.ndarray:
    """Driven travel behind a play, from the rest on its closing side."""
    free = ideal(layout, turned)
    play = engage(free, slack)
    return free[play.source] - slack * play.opened


def draw_train(rng: np.random.Generator) -> tuple[Layout, Layout, tuple[float, float]]:
    """Two linkages of which the second closes over what the first one's driven shaft turns."""
    while True:
        first, second = (draw_layout(rng, str(rng.choice(NAMES))) for _ in range(2))
        slack = tuple(rng.uniform(*SLACK_DEG, 2) * DEG)
        shared = followed(first, np.linspace(0, abs(first.stroke), 400), slack[0])
        # both turn on all the way: over a dead centre there is no stroke with one opening pass
        if shared.max() > abs(second.stroke) or np.any(np.diff(shared) < 0):
            continue
        driven = followed(second, np.linspace(0, shared.max(), 400), slack[1])
        if np.all(np.diff(driven) >= 0) and driven.max() > 20 * DEG:
            return first, second, slack


def film(
    rng: np.random.Generator, driver: np.ndarray, driven: np.ndarray, step: float
) -> tuple[TravelCurves, Estimate]:
    """Curves and lost motion as a film from one side or the other gives them."""
    time_s, side = np.arange(driver.size) / RATE_HZ, rng.choice([-1, 1])
    still = np.abs(np.gradient(driver)) == 0
    path = np.cumsum(np.abs(np.gradient(driver)) + SLOW_PATH_RAD / RATE_HZ * still)
    white = np.exp(rng.uniform(*np.log(WHITE_DEG), 2)) * DEG
    slow = np.exp(rng.uniform(*np.log(SLOW_DEG), 2)) * DEG
    place = rng.uniform(*SLOW_PLACE)
    noisy = [
        side * angle + rng.normal(0, w, driver.size) + slow_error(rng, path, driver, s, place)
        for angle, w, s in zip((driver, driven), white, slow, strict=True)
    ]
    stroke, motion = find_stroke(time_s, noisy[0], white[0]), LinkageMotion.of(*noisy, *white)
    return travel_curves(stroke, motion, step), lost_motion(stroke, motion)


def stroke_in_time(rng: np.random.Generator, travel: float) -> np.ndarray:
    """Rest, opening, rest, closing, rest, frame by frame."""
    hold, move = rng.uniform(0.8, 2.0), rng.uniform(4.0, 9.0)
    corners = np.cumsum([0, hold, move, hold, move, hold])
    return np.interp(np.arange(0, corners[-1], 1 / RATE_HZ), corners, [0, 0, travel, travel, 0, 0])


def joined_case(seed: int) -> JoinedCase:
    """One train filmed in two clips and joined, against its truth."""
    rng = np.random.default_rng([seed, 77])
    first, second, slack = draw_train(rng)
    travel = abs(first.stroke)
    motor = stroke_in_time(rng, travel)
    before, lost = film(rng, motor, followed(first, motor, slack[0]), COARSE_RAD)
    shared = followed(first, stroke_in_time(rng, travel), slack[0])
    after, own = film(rng, shared, followed(second, shared, slack[1]), FINE_RAD)
    whole = compose(before, after, own.value)
    path = np.concatenate([np.linspace(0, travel, HALF), np.linspace(travel, 0, HALF)[1:]])
    truth = followed(second, followed(first, path, slack[0]), slack[1])
    away = (whole.driver_rad > CORNER_RAD) & (whole.driver_rad < travel - CORNER_RAD)
    at = whole.driver_rad[away]
    opening, closing = (np.interp(at, path[part][::way], truth[part][::way]) for part, way in PASSES)
    curve = [
        (whole.opening_rad[away] - opening) / whole.opening_sd_rad[away],
        (whole.closing_rad[away] - closing) / whole.closing_sd_rad[away],
    ]
    pulled = ideal(first, path[:HALF])
    pushed = np.maximum(pulled - slack[0], 0.0)
    distance = np.mean(ideal(second, pulled) - ideal(second, pushed)) + slack[1]
    off = shared_difference(before, after)
    return JoinedCase(
        np.concatenate(curve),
        (whole.driven_travel_rad - float(truth.max())) / whole.driven_travel_sd_rad,
        off.value / off.sd,
        float(np.degrees(composed_lost_motion(before, lost, after, own).value - distance)),
    )
