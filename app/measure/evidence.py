"""From what the film shows of centres and pins, and the tape measure, to evidence about a linkage."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.measure.rig import RigLinkage
from strokecurve.app.measure.settings import Settings
from strokecurve.kinematics.faults.joints import JointPlay, PinShift, joint_play
from strokecurve.kinematics.identify.contact import contact_side
from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES, Evidence, JointEvidence
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.vision.motion.pins import Pin, find_pin
from strokecurve.vision.motion.rods import RodMotion, centre_in_plane, common_plane
from strokecurve.vision.motion.shafts import ShaftMotion

Array = NDArray[np.float64]


def tape_evidence(linkage: RigLinkage) -> list[Evidence]:
    """Tape measures of the set-up file."""
    evidence = []
    for quantity, (value, sigma) in linkage.tape.items():
        if quantity.endswith("_deg"):
            name = quantity.removesuffix("_deg") + "_rad"
            evidence.append(Evidence(name, math.radians(value), math.radians(sigma), "tape"))
        else:
            evidence.append(Evidence(quantity, value, sigma, "tape"))
    return evidence


def centre_sigma_mm(motion: ShaftMotion, settings: Settings) -> Array:
    """Standard deviations of each shaft's centre in the card frame, shape (S, 2).

    Beside the fit's own they hold what lens and edges leave, and the scale that all lengths share: it moves a
    centre along the line to the point right below the camera, about as far away as the card.
    """
    scale = settings.scale_sigma * np.hypot(*motion.centre_mm[:, :2].T)
    own = np.hypot(motion.centre_sigma_mm, settings.place_sigma_mm)
    return np.asarray(np.hypot(own, scale[:, None]))


def film_evidence(
    motion: ShaftMotion,
    driver: int,
    driven: int,
    rod: RodMotion | None,
    stroke: Stroke,
    pair: LinkageMotion,
    settings: Settings,
) -> tuple[list[Evidence | JointEvidence], tuple[Pin, Pin] | None]:
    """What the film itself shows: spacing from the hinges, and all lengths where both pins were found.

    Parameters
    ----------
    motion : ShaftMotion
    driver, driven : int
        Indices of the shafts.
    rod : RodMotion or None
    stroke : Stroke
    pair : LinkageMotion
        Their angles.
    settings : Settings

    Returns
    -------
    evidence : list
    pins : tuple of Pin or None
        At the drive arm and at the driven arm.
    """
    side = contact_side(stroke, pair.driven_rad, settings.contact_rad)
    pins = None
    if rod is not None:
        drive_pin = find_pin(motion, driver, rod, side, settings.rods)
        driven_pin = find_pin(motion, driven, rod, side, settings.rods)
        if drive_pin is not None and driven_pin is not None:
            pins = (drive_pin, driven_pin)
    between = _between(motion, driver, driven, rod)
    place = np.hypot(motion.centre_sigma_mm[[driver, driven]], settings.place_sigma_mm)
    spacing = float(np.hypot(*between))
    spacing_sigma = float(np.sqrt((place**2).mean(axis=1).sum() + (settings.scale_sigma * spacing) ** 2))
    if not math.isfinite(spacing_sigma):
        return [], None
    if pins is None:
        return [Evidence("spacing_mm", spacing, spacing_sigma, "hinges")], None
    return [_pins_evidence(pins, between, place, _low_fire(stroke, pair), settings)], pins


def pins_play(
    motion: ShaftMotion,
    driver: int,
    driven: int,
    rod: RodMotion | None,
    pins: tuple[Pin, Pin] | None,
    stroke: Stroke,
    settings: Settings,
) -> tuple[JointPlay, JointPlay] | None:
    """Play at the drive pin and at the driven pin; None where the film does not show both pins both ways.

    Parameters
    ----------
    motion : ShaftMotion
    driver, driven : int
        Indices of the shafts.
    rod : RodMotion or None
    pins : tuple of Pin or None
        As `film_evidence` found them.
    stroke : Stroke
    settings : Settings

    Returns
    -------
    tuple of JointPlay or None
    """
    if rod is None or pins is None:
        return None
    between = _between(motion, driver, driven, rod)
    along = _along_rod(*pins)
    shifts = [PinShift(pin.on_arm_mm, float(along @ pin.slide_mm), pin.slide_sigma_mm) for pin in pins]
    angles = motion.angle_rad[:, driver], motion.angle_rad[:, driven]
    return joint_play(stroke, *angles, between, shifts[0], shifts[1], settings.play_sigma_mm)


def _between(motion: ShaftMotion, driver: int, driven: int, rod: RodMotion | None) -> Array:
    """From the driver's centre to the driven shaft's in the plane of the linkage, shape (2,), mm."""
    if rod is None:
        plane = common_plane(motion, (driver, driven))
        height = float((motion.centre_mm[[driver, driven]] @ plane)[:, 2].mean())
    else:
        plane, height = rod.plane, rod.height_mm
    ends = [centre_in_plane(motion, shaft, plane, height) for shaft in (driver, driven)]
    return np.asarray(ends[1] - ends[0])


def _low_fire(stroke: Stroke, pair: LinkageMotion) -> tuple[float, float] | None:
    """Angles of driver and driven shaft at rest at low fire; None where no such moment was measured."""
    for hold in stroke.low_holds:
        both = pair.measured[hold]
        if both.any():
            return float(pair.driver_rad[hold][both].mean()), float(pair.driven_rad[hold][both].mean())
    return None


def _pins_evidence(
    pins: tuple[Pin, Pin],
    between: Array,
    place: Array,
    low_fire: tuple[float, float] | None,
    settings: Settings,
) -> JointEvidence:
    """Lengths, and start angles where low fire was seen, from pins and centres, by linear propagation."""
    drive, driven = pins
    directions = low_fire or (0.0, 0.0)
    # The low-fire hold rests as the closing pass left it: half the play back from the middle.
    rest = driven.on_arm_mm - 0.5 * np.nan_to_num(driven.play_mm)
    points = np.concatenate(
        [drive.on_arm_mm, driven.on_arm_mm, rest, drive.on_rod_mm - driven.on_rod_mm, between]
    )

    def quantities(p: Array) -> Array:
        ground = math.atan2(p[9], p[8])
        return np.array(
            [
                math.hypot(p[0], p[1]),
                math.hypot(p[2], p[3]),
                math.hypot(p[6], p[7]),
                math.hypot(p[8], p[9]),
                _wrapped(math.atan2(p[1], p[0]) + directions[0] - ground),
                _wrapped(math.atan2(p[5], p[4]) + directions[1] - ground),
            ]
        )

    values = quantities(points)
    step = 1e-4
    slopes = np.stack(
        [_difference(quantities(points + step * e), values) / step for e in np.eye(len(points))], axis=1
    )
    own = settings.place_sigma_mm**2
    variance = np.concatenate(
        [
            np.diag(drive.covariance_mm2)[:2] + own,
            np.diag(driven.covariance_mm2)[:2] + own,
            np.diag(driven.covariance_mm2)[:2] + 0.25 * np.nan_to_num(driven.play_sigma_mm) ** 2 + own,
            np.diag(drive.covariance_mm2)[2:] + np.diag(driven.covariance_mm2)[2:] + own,
            (place**2).sum(axis=0),
        ]
    )
    lengths = np.where([True] * 4 + [False] * 2, values, 0.0)
    covariance = (slopes * variance) @ slopes.T + settings.scale_sigma**2 * np.outer(lengths, lengths)
    known = len(QUANTITIES) if low_fire is not None else len(QUANTITIES) - len(ANGLES)
    return JointEvidence(QUANTITIES[:known], values[:known], covariance[:known, :known], "pins")


def _along_rod(drive: Pin, driven: Pin) -> Array:
    """Direction from the drive pin to the driven pin, in the frame of the rod's marker."""
    along = driven.on_rod_mm - drive.on_rod_mm
    return np.asarray(along / np.hypot(*along))


def _wrapped(angle: float) -> float:
    return math.remainder(angle, 2 * math.pi)


def _difference(one: Array, other: Array) -> Array:
    change = one - other
    change[4:] = [_wrapped(a) for a in change[4:]]
    return change
