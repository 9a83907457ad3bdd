"""Arms that slipped on their shafts and markers that came loose, in words."""

from __future__ import annotations

import math

from strokecurve.app.words.estimates import fixed
from strokecurve.app.words.findings.sentence import (
    LOCKED,
    Found,
    Sentence,
    angle,
    at_moment,
    at_travel,
    markers_named,
    value_of,
)
from strokecurve.kinematics.findings.facts import ArmMoved, MarkersApart

_SEVERAL = ("they", "them", "their", "they are")


def slip(found: Found) -> Sentence:
    """An arm that slipped, whether the curve or the shaft's markers show it."""
    if isinstance(found.facts, ArmMoved):
        return _by_markers(found, found.facts)
    if isinstance(found.facts, MarkersApart):
        return _undecided(found, found.facts)
    return _by_curve(found)


def _by_curve(found: Found) -> Sentence:
    size, arm, more = angle(found, size=True), found.subject.part, value_of(found) > 0
    if arm == "drive arm":
        what = f"The drive arm slipped by {size}, {'toward' if more else 'away from'} high fire"
    elif arm == "driven arm":
        what = f"The driven arm slipped by {size}, {'toward open' if more else 'toward closed'}"
    else:
        what = (
            f"An arm slipped: the driven shaft stands {size} further {'open' if more else 'closed'} since; "
            "whether it was the drive arm or the driven arm this film does not tell"
        )
    check = f"the {arm}'s clamp screw and key" if arm else "clamp screws and keys of both arms"
    return Sentence(
        f"{what}{at_moment(found)}{at_travel(found)}. Radii, start angles and toggle margins are those "
        "before it and no longer hold.",
        f"{LOCKED}check {check} and that no marker moved on its arm, set low fire anew, and film again.",
    )


def _by_markers(found: Found, facts: ArmMoved) -> Sentence:
    arm, own = found.subject.part, found.subject.markers
    return Sentence(
        f"The {arm}, with {markers_named(own)}, slipped on {facts.shaft} by {_size(found)}"
        f"{at_moment(found)}{at_travel(found)}: {_since(found, facts)}. {_why(found, facts)} "
        f"{_taken_from(facts)} Radii, rod and spacing hold on either side of it; the arm's start angle on "
        "its shaft, and what follows from it, are those before.",
        f"{LOCKED}check the {arm}'s clamp screw and key and that no marker moved on its arm, "
        "set low fire anew, and film again.",
    )


def _undecided(found: Found, facts: MarkersApart) -> Sentence:
    return Sentence(
        f"{markers_named(facts.moved).capitalize()} and {markers_named(facts.kept)} of {facts.shaft} moved "
        f"against each other by {_size(found)}{at_moment(found)}{at_travel(found)}: an arm slipped or a "
        "marker came loose. Which one this film does not tell, as no linkage was seen to keep step with "
        f"either. {_taken_from(facts)}",
        f"{LOCKED}check the clamp screws and keys of {facts.shaft} and its markers, and film again.",
    )


def marker_loose(found: Found) -> Sentence:
    """A marker that turned on its arm, or markers that moved against their shaft."""
    if not isinstance(found.facts, MarkersApart):
        return Sentence(
            f"{markers_named(found.subject.markers).capitalize()} turned on its arm by "
            f"{fixed(value_of(found), 1)} degrees, at about {fixed(found.time_s or 0.0, 1)} s.",
            "Glue it down so that it cannot move against the arm, and film again.",
        )
    facts = found.facts
    it, them, its, on = ("it", "it", "its", "it is") if len(facts.moved) == 1 else _SEVERAL
    if facts.why == "turned":
        why = f"{it.capitalize()} turned in {its} place."
    elif facts.why == "linkages":
        why = f"Neither linkage of {facts.shaft} goes with {them}."
    else:
        why = f"No linkage goes with {them}: {it} came loose, or what {on} on."
    return Sentence(
        f"{markers_named(facts.moved).capitalize()} moved against {facts.shaft} by {_size(found)}"
        f"{at_moment(found)}. {why} {_taken_from(facts)}",
        "Glue it down so that it cannot move, check the clamp of what it is on, and film again.",
    )


def _why(found: Found, facts: ArmMoved) -> str:
    """How the film tells that it was this arm, or what else would look the same."""
    one, other = markers_named(found.subject.markers), markers_named(facts.kept)
    follows = f"{one.capitalize()} keeps step with {found.subject.linkage}"
    if facts.why == "downstream":
        return (
            f"{follows}, {other} with {facts.goes_with}; that the arm of the latter slipped instead would "
            f"look the same, and either way what {facts.shaft} drives is off."
        )
    if facts.why == "loaded":
        return f"{follows}; that {other} moved instead would look the same, as no linkage shows it."
    if facts.why == "rest":
        return f"{follows}, and {other} comes back to its rest."
    return f"{follows}, and {other} stay together." if facts.why == "most" else f"{follows}."


def _since(found: Found, facts: ArmMoved) -> str:
    more = value_of(found) > 0
    if found.subject.part == "driven arm":
        return f"{facts.shaft} stands so much further {'open' if more else 'closed'} since"
    return f"the arm stands so much further {'toward' if more else 'away from'} high fire on its shaft since"


def _size(found: Found) -> str:
    known = math.isfinite(value_of(found))
    return angle(found, size=True) if known else "an amount that the film does not tell"


def _taken_from(facts: ArmMoved | MarkersApart) -> str:
    return f"The angle of {facts.shaft} is taken from {markers_named(facts.kept)}."


WORDS = {"slip": slip, "marker_loose": marker_loose}
