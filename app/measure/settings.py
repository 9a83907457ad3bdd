"""Limits of the measurement as a whole; those of its parts are in their own packages."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from strokecurve.kinematics.settings import Settings as KinematicsSettings
from strokecurve.vision.motion.faults import FaultSettings
from strokecurve.vision.motion.hinges import HingeSettings
from strokecurve.vision.motion.rods import RodSettings


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that can be tuned, in one place.

    Attributes
    ----------
    kinematics, faults, hinges, rods
        Settings of the parts.
    marker_sides_mm : tuple of float
        Sizes in which arm and rod markers are printed.
    least_marker_share : float
        A marker in a smaller share of the frames is taken for a false one, unless the rig names it.
    least_turn_rad : float
        A shaft that turns less has not moved.
    contact_rad : float
        How far a driven shaft must have followed before its joint is surely in contact.
    curve_step_rad : float
        Steps of the travel curve.
    scale_sigma : float
        Relative standard deviation of all lengths in common: what is left of lens and edge errors on rendered
        clips with known truth.
    place_sigma_mm : float
        Standard deviation of each centre and pin for the same reason.
    axis_sigma_rad : float
        Standard deviation of the angle between two axes for the same reason.
    returning_steady, returning_hand : float
        Share of the slow errors of an angle that comes back whenever the shafts do, in every pass and stroke:
        with the camera on a stand, and in the hand.
    play_sigma_mm : float
        The same of a pin's shift between both passes: most of a pin's error is the same in both.
    shared_travel_rad : float
        Travel of a shaft that two clips share may differ by so much without a finding: as much as a driver
        may miss low fire without a note; stops and switches are seldom more exact.
    joint_step_rad : float
        Steps of a curve that another clip's curve is carried through: straight lines between them miss a
        curve of usual bend by less than 0.001 degrees.
    sure_sigmas : float
        Two films differ beyond noise from so many standard deviations of the difference on: with some twenty
        figures compared, noise alone should hardly ever be called a change.
    """

    kinematics: KinematicsSettings = field(default_factory=KinematicsSettings)
    faults: FaultSettings = field(default_factory=FaultSettings)
    hinges: HingeSettings = field(default_factory=HingeSettings)
    rods: RodSettings = field(default_factory=RodSettings)
    marker_sides_mm: tuple[float, ...] = (30.0, 20.0)
    least_marker_share: float = 0.05
    least_turn_rad: float = np.deg2rad(2.0)
    contact_rad: float = np.deg2rad(0.6)
    curve_step_rad: float = np.deg2rad(1.0)
    scale_sigma: float = 0.0025
    place_sigma_mm: float = 0.15
    axis_sigma_rad: float = np.deg2rad(0.3)
    returning_steady: float = 0.9
    returning_hand: float = 0.3
    play_sigma_mm: float = 0.03
    shared_travel_rad: float = np.deg2rad(0.5)
    joint_step_rad: float = np.deg2rad(0.2)
    sure_sigmas: float = 3.0
