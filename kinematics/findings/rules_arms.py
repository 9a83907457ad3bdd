"""What is said of arms that slipped on a shaft with several markers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.arms import Moved, Verdict
from strokecurve.kinematics.findings.statements import LOCKED, Finding, figure, in_degrees


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


def arm_slips(shaft: Shaft, moved: Moved, verdict: Verdict, time_s: float) -> tuple[ArmSlip, ...]:
    """Arms of linkages that slipped at one step.

    Parameters
    ----------
    shaft : Shaft
    moved : Moved
    verdict : Verdict
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


def slip_finding(shaft: Shaft, moved: Moved, verdict: Verdict, slip: ArmSlip, limit_rad: float) -> Finding:
    """The finding for an arm that slipped; smaller steps than ``limit_rad`` are not looked for."""
    stays = shaft.ids(moved, verdict.true)
    size = _size(slip.size)
    held = (
        "Radii, rod and spacing hold on either side of it; the arm's start angle on its shaft, and what "
        "follows from it, are those before."
    )
    return in_degrees(
        "slip",
        "danger",
        f"{slip.linkage} {slip.arm} arm",
        (slip.size.value, slip.size.sd, limit_rad),
        f"The {slip.arm} arm, with {_markers(slip.markers)}, slipped on {shaft.name} by {size}"
        f"{_moment(slip.time_s)}{_travel(slip.at_driver_rad)}: {_since(shaft, slip)}. "
        f"{_told(shaft, moved, verdict, slip)} "
        f"The angle of {shaft.name} is taken from {_markers(stays)}. {held}",
        f"{LOCKED}check the {slip.arm} arm's clamp screw and key and that no marker moved on its arm, "
        "set low fire anew, and film again.",
    )


def loose_findings(
    shaft: Shaft, moved: Moved, verdict: Verdict, time_s: float, limit_rad: float
) -> tuple[Finding, ...]:
    """Findings for markers that moved against the shaft and belong to no arm that slipped.

    Parameters
    ----------
    shaft : Shaft
    moved : Moved
    verdict : Verdict
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
        apart = Estimate(abs(apart.value), apart.sd)
        one, kept = shaft.ids(moved, group), shaft.ids(moved, verdict.true)
        moves = f"{_markers(one).capitalize()} moved against {shaft.name} by {_size(apart)}{_moment(time_s)}"
        taken = f"The angle of {shaft.name} is taken from {_markers(kept)}."
        if verdict.why == "unknown":
            found.append(_undecided(shaft, apart, (one, kept), time_s, limit_rad))
            continue
        if verdict.why == "turned":
            why = f"{_it(one)} turned in {'its' if len(one) == 1 else 'their'} place."
        elif verdict.why == "linkages":
            why = f"Neither linkage of {shaft.name} goes with {_it(one).lower()}."
        else:
            why = f"No linkage goes with {_it(one).lower()}: {_it(one).lower()} came loose, or what it is on."
        found.append(
            in_degrees(
                "marker_loose",
                "caution",
                f"marker {' and '.join(map(str, one))}",
                (apart.value, apart.sd, limit_rad),
                f"{moves}. {why} {taken}",
                "Glue it down so that it cannot move, check the clamp of what it is on, and film again.",
            )
        )
    return tuple(found)


def _undecided(
    shaft: Shaft,
    apart: Estimate,
    markers: tuple[tuple[int, ...], tuple[int, ...]],
    time_s: float,
    limit_rad: float,
) -> Finding:
    links = (*shaft.driven_by, *shaft.driving)
    return in_degrees(
        "slip",
        "danger",
        links[0].name if links else shaft.name,
        (apart.value, apart.sd, limit_rad),
        f"{_markers(markers[0]).capitalize()} and {_markers(markers[1])} of {shaft.name} moved against each "
        f"other by {_size(apart)}{_moment(time_s)}{_travel(links[0].at_driver_rad) if links else ''}: an arm "
        "slipped or a marker came loose. Which one this film does not tell, as no linkage was seen to keep "
        f"step with either. The angle of {shaft.name} is taken from {_markers(markers[1])}.",
        f"{LOCKED}check the clamp screws and keys of {shaft.name} and its markers, and film again.",
    )


def _told(shaft: Shaft, moved: Moved, verdict: Verdict, slip: ArmSlip) -> str:
    """How the film tells that it was this arm, or what else would look the same."""
    one, other = _markers(slip.markers), _markers(shaft.ids(moved, verdict.true))
    follows = f"{one.capitalize()} keeps step with {slip.linkage}"
    if verdict.why == "downstream":
        on = next(k.name for k in shaft.driving if k.keeps == verdict.true)
        return (
            f"{follows}, {other} with {on}; that the arm of the latter slipped instead would look the same, "
            f"and either way what {shaft.name} drives is off."
        )
    if verdict.why == "loaded":
        return f"{follows}; that {other} moved instead would look the same, as no linkage shows it."
    if verdict.why == "rest":
        return f"{follows}, and {other} comes back to its rest."
    return f"{follows}, and {other} stay together." if verdict.why == "most" else f"{follows}."


def _since(shaft: Shaft, slip: ArmSlip) -> str:
    if slip.arm == "driven":
        return f"{shaft.name} stands so much further {'open' if slip.size.value > 0 else 'closed'} since"
    way = "toward" if slip.size.value > 0 else "away from"
    return f"the arm stands so much further {way} high fire on its shaft since"


def _size(size: Estimate) -> str:
    if not math.isfinite(size.value):
        return "an amount that the film does not tell"
    return figure(abs(size.value), size.sd)


def _moment(time_s: float) -> str:
    return f" at {time_s:.1f} s" if math.isfinite(time_s) else ""


def _travel(at_driver_rad: float) -> str:
    return (
        f", {math.degrees(at_driver_rad):.0f} degrees of driver travel"
        if math.isfinite(at_driver_rad)
        else ""
    )


def _markers(ids: Sequence[int]) -> str:
    names = " and ".join(str(i) for i in ids)
    return f"marker {names}" if len(ids) == 1 else f"markers {names}"


def _it(ids: Sequence[int]) -> str:
    return "It" if len(ids) == 1 else "They"
