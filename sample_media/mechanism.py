"""Motion of the linkage: closure by circle intersection, play, slip, trains, frame times.

Independent of the tool's own four-bar on purpose: the two are compared in tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.scene import Linkage, Move, Scene
from sample_media.space import driven_direction_in_space, is_spatial

FloatArray = NDArray[np.float64]

CLOCK_HZ = 90_000  # clock of the stored frame times
STEP_S = 0.0005  # step of the motion's time grid: play depends on the past, so it is followed in time


def spacing_and_line(scene: Scene, linkage: Linkage) -> tuple[float, float]:
    """Distance between a linkage's shafts (mm) and the world direction of its line of centres (rad)."""
    across = np.subtract(scene.shafts[linkage.driven].centre_mm, scene.shafts[linkage.driver].centre_mm)
    return float(np.hypot(*across)), float(np.arctan2(across[1], across[0]))


def driven_direction(linkage: Linkage, spacing_mm: float, drive_rad: FloatArray) -> FloatArray:
    """Direction of the driven arm that closes the linkage, by intersecting two circles.

    Parameters
    ----------
    linkage : Linkage
    spacing_mm : float
        Distance of the shaft centres.
    drive_rad : (N,) array
        Direction of the drive arm from the line of centres, rad.

    Returns
    -------
    (N,) array
        Direction of the driven arm from the line of centres, rad, unwrapped along N.

    Raises
    ------
    ValueError
        If the rod does not reach at some position.
    """
    pin = linkage.drive_radius_mm * np.stack([np.cos(drive_rad), np.sin(drive_rad)], axis=-1)
    to_centre = np.array([spacing_mm, 0.0]) - pin
    distance = np.hypot(to_centre[:, 0], to_centre[:, 1])
    # Foot of the common chord of the circles (pin, rod) and (driven centre, driven radius), from the pin.
    foot = (distance**2 + linkage.rod_mm**2 - linkage.driven_radius_mm**2) / (2 * distance)
    half_chord_squared = linkage.rod_mm**2 - foot**2
    if np.any(half_chord_squared <= 0):
        raise ValueError(f"linkage {linkage.driver}:{linkage.driven} cannot close over the whole stroke")
    unit = to_centre / distance[:, None]
    left = np.stack([-unit[:, 1], unit[:, 0]], axis=-1)
    # The branch is counted from the driven centre toward the pin, against the direction used here.
    chord = -linkage.branch * np.sqrt(half_chord_squared)
    end = pin + foot[:, None] * unit + chord[:, None] * left
    return np.unwrap(np.arctan2(end[:, 1], end[:, 0] - spacing_mm))


def closing_direction(scene: Scene, linkage: Linkage, drive_rad: FloatArray) -> FloatArray:
    """Direction of the driven arm that closes a linkage, in its plane or, with a tilted shaft, in space.

    Parameters
    ----------
    scene : Scene
    linkage : Linkage
    drive_rad : (N,) array
        Direction of the drive arm from the line of centres, rad.

    Returns
    -------
    (N,) array
        Direction of the driven arm from the line of centres, rad, unwrapped along N.

    Raises
    ------
    ValueError
        If the rod does not reach at some position.
    """
    spacing, line = spacing_and_line(scene, linkage)
    if not is_spatial(scene, linkage):
        return driven_direction(linkage, spacing, drive_rad)
    return driven_direction_in_space(scene, linkage, line + drive_rad) - line


def play(ideal_rad: FloatArray, width_rad: float, opening_sign: float) -> FloatArray:
    """Driven angle behind a play of given width, centred on the angle without play.

    At the start it rests where a closing pass leaves it: half the width open of the angle without play.

    Parameters
    ----------
    ideal_rad : (N,) array
        Angle without play, in time order, rad.
    width_rad : float
        Full width of the play, rad.
    opening_sign : float
        +1 or -1, sense of the opening pass.

    Returns
    -------
    (N,) array
    """
    pushed = opening_sign * ideal_rad
    half = width_rad / 2
    out = np.empty_like(pushed)
    now = pushed[0] + half
    for i, middle in enumerate(pushed):
        now = min(max(now, middle - half), middle + half)
        out[i] = now
    return opening_sign * out


def motor_travel(moves: tuple[Move, ...], first_hold_s: float, time_s: FloatArray) -> FloatArray:
    """Motor travel from low fire (degrees) at the given motion times (s)."""
    travel = np.zeros_like(time_s)
    start, angle = first_hold_s, 0.0
    for move in moves:
        share = soft_ramp(time_s - start, move.duration_s, move.soft_s)
        travel += (move.to_deg - angle) * share
        start, angle = start + move.duration_s + move.hold_s, move.to_deg
    return travel


def soft_ramp(time_s: FloatArray, duration_s: float, soft_s: float) -> FloatArray:
    """Share 0 to 1 of a move: even speed with even speed-up and slow-down of ``soft_s``."""
    t = np.clip(time_s, 0.0, duration_s)
    if soft_s <= 0:
        return t / duration_s
    soft = min(soft_s, duration_s / 2)
    peak = 1.0 / (duration_s - soft)
    early = 0.5 * peak / soft * np.minimum(t, soft) ** 2
    late = 0.5 * peak / soft * np.minimum(duration_s - t, soft) ** 2
    middle = peak * (t - soft / 2)
    return np.where(t < soft, early, np.where(t > duration_s - soft, 1.0 - late, middle))


def motion_length_s(scene: Scene) -> float:
    """Length of the motor's whole motion, s."""
    return scene.first_hold_s + sum(m.duration_s + m.hold_s for m in scene.moves)


