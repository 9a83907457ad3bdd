"""Shafts with several markers: which of them shows the shaft, and which angle belongs to which linkage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.measure.arrangement import PlannedLinkage
from strokecurve.app.measure.settings import Settings
from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.faults.arms import ArmVerdict, Moved, judge, pieced, stand_ins
from strokecurve.kinematics.faults.keeping_step import came_back, keeps_step
from strokecurve.kinematics.findings.findings import Finding
from strokecurve.kinematics.findings.rules_arms import (
    ArmSlip,
    Link,
    Shaft,
    arm_slips,
    loose_findings,
    slip_finding,
)
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke
from strokecurve.kinematics.settings import Settings as KinematicsSettings
from strokecurve.vision.joint_fit.rigid import ArmStep
from strokecurve.vision.motion.shafts import ShaftMotion

Array = NDArray[np.float64]
Angle = tuple[Array, Array]  # angle (rad) and its standard deviation in every frame

_TURNED_RAD = np.deg2rad(0.3)
_TURNED_SIGMAS = 4.0
"""A marker that turned in its place by more than this, and so surely, did not move about the shaft."""


@dataclass(frozen=True, slots=True)
class End:
    """Arm of a linkage on a shaft.

    Attributes
    ----------
    angle : tuple of ndarray, shape (F,)
        Angle and its standard deviation (rad).
    marker : int
        Id of the marker that it goes with at the last.
    """

    angle: Angle
    marker: int


@dataclass(frozen=True, slots=True)
class JudgedArms:
    """What became of markers that should turn together.

    Attributes
    ----------
    motion : ShaftMotion
        With the angle of each shaft from the marker that shows it.
    ends : dict of (int, int) to End
        By linkage and shaft: the linkage's arm on that shaft, where it stands elsewhere than the shaft.
    slips : tuple of ArmSlip
    findings : tuple of Finding
    loose : frozenset of int
        Ids of markers whose findings are among these.
    first : dict of int to int
        For each shaft that stands elsewhere since an arm slipped, the shaft with which its train begins.
    """

    motion: ShaftMotion
    ends: dict[tuple[int, int], End]
    slips: tuple[ArmSlip, ...] = ()
    findings: tuple[Finding, ...] = ()
    loose: frozenset[int] = frozenset()
    first: Mapping[int, int] = field(default_factory=dict)

    def as_linked(self, number: int) -> ShaftMotion:
        """The motion with angles of the arms of one linkage in place of their shafts'."""
        mine = {shaft: end.angle for (n, shaft), end in self.ends.items() if n == number}
        if not mine:
            return self.motion
        angle, sigma = self.motion.angle_rad.copy(), self.motion.sigma_rad.copy()
        for shaft, (own, own_sigma) in mine.items():
            angle[:, shaft], sigma[:, shaft] = own, own_sigma
        return replace(self.motion, angle_rad=angle, sigma_rad=sigma)

    def markers(self, number: int, plan: PlannedLinkage) -> tuple[int | None, int | None]:
        """Markers of a linkage's arms where they stand elsewhere than driver and driven shaft."""
        ends = [self.ends.get((number, shaft)) for shaft in (plan.driver, plan.driven)]
        drive, driven = (None if end is None else end.marker for end in ends)
        return drive, driven

    def stroke(self, plan: PlannedLinkage, limits: KinematicsSettings) -> Stroke:
        """Stroke of a linkage's driver; StrokeError if it made none.

        A shaft does not come back to where it began once an arm has slipped before it. That has a finding of
        its own; what the film shows of the stroke is then told by the shaft with which the train begins.
        """
        time_s = self.motion.time_s
        stroke = find_stroke(time_s, *_shaft_angle(self.motion, plan.driver), plan.rig.opening_sign, limits)
        if plan.driver not in self.first or not stroke.notes:
            return stroke
        first = find_stroke(time_s, *_shaft_angle(self.motion, self.first[plan.driver]), settings=limits)
        return replace(stroke, notes=first.notes)


def judge_arms(linkages: Sequence[PlannedLinkage], motion: ShaftMotion, settings: Settings) -> JudgedArms:
    """Decide, for every shaft whose markers moved against each other, which of them shows it.

    Parameters
    ----------
    linkages : sequence of PlannedLinkage
    motion : ShaftMotion
    settings : Settings

    Returns
    -------
    JudgedArms
    """
    result = JudgedArms(motion, {})
    for shaft in sorted({step.shaft for step in motion.arms.steps}):
        result = _judge_shaft(shaft, linkages, result, settings)
    return replace(result, first=_behind(linkages, result))


def _behind(linkages: Sequence[PlannedLinkage], arms: JudgedArms) -> dict[int, int]:
    """Shafts behind an arm that slipped, with the one that each train begins with."""
    names = arms.motion.names
    into = {link.driven: link.driver for link in linkages}
    after = {names.index(slip.linkage.split(":")[1]) for slip in arms.slips}
    found = {}
    for shaft in range(len(names)):
        way = [shaft]
        while way[-1] in into and into[way[-1]] not in way:
            way.append(into[way[-1]])
        if after.intersection(way):
            found[shaft] = way[-1]
    return found


@dataclass(frozen=True, slots=True)
class _Judged:
    """One step of a shaft: what moved, with which group each linkage goes, and the verdict."""

    moved: Moved
    keeps: dict[int, int | None]  # by linkage
    verdict: ArmVerdict


