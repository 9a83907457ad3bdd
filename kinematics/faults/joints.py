"""Which joint is worn: play at the drive pin and at the driven pin, in mm and at the driven shaft."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.linkage.algebra import Pose, length
from strokecurve.kinematics.motion.stroke import Stroke

Array = NDArray[np.float64]

_MIN_FRAMES = 20
_MIXED = 0.05  # share of the frames in which the rod may be loaded the other way
_LEAST_SINE = 0.05  # of the transmission angle: nearer to toggle play moves the driven shaft without bound


@dataclass(frozen=True, slots=True)
class PinShift:
    """How a rod's pin sits in the joint with one arm.

    Parameters
    ----------
    on_arm_mm : ndarray, shape (2,)
        The pin from the shaft's centre, in the frame of the shaft at angle 0.
    along_mm : float
        How far the rod's pin shifts against the arm's from the closing to the opening pass, along the rod in
        the direction from the drive pin to the driven pin; NaN without both passes.
    sigma_mm : float
        Its standard deviation.
    """

    on_arm_mm: Array
    along_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True)
class JointPlay:
    """Play at one pin, of either sign as noise has it.

    Parameters
    ----------
    play_mm, sd_mm : float
        Clearance along the rod.
    lost_rad, lost_sd_rad : float
        What of it is lost at the driven shaft, on average over the stroke.
    """

    play_mm: float
    sd_mm: float
    lost_rad: float
    lost_sd_rad: float


def joint_play(
    stroke: Stroke,
    driver_rad: Array,
    driven_rad: Array,
    between_mm: Array,
    drive: PinShift,
    driven: PinShift,
    own_sd_mm: float = 0.0,
) -> tuple[JointPlay, JointPlay] | None:
    """Play at both pins.

    Parameters
    ----------
    stroke : Stroke
    driver_rad, driven_rad : ndarray, shape (N,)
        Angles of both shafts, as the frames of the pins have them.
    between_mm : ndarray, shape (2,)
        From the drive centre to the driven centre.
    drive, driven : PinShift
    own_sd_mm : float
        Standard deviation of a shift beside what scatter shows.

    Returns
    -------
    drive, driven : JointPlay
        None without both passes, with hardly any frames, or with a dead centre within the stroke, where the
        rod changes from pushing to pulling.

    Notes
    -----
    A rod pushes or pulls along its own length only, so play shows along the rod. When the driver opens, the
    rod's end lags behind the drive arm and runs ahead of the driven arm, whichever way the rod is loaded;
    that gives the sign, so that the figure has no bias toward play.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0])) + 0.8
    >>> stroke, arm = find_stroke(time_s, driver, 0.0005), np.array([80.0, 0.0])
    >>> tight, worn = PinShift(arm, 0.0, 0.01), PinShift(arm, -0.6, 0.01)
    >>> found = joint_play(stroke, driver, driver, np.array([300.0, 0.0]), tight, worn)
    >>> [round(float(joint.play_mm), 1) for joint in found]
    [0.0, 0.6]
    """
    known = np.isfinite(driver_rad) & np.isfinite(driven_rad)
    moving = np.zeros(known.shape, np.bool_)
    for part in (*stroke.opening, *stroke.closing):
        moving[part] = True
    known &= moving
    both = np.isfinite(drive.along_mm) and np.isfinite(driven.along_mm)
    if known.sum() < _MIN_FRAMES or not both:
        return None
    pose = _pose(driver_rad[known], driven_rad[known], between_mm, drive, driven)
    # toward open the drive pin moves along the rod (pushes it, positive) or against it (pulls it, negative)
    moves = stroke.opening_sign * pose.drive_sine()
    pushes = float(np.sign(np.mean(moves)))
    if np.mean(moves * pushes < 0) > _MIXED:
        return None
    sine = np.maximum(np.abs(pose.driven_sine()), _LEAST_SINE)
    lost_per_mm = float(np.mean(1 / (pose.driven.radius_mm * sine)))
    plays = ((-pushes * drive.along_mm, drive.sigma_mm), (pushes * driven.along_mm, driven.sigma_mm))
    at_drive_pin, at_driven_pin = (
        JointPlay(play, sd, lost_per_mm * play, lost_per_mm * sd)
        for play, sd in ((play, float(np.hypot(sigma, own_sd_mm))) for play, sigma in plays)
    )
    return at_drive_pin, at_driven_pin


def _pose(driver_rad: Array, driven_rad: Array, between_mm: Array, drive: PinShift, driven: PinShift) -> Pose:
    """The linkage in the frames given, of shape (N,)."""
    ground, at_drive, at_driven = (
        math.atan2(v[1], v[0]) for v in (between_mm, drive.on_arm_mm, driven.on_arm_mm)
    )
    return Pose.in_plane(
        length(drive.on_arm_mm),
        length(driven.on_arm_mm),
        length(between_mm),
        driver_rad + at_drive - ground,
        driven_rad + at_driven - ground,
    )
