"""Findings about stroke and geometry in words."""

from __future__ import annotations

from strokecurve.app.words.estimates import fixed, spelled_angle
from strokecurve.app.words.findings.sentence import (
    LOCKED,
    Found,
    Sentence,
    angle,
    driver_travel,
    facts_of,
    value_of,
)
from strokecurve.kinematics.findings.facts import BeyondEnd, LeftOpen, StrokeNote

_BY_ROD = {
    "unseen": ", or film with a marker on the rod",
    "seen": ", or film the full stroke with the rod's marker in view, so that it shows both pins",
    "pins": "",
}


def toggle(found: Found) -> Sentence:
    """Rod and an arm close to one line within the stroke."""
    arm = "drive arm" if found.code == "toggle_drive" else "driven arm"
    return Sentence(
        f"Rod and {arm} come within {angle(found)} of one line, at {driver_travel(found)}.",
        f"{LOCKED}change the {arm}'s clamping or radius so that the rod stays clear of the in-line position "
        "over the whole stroke; guidance is 40 to 45 degrees at the driven arm.",
    )


def over_travel(found: Found) -> Sentence:
    """Too little driver travel left beyond an end of the stroke."""
    facts, end = facts_of(found, BeyondEnd), found.subject.part
    what = "jams or flips" if facts.arm == "driven" else "reaches a dead centre and turns back"
    if facts.within_reserve:
        text = (
            f"Only {angle(found)} further beyond {end}, rod and {facts.arm} arm are in line: "
            f"the driven shaft {what} there."
        )
    else:
        in_line = spelled_angle(facts.in_line.value, facts.in_line.sd)
        text = (
            f"Only {angle(found)} further beyond {end}, rod and an arm are within {fixed(facts.near_deg)} "
            f"degrees of one line; rod and {facts.arm} arm are in line after {in_line}."
        )
    advice = f"{LOCKED}check the motor's end switch at {end} and leave the linkage more travel there."
    return Sentence(text, advice)


def stroke(found: Found) -> Sentence:
    """A stroke that is not the usual one."""
    usual = found.limit or 0.0
    way = "short of" if value_of(found) < usual else "beyond"
    return Sentence(
        f"The driver turned by {angle(found)}, {way} the usual {fixed(usual)}.",
        "Check that the film shows the full stroke, and the motor's end switches.",
    )


def stroke_incomplete(found: Found) -> Sentence:
    """What the film does not show of the stroke."""
    return Sentence(
        facts_of(found, StrokeNote).note,
        "Film from rest at low fire to rest at high fire and back to rest at low fire.",
    )


def axes_not_parallel(found: Found) -> Sentence:
    """Shafts that are not parallel."""
    driver, _, driven = found.subject.linkage.partition(":")
    return Sentence(
        f"The axis of {driven} stands {angle(found)} off that of {driver}: this linkage moves in space, not "
        "in a plane. Radii, rod, start angles and smallest angles of such a linkage are not worked out yet; "
        "travel, curve and lost motion hold, each shaft's travel about its own axis.",
        f"{LOCKED}see for yourself, over the whole stroke, that the rod never comes into line with "
        "either arm.",
    )


def misfit(found: Found) -> Sentence:
    """A curve that no four-bar explains."""
    return Sentence(
        "No four-bar linkage explains the curve: the best one misses it by "
        f"{fixed(value_of(found), 2)} degrees RMS. Do not rely on geometry and toggle margins.",
        "Check for a cam, a bent rod, a slipping arm, a mechanism in between, or wrong tape measures.",
    )


def not_determined(found: Found) -> Sentence:
    """Quantities that film and evidence leave open."""
    facts = facts_of(found, LeftOpen)
    names = ", ".join(name.rsplit("_", 1)[0].replace("_", " ") for name in facts.quantities)
    return Sentence(
        f"Not determined by this film: {names}.", f"To settle it, {facts.settle}{_BY_ROD[facts.rod]}."
    )


WORDS = {
    "toggle_drive": toggle,
    "toggle_driven": toggle,
    "over_travel": over_travel,
    "stroke": stroke,
    "stroke_incomplete": stroke_incomplete,
    "axes_not_parallel": axes_not_parallel,
    "misfit": misfit,
    "not_determined": not_determined,
}