def frame_times(scene: Scene) -> FloatArray:
    """Presentation times of the frames, s from the first, on the 90 kHz clock of the stored clip.

    Returns
    -------
    (F,) array
    """
    film = scene.film
    length = motion_length_s(scene) - film.start_s if film.duration_s is None else film.duration_s
    count = max(2, round(length * film.fps))
    gaps = np.full(count - 1, 1.0 / film.fps)
    if film.jitter_s > 0:
        rng = np.random.default_rng(film.seed)
        gaps = np.maximum(gaps + film.jitter_s * rng.standard_normal(count - 1), 0.2 / film.fps)
    return np.round(np.concatenate([[0.0], np.cumsum(gaps)]) * CLOCK_HZ) / CLOCK_HZ


@dataclass(frozen=True, slots=True)
class Mechanism:
    """Motion of every arm over the clip, on a fine time grid.

    Attributes
    ----------
    time_s : (N,) array
        Clip time, s; reaches a little before the first and after the last frame.
    shaft_rad : (S, N) array
        Direction of each shaft's reference arm, rad, unwrapped; from world x, tilted along with the shaft.
    drive_arm_rad, closed_rad, driven_arm_rad : (L, N) array
        Direction of each linkage's drive arm, of its driven arm without play, and of its driven arm (up to
        half the play to either side of that), likewise.
    """

    time_s: FloatArray
    shaft_rad: FloatArray
    drive_arm_rad: FloatArray
    closed_rad: FloatArray
    driven_arm_rad: FloatArray

    @staticmethod
    def at(series_rad: FloatArray, grid_s: FloatArray, time_s: float | FloatArray) -> FloatArray:
        """Values of (K, N) series at times (...), (K, ...)."""
        position = np.clip((np.asarray(time_s, float) - grid_s[0]) / STEP_S, 0, len(grid_s) - 1.000001)
        i = position.astype(int)
        share = position - i
        return (1 - share) * series_rad[:, i] + share * series_rad[:, i + 1]

    def shafts_at(self, time_s: FloatArray) -> FloatArray:
        """Directions of the reference arms at several times, (S, F), rad."""
        return np.stack([np.interp(time_s, self.time_s, row) for row in self.shaft_rad])


def opening_sign(scene: Scene) -> float:
    """Sense of the motor's first move: +1 counter-clockwise, -1 clockwise."""
    return 1.0 if scene.moves[0].to_deg >= 0 else -1.0


def solve(scene: Scene) -> Mechanism:
    """Motion of the whole train.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    Mechanism

    Raises
    ------
    ValueError
        If a linkage cannot close over the stroke, or a shaft is driven twice or not at all.
    """
    end = motion_length_s(scene) + 0.5
    motion_s = np.arange(-0.5, end, STEP_S)
    clip_s = motion_s - scene.film.start_s
    travel = {0: np.deg2rad(motor_travel(scene.moves, scene.first_hold_s, motion_s))}
    reference: dict[int, float] = {}
    drive_arms, closed, driven_arms = [], [], []
    for number, linkage in enumerate(scene.linkages):
        if linkage.driven in travel or linkage.driver not in travel:
            raise ValueError(f"linkage {number} is out of order or drives a shaft already driven")
        _, line = spacing_and_line(scene, linkage)
        drive = np.deg2rad(linkage.drive_start_deg) + travel[linkage.driver]
        drive = drive + slipped(scene, number, "drive", clip_s)
        ideal = closing_direction(scene, linkage, drive)
        width = np.deg2rad(linkage.lost_motion_deg)
        arm = (
            play(ideal, width, opening_direction(scene, linkage, travel[linkage.driver])) if width else ideal
        )
        shaft = arm + slipped(scene, number, "driven", clip_s)
        reference.setdefault(linkage.driver, line + np.deg2rad(linkage.drive_start_deg))
        reference[linkage.driven] = line + float(arm[0])
        travel[linkage.driven] = shaft - shaft[0]
        drive_arms.append(line + drive)
        closed.append(line + ideal)
        driven_arms.append(line + arm)
    reference.setdefault(0, np.pi / 2)
    if set(travel) != set(range(len(scene.shafts))):
        raise ValueError("every shaft but the motor needs one linkage that drives it")
    shafts = np.stack([reference[k] + travel[k] for k in range(len(scene.shafts))])
    none = np.empty((0, len(motion_s)))
    return Mechanism(
        clip_s,
        shafts,
        np.stack(drive_arms) if drive_arms else none,
        np.stack(closed) if closed else none,
        np.stack(driven_arms) if driven_arms else none,
    )


def opening_direction(scene: Scene, linkage: Linkage, travel_rad: FloatArray) -> float:
    """Sense in which a linkage's driven arm turns as its driver opens: +1 or -1."""
    extreme = travel_rad[np.argmax(np.abs(travel_rad))]
    ends = np.deg2rad(linkage.drive_start_deg) + np.linspace(0.0, extreme, 200)
    driven = closing_direction(scene, linkage, ends)
    return 1.0 if driven[-1] >= driven[0] else -1.0


def slipped(scene: Scene, linkage: int, end: str, time_s: FloatArray) -> FloatArray:
    """Angle an arm has slipped on its shaft, (N,), rad."""
    angle = np.zeros_like(time_s)
    for slip in scene.slips:
        if slip.linkage == linkage and slip.end == end:
            ramp = soft_ramp(time_s - slip.time_s, slip.duration_s, slip.duration_s / 2)
            angle += np.deg2rad(slip.angle_deg) * ramp
    return angle
