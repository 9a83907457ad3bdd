"""Which adjustments of a linkage bring its intended travel, and what they do to the shafts behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.adjust.subject import LinkageToAdjust
from strokecurve.app.words.errors import InputError
from strokecurve.kinematics.adjust.downstream import DownstreamShaft, downstream_shafts
from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.outcome import Outcome, sampled_curves
from strokecurve.kinematics.adjust.search_all import Proposal, SearchResult, propose
from strokecurve.kinematics.adjust.setting import ADJUST_DEFAULTS
from strokecurve.kinematics.intended.table import Intended
from strokecurve.kinematics.settings import DEFAULTS

Array = NDArray[np.float64]

DANGER_RAD = DEFAULTS.toggle_danger_rad
"""A linkage that may come so near to toggle, with all that is not known of it, needs a word of its own."""
TOGGLE_RAD = math.radians(1.0)
"""Nearer than this cannot be told from toggle: no better is the smallest angle known."""
NEARER_RAD = math.radians(0.5)
"""A shaft behind is nearer to toggle than before from here on: a hand sets pins and rod no closer than a few
tenths of a degree, so less would not be told from what was found."""


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
    before, after : DownstreamShaft
    least_rad : float
        Smallest angle between rod and arm line that is asked for in its linkage.
    """

    linkage: str
    driver_rad: Array
    before_driver_rad: Array
    before: DownstreamShaft
    after: DownstreamShaft
    least_rad: float

    @property
    def stuck(self) -> bool:
        """Whether its linkage cannot follow, or comes so near to toggle that it may not."""
        return self.after.jams or not self.after.min_toggle_rad >= TOGGLE_RAD

    @property
    def near(self) -> bool:
        """Whether rod and arm line come closer than is asked for, as found already or not."""
        return not self.after.min_toggle_rad >= self.least_rad

    @property
    def harmed(self) -> bool:
        """Whether the change does it harm: it is stuck, or too near to toggle and nearer than before."""
        nearer = not self.after.min_toggle_rad > self.before.min_toggle_rad - NEARER_RAD
        return self.stuck or (self.near and nearer)


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The answer, ready for files, pictures and words.

    Attributes
    ----------
    subject : LinkageToAdjust
    intended : Intended
    proposals : SearchResult
    chosen : int or None
        Place in ``proposals.proposals`` of the proposal the work order is for; None if there is none.
    recommended : int or None
        Place of the one that is recommended; None where none can be.
    behind_each : tuple of tuple of ShaftBehind
        With each proposal, in their order.
    """

    subject: LinkageToAdjust
    intended: Intended
    proposals: SearchResult
    chosen: int | None
    recommended: int | None
    behind_each: tuple[tuple[ShaftBehind, ...], ...]

    @property
    def proposal(self) -> Proposal | None:
        """The proposal chosen."""
        return None if self.chosen is None else self.proposals.proposals[self.chosen]

    @property
    def behind(self) -> tuple[ShaftBehind, ...]:
        """Shafts behind with the proposal chosen."""
        return () if self.chosen is None else self.behind_each[self.chosen]

    def looking_at(self, number: int) -> Adjusted:
        """The same for another proposal, counted from 1; nothing is worked out again."""
        if not 1 <= number <= len(self.proposals.proposals):
            raise InputError(f"There is no proposal {number}.", f"There are {len(self.proposals.proposals)}.")
        return replace(self, chosen=number - 1)

    def refusal(self) -> InputError | None:
        """Why the proposal chosen must not be carried out; None if nothing known speaks against it."""
        jammed = [shaft.linkage for shaft in self.behind if shaft.stuck]
        if self.chosen is None or not jammed:
            return None
        return InputError(
            f"Proposal {self.chosen + 1} cannot be chosen: with it {' and '.join(jammed)} would jam or "
            "reach toggle within the stroke.",
            "Choose another one.",
        )


def adjust(subject: LinkageToAdjust, intended: Intended, number_chosen: int | None = None) -> Adjusted:
    """Work out the proposals, and what each does to the shafts behind.

    Parameters
    ----------
    subject : LinkageToAdjust
    intended : Intended
    number_chosen : int or None
        Proposal for the work order, counted from 1; the recommended one if None.

    Returns
    -------
    Adjusted

    Raises
    ------
    InputError
        If there is no such proposal, it jams a shaft behind, or the rod's range allows nothing at all.
    KinematicsError
        If the intended travel lies outside the stroke.
    """
    linkage = subject.linkage
    answer = propose(
        linkage.setting, intended, subject.adjustable, subject.limits, ADJUST_DEFAULTS, linkage.samples
    )
    found = answer.proposals
    if not found and answer.relaxed and answer.relaxed[0].name == "rod_mm" and subject.adjustable.rod_mm:
        rod = subject.adjustable.rod_mm
        raise InputError(
            f"No rod from {rod.low:g} to {rod.high:g} mm closes {linkage.name} within the other limits; "
            f"as found it is {linkage.setting.four_bar().rod_mm:.1f} mm.",
            "Correct rod_mm in [linkage.allow].",
        )
    task = Task.of(linkage.setting, intended, subject.adjustable, subject.limits)
    each = _behind_each(subject, task, answer)
    best = recommended(answer, each)
    adjusted = Adjusted(subject, intended, answer, best, best, each)
    if number_chosen is None:
        return adjusted
    adjusted = adjusted.looking_at(number_chosen)
    refusal = adjusted.refusal()
    if refusal is not None:
        raise refusal
    return adjusted


def recommended(answer: SearchResult, behind_each: Sequence[Sequence[ShaftBehind]]) -> int | None:
    """The proposal with fewest things touched that meets the intended travel, else the nearest.

    Those come first that stay clear of toggle with every linkage drawn from what is known, and that this
    knowledge can tell from fewer things touched. One that harms a shaft behind is never recommended.
    """
    places = [k for k in range(len(answer.proposals)) if not any(one.harmed for one in behind_each[k])]
    for careful in (True, False):
        sound = [k for k in places if not careful or _sound(answer.proposals[k])]
        reaching = [k for k in sound if answer.proposals[k].outcome.reached]
        if reaching:
            return reaching[0]
        if sound:
            return min(sound, key=lambda k: answer.proposals[k].outcome.largest)
    return None


def worst_toggle_rad(outcome: Outcome) -> float:
    """Smallest angle between rod and arm line over all linkages sampled."""
    return float(np.fmin(outcome.drive.worst_rad, outcome.transmission.worst_rad))


def _sound(proposal: Proposal) -> bool:
    return proposal.told and not worst_toggle_rad(proposal.outcome) < DANGER_RAD


def _behind_each(
    subject: LinkageToAdjust, task: Task, answer: SearchResult
) -> tuple[tuple[ShaftBehind, ...], ...]:
    """The shafts behind with each proposal; as found they are worked out once."""
    setting = subject.linkage.setting
    if not subject.behind or not answer.proposals:
        return ((),) * len(answer.proposals)
    before = _trains(subject, answer.found, setting.decisions(), task.as_it_is())
    return tuple(
        _both(subject, before, _trains(subject, one.outcome, one.values(setting), task), answer.found, one)
        for one in answer.proposals
    )


def _trains(
    subject: LinkageToAdjust, outcome: Outcome, values: Array, how: Task
) -> tuple[tuple[DownstreamShaft, ...], ...]:
    """The shafts of every train behind, with one setting of the linkage."""
    samples = sampled_curves(how, values, subject.linkage.samples)
    return tuple(
        downstream_shafts(outcome.curve.driven_rad, samples, [(one.setting, one.samples) for one in train])
        for train in subject.behind
    )


def _both(
    subject: LinkageToAdjust,
    before: tuple[tuple[DownstreamShaft, ...], ...],
    after: tuple[tuple[DownstreamShaft, ...], ...],
    found: Outcome,
    proposal: Proposal,
) -> tuple[ShaftBehind, ...]:
    """Every shaft behind once, before and after."""
    shafts: dict[str, ShaftBehind] = {}
    driver, driver_before = proposal.outcome.curve.driver_rad, found.curve.driver_rad
    for train, was, will in zip(subject.behind, before, after, strict=True):
        for one, one_was, one_will in zip(train, was, will, strict=True):
            least_rad = subject.least_behind_rad[one.name]
            shaft = ShaftBehind(one.name, driver, driver_before, one_was, one_will, least_rad)
            shafts.setdefault(one.name, shaft)
    return tuple(shafts.values())
