"""What was left out of a clip and what joined clips do not agree on: the facts, and their words."""

from __future__ import annotations

from dataclasses import dataclass

from strokecurve.app.words.estimates import fixed
from strokecurve.app.words.findings.sentence import Found, Sentence, angle, facts_of

_WITHOUT_ROD = (
    "Radii, rod length and start angles of this linkage rest on the travel curve and tape measures alone."
)


@dataclass(frozen=True, slots=True)
class Reason:
    """Of ``linkage_left_out``, ``rod_left_out`` and ``no_geometry``: why, and what to do about it."""

    why: str
    remedy: str


@dataclass(frozen=True, slots=True)
class FurtherIn:
    """Of ``shared_travel``: the clip in which the shaft turns further, and the other one."""

    more: str
    less: str


@dataclass(frozen=True, slots=True)
class OpensIn:
    """Of ``other_side``: the two clips, each with the way in which the shaft opens, +1 counter-clockwise."""

    first: str
    first_sign: int
    second: str
    second_sign: int


@dataclass(frozen=True, slots=True)
class Missing:
    """Of ``joined_gap``: what a clip does not show.

    Attributes
    ----------
    clip : str
    shaft : str
        Whose travel it is that the clip does not show.
    spans : tuple of (str, float, float)
        Pass, and driver travel from and to (deg).
    """

    clip: str
    shaft: str
    spans: tuple[tuple[str, float, float], ...]


def linkage_left_out(found: Found) -> Sentence:
    """A linkage of which nothing could be worked out."""
    facts = facts_of(found, Reason)
    return Sentence(f"This linkage was left out. {facts.why}", facts.remedy)


def rod_left_out(found: Found) -> Sentence:
    """A rod marker that could not be used."""
    facts = facts_of(found, Reason)
    return Sentence(f"{facts.why} {_WITHOUT_ROD}", facts.remedy)


def no_geometry(found: Found) -> Sentence:
    """A linkage whose geometry could not be fitted."""
    facts = facts_of(found, Reason)
    return Sentence(f"The geometry of this linkage could not be worked out. {facts.why}", facts.remedy)


def shared_travel(found: Found) -> Sentence:
    """A shared shaft whose stroke was not the same in both clips."""
    facts = facts_of(found, FurtherIn)
    return Sentence(
        f"{found.subject.shaft} turns {angle(found, size=True)} further in {facts.more} than in "
        f"{facts.less}, so the stroke was not full in one of them or the linkage was changed in between.",
        "Film both clips again without touching the linkage, each from low fire to high fire and back.",
    )


def other_side(found: Found) -> Sentence:
    """A shared shaft that opens counter-clockwise in one clip and clockwise in the other."""
    facts = facts_of(found, OpensIn)
    first, second = (
        f"{'counter-clockwise' if sign > 0 else 'clockwise'} in {clip}"
        for clip, sign in ((facts.first, facts.first_sign), (facts.second, facts.second_sign))
    )
    return Sentence(
        f"{found.subject.shaft} opens {first} and {second}: taken for the same shaft seen from its other "
        "side. Travel counts in the opening direction, so the curves join.",
        "If both clips were filmed from the same side, one of them began at high fire: film it again "
        "from low fire, or give its opening in a set-up file.",
    )


def joined_gap(found: Found) -> Sentence:
    """Positions of the first driver at which a clip does not tell where the last shaft is."""
    facts = facts_of(found, Missing)
    spans = " and ".join(
        f"{way} between {fixed(first)} and {fixed(last)} degrees of driver travel"
        for way, first, last in facts.spans
    )
    return Sentence(
        f"{facts.clip} does not show the part of {facts.shaft}'s travel that is needed for {spans}: "
        "the overall curve has a gap there.",
        f"Film {facts.clip} again over the full stroke, with both passes and all markers in view.",
    )


WORDS = {
    "linkage_left_out": linkage_left_out,
    "rod_left_out": rod_left_out,
    "no_geometry": no_geometry,
    "shared_travel": shared_travel,
    "other_side": other_side,
    "joined_gap": joined_gap,
}
