"""Which adjustments of a linkage bring its intended travel, and what they do to the shafts behind it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.adjust_subject import Subject
from app.errors import InputError
from kinematics.adjust import Proposal, Proposals, propose, what_if
from kinematics.adjust_behind import Behind, shafts_behind
from kinematics.adjust_model import Task
from kinematics.adjust_outcome import Outcome, curves_drawn
from kinematics.adjust_setting import ADJUST_DEFAULTS, TOUCHES
from kinematics.intended.table import Intended
from kinematics.settings import DEFAULTS

Array = NDArray[np.float64]

DANGER_RAD = DEFAULTS.toggle_danger_rad
"""A linkage that may come so near to toggle, with all that is not known of it, needs a word of its own."""


@dataclass(frozen=True, slots=True)
class ShaftBehind:
    """A shaft behind the adjusted linkage, before and after.

    Attributes
    ----------
    linkage : str
    driver_rad : ndarray, shape (N,)
        Travel of the adjusted linkage's driver, after.
    before_driver_rad : ndarray, shape (M,)
        The same as found.
    before, after : Behind
    """

    linkage: str
    driver_rad: Array
    before_driver_rad: Array
    before: Behind
    after: Behind


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The answer, ready for files, pictures and words.

    Attributes
    ----------
    subject : Subject
    intended : Intended
    proposals : Proposals
    chosen : int or None
        Place in ``proposals.proposals`` of the proposal the work order is for; None if there is none.
    behind : tuple of ShaftBehind
        With the proposal chosen.
    """

    subject: Subject
    intended: Intended
    proposals: Proposals
    chosen: int | None
    behind: tuple[ShaftBehind, ...]

    @property
    def proposal(self) -> Proposal | None:
        """The proposal chosen."""
        return None if self.chosen is None else self.proposals.proposals[self.chosen]


def adjust(subject: Subject, intended: Intended, number_chosen: int | None = None) -> Adjusted:
    """Work out the proposals.

    Parameters
    ----------
    subject : Subject
    intended : Intended
    number_chosen : int or None
        Proposal for the work order, counted from 1; the recommended one if None.

    Returns
    -------
    Adjusted

    Raises
    ------
    InputError
        If there is no such proposal, or the rod's range allows nothing at all.
    KinematicsError
        If the intended travel lies outside the stroke.
    """
    linkage = subject.linkage
    answer = propose(
        linkage.setting, intended, subject.adjustable, subject.limits, ADJUST_DEFAULTS, linkage.drawn
    )
    found = answer.proposals
    if not found and answer.lifted and answer.lifted[0].name == "rod_mm" and subject.adjustable.rod_mm:
        rod = subject.adjustable.rod_mm
        raise InputError(
            f"No rod from {rod.low:g} to {rod.high:g} mm closes {linkage.name} within the other limits; "
            f"as found it is {linkage.setting.four_bar().rod_mm:.1f} mm.",
            "Correct rod_mm in [linkage.allow].",
        )
    if number_chosen is not None and not 1 <= number_chosen <= len(found):
        raise InputError(f"There is no proposal {number_chosen}.", f"There are {len(found)}.")
    chosen = recommended(answer) if number_chosen is None else number_chosen - 1
    task = Task.of(linkage.setting, intended, subject.adjustable, subject.limits)
    behind = () if chosen is None else _behind(subject, task, answer, found[chosen])
    return Adjusted(subject, intended, answer, chosen, behind)


def try_out(subject: Subject, intended: Intended, changes: Mapping[str, float]) -> Outcome:
    """What the linkage would do with any of its quantities changed by hand.

    Parameters
    ----------
    subject : Subject
    intended : Intended
    changes : mapping of str to float
        New values, mm or degrees, by the names of ``proposals.json``, ``rod_mm`` and ``spacing_mm`` included.
        With ``rod_mm`` low fire moves to where that rod puts it.

    Returns
    -------
    Outcome
        Limits it breaks are named in ``broken``.

    Raises
    ------
    InputError
        If a quantity has another name.
    KinematicsError
        If the linkage cannot be assembled, or the intended travel lies outside the stroke.
    """
    known = {
        **{name.replace("_start_rad", "_start_deg"): name for name in TOUCHES[:4]},
        "stroke_deg": TOUCHES[4],
    }
    known |= {"rod_mm": "rod_mm", "spacing_mm": "spacing_mm"}
    values = {}
    for name, value in changes.items():
        if name not in known:
            raise InputError(f"{name} is no quantity of a linkage.", f"Choose one of {', '.join(known)}.")
        values[known[name]] = math.radians(value) if name.endswith("_deg") else float(value)
    linkage = subject.linkage
    return what_if(
        linkage.setting, values, intended, subject.adjustable, subject.limits, ADJUST_DEFAULTS, linkage.drawn
    )


def recommended(answer: Proposals) -> int | None:
    """The proposal with fewest things touched that meets the intended travel, else the nearest.

    Those come first that stay clear of toggle with every linkage drawn from what is known, and that this
    knowledge can tell from fewer things touched.
    """
    places = range(len(answer.proposals))
    for careful in (True, False):
        sound = [k for k in places if not careful or _sound(answer.proposals[k])]
        reaching = [k for k in sound if answer.proposals[k].outcome.reached]
        if reaching:
            return reaching[0]
        if sound:
            return min(sound, key=lambda k: answer.proposals[k].outcome.largest)
    return None


def worst_toggle_rad(outcome: Outcome) -> float:
    """Smallest angle between rod and arm line over all linkages drawn."""
    return float(np.fmin(outcome.drive.worst_rad, outcome.transmission.worst_rad))


def _sound(proposal: Proposal) -> bool:
    return proposal.told and not worst_toggle_rad(proposal.outcome) < DANGER_RAD


def _behind(subject: Subject, task: Task, answer: Proposals, proposal: Proposal) -> tuple[ShaftBehind, ...]:
    linkage = subject.linkage
    shafts: list[ShaftBehind] = []
    for train in subject.behind:
        pairs = [(one.setting, one.drawn) for one in train]
        states = []
        for outcome, values, how in (
            (answer.found, linkage.setting.touches(), task.as_it_is()),
            (proposal.outcome, proposal.values(linkage.setting), task),
        ):
            drawn = curves_drawn(how, values, linkage.drawn)
            states.append((outcome.curve.driver_rad, shafts_behind(outcome.curve.driven_rad, drawn, pairs)))
        (before_driver, before), (driver, after) = states
        for one, was, will in zip(train, before, after, strict=True):
            if all(one.name != shaft.linkage for shaft in shafts):
                shafts.append(ShaftBehind(one.name, driver, before_driver, was, will))
    return tuple(shafts)
