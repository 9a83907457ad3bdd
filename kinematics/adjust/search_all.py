"""Which adjustments of one linkage reach the intended travel, the fewest things touched first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.adjust.largest import least_largest
from strokecurve.kinematics.adjust.model import Task
from strokecurve.kinematics.adjust.outcome import Outcome, outcome, sampled_misfits
from strokecurve.kinematics.adjust.relaxed import RelaxedConstraint, relaxed_constraints
from strokecurve.kinematics.adjust.search import best_settings, variable_sets
from strokecurve.kinematics.adjust.setting import (
    ADJUST_DEFAULTS,
    DECISION_VARIABLES,
    Adjustable,
    AdjustLimits,
    AdjustSettings,
    LinkageSetting,
)
from strokecurve.kinematics.intended.table import Intended
from strokecurve.kinematics.linkage.fourbar import FourBar

Array = NDArray[np.float64]

_SPACING = np.array([0.0, 0.0, 1.0, 0.0, 0.0])  # the spacing's column of linkages sampled


@dataclass(frozen=True, slots=True)
class Proposal:
    """One way to adjust a linkage.

    Parameters
    ----------
    touched : tuple of str
        Names of `DECISION_VARIABLES` that change.
    aim : str
        "rms" for the least root mean square misfit, "largest" for the least largest misfit.
    outcome : Outcome
        Keeps every limit.
    told : bool
        Whether the knowledge of the geometry is good enough to tell that it is better than every proposal
        with fewer things touched.
    """

    touched: tuple[str, ...]
    aim: str
    outcome: Outcome
    told: bool

    def values(self, found: LinkageSetting) -> Array:
        """Values of `DECISION_VARIABLES` that it sets, shape (5,): as found what is not touched."""
        after = self.outcome.setting.decisions()
        return np.array(
            [
                after[k] if name in self.touched else value
                for k, (name, value) in enumerate(zip(DECISION_VARIABLES, found.decisions(), strict=True))
            ]
        )

    def changes(self, found: LinkageSetting) -> dict[str, tuple[float, float]]:
        """What changes: from and to (mm or rad), by the names of `DECISION_VARIABLES`."""
        return {
            name: (float(getattr(found, name)), float(getattr(self.outcome.setting, name)))
            for name in self.touched
        }


@dataclass(frozen=True, slots=True)
class SearchResult:
    """Answer of the search.

    Parameters
    ----------
    found : Outcome
        The linkage as found.
    proposals : tuple of Proposal
        By number of things touched, then by fit. No limit is broken in any.
    relaxed : tuple of RelaxedConstraint
        Where no proposal reaches the intended travel: what each limit costs, the one whose lifting helps most
        first; empty where the intended travel is reached.
    """

    found: Outcome
    proposals: tuple[Proposal, ...]
    relaxed: tuple[RelaxedConstraint, ...]

    @property
    def reached(self) -> bool:
        """Whether a proposal meets the intended travel within its tolerance everywhere."""
        return any(p.outcome.reached for p in self.proposals)

    @property
    def nearest(self) -> Proposal | None:
        """The proposal with the smallest largest misfit."""
        return min(self.proposals, key=lambda p: p.outcome.largest, default=None)


def propose(
    found: LinkageSetting,
    intended: Intended,
    adjustable: Adjustable,
    limits: AdjustLimits | None = None,
    settings: AdjustSettings = ADJUST_DEFAULTS,
    samples: Array | None = None,
) -> SearchResult:
    """Search the fewest adjustments that reach the intended travel.

    Parameters
    ----------
    found : LinkageSetting
    intended : Intended
        Driven against driver travel, both from low fire as found.
    adjustable : Adjustable
    limits : AdjustLimits or None
    settings : AdjustSettings
    samples : ndarray, shape (K, 5), or None
        Linkages as found, sampled from what is known of the geometry (`sample_linkages`); without them the
        figures carry no uncertainty.

    Returns
    -------
    SearchResult

    Raises
    ------
    GeometryError
        If the linkage as found does not close over its stroke.
    KinematicsError
        If the intended travel lies outside the stroke.

    Notes
    -----
    For every set of things that may be touched the setting of least squares is sought from many starts at
    once, within the ranges, with penalties for the limits, and checked at close steps. More things touched
    are proposed only where that makes a difference which the knowledge of the geometry can tell.

    Examples
    --------
    >>> found = LinkageSetting(60.0, 60.0, 200.0, 1.0, 1.0, 1.5, 1)
    >>> wanted = Intended.from_table([0.0, 0.75, 1.5], [0.0, 0.6, 1.2])
    >>> from strokecurve.kinematics.adjust.setting import Range
    >>> answer = propose(found, wanted, Adjustable(driven_radius_mm=Range(50, 90)))
    >>> [(p.touched, p.aim, round(p.outcome.setting.driven_radius_mm)) for p in answer.proposals]
    [((), 'rms', 60), (('driven_radius_mm',), 'rms', 74), (('driven_radius_mm',), 'largest', 73)]
    """
    task = Task.of(found, intended, adjustable, limits, settings)
    as_found = outcome(task.as_it_is(), found.decisions(), samples)
    tried = _candidates(task, range(settings.usual_variables + 1))
    known: dict[tuple[int, ...], list[Proposal]] = {}
    proposals = _worth_while(task, tried, samples, known)
    if not any(p.outcome.reached for p in proposals):
        tried += _candidates(task, range(settings.usual_variables + 1, settings.most_variables + 1))
        proposals = _worth_while(task, tried, samples, known)
    relaxed: tuple[RelaxedConstraint, ...] = ()
    if not any(p.outcome.reached for p in proposals):
        nearest = min(proposals, key=lambda p: p.outcome.largest, default=None)
        if nearest is None:
            relaxed = relaxed_constraints(task, math.inf, found.decisions())
        else:
            relaxed = relaxed_constraints(task, nearest.outcome.largest, nearest.values(found))
    return SearchResult(as_found, proposals, relaxed)


def what_if(
    found: LinkageSetting,
    changes: Mapping[str, float],
    intended: Intended,
    adjustable: Adjustable | None = None,
    limits: AdjustLimits | None = None,
    settings: AdjustSettings = ADJUST_DEFAULTS,
    samples: Array | None = None,
) -> Outcome:
    """What a linkage would do with any of its quantities changed by hand.

    Parameters
    ----------
    found : LinkageSetting
    changes : mapping of str to float
        New values by the names of `DECISION_VARIABLES`, or of "spacing_mm"; the rod closes the linkage at
        low fire. With "rod_mm" too, low fire moves to where that rod puts it.
    intended : Intended
    adjustable : Adjustable or None
        Only its rod range counts here, as a limit that may be broken.
    limits : AdjustLimits or None
    settings : AdjustSettings
    samples : ndarray, shape (K, 5), or None

    Returns
    -------
    Outcome
        Limits it breaks are named, not refused.

    Raises
    ------
    GeometryError
        If it cannot be assembled.
    KinematicsError
        If the intended travel lies outside the stroke.
    KeyError
        If a change has another name.

    Examples
    --------
    >>> found = LinkageSetting(60.0, 60.0, 200.0, 1.0, 1.0, 1.5, 1)
    >>> wanted = Intended.from_table([0.0, 1.5], [0.0, 1.5])
    >>> round(what_if(found, {"driven_start_rad": 1.1}, wanted).rod_mm, 2)
    194.82
    """
    changed = dict(changes)
    limits = limits or AdjustLimits()
    if "spacing_mm" in changed:
        found = replace(found, spacing_mm=float(changed.pop("spacing_mm")))
        samples = None if samples is None else samples + (found.spacing_mm - samples[:, 2].mean()) * _SPACING
    rod_mm = changed.pop("rod_mm", None)
    values = found.decisions()
    for name, value in changed.items():
        if name not in DECISION_VARIABLES:
            raise KeyError(name)
        values[DECISION_VARIABLES.index(name)] = value
    task = Task.of(found, intended, adjustable, limits, settings)
    if rod_mm is not None:
        low_fire_rad = _low_fire(task, values, float(rod_mm))
        task = replace(task, limits=replace(limits, low_fire_rad=low_fire_rad))
    return outcome(task, values, samples)


def _low_fire(task: Task, values: Array, rod_mm: float) -> float:
    """Where the driven shaft comes to stand at low fire with a rod of this length."""
    a, c, drive, driven, _ = values
    at_low_fire = FourBar(a, rod_mm, c, task.found.spacing_mm, task.branch).driven_angle(drive)
    return task.driven_sign * math.remainder(float(at_low_fire) - driven, 2 * math.pi)


@dataclass(frozen=True, slots=True)
class _Candidate:
    """The best setting of one set of decision variables; misfit in tolerances, RMS in rad."""

    touched: tuple[int, ...]
    values: Array
    misfit: float
    rms_rad: float


def _candidates(task: Task, counts: Sequence[int]) -> list[_Candidate]:
    """The best of every set of so many decision variables, where one keeps the limits."""
    sets = variable_sets(task, counts)
    made = []
    for touched, values in zip(sets, best_settings(task, sets), strict=True):
        if values is None:
            continue
        off = task.off(values[None, :])[0]
        misfit = float(np.sqrt(np.mean((off / task.tolerance_rad) ** 2)))
        made.append(_Candidate(touched, values, misfit, float(np.sqrt(np.mean(off**2)))))
    return made


def _worth_while(
    task: Task, tried: list[_Candidate], samples: Array | None, known: dict[tuple[int, ...], list[Proposal]]
) -> tuple[Proposal, ...]:
    """Those that are better than every one with fewer things touched, with the least largest misfit too."""
    proposals: list[Proposal] = []
    best: _Candidate | None = None
    for count in range(task.settings.most_variables + 1):
        here = sorted((c for c in tried if len(c.touched) == count), key=lambda c: c.misfit)
        kept = [(c, _told(task, c, best, samples)) for c in here if best is None or _better(task, c, best)]
        kept = [
            (c, told) for c, told in kept if told or best is None or best.rms_rad > task.settings.good_rad
        ]
        for candidate, told in kept[: task.settings.shown]:
            if candidate.touched not in known:
                known[candidate.touched] = _both_aims(task, candidate, samples, told)
            proposals += known[candidate.touched]
        best = min([*here, *([best] if best else [])], key=lambda c: c.misfit, default=None)
    return tuple(sorted(proposals, key=lambda p: (len(p.touched), p.outcome.misfit)))


def _better(task: Task, more: _Candidate, fewer: _Candidate) -> bool:
    """Whether touching more makes a difference that counts."""
    settings = task.settings
    gain = fewer.rms_rad - more.rms_rad
    return more.misfit <= (1 - settings.better_share) * fewer.misfit and gain >= settings.better_rad


def _told(task: Task, more: _Candidate, fewer: _Candidate | None, samples: Array | None) -> bool:
    """Whether the knowledge of the geometry is good enough to tell that touching more is better."""
    if fewer is None or samples is None or len(samples) == 0:
        return True
    gain = sampled_misfits(task, fewer.values, samples) - sampled_misfits(task, more.values, samples)
    gain = gain[np.isfinite(gain)]
    return gain.size == 0 or float(np.mean(gain)) > float(np.std(gain))


def _both_aims(task: Task, candidate: _Candidate, samples: Array | None, told: bool) -> list[Proposal]:
    """The setting of least squares, and that of the least largest misfit where it is plainly smaller."""
    names = tuple(DECISION_VARIABLES[k] for k in candidate.touched)
    first = Proposal(names, "rms", outcome(task, candidate.values, samples), told)
    if first.outcome.largest <= 1 - task.settings.better_share:
        return [first]
    values = least_largest(task, candidate.values, candidate.touched)
    if values is None:
        return [first]
    second = Proposal(names, "largest", outcome(task, values, samples), told)
    plainly = second.outcome.largest <= (1 - task.settings.better_share) * first.outcome.largest
    reached = second.outcome.reached and not first.outcome.reached
    return [first, second] if plainly or reached else [first]