def _judge_shaft(
    shaft: int, linkages: Sequence[PlannedLinkage], so_far: JudgedArms, settings: Settings
) -> JudgedArms:
    motion = so_far.motion
    arms = _arms_on(motion, shaft)
    judged = []
    for step in (s for s in motion.arms.steps if s.shaft == shaft):
        moved = _moved(step)
        groups = [arms[members[0]] for members in moved.groups]
        keeps = {
            n: keeps_step(
                motion.time_s,
                _shaft_angle(motion, link.driven if link.driver == shaft else link.driver),
                groups,
                moved,
                link.driver == shaft,
                settings.kinematics,
            )
            for n, link in enumerate(linkages)
            if shaft in (link.driver, link.driven)
        }
        up, down = (
            [k for n, k in keeps.items() if shaft == getattr(linkages[n], end)]
            for end in ("driven", "driver")
        )
        verdict = judge(moved, up, down, _back(shaft, motion, linkages, groups, moved, settings))
        judged.append(_Judged(moved, keeps, verdict))
    every = [j.moved for j in judged]
    true = pieced(arms, every, stand_ins(every, [j.verdict.true for j in judged]))
    angle, sigma = motion.angle_rad.copy(), motion.sigma_rad.copy()
    angle[:, shaft], sigma[:, shaft] = true
    motion = replace(motion, angle_rad=angle, sigma_rad=sigma)
    ends = dict(so_far.ends)
    for n, link in enumerate(linkages):
        if shaft in (link.driver, link.driven):
            groups_kept = [j.verdict.true if j.keeps[n] is None else j.keeps[n] for j in judged]
            if groups_kept != [j.verdict.true for j in judged]:
                markers = stand_ins(every, [g or 0 for g in groups_kept])
                ends[n, shaft] = End(pieced(arms, every, markers), motion.markers_on(shaft)[markers[-1]])
    slips, findings, loose = _said(shaft, motion, linkages, judged, settings)
    return JudgedArms(
        motion, ends, (*so_far.slips, *slips), (*so_far.findings, *findings), so_far.loose | loose
    )


def _said(
    shaft: int,
    motion: ShaftMotion,
    linkages: Sequence[PlannedLinkage],
    judged: Sequence[_Judged],
    settings: Settings,
) -> tuple[list[ArmSlip], list[Finding], frozenset[int]]:
    """Slips, findings, and markers that they are about."""
    slips: list[ArmSlip] = []
    findings: list[Finding] = []
    loose: set[int] = set()
    limit = settings.hinges.steps.least_rad
    for one in judged:
        moved, verdict = one.moved, one.verdict
        time_s = float(motion.time_s[moved.moment])
        told = Shaft(
            motion.names[shaft],
            motion.markers_on(shaft),
            *(
                tuple(
                    _link(linkages[n], keeps, shaft, motion, moved, settings)
                    for n, keeps in one.keeps.items()
                    if getattr(linkages[n], end) == shaft
                )
                for end in ("driven", "driver")
            ),
        )
        found = arm_slips(told, moved, verdict, time_s)
        slips += found
        findings += [slip_finding(told, moved, verdict, slip, limit) for slip in found]
        findings += loose_findings(told, moved, verdict, time_s, limit)
        loose.update(i for g in range(len(moved.groups)) if g != verdict.true for i in told.ids(moved, g))
    return slips, findings, frozenset(loose)


def _moved(step: ArmStep) -> Moved:
    groups = tuple(
        tuple(b for b, g in enumerate(step.group) if g == group) for group in sorted(set(step.group))
    )
    turned = np.abs(step.twist_rad) > np.maximum(_TURNED_RAD, _TURNED_SIGMAS * step.twist_sigma_rad)
    return Moved(step.first, step.last, groups, step.size_rad, step.sigma_rad, tuple(turned.tolist()))


def _arms_on(motion: ShaftMotion, shaft: int) -> list[Angle]:
    return [motion.arm_of(i) for i in motion.markers_on(shaft)]


def _shaft_angle(motion: ShaftMotion, shaft: int) -> Angle:
    return motion.angle_rad[:, shaft], motion.sigma_rad[:, shaft]


def _back(
    shaft: int,
    motion: ShaftMotion,
    linkages: Sequence[PlannedLinkage],
    groups: Sequence[Angle],
    moved: Moved,
    settings: Settings,
) -> int | None:
    """Group that came back to its rests, for a shaft that no linkage drives."""
    if any(link.driven == shaft for link in linkages):
        return None
    stroke = _stroke(motion, shaft, settings)
    return None if stroke is None else came_back(motion.time_s, groups, moved, stroke)


def _stroke(motion: ShaftMotion, shaft: int, settings: Settings) -> Stroke | None:
    try:
        return find_stroke(motion.time_s, *_shaft_angle(motion, shaft), settings=settings.kinematics)
    except StrokeError:
        return None


def _link(
    plan: PlannedLinkage,
    keeps: int | None,
    shaft: int,
    motion: ShaftMotion,
    moved: Moved,
    settings: Settings,
) -> Link:
    """A linkage of the shaft in the words of the findings."""
    name = f"{motion.names[plan.driver]}:{motion.names[plan.driven]}"
    try:
        stroke = find_stroke(
            motion.time_s, *_shaft_angle(motion, plan.driver), plan.rig.opening_sign, settings.kinematics
        )
    except StrokeError:
        return Link(name, keeps, 1, float("nan"))
    travel = stroke.travel(motion.angle_rad[:, plan.driver])
    known = np.flatnonzero(np.isfinite(travel))
    at = float(travel[known[np.argmin(np.abs(known - moved.moment))]])
    if plan.driver == shaft:
        return Link(name, keeps, stroke.opening_sign, at)
    both = known[np.isfinite(motion.angle_rad[known, shaft])]
    follows = np.polyfit(travel[both], motion.angle_rad[both, shaft], 1)[0] if both.size > 1 else 1.0
    return Link(name, keeps, 1 if follows > 0 else -1, at)
