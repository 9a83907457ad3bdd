"""A train of three shafts with known truth, as tracks of markers: arms that slip, markers that come loose.

Each arm of a shaft may carry a marker, and stands at the shaft's angle plus what it slipped so far. A linkage
joins the arms of two markers; what it does comes from the closed form of the four-bar.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from synthetic import TrueFree, TrueMarker, TrueShaft, Truth, looking, shaken

from strokecurve.kinematics.linkage.fourbar import FourBar

Floats = NDArray[np.float64]

RATE_HZ = 30.0
CENTRES_MM = ((-190.0, 135.0), (10.0, 140.0), (205.0, 130.0))
RADII_MM = ((54.0, 61.0), (59.0, 60.0))
STARTS_RAD = ((0.80, 1.02), (-2.25, -2.27))
"""Of both arms of each linkage, from its line of centres, at low fire."""
ROD_HEIGHT_MM = 38.0
PLACE_MM = {
    10: (2.0, 30.0, 33.0),
    11: (-1.0, 32.0, 44.0),
    12: (1.0, 31.0, 28.0),
    30: (4.0, -34.0, 30.0),
    31: (-3.0, -33.0, 28.0),
    32: (2.0, -35.0, 40.0),
    41: (30.0, 4.0, 36.0),
}
"""Of each marker on its shaft: away from the axis on its arm, or beside it on the shaft's end."""
SPIN_RAD = {10: 0.0, 11: 0.3, 12: -0.2, 30: 2.9, 31: 3.0, 32: -2.8, 41: -1.5}
SPACING_MM = [float(np.hypot(*np.subtract(CENTRES_MM[n + 1], CENTRES_MM[n]))) for n in range(2)]


@dataclass(frozen=True, slots=True)
class Slip:
    """An arm, by its marker, that turns on its shaft by so much over some frames."""

    marker: int
    frame: float
    size_deg: float
    frames: float = 2.0

    def of(self, frames: int) -> Floats:
        """Angle slipped so far in each frame, rad."""
        share = (np.arange(frames) - self.frame) / max(self.frames, 1e-9)
        return np.asarray(np.deg2rad(self.size_deg) * np.clip(share, 0.0, 1.0))


@dataclass(frozen=True, slots=True)
class Train:
    """What was filmed, and the truth behind it."""

    truth: Truth  # with a hinge of its own for every marker
    shaft_rad: tuple[Floats, ...]
    arm_rad: Mapping[int, Floats]  # by marker
    linkages: tuple[FourBar, FourBar]


def stroke_rad(frames: int) -> Floats:
    """Motor: rest, opening, rest, closing, rest, softly."""
    share = np.interp(np.arange(frames) / frames, [0.08, 0.42, 0.55, 0.89], [0.0, 1.0, 1.0, 0.0])
    return np.asarray(np.deg2rad(90.0) * (3 * share**2 - 2 * share**3))


def play(ideal_rad: Floats, slack_deg: float) -> Floats:
    """Angle that follows another one with so much play, resting on the closing side at first."""
    out = np.empty_like(ideal_rad)
    at = ideal_rad[0]
    for k, top in enumerate(ideal_rad):
        at = min(max(at, top - np.deg2rad(slack_deg)), top)
        out[k] = at
    return out


def train(
    slips: tuple[Slip, ...] = (),
    *,
    further: tuple[int, ...] = (31,),
    joined: tuple[tuple[int, int], tuple[int, int]] = ((10, 11), (31, 12)),
    hand: np.random.Generator | None = None,
    frames: int = 420,
    slack_deg: tuple[float, float] = (0.0, 0.0),
) -> Train:
    """A film of the train.

    Parameters
    ----------
    slips : tuple of Slip
        Of arms, in any order; a marker whose arm belongs to no linkage then just moves on the shaft.
    further : tuple of int
        Markers beside 10, 11 and 12.
    joined : tuple of tuple of int
        Markers of the drive arm and the driven arm of each linkage. An arm whose marker is not in the film
        stands for its shaft.
    hand : Generator, optional
        Camera in the hand.
    frames : int
    slack_deg : tuple of float
        Lost motion of each linkage at its driven pin.
    """
    slipped = {m: sum((s.of(frames) for s in slips if s.marker == m), np.zeros(frames)) for m in PLACE_MM}
    linkages = tuple(FourBar.from_start_angles(*RADII_MM[n], SPACING_MM[n], *STARTS_RAD[n]) for n in range(2))
    shaft = [stroke_rad(frames)]
    for n, linkage in enumerate(linkages):
        drive = STARTS_RAD[n][0] + shaft[n] + slipped[joined[n][0]]
        driven = np.unwrap(linkage.driven_angle(drive))
        driven = play(driven - driven[0], slack_deg[n])
        shaft.append(driven - slipped[joined[n][1]])
    arms = {m: shaft[m % 10] + slipped[m] for m in (10, 11, 12, *further)}
    hinges = tuple(
        TrueShaft(
            CENTRES_MM[m % 10],
            0.35 + turned,
            (TrueMarker(m, 30.0, PLACE_MM[m], (0.01, -0.005), SPIN_RAD[m]),),
        )
        for m, turned in arms.items()
    )
    rods = tuple(_rod(n, linkages[n], shaft[n] + slipped[joined[n][0]]) for n in range(2))
    pose = looking(frames, 720.0, middle_mm=(0.0, 70.0, 0.0))
    if hand is not None:
        pose = shaken(pose, hand)
    truth = Truth(np.arange(frames) / RATE_HZ, *pose, hinges, rods)
    return Train(truth, tuple(shaft), arms, (linkages[0], linkages[1]))


def _rod(number: int, linkage: FourBar, drive_turned: Floats) -> TrueFree:
    """A rod's marker in the card frame."""
    line = np.subtract(CENTRES_MM[number + 1], CENTRES_MM[number])
    ground = float(np.arctan2(line[1], line[0]))
    drive = STARTS_RAD[number][0] + drive_turned
    pin = linkage.drive_radius_mm * np.stack([np.cos(drive + ground), np.sin(drive + ground)], axis=1)
    along = linkage.rod_angle(drive) + ground
    middle = np.asarray(CENTRES_MM[number]) + pin
    middle = middle + 95.0 * np.stack([np.cos(along), np.sin(along)], axis=1)
    centre = np.column_stack([middle, np.full(len(middle), ROD_HEIGHT_MM)])
    return TrueFree(20 + number, centre, along + 1.5, 20.0)
