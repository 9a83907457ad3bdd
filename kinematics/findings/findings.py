"""Findings: one statement each about a linkage, as data."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.estimate import UNKNOWN, Estimate
from strokecurve.kinematics.faults.condition import lost_motion, toggle_margins
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.faults.jumps import find_jumps
from strokecurve.kinematics.faults.repeat import repeatability
from strokecurve.kinematics.faults.slip import Following, follow, without_slips
from strokecurve.kinematics.findings import rules_geometry, rules_motion
from strokecurve.kinematics.findings.statements import (
    SEVERITIES,
    Condition,
    Finding,
    RodSeen,
    SeenJump,
    Subject,
)
from strokecurve.kinematics.identify.geometry import GeometryFit
from strokecurve.kinematics.identify.to_toggle import travel_to_toggle
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import TravelCurves
from strokecurve.kinematics.settings import DEFAULTS, Settings

__all__ = ["RULES", "SEVERITIES", "Condition", "Finding", "Subject", "assess", "in_order"]

RULES: tuple[Callable[[Condition], list[Finding]], ...] = (
    rules_geometry.toggle_rule,
    rules_geometry.over_travel_rule,
    rules_motion.slip_rule,
    rules_motion.lost_motion_rule,
    rules_motion.worn_joint_rule,
    rules_motion.jump_rule,
    rules_motion.standstill_rule,
    rules_motion.repeat_rule,
    rules_geometry.in_space_rule,
    rules_geometry.misfit_rule,
    rules_geometry.stroke_rule,
    rules_geometry.stroke_notes_rule,
    rules_geometry.undetermined_rule,
)


def assess(
    where: str,
    stroke: Stroke,
    motion: LinkageMotion,
    curves: TravelCurves,
    fit: GeometryFit | None,
    settings: Settings = DEFAULTS,
    *,
    time_s: NDArray[np.float64] | None = None,
    following: Following | None = None,
    joints: tuple[JointPlay, JointPlay] | None = None,
    rod: RodSeen = "unseen",
    axes: Estimate = UNKNOWN,
) -> tuple[Condition, tuple[Finding, ...]]:
    """Condition of one linkage and the findings that follow from it, the gravest first.

    Parameters
    ----------
    where : str
        Name of the linkage.
    stroke : Stroke
    motion : LinkageMotion
        As filmed.
    curves : TravelCurves
        At steps of about 1 degree.
    fit : GeometryFit or None
        None if no geometry could be fitted, or none should be (`in_space`). Where an arm slipped it should
        have been fitted to `without_slips`.
    settings : Settings
    time_s : ndarray, shape (N,), optional
        Time of each frame, for the moments of what happened.
    following : Following, optional
        Result of `follow`, if it is there already.
    joints : tuple of JointPlay, optional
        Play at drive and driven pin, where a rod marker shows it.
    rod : "unseen", "seen" or "pins"
        Whether a marker on the rod was followed, and whether it showed both pins.
    axes : Estimate, optional
        Angle between the axes of driver and driven shaft.

    Returns
    -------
    condition : Condition
    findings : tuple of Finding

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> from strokecurve.kinematics.motion.travel import travel_curves
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 70, 70, 0]))
    >>> motion, stroke = LinkageMotion.of(driver, driver, 0.0005, 0.0005), find_stroke(time_s, driver, 0.0005)
    >>> _, findings = assess("motor:shaft1", stroke, motion, travel_curves(stroke, motion), None)
    >>> [f.code for f in findings]
    ['stroke']
    """
    following = following or follow(stroke, motion, settings)
    slips = following.slips if following else ()
    seen = find_jumps(stroke, motion, following, settings) if following else ()
    if following is not None and slips:
        value = max(following.slack_rad, 0.0) if math.isfinite(following.slack_rad) else math.nan
        slack = Estimate(value, following.slack_sd_rad)
    else:
        slack = lost_motion(stroke, motion, settings)
    drive, transmission = toggle_margins(fit, stroke) if fit else (None, None)
    travel = stroke.travel(motion.driver_rad)
    times = np.full(travel.size, np.nan) if time_s is None else time_s
    condition = Condition(
        where,
        stroke,
        curves,
        slack,
        fit,
        drive,
        transmission,
        travel_to_toggle(fit, stroke, settings) if fit else (None, None),
        slips,
        tuple(float(times[s.moment]) for s in slips),
        tuple(SeenJump(j, float(times[j.frame]), float(travel[j.frame])) for j in seen),
        repeatability(stroke, without_slips(stroke, motion, slips), slack.value, settings),
        joints,
        settings,
        rod,
        axes,
    )
    return condition, in_order([f for rule in RULES for f in rule(condition)])


def in_order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The same findings, the gravest first.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    tuple of Finding

    Examples
    --------
    >>> made = [Finding(s, s, Subject("motor:shaft1")) for s in ("note", "danger")]
    >>> [f.code for f in in_order(made)]
    ['danger', 'note']
    """
    return tuple(sorted(findings, key=lambda f: SEVERITIES.index(f.severity)))
