"""Findings about arms that slipped on a shaft with several markers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.arms import ArmVerdict, Moved
from strokecurve.kinematics.findings.facts import ArmMoved, MarkersApart
from strokecurve.kinematics.findings.statements import Finding, Subject, in_degrees


@dataclass(frozen=True, slots=True)
class Link:
    """A linkage of the shaft, and what it says of one step.

    Parameters
    ----------
    name : str
        "driver:driven".
    keeps : int or None
        Group of markers that keeps step with it; None where it does not tell.
    open_sign : int
        Way in which the shaft with the markers opens, +1 counter-clockwise.
    at_driver_rad : float
        Travel of the linkage's driver at the moment; NaN where not known.
    """

    name: str
    keeps: int | None
    open_sign: int
    at_driver_rad: float


@dataclass(frozen=True, slots=True)
class ArmSlip:
    """An arm that slipped on its shaft, seen by the markers of that shaft.

    Parameters
    ----------
    linkage : str
        "driver:driven", whose arm it is.
    arm : str
        "driven" or "drive".
    markers : tuple of int
        On the arm.
    first, last : int
        Frames in which it slipped, both included; none if `last` is before `first`.
    time_s : float
    at_driver_rad : float
        Driver travel of that linkage at the moment.
    size : Estimate
        Driven arm: how far the shaft is off afterwards, positive toward open. Drive arm: how far the arm
        stands ahead of the shaft afterwards, positive toward high fire.
    certain : bool
        Whether the film tells that it was this arm.
    """

    linkage: str
    arm: str
    markers: tuple[int, ...]
    first: int
    last: int
    time_s: float
    at_driver_rad: float
    size: Estimate
    certain: bool


@dataclass(frozen=True, slots=True)
class Shaft:
    """What is said of the shaft.

    Parameters
    ----------
    name : str
    markers : tuple of int
        Ids of its markers.
    driven_by, driving : tuple of Link
        Linkages that drive it, and that it drives.
    """

    name: str
    markers: tuple[int, ...]
    driven_by: tuple[Link, ...]
    driving: tuple[Link, ...]

    def ids(self, moved: Moved, group: int) -> tuple[int, ...]:
        """Ids of the markers of a group."""
        return tuple(self.markers[b] for b in moved.groups[group])


def arm_slips(shaft: Shaft, moved: Moved, verdict: ArmVerdict, time_s: float) -> tuple[ArmSlip, ...]:
    """Arms of linkages that slipped at one step.

    Parameters
    ----------
    shaft : Shaft
    moved : Moved
    verdict : ArmVerdict
    time_s : float
        Of the step.

    Returns
    -------
    tuple of ArmSlip
        Empty where no arm of a linkage moved against the shaft.
    """
    found = []
    for group in range(len(moved.groups)):
        if group == verdict.true or verdict.why == "turned" or verdict.cause[group] == "unknown":
            continue
        apart = moved.between(group, verdict.true)
        for links, arm, sense in ((shaft.driven_by, "driven", -1), (shaft.driving, "drive", 1)):
            for link in (k for k in links if k.keeps == group):
                size = Estimate(sense * link.open_sign * apart.value, apart.sd)
                found.append(
                    ArmSlip(
                        link.name,
                        arm,
                        shaft.ids(moved, group),
                        moved.first,
                        moved.last,
                        time_s,
                        link.at_driver_rad,
                        size,
                        verdict.certain,
                    )
                )
    return tuple(found)


def slip_finding(shaft: Shaft, moved: Moved, verdict: ArmVerdict, slip: ArmSlip, limit_rad: float) -> Finding:
    """The finding for an arm that slipped; smaller steps than ``limit_rad`` are not looked for."""
    goes_with = ""
    if verdict.why == "downstream":
        goes_with = next(k.name for k in shaft.driving if k.keeps == verdict.true)
    return in_degrees(
        "slip",
        "danger",
        Subject(slip.linkage, part=f"{slip.arm} arm", markers=slip.markers),
        (slip.size.value, slip.size.sd, limit_rad),
        time_s=slip.time_s,
        at_driver_rad=slip.at_driver_rad,
        facts=ArmMoved(shaft.name, shaft.ids(moved, verdict.true), verdict.why, goes_with),
    )


def loose_findings(
    shaft: Shaft, moved: Moved, verdict: ArmVerdict, time_s: float, limit_rad: float
) -> tuple[Finding, ...]:
    """Findings for markers that moved against the shaft and belong to no arm that slipped.

    Parameters
    ----------
    shaft : Shaft
    moved : Moved
    verdict : ArmVerdict
    time_s : float
    limit_rad : float
        Smaller steps are not looked for.

    Returns
    -------
    tuple of Finding
    """
    found = []
    linked = {k.keeps for k in (*shaft.driven_by, *shaft.driving)}
    for group in range(len(moved.groups)):
        if group == verdict.true or (group in linked and verdict.why not in ("turned", "unknown")):
            continue
        apart = moved.between(group, verdict.true)
        figures = abs(apart.value), apart.sd, limit_rad
        ids = shaft.ids(moved, group)
        facts = MarkersApart(shaft.name, ids, shaft.ids(moved, verdict.true), verdict.why)
        if verdict.why == "unknown":
            found.append(_undecided(shaft, figures, time_s, facts))
            continue
        found.append(
            in_degrees(
                "marker_loose",
                "caution",
                Subject(markers=ids),
                figures,
                time_s=time_s,
                facts=facts,
                kind="filming",
            )
        )
    return tuple(found)


def _undecided(
    shaft: Shaft, figures: tuple[float, float, float], time_s: float, facts: MarkersApart
) -> Finding:
    links = (*shaft.driven_by, *shaft.driving)
    markers = (*facts.moved, *facts.kept)
    return in_degrees(
        "slip",
        "danger",
        Subject(links[0].name, markers=markers) if links else Subject(shaft=shaft.name, markers=markers),
        figures,
        time_s=time_s,
        at_driver_rad=links[0].at_driver_rad if links else math.nan,
        facts=facts,
    )
