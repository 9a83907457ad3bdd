"""Every limit and prior of the package in one place, each with the reason for its size."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

_DEG = math.pi / 180


@dataclass(frozen=True, slots=True)
class Settings:
    """Limits, priors and noise assumptions; angles in radians, lengths in mm.

    Parameters
    ----------
    min_travel_rad : float
        A driver that turns less than this made no stroke.
    min_hold_s : float
        Rest shorter than this at an end of the stroke is no hold.
    hold_tolerance_rad : float
        Drift allowed within a hold, on top of noise.
    overshoot_rad : float
        How far a driver may run past its rest and come back.
    low_fire_drift_rad : float
        Difference between low-fire holds that is worth a note.
    partial_travel_rad : float
        Movement at either end of the clip below this is not called a pass.
    floor_rad : float
        Slowly varying error of one shaft's angle that averaging over frames does not remove (lens, edges,
        card pose): what is expected before a film is seen ...
    floor_log_sd : float
        ... and the spread of its logarithm; rendered clips with known truth showed 0.003 to 0.08 degrees.
    floor_likeness : float
        Correlation of those logarithms between the two shafts of a film, which share camera, light and codec:
        on those clips shafts of one film differ by a factor of 1.3, films by one of 20. What a film cannot
        tell of one shaft's errors alone follows those of the other.
    floor_path_rad : float
        Driver path over which that error forgets itself (correlation length).
    floor_place_share : float
        Share of its variance that comes back at the same place in every other pass. In the hand the camera
        never sees a place twice in the same way: on those clips the correlation of both passes was 0.1 to
        0.7, mostly near 0.3. On a tripod nearly all of it comes back: who knows that the camera stood still
        says so here.
    floor_place_spread : float
        Spread of that share's logit, log(share / (1 - share)): how freely a film that shows it may differ.
    size_mm, size_log_sd : float
        Log-normal prior of both radii: median and spread (0.6 means a factor 1.8 either way).
    spacing_mm, spacing_log_sd : float
        Log-normal prior of the distance between the shaft centres.
    slack_prior_rad : float
        Spread of the prior on lost motion; wide, it only keeps a one-way film finite.
    determined_length : float
        A length is called determined when its standard deviation is below this share of it ...
    determined_angle_rad : float
        ... a start angle when it is below this ...
    determined_slack_rad : float
        ... lost motion when it is below this ...
    determined_ratio : float
        ... and, for all of them, below this share of the prior's standard deviation.
    toggle_caution_rad, toggle_danger_rad : float
        Smallest angle to the in-line position of rod and arm over the stroke. Our own limits; published
        guidance for the transmission angle is not below 40 to 45 degrees.
    slack_caution_rad, slack_danger_rad : float
        Lost motion at the driven shaft.
    over_travel_rad : float
        How far a driver may run past either end of its stroke (end switches that were moved or stick, a
        stroke set anew): as far as a stroke may be off its usual size without a note.
    slip_rad : float
        A lasting step between driver and driven shaft smaller than this is no finding: a marker that settles
        on its arm can do as much.
    slip_chi_square : float
        Fall of chi-square that makes a step certain: a little over six standard deviations, because several
        hundred moments are tried.
    jump_rad : float
        A move of the driven shaft that is not its curve's, within a few frames, is a jump from this size on;
        equal to the caution for lost motion.
    jump_sigmas : float
        It must also stand out of the noise so many standard deviations: thousands of moments are tried.
    stick_slip_count : int
        So many jumps forward, each after a standstill, are stick-slip and no chance event.
    repeat_rad : float
        Difference between passes of the same way at the same driver travel: half the caution for lost motion.
    repeat_sigmas : float
        It must also be so many times its standard deviation.
    worn_pin_rad, worn_pin_sigmas : float
        Play at one pin from which its joint is named as worn, in lost motion at the driven shaft (half the
        caution for all of it), and how many standard deviations it must be.
    planar_rad, planar_sigmas : float
        Angle between the axes of a linkage up to which it is taken as planar, and by how many standard
        deviations it must be passed. On simulated films of random linkages with a rod marker and axes 3
        degrees apart a planar model had radii wrong by 0.6 and rods by 1.2 of their standard deviations and
        the smallest angle by 0.25 degrees (0.1, 0.9 and 0.14 with parallel axes); from 4 degrees on one rod
        in six lay outside two standard deviations.
    stroke_rad, stroke_tolerance_rad : float
        Usual stroke of a modulating motor, and how far from it a note is given.
    stall_ratio : float
        A driven shaft that turns less than this share of its driver stands still there.
    stall_driver_rad : float
        A standstill shorter than this, beyond the take-up of lost motion, is no finding.
    misfit_rms_rad : float
        Remaining misfit of the best four-bar above which, if noise does not explain it, no four-bar explains
        the curve.
    chi_square_limit : float
        Reduced chi-square above which noise does not explain a misfit.
    """

    min_travel_rad: float = 3 * _DEG
    min_hold_s: float = 0.25
    hold_tolerance_rad: float = 0.1 * _DEG
    overshoot_rad: float = 1.5 * _DEG
    low_fire_drift_rad: float = 0.5 * _DEG
    partial_travel_rad: float = 2 * _DEG
    floor_rad: float = 0.02 * _DEG
    floor_log_sd: float = 0.9
    floor_likeness: float = 0.8
    floor_path_rad: float = 20 * _DEG
    floor_place_share: float = 0.3
    floor_place_spread: float = 1.0
    size_mm: float = 80.0
    size_log_sd: float = 0.6
    spacing_mm: float = 250.0
    spacing_log_sd: float = 0.7
    slack_prior_rad: float = 5 * _DEG
    determined_length: float = 0.03
    determined_angle_rad: float = 1.5 * _DEG
    determined_slack_rad: float = 0.5 * _DEG
    determined_ratio: float = 0.25
    toggle_caution_rad: float = 30 * _DEG
    toggle_danger_rad: float = 15 * _DEG
    slack_caution_rad: float = 1 * _DEG
    slack_danger_rad: float = 3 * _DEG
    over_travel_rad: float = 5 * _DEG
    slip_rad: float = 0.5 * _DEG
    slip_chi_square: float = 40.0
    jump_rad: float = 1 * _DEG
    jump_sigmas: float = 6.0
    stick_slip_count: int = 3
    repeat_rad: float = 0.5 * _DEG
    repeat_sigmas: float = 4.0
    worn_pin_rad: float = 0.5 * _DEG
    worn_pin_sigmas: float = 4.0
    planar_rad: float = 3 * _DEG
    planar_sigmas: float = 2.0
    stroke_rad: float = 90 * _DEG
    stroke_tolerance_rad: float = 5 * _DEG
    stall_ratio: float = 0.05
    stall_driver_rad: float = 5 * _DEG
    misfit_rms_rad: float = 0.2 * _DEG
    chi_square_limit: float = 2.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{field.name} must be a positive number, got {value!r}")
        if not self.floor_place_share < 1:
            raise ValueError(f"floor_place_share must be below 1, got {self.floor_place_share!r}")


DEFAULTS = Settings()
