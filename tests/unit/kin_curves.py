"""Films with slow errors of a given size: errors of curves and travels in stated standard deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from kin_film import DEG, SLOW_PATH_RAD
from kin_joined import FINE_RAD, RATE_HZ, draw_train, followed, stroke_in_time
from kin_study import (
    ENDS_DEG,
    ONE_STROKE,
    SLOW_PLACE,
    STEADY_PLACE,
    Filming,
    common_errors,
    draw_layout,
    slow_error,
)

from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.compose import compose
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke
from strokecurve.kinematics.motion.travel import TravelCurves, travel_curves

SLOW_DEG = (0.0, 0.02, 0.05, 0.08, 0.15)
WHITE_DEG = 0.05
HALF = 4001  # positions of the true path each way
NAMES = ("equal", "short drive arm", "short driven arm", "crossed")
SLACK_DEG = (0.0, 0.5, 2.0)


@dataclass(frozen=True)
class CurveScores:
    """Errors of one film in stated standard deviations: each pass, the mean and the difference of both ..."""

    curve: np.ndarray
    mean: np.ndarray
    difference: np.ndarray
    driver_travel: float
    driven_travel: float


def filmed(
    rng: np.random.Generator,
    driver: np.ndarray,
    driven: np.ndarray,
    slow_deg: float,
    filming: Filming = ONE_STROKE,
) -> tuple[Stroke, LinkageMotion]:
    """Both shafts with white noise and slow errors; a rest is a path, too, as far as memory goes.

    With the camera on a stand nearly all slow errors return, and both shafts have errors in common.
    """
    still = np.abs(np.gradient(driver)) == 0
    path = np.cumsum(np.abs(np.gradient(driver)) + SLOW_PATH_RAD / RATE_HZ * still)
    place, white = rng.uniform(*(STEADY_PLACE if filming.steady else SLOW_PLACE)), WHITE_DEG * DEG
    common = [common_errors(rng, angle) for angle in (driver, driven)] if filming.steady else None
    noisy = [
        angle + rng.normal(0, white, driver.size) + slow_error(rng, path, driver, slow_deg * DEG, place)
        for angle in (driver, driven)
    ]
    if common is not None:
        drawn = rng.normal(0, 1, 2)
        noisy = [angle + waves @ drawn for angle, waves in zip(noisy, common, strict=True)]
    time_s = np.arange(driver.size) / RATE_HZ
    return find_stroke(time_s, noisy[0], white), LinkageMotion.of(*noisy, white, white, common)


def scores(curves: TravelCurves, travel: float, driven: np.ndarray) -> CurveScores:
    """Errors against the true driven travel, `HALF` positions up and as many down."""
    path = np.linspace(0, travel, HALF)
    opening = np.interp(curves.driver_rad, path, driven[:HALF])
    closing = np.interp(curves.driver_rad, path, driven[HALF - 1 :][::-1])
    off = curves.opening_rad - opening, curves.closing_rad - closing
    return CurveScores(
        np.concatenate([off[0] / curves.opening_sd_rad, off[1] / curves.closing_sd_rad]),
        (off[0] + off[1]) / 2 / curves.mean_sd_rad,
        (off[1] - off[0]) / curves.difference_sd_rad,
        (curves.driver_travel_rad - travel) / curves.driver_travel_sd_rad,
        (curves.driven_travel_rad - float(driven[HALF - 1])) / curves.driven_travel_sd_rad,
    )


def there_and_back(travel: float) -> np.ndarray:
    """The true path of the driver, fine."""
    up = np.linspace(0, travel, HALF)
    return np.concatenate([up, up[-2::-1]])


def strokes_in_time(rng: np.random.Generator, travel: float, strokes: int) -> np.ndarray:
    """So many strokes, frame by frame; no end lies beyond those of the first."""
    once = stroke_in_time(rng, travel)
    if strokes == 1:
        return once
    rest = int(np.flatnonzero(once > 0)[0])
    parts = [once]
    for _ in range(strokes - 1):
        low, high = np.abs(rng.normal(0, ENDS_DEG * DEG, 2))
        parts.append(low + once[rest:] * (travel - low - high) / travel)
    return np.concatenate(parts)


def linkage_case(seed: int, slow_deg: float, filming: Filming = ONE_STROKE) -> CurveScores:
    """One linkage in one film."""
    rng = np.random.default_rng([seed, 5])
    layout, slack = draw_layout(rng, str(rng.choice(NAMES))), rng.choice(SLACK_DEG) * DEG
    travel = abs(layout.stroke)
    motor = strokes_in_time(rng, travel, filming.strokes)
    stroke, motion = filmed(rng, motor, followed(layout, motor, slack), slow_deg, filming)
    truth = followed(layout, there_and_back(travel), slack)
    return scores(travel_curves(stroke, motion, settings=filming.settings), travel, truth)


def train_case(seed: int, slow_deg: float) -> tuple[CurveScores, CurveScores]:
    """Two linkages in series: first and last shaft in one film, and two films joined at the shaft between."""
    rng = np.random.default_rng([seed, 6])
    first, second, slack = draw_train(rng)
    travel = abs(first.stroke)
    truth = followed(second, followed(first, there_and_back(travel), slack[0]), slack[1])
    motor = stroke_in_time(rng, travel)
    shared = followed(first, motor, slack[0])
    direct = travel_curves(*filmed(rng, motor, followed(second, shared, slack[1]), slow_deg))
    before = travel_curves(*filmed(rng, motor, shared, slow_deg))
    again = followed(first, stroke_in_time(rng, travel), slack[0])
    stroke, motion = filmed(rng, again, followed(second, again, slack[1]), slow_deg)
    after = travel_curves(stroke, motion, FINE_RAD)
    whole = compose(before, after, lost_motion(stroke, motion).value)
    return scores(direct, travel, truth), scores(whole, travel, truth)
