"""Findings about how the driven shaft follows its driver, in words."""

from __future__ import annotations

import math

from strokecurve.app.words.estimates import fixed, spelled_angle
from strokecurve.app.words.findings.sentence import (
    LOCKED,
    Found,
    Sentence,
    angle,
    at_moment,
    at_travel,
    driver_travel,
    facts_of,
)
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.findings.facts import Jumps, Passes, PinsPlay, StandsUntil, Sticking


def lost_motion(found: Found) -> Sentence:
    """Lost motion beyond its limits."""
    return Sentence(
        f"The driven shaft loses {angle(found)} whenever the driver turns round.",
        f"{LOCKED}look for worn rod ends, loose pins and loose clamp screws, and film again.",
    )


def worn_joint(found: Found) -> Sentence:
    """The pin at which the lost motion sits."""
    pin = found.subject.part
    return Sentence(
        f"The joint at the {pin} has play. {_both_pins(facts_of(found, PinsPlay))}.",
        f"{LOCKED}check the rod end and the bolt at the {pin} first.",
    )


def joint_undecided(found: Found) -> Sentence:
    """Lost motion that sits at neither pin, or that the film gives to none."""
    facts = facts_of(found, PinsPlay)
    both = _both_pins(facts)
    if facts.elsewhere:
        return Sentence(
            f"Neither pin shows play that accounts for the lost motion. {both}.",
            f"{LOCKED}check the clamp screws and keys of both arms, and both rod ends.",
        )
    return Sentence(
        f"The film does not decide at which pin the lost motion sits. {both}.",
        f"{LOCKED}move each rod end by hand, or film closer and with a larger rod marker.",
    )


def _both_pins(facts: PinsPlay) -> str:
    return f"Drive pin: {_play(facts.drive)}; driven pin: {_play(facts.driven)}"


def _play(joint: JointPlay) -> str:
    lost = spelled_angle(math.degrees(joint.lost_rad), math.degrees(joint.lost_sd_rad))
    return (
        f"{fixed(joint.play_mm, 2)} mm along the rod (standard deviation {fixed(joint.sd_mm, 2)}), "
        f"at the driven shaft {lost}"
    )


def jumps(found: Found) -> Sentence:
    """A driven shaft that jumped."""
    count = facts_of(found, Jumps).count
    times = "" if count == 1 else f" It jumped {count} times."
    return Sentence(
        f"The driven shaft jumped by {angle(found, size=True)}{at_moment(found)}{at_travel(found)}, and no "
        f"linkage moves like that.{times}",
        f"{LOCKED}look for something that catches or binds there, and for a loose joint that snaps over.",
    )


def stick_slip(found: Found) -> Sentence:
    """A driven shaft that sticks and jumps again and again."""
    facts = facts_of(found, Sticking)
    return Sentence(
        f"The driven shaft sticks and jumps: {facts.count} times it stood while the driver turned, then "
        f"jumped, by {angle(found)} on average and at most {fixed(facts.largest_deg, 1)}.",
        f"{LOCKED}look for a dry or binding bearing, a tight rod end or a damper that rubs.",
    )


def poor_repeatability(found: Found) -> Sentence:
    """Passes that differ from cycle to cycle."""
    count = facts_of(found, Passes).count
    return Sentence(
        f"The {count} {found.subject.part} passes differ by up to {angle(found)} at the driven shaft, at "
        f"{driver_travel(found)}.",
        f"{LOCKED}look for loose clamps and worn joints; no ratio can be set on what does not repeat.",
    )


def standstill(found: Found) -> Sentence:
    """A driven shaft that stands still or turns back within a pass."""
    what = "turns back" if found.code == "driven_reverses" else "stands still"
    until = facts_of(found, StandsUntil).driver_deg
    return Sentence(
        f"The driven shaft {what} while the driver turns from {fixed(found.driver_deg or 0.0)} to "
        f"{fixed(until)} degrees ({found.subject.part}).",
        f"{LOCKED}look for a dead centre (rod and drive arm in line), a stop or a slipping arm.",
    )


WORDS = {
    "lost_motion": lost_motion,
    "worn_joint": worn_joint,
    "joint_undecided": joint_undecided,
    "driven_jumps": jumps,
    "stick_slip": stick_slip,
    "poor_repeatability": poor_repeatability,
    "driven_stalls": standstill,
    "driven_reverses": standstill,
}
