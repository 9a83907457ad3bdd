"""Rules about stroke and geometry: toggle, over-travel, stroke, misfit, what is not determined."""

from __future__ import annotations

import math

from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import in_space
from strokecurve.kinematics.findings.facts import BeyondEnd, LeftOpen, StrokeNote
from strokecurve.kinematics.findings.statements import Condition, Finding, Subject, in_degrees


def toggle_rule(c: Condition) -> list[Finding]:
    """Rod and an arm close to one line within the stroke."""
    found = []
    for code, angle in (("toggle_drive", c.drive), ("toggle_driven", c.transmission)):
        if angle is None or angle.value >= c.settings.toggle_caution_rad:
            continue
        danger = angle.value < c.settings.toggle_danger_rad
        limit = c.settings.toggle_danger_rad if danger else c.settings.toggle_caution_rad
        found.append(
            in_degrees(
                code,
                "danger" if danger else "caution",
                Subject(c.where),
                (angle.value, angle.sd, limit),
                at_driver_rad=angle.at_driver_rad,
            )
        )
    return found


def over_travel_rule(c: Condition) -> list[Finding]:
    """Too little driver travel left beyond an end of the stroke."""
    found = []
    reserve = c.settings.over_travel_rad
    ends = (("low fire", 0.0), ("high fire", c.stroke.travel_rad))
    for left, (end, at_rad) in zip(c.to_toggle, ends, strict=True):
        if left is None or left.to_danger > reserve:
            continue
        toggles = left.value <= reserve
        if left.to_danger == 0 and not toggles:
            continue  # too close to one line within the stroke already: that is a finding of its own
        value, sd = (left.value, left.sd) if toggles else (left.to_danger, left.to_danger_sd)
        in_line = Estimate(math.degrees(left.value), math.degrees(left.sd))
        near_deg = math.degrees(c.settings.toggle_danger_rad)
        found.append(
            in_degrees(
                "over_travel",
                "danger" if toggles else "caution",
                Subject(c.where, part=end),
                (value, sd, reserve),
                at_driver_rad=at_rad,
                facts=BeyondEnd(left.arm, in_line, toggles, near_deg),
            )
        )
    return found


def stroke_rule(c: Condition) -> list[Finding]:
    """A stroke that is not the usual one."""
    off = c.stroke.travel_rad - c.settings.stroke_rad
    if abs(off) <= c.settings.stroke_tolerance_rad:
        return []
    figures = c.stroke.travel_rad, c.curves.driver_travel_sd_rad, c.settings.stroke_rad
    return [in_degrees("stroke", "note", Subject(c.where), figures)]


def stroke_notes_rule(c: Condition) -> list[Finding]:
    """What the film does not show of the stroke."""
    return [
        Finding("stroke_incomplete", "note", Subject(c.where), facts=StrokeNote(note))
        for note in c.stroke.notes
    ]


def in_space_rule(c: Condition) -> list[Finding]:
    """Shafts that are not parallel."""
    if not in_space(c.axes, c.settings):
        return []
    figures = c.axes.value, c.axes.sd, c.settings.planar_rad
    return [in_degrees("axes_not_parallel", "caution", Subject(c.where), figures)]


def misfit_rule(c: Condition) -> list[Finding]:
    """A curve that no four-bar explains."""
    if c.fit is None or c.fit.rms_rad < c.settings.misfit_rms_rad:
        return []
    if c.fit.chi_square < c.settings.chi_square_limit * c.fit.degrees_of_freedom:
        return []
    return [
        in_degrees("misfit", "caution", Subject(c.where), (c.fit.rms_rad, None, c.settings.misfit_rms_rad))
    ]


def undetermined_rule(c: Condition) -> list[Finding]:
    """Quantities that film and evidence leave open."""
    if c.fit is None:
        return []
    open_ones = [q for q in c.fit.quantities if not q.determined]
    if not open_ones:
        return []
    facts = LeftOpen(tuple(q.name for q in open_ones), open_ones[0].settle, c.rod)
    return [Finding("not_determined", "note", Subject(c.where), facts=facts)]
