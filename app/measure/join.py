"""Several clips of one train joined at the shafts they share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from strokecurve.app.measure.clip import LinkageResult, Measurement, angle_limits, pair_motion
from strokecurve.app.measure.join_findings import curve_gaps, lengths_differ, other_side
from strokecurve.app.measure.settings import Settings
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.findings.clips import Reason
from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.faults.slip import follow
from strokecurve.kinematics.findings.findings import Finding, in_order
from strokecurve.kinematics.motion.compose import compose, composed_lost_motion, shared_difference
from strokecurve.kinematics.motion.travel import TravelCurves, travel_curves

NAME_THEM = "Keep the numbers of the marker sheet, or say in a set-up file which shaft drives which."


@dataclass(frozen=True, slots=True)
class Part:
    """One of several clips.

    Attributes
    ----------
    name : str
        What to call the clip, unlike any other.
    measurement : Measurement
    """

    name: str
    measurement: Measurement


@dataclass(frozen=True, slots=True)
class SharedShaft:
    """A shaft that is driven in one clip and drives in another.

    Attributes
    ----------
    name : str
    parts : tuple of int
        The clip in which it is driven and the one in which it drives.
    travels : tuple of Estimate
        Its travel in each (rad).
    difference : Estimate
        Travel in the second less that in the first (rad).
    opening_signs : tuple of int
        Way it opens as each camera sees it, +1 counter-clockwise.
    """

    name: str
    parts: tuple[int, int]
    travels: tuple[Estimate, Estimate]
    difference: Estimate
    opening_signs: tuple[int, int]


@dataclass(frozen=True, slots=True)
class JoinedTrain:
    """Linkages of several clips in series.

    Attributes
    ----------
    shafts : tuple of str
        From the first driver to the last shaft.
    parts : tuple of int
        The clips in the order in which motion passes through them.
    curves : TravelCurves
        First driver to last shaft.
    slack : Estimate
        Lost motion between them, at the last shaft (rad); NaN where it is not known or an arm slipped.
    """

    shafts: tuple[str, ...]
    parts: tuple[int, ...]
    curves: TravelCurves
    slack: Estimate

    @property
    def name(self) -> str:
        """First driver and last shaft, as linkages are named."""
        return f"{self.shafts[0]}:{self.shafts[-1]}"


@dataclass(frozen=True, slots=True)
class Joined:
    """Several clips and what they show together.

    Attributes
    ----------
    parts : tuple of Part
        In the order given.
    trains : tuple of JoinedTrain
        One for each last shaft that is reached through more than one clip.
    shared : tuple of SharedShaft
    findings : tuple of Finding
        About the join.
    """

    parts: tuple[Part, ...]
    trains: tuple[JoinedTrain, ...]
    shared: tuple[SharedShaft, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Link:
    """A linkage and the clip that shows it."""

    part: int
    result: LinkageResult

    @property
    def ends(self) -> tuple[str, str]:
        driver, driven = self.result.name.split(":")
        return driver, driven


@dataclass(frozen=True, slots=True)
class _Section:
    """Linkages of one clip in series: its own curves, the same in fine steps, and lost motion."""

    part: int
    shafts: tuple[str, ...]
    curves: TravelCurves
    fine: TravelCurves
    opening_sign: int
    slack: Estimate


def join(parts: Sequence[Part], settings: Settings | None = None) -> Joined:
    """Join measured clips into trains.

    Parameters
    ----------
    parts : sequence of Part
        Two or more; each was measured by itself.
    settings : Settings, optional
        Limits.

    Returns
    -------
    Joined

    Raises
    ------
    InputError
        If they do not make a train: no shaft in common, the same linkage twice, a shaft driven twice, no
        clip that leads on to another, or a pass that no two clips have in common.
    """
    settings = settings or Settings()
    links = [_Link(n, result) for n, part in enumerate(parts) for result in part.measurement.linkages]
    _check_once(parts, links)
    _check_common(parts)
    chains = [chain for chain in _chains(links) if len({link.part for link in chain}) > 1]
    _check_series(parts, chains)
    trains: list[JoinedTrain] = []
    shared: dict[tuple[str, int, int], SharedShaft] = {}
    findings: list[Finding] = []
    for chain in chains:
        sections = [_section(parts, part, settings) for part in _by_part(chain)]
        train, told = _train(parts, sections)
        trains.append(train)
        findings += told
        for before, after in pairwise(sections):
            shaft = _shared(before, after)
            shared[(shaft.name, *shaft.parts)] = shaft
    for shaft in shared.values():
        findings += [*lengths_differ(shaft, parts, settings), *other_side(shaft, parts)]
    return Joined(
        tuple(parts), tuple(trains), tuple(shared.values()), in_order(list(dict.fromkeys(findings)))
    )


def driven_elsewhere(joined: Joined, part: int) -> frozenset[str]:
    """Shafts that drive in a clip and are driven in another: no motors, whatever that clip shows."""
    return frozenset(shaft.name for shaft in joined.shared if shaft.parts[1] == part)


# ---- what makes a train ----------------------------------------------------------------------------------


def _check_once(parts: Sequence[Part], links: list[_Link]) -> None:
    """Refuse a linkage that two clips show, and a shaft that two linkages drive."""
    into: dict[str, _Link] = {}
    for link in links:
        driver, driven = link.ends
        other = into.get(driven)
        if other is not None and other.part == link.part:
            continue  # two linkages onto one shaft in one clip: that clip's own affair
        if other is not None and other.ends == link.ends:
            raise InputError(
                f"{parts[other.part].name} and {parts[link.part].name} both show the linkage from {driver} "
                f"to {driven}, so they are no parts of one train.",
                "Measure each by itself and use strokecurve compare, or film each linkage in one clip only.",
            )
        if other is not None:
            raise InputError(
                f"The clips contradict each other: {driven} is driven by {other.ends[0]} in "
                f"{parts[other.part].name} and by {driver} in {parts[link.part].name}.",
                NAME_THEM,
            )
        into[driven] = link


def _check_common(parts: Sequence[Part]) -> None:
    """Refuse a clip that shares no shaft with any other."""
    shown = [set(part.measurement.motion.names) for part in parts]
    for n, part in enumerate(parts):
        others = set().union(*(names for k, names in enumerate(shown) if k != n))
        if not shown[n] & others:
            raise InputError(
                f"{part.name} has no shaft in common with the other clip{'s' * (len(parts) > 2)}: it shows "
                f"{_list(part)}.",
                "Film the shaft between them in both clips, with its marker of the same number.",
            )


def _check_series(parts: Sequence[Part], chains: list[list[_Link]]) -> None:
    """Refuse a clip that no train leads through; where a linkage of it was left out, say why."""
    joined = {link.part for chain in chains for link in chain}
    for n, part in enumerate(parts):
        if n in joined:
            continue
        for other in (part, *parts):
            for finding in other.measurement.findings:
                if finding.code == "linkage_left_out" and isinstance(finding.facts, Reason):
                    raise InputError(
                        f"{part.name} cannot be joined: in {other.name} the linkage "
                        f"{finding.where.replace(':', ' to ')} is of no use. "
                        f"{finding.facts.why}",
                        finding.facts.remedy,
                    )
        raise InputError(
            f"{part.name} is no part of a train with the others: it shows {_list(part)}, and none of them is "
            "driven in one clip and drives another shaft in another.",
            NAME_THEM,
        )


def _list(part: Part) -> str:
    return " and ".join(part.measurement.motion.names)


def _chains(links: list[_Link]) -> list[list[_Link]]:
    """From each last shaft back to its first driver."""
    into = {link.ends[1]: link for link in links}
    drivers = {link.ends[0] for link in links}
    if links and all(driven in drivers for driven in into):
        raise InputError("The linkages of the clips run in a circle, so no shaft is the last.", NAME_THEM)
    chains = []
    for last in links:
        if last.ends[1] in drivers:
            continue
        chain = [last]
        while chain[0].ends[0] in into and len(chain) < len(links):
            chain.insert(0, into[chain[0].ends[0]])
        chains.append(chain)
    return chains


def _by_part(chain: list[_Link]) -> list[list[_Link]]:
    """A chain cut where it passes from one clip to another."""
    cut = [[chain[0]]]
    for link in chain[1:]:
        if link.part == cut[-1][0].part:
            cut[-1].append(link)
        else:
            cut.append([link])
    return cut


# ---- figures ---------------------------------------------------------------------------------------------


def _section(parts: Sequence[Part], links: list[_Link], settings: Settings) -> _Section:
    """Linkages of one clip as one: measured straight from its first to its last shaft."""
    motion = parts[links[0].part].measurement.motion
    first, last = links[0].result, links[-1].result
    ends = first.plan.driver, last.plan.driven
    pair, limits = pair_motion(motion, *ends), angle_limits(motion, settings)
    shafts = (links[0].ends[0], *(link.ends[1] for link in links))
    slipped = any(link.result.slipped for link in links)
    # a slip is part of the travel, and no error of the angles
    following = follow(first.stroke, pair, limits) if slipped else None
    slow = None if following is None else following.slow
    try:
        curves, fine = (
            travel_curves(first.stroke, pair, step, limits, slow)
            for step in (settings.curve_step_rad, settings.joint_step_rad)
        )
    except StrokeError as error:
        name = parts[links[0].part].name
        raise InputError(f"{name}, {shafts[0]} to {shafts[-1]}: {error.message}", error.hint) from error
    if slipped:
        slack = Estimate(np.nan, np.nan)
    elif len(links) == 1:
        slack = first.condition.slack
    else:
        slack = lost_motion(first.stroke, pair, limits)
    return _Section(links[0].part, shafts, curves, fine, first.stroke.opening_sign, slack)


def _train(parts: Sequence[Part], sections: list[_Section]) -> tuple[JoinedTrain, list[Finding]]:
    """Carry the first section's curve through all others."""
    shafts, curves, slack = sections[0].shafts, sections[0].curves, sections[0].slack
    findings: list[Finding] = []
    for before, after in pairwise(sections):
        try:
            whole = compose(curves, after.fine, after.slack.value)
        except StrokeError as error:
            names = f"{parts[before.part].name} and {parts[after.part].name}"
            raise InputError(f"{names} cannot be joined. {error.message}", error.hint) from error
        shafts += after.shafts[1:]
        name = f"{shafts[0]}:{shafts[-1]}"
        findings += curve_gaps(name, after.shafts[0], parts[after.part].name, curves, whole)
        slack = composed_lost_motion(curves, slack, after.fine, after.slack)
        curves = whole
    return JoinedTrain(shafts, tuple(s.part for s in sections), curves, slack), findings


def _shared(before: _Section, after: _Section) -> SharedShaft:
    first, second = before.curves, after.curves
    return SharedShaft(
        after.shafts[0],
        (before.part, after.part),
        (
            Estimate(first.driven_travel_rad, first.driven_travel_sd_rad),
            Estimate(second.driver_travel_rad, second.driver_travel_sd_rad),
        ),
        shared_difference(first, second),
        (first.driven_sign, after.opening_sign),
    )
