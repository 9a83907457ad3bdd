"""What an adjustment starts from: the linkage, what may be changed of it, its limits, the intended travel."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from strokecurve.app.adjust.known_linkage import (
    KnownLinkage,
    bearing_of,
    linkage_from_entry,
    linkage_from_tape,
    trains_behind,
)
from strokecurve.app.intended.given import FORMAT_HINT, Row, rows_from_csv
from strokecurve.app.measure.rig import Allowed, Rig, RigLinkage
from strokecurve.app.result.reading import FilmResult, number
from strokecurve.app.words.errors import InputError
from strokecurve.kinematics.adjust.setting import Adjustable, AdjustLimits, Range
from strokecurve.kinematics.intended.table import Intended

LARGEST_TABLE_BYTES = 1 << 20
USUAL_RADIUS_SHARE = 0.3
"""How far a radius may be changed either way where the set-up file does not say: our own choice."""
USUAL_TURN_DEG = 30.0
"""How far an arm may be turned on its shaft either way where the set-up file does not say: our own choice."""
_MOST_TOGGLE_DEG = 89.0  # no linkage moves at all at 90


@dataclass(frozen=True, slots=True)
class LinkageToAdjust:
    """The linkage to adjust and everything known around it.

    Attributes
    ----------
    source : str
        Where the figures come from, for people.
    linkage : KnownLinkage
    behind : tuple of tuple of KnownLinkage
        Every train of linkages behind it, in order.
    unknown_behind : tuple of str
        Linkages behind it whose geometry is not known.
    least_behind_rad : mapping of str to float
        Smallest angle between rod and arm line asked for in each linkage behind it.
    adjustable : Adjustable
    limits : AdjustLimits
    assumed : tuple of str
        What was assumed for want of a statement in the set-up file.
    notes : tuple of str
    """

    source: str
    linkage: KnownLinkage
    behind: tuple[tuple[KnownLinkage, ...], ...]
    unknown_behind: tuple[str, ...]
    least_behind_rad: Mapping[str, float]
    adjustable: Adjustable
    limits: AdjustLimits
    assumed: tuple[str, ...]
    notes: tuple[str, ...]


def subject_from_film(film: FilmResult, name: str | None, rig: Rig | None = None) -> LinkageToAdjust:
    """The linkage to adjust from a result folder; a set-up file adds what may be changed and the limits.

    Parameters
    ----------
    film : FilmResult
    name : str or None
        ``driver:driven``; the first linkage if None.
    rig : Rig or None

    Returns
    -------
    LinkageToAdjust

    Raises
    ------
    InputError
        If there is no such linkage, or the film does not determine it.
    """
    names = list(film.linkages)
    chosen = _chosen(name, names, "in this film")
    linkage = replace(
        linkage_from_entry(chosen, film.linkages[chosen]),
        bearing_rad=bearing_of(film.shafts, chosen) or 0.0,
    )
    entry = film.linkages[chosen]
    slack = number((entry.get("slack_deg") or {}).get("value"))
    notes = []
    if slack > 0:
        notes.append(
            f"Lost motion of {slack:.1f} degrees stays whatever is adjusted: predicted travel is that of the "
            "closing pass, in opening the driven shaft follows by so much later. See to worn joints first."
        )
    if entry.get("slips"):
        notes.append(
            "An arm slipped on its shaft in this film, and the geometry is that before it slipped: clamp it "
            "and film again before anything else is moved."
        )
    trains, unknown = trains_behind(chosen, names, lambda one: linkage_from_entry(one, film.linkages[one]))
    stated = {f"{k.driver}:{k.driven}": k for k in (rig.linkages if rig else ())}
    if stated and chosen not in stated:
        raise InputError(
            f"The set-up file says nothing of {chosen}.", "Add a [[linkage]] for it, or leave out --rig."
        )
    return _subject(f"the film {film.clip_name}", linkage, trains, unknown, stated, names, notes)


def subject_from_rig(rig: Rig, name: str | None) -> LinkageToAdjust:
    """The linkage to adjust from tape measures alone.

    Parameters
    ----------
    rig : Rig
    name : str or None
        ``driver:driven``; the first linkage of the file if None.

    Returns
    -------
    LinkageToAdjust

    Raises
    ------
    InputError
        If there is no such linkage, or its tape measures are not a whole linkage.
    """
    stated = {f"{k.driver}:{k.driven}": k for k in rig.linkages}
    if not stated:
        raise InputError(
            "The set-up file has no linkage.", "Add [[linkage]] with driver, driven and [linkage.tape]."
        )
    chosen = _chosen(name, list(stated), "in the set-up file")
    linkage = linkage_from_tape(chosen, stated[chosen])
    trains, unknown = trains_behind(chosen, list(stated), lambda one: linkage_from_tape(one, stated[one]))
    return _subject("tape measures", linkage, trains, unknown, stated, list(stated), list(linkage.notes))


def _chosen(name: str | None, names: list[str], where: str) -> str:
    if name is None:
        return names[0]
    if name not in names:
        raise InputError(
            f"There is no linkage {name} {where}.", f"Choose {' or '.join(names)} for --linkage."
        )
    return name


def _subject(
    source: str,
    linkage: KnownLinkage,
    trains: tuple[tuple[KnownLinkage, ...], ...],
    unknown: tuple[str, ...],
    stated: Mapping[str, RigLinkage],
    names: list[str],
    notes: list[str],
) -> LinkageToAdjust:
    adjustable, assumed = _adjustable(linkage, stated.get(linkage.name))
    if adjustable.stroke_rad is not None and linkage.name.split(":")[0] in {n.split(":")[1] for n in names}:
        raise InputError(
            f"{linkage.name} is not driven by the motor, so its stroke cannot be set there.",
            "Allow stroke_deg at the linkage that the motor drives.",
        )
    limits, more = _limits(stated.get(linkage.name))
    behind, most = _least_behind({one.name for train in trains for one in train}, stated)
    notes = [*notes, *(n for n in linkage.notes if n not in notes)]
    every = (*assumed, *more, *most)
    return LinkageToAdjust(source, linkage, trains, unknown, behind, adjustable, limits, every, tuple(notes))


def _adjustable(linkage: KnownLinkage, stated: RigLinkage | None) -> tuple[Adjustable, tuple[str, ...]]:
    """What may be changed, and what was assumed."""
    setting = linkage.setting
    if stated is not None and stated.allow:
        allow = stated.allow
        assumed = (
            () if "rod_mm" in allow else ("The rod may take any length: the set-up file gives no range.",)
        )
        return (
            Adjustable(
                _range(allow.get("drive_radius_mm")),
                _range(allow.get("driven_radius_mm")),
                _angles(allow.get("drive_start_deg"), setting.drive_start_rad),
                _angles(allow.get("driven_start_deg"), setting.driven_start_rad),
                _angles(allow.get("stroke_deg"), setting.stroke_rad),
                _range(allow.get("rod_mm")),
            ),
            assumed,
        )
    share, turn = USUAL_RADIUS_SHARE, math.radians(USUAL_TURN_DEG)
    radii = [
        Range((1 - share) * radius, (1 + share) * radius)
        for radius in (setting.drive_radius_mm, setting.driven_radius_mm)
    ]
    starts = [Range(at - turn, at + turn) for at in (setting.drive_start_rad, setting.driven_start_rad)]
    return Adjustable(*radii, *starts), (
        "What may be changed was assumed, as no set-up file says it: either radius by up to "
        f"{100 * share:.0f} %, either arm turned by up to {USUAL_TURN_DEG:g} degrees, the rod to any length, "
        "the motor's stroke not at all. Check the holes and threads that really exist, and give them in "
        "[linkage.allow].",
    )


def _range(allowed: Allowed | None) -> Range | None:
    return None if allowed is None else Range(allowed.low, allowed.high, allowed.holes)


def _angles(allowed: Allowed | None, now_rad: float) -> Range | None:
    """A range of angles, at the full turn nearest to the present one."""
    if allowed is None:
        return None
    low, high = math.radians(allowed.low), math.radians(allowed.high)
    turns = 2 * math.pi * round((now_rad - (low + high) / 2) / (2 * math.pi))
    return Range(low + turns, high + turns, tuple(math.radians(h) + turns for h in allowed.holes))


def _limits(stated: RigLinkage | None) -> tuple[AdjustLimits, tuple[str, ...]]:
    usual, assumed = AdjustLimits(), []
    toggle, beyond = usual.min_toggle_rad, usual.over_travel_rad
    if stated is None or stated.min_toggle_deg is None:
        assumed.append(
            f"Rod and arm lines stay {math.degrees(toggle):.0f} degrees or more apart over the stroke "
            "(assumed; published guidance for the transmission angle is 40 to 45)."
        )
    else:
        toggle = _least_rad(stated.min_toggle_deg)
    if stated is None or stated.over_travel_deg is None:
        assumed.append(
            f"The motor may run up to {math.degrees(beyond):.0f} degrees past either end of its stroke "
            f"(assumed); {math.degrees(min(toggle, usual.over_travel_toggle_rad)):.0f} degrees are kept."
        )
    else:
        beyond = math.radians(stated.over_travel_deg)
    low = None if stated is None else stated.driven_min_deg
    high = None if stated is None else stated.driven_max_deg
    return (
        AdjustLimits(
            min_toggle_rad=toggle,
            over_travel_rad=beyond,
            driven_low_rad=-math.inf if low is None else math.radians(low) - 1e-9,
            driven_high_rad=math.inf if high is None else math.radians(high),
        ),
        tuple(assumed),
    )


def _least_rad(stated_deg: float) -> float:
    return math.radians(min(stated_deg, _MOST_TOGGLE_DEG))


def _least_behind(
    names: set[str], stated: Mapping[str, RigLinkage]
) -> tuple[dict[str, float], tuple[str, ...]]:
    """The smallest angle asked for in each linkage behind, and what was assumed of it."""
    usual, found, assumed = AdjustLimits().min_toggle_rad, {}, []
    for name in sorted(names):
        given = stated[name].min_toggle_deg if name in stated else None
        found[name] = usual if given is None else _least_rad(given)
        if given is None:
            assumed.append(name)
    if not assumed:
        return found, ()
    return found, (
        f"Behind it {math.degrees(usual):.0f} degrees are asked for between rod and arm line, too (assumed): "
        f"{', '.join(assumed)}.",
    )


def read_intended(path: Path) -> Intended:
    """Intended travel from a file.

    Raises
    ------
    InputError, KinematicsError
        If it cannot be read or used.
    """
    try:
        if path.stat().st_size > LARGEST_TABLE_BYTES:
            raise InputError(f"{path.name} is too large for a table of intended travel.", FORMAT_HINT)
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The intended travel {path.name} cannot be read.", "Check its name and folder."
        ) from error
    return intended_from_rows(rows_from_csv(content))


def with_low_fire(subject: LinkageToAdjust, intended: Intended) -> LinkageToAdjust:
    """The same with low fire where the intended travel has it, set by the rod.

    Raises
    ------
    InputError
        If the intended travel does not begin at low fire.
    """
    low = float(intended.driven_at(0.0))
    if math.isnan(low):
        raise InputError(
            "The intended travel does not say where the driven shaft stands at low fire.",
            "Add a row with driver_deg 0.",
        )
    moved = f"Low fire is moved to {math.degrees(low):.1f} degrees from where it was found, as was asked for."
    limits = replace(subject.limits, low_fire_rad=low)
    return replace(subject, limits=limits, notes=(*subject.notes, moved))


def intended_from_rows(rows: tuple[Row, ...]) -> Intended:
    """Rows in degrees as the table that is computed with."""
    columns = np.radians(np.array(rows, dtype=float).reshape(-1, 3))
    return Intended.from_table(*columns.T)
