"""Rules about stroke and geometry: toggle, over-travel, stroke, misfit, what is not determined."""

from __future__ import annotations

import math

from strokecurve.kinematics.faults.condition import in_space
from strokecurve.kinematics.findings.statements import LOCKED, Condition, Finding, figure, in_degrees

_BY_ROD = {
    "unseen": ", or film with a marker on the rod",
    "seen": ", or film the full stroke with the rod's marker in view, so that it shows both pins",
    "pins": "",
}


def toggle_rule(c: Condition) -> list[Finding]:
    """Rod and an arm close to one line within the stroke."""
    found = []
    for code, angle, arm in (
        ("toggle_drive", c.drive, "drive arm"),
        ("toggle_driven", c.transmission, "driven arm"),
    ):
        if angle is None or angle.value >= c.settings.toggle_caution_rad:
            continue
        danger = angle.value < c.settings.toggle_danger_rad
        limit = c.settings.toggle_danger_rad if danger else c.settings.toggle_caution_rad
        found.append(
            in_degrees(
                code,
                "danger" if danger else "caution",
                c.where,
                (angle.value, angle.sd, limit),
                f"Rod and {arm} come within {figure(angle.value, angle.sd)} of one line, "
                f"at {math.degrees(angle.at_driver_rad):.0f} degrees of driver travel.",
                f"{LOCKED}change the {arm}'s clamping or radius so that the rod stays clear of the "
                "in-line position over the whole stroke; guidance is 40 to 45 degrees at the driven arm.",
            )
        )
    return found


def over_travel_rule(c: Condition) -> list[Finding]:
    """Too little driver travel left beyond an end of the stroke."""
    found = []
    reserve, danger = c.settings.over_travel_rad, c.settings.toggle_danger_rad
    for left, end in zip(c.to_toggle, ("low fire", "high fire"), strict=True):
        if left is None or left.to_danger > reserve:
            continue
        toggles = left.value <= reserve
        if left.to_danger == 0 and not toggles:
            continue  # too close to one line within the stroke already: that is a finding of its own
        what = "jams or flips" if left.arm == "driven" else "reaches a dead centre and turns back"
        text = (
            f"Only {figure(left.value, left.sd)} further beyond {end}, rod and {left.arm} arm are in line: "
            f"the driven shaft {what} there."
            if toggles
            else f"Only {figure(left.to_danger, left.to_danger_sd)} further beyond {end}, rod and an arm are "
            f"within {math.degrees(danger):.0f} degrees of one line; "
            f"rod and {left.arm} arm are in line after {figure(left.value, left.sd)}."
        )
        value, sd = (left.value, left.sd) if toggles else (left.to_danger, left.to_danger_sd)
        found.append(
            in_degrees(
                "over_travel",
                "danger" if toggles else "caution",
                f"{c.where} {end}",
                (value, sd, reserve),
                text,
                f"{LOCKED}check the motor's end switch at {end} and leave the linkage more travel there.",
            )
        )
    return found


def stroke_rule(c: Condition) -> list[Finding]:
    """A stroke that is not the usual one."""
    off = c.stroke.travel_rad - c.settings.stroke_rad
    if abs(off) <= c.settings.stroke_tolerance_rad:
        return []
    return [
        in_degrees(
            "stroke",
            "note",
            c.where,
            (c.stroke.travel_rad, c.curves.driver_travel_sd_rad, c.settings.stroke_rad),
            f"The driver turned by {figure(c.stroke.travel_rad, c.curves.driver_travel_sd_rad)}, "
            f"{'short of' if off < 0 else 'beyond'} the usual {math.degrees(c.settings.stroke_rad):.0f}.",
            "Check that the film shows the full stroke, and the motor's end switches.",
        )
    ]


def stroke_notes_rule(c: Condition) -> list[Finding]:
    """What the film does not show of the stroke."""
    advice = "Film from rest at low fire to rest at high fire and back to rest at low fire."
    return [
        Finding("stroke_incomplete", "note", c.where, None, None, None, n, advice) for n in c.stroke.notes
    ]


def in_space_rule(c: Condition) -> list[Finding]:
    """Shafts that are not parallel."""
    if not in_space(c.axes, c.settings):
        return []
    driver, _, driven = c.where.partition(":")
    return [
        in_degrees(
            "axes_not_parallel",
            "caution",
            c.where,
            (c.axes.value, c.axes.sd, c.settings.planar_rad),
            f"The axis of {driven} stands {figure(c.axes.value, c.axes.sd)} off that of {driver}: this "
            "linkage moves in space, not in a plane. Radii, rod, start angles and smallest angles of such a "
            "linkage are not worked out yet; travel, curve and lost motion hold, each shaft's travel about "
            "its own axis.",
            f"{LOCKED}see for yourself, over the whole stroke, that the rod never comes into line with "
            "either arm.",
        )
    ]


def misfit_rule(c: Condition) -> list[Finding]:
    """A curve that no four-bar explains."""
    if c.fit is None or c.fit.rms_rad < c.settings.misfit_rms_rad:
        return []
    if c.fit.chi_square < c.settings.chi_square_limit * c.fit.degrees_of_freedom:
        return []
    return [
        in_degrees(
            "misfit",
            "caution",
            c.where,
            (c.fit.rms_rad, None, c.settings.misfit_rms_rad),
            "No four-bar linkage explains the curve: the best one misses it by "
            f"{math.degrees(c.fit.rms_rad):.2f} degrees RMS. Do not rely on geometry and toggle margins.",
            "Check for a cam, a bent rod, a slipping arm, a mechanism in between, or wrong tape measures.",
        )
    ]


def undetermined_rule(c: Condition) -> list[Finding]:
    """Quantities that film and evidence leave open."""
    if c.fit is None:
        return []
    open_ones = [q for q in c.fit.quantities if not q.determined]
    if not open_ones:
        return []
    names = ", ".join(q.name.rsplit("_", 1)[0].replace("_", " ") for q in open_ones)
    return [
        Finding(
            "not_determined",
            "note",
            c.where,
            None,
            None,
            None,
            f"Not determined by this film: {names}.",
            f"To settle it, {open_ones[0].settle}{_BY_ROD[c.rod]}.",
        )
    ]
