"""Condition, geometry and findings of a film as a person reads them: one table for page, terminal and PDF.

In come entries of ``result.json``; out go rows of text, in one order, with the same words and with units.
How a row is drawn is the business of whoever shows it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from strokecurve.app.result.reading import number
from strokecurve.app.result.tables import geometry_table
from strokecurve.app.words.estimates import NOT_AVAILABLE, format_estimate, format_exact
from strokecurve.app.words.findings import filming
from strokecurve.app.words.names import spoken
from strokecurve.kinematics.findings.statements import SEVERITIES

SD_NOTE = "± is one standard deviation."
IN_LINE_NOTE = "0° between rod and arm means in line (toggle at the driven arm)."
START_ANGLES_NOTE = "Start angles from the line of centres at low fire, counter-clockwise positive."
NOT_DETERMINED = "not determined by this film"
WHAT_SETTLES = "What would settle the rest:"
NO_PLAY = "Play of the joints is not told by this film: it takes a marker on the rod."
USUAL_REMEDY = "film with a marker on the rod, or measure it by hand"
CONDITION_HEAD = ("angle", "measured", "at driver travel")
GEOMETRY_HEAD = ("size or angle", "measured", "from")
JOINTS_HEAD = ("joint", "play along the rod", "lost at the driven shaft")
WHAT_TO_DO = "What to do:"


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of a linkage's condition.

    Attributes
    ----------
    key : str
        Its entry of ``result.json``.
    words : str
        What it is called.
    aside : str
        Said behind that in tables.
    better : str
        ``less`` or ``more`` where that is better, else empty.
    """

    key: str
    words: str
    aside: str = ""
    better: str = ""

    @property
    def label(self) -> str:
        """What it is called in a table."""
        return f"{self.words}{self.aside}"


SLACK = Figure("slack_deg", "lost motion", " (slack)", "less")
HYSTERESIS = Figure("hysteresis_max_deg", "largest closing minus opening")
REPEATABILITY = Figure("repeatability_deg", "largest difference between passes of the same way")
DRIVE_ANGLE = Figure("min_drive_angle_deg", "smallest angle of rod and drive arm", better="more")
DRIVEN_ANGLE = Figure("min_transmission_angle_deg", "smallest angle of rod and driven arm", better="more")
CONDITION = (SLACK, HYSTERESIS, REPEATABILITY, DRIVE_ANGLE, DRIVEN_ANGLE)
"""Angles of a linkage's condition (deg), in the order in which they are shown."""
ENDS = {
    "low_fire": "driver travel to in line beyond low fire",
    "high_fire": "driver travel to in line beyond high fire",
}
"""Ends of the stroke with what the travel left beyond them is called; they follow ``CONDITION``."""
PINS = {"drive_pin": "drive pin", "driven_pin": "driven pin"}


@dataclass(frozen=True, slots=True)
class Row:
    """A figure as it is shown.

    Attributes
    ----------
    words : str
        What it is.
    value : str
        With its uncertainty and unit, or why there is none.
    aside : str
        Driver travel where it lies, what it comes from or, of a joint, what is lost at the driven shaft;
        empty where there is nothing to say.
    """

    words: str
    value: str
    aside: str


@dataclass(frozen=True, slots=True)
class ShownFinding:
    """A finding as it is shown.

    Attributes
    ----------
    severity : str
        ``danger``, ``caution`` or ``note``.
    where : str
        What it is about.
    measured : str
        Figure, uncertainty and limit; empty where it has none.
    text, advice : str
        What is the case, and what to do.
    """

    severity: str
    where: str
    measured: str
    text: str
    advice: str


def estimate(entry: object, unit: str = "deg") -> str:
    """A {value, sd} entry of ``result.json``."""
    if not isinstance(entry, Mapping):
        return NOT_AVAILABLE
    return format_estimate(number(entry.get("value")), number(entry.get("sd")), unit)


def place(entry: object) -> str:
    """Driver travel of an entry; empty if it has none."""
    at = number(entry.get("at_driver_deg")) if isinstance(entry, Mapping) else math.nan
    return "" if math.isnan(at) else format_exact(at, "deg", 0)


def condition_rows(linkage: Mapping[str, Any]) -> tuple[Row, ...]:
    """Lost motion, margins, repeatability, and what is left beyond the ends of the stroke."""
    rows = [
        Row(figure.label, _angle(linkage, figure), place(linkage.get(figure.key))) for figure in CONDITION
    ]
    left = linkage.get("travel_to_toggle_deg")
    for end, words in ENDS.items():
        entry = left.get(end) if isinstance(left, Mapping) else None
        arm = entry.get("arm") if isinstance(entry, Mapping) else None
        far = entry is None and left is not None and linkage.get("fit") is not None
        value = "not within half a turn" if far else estimate(entry)
        rows.append(Row(f"{words} ({arm} arm)" if arm else words, value, ""))
    return tuple(rows)


def _angle(linkage: Mapping[str, Any], figure: Figure) -> str:
    entry = linkage.get(figure.key)
    if entry is None and figure is REPEATABILITY:
        return "no pass filmed twice"
    return estimate(entry)


def joint_rows(linkage: Mapping[str, Any]) -> tuple[Row, ...]:
    """Play of the joints, and what of it is lost at the driven shaft; empty where the film does not tell."""
    play = linkage.get("joint_play")
    if not isinstance(play, Mapping):
        return ()
    joints = {words: play.get(key) for key, words in PINS.items()}
    return tuple(
        Row(words, estimate(joint.get("play_mm"), "mm"), estimate(joint.get("lost_deg")))
        if isinstance(joint, Mapping)
        else Row(words, NOT_AVAILABLE, NOT_AVAILABLE)
        for words, joint in joints.items()
    )


def geometry_rows(linkage: Mapping[str, Any]) -> tuple[Row, ...]:
    """Sizes and start angles with what they come from."""
    return tuple(
        Row(
            row["words"],
            format_estimate(number(row["value"]), number(row["sd"]), row["unit"])
            if row["determined"]
            else NOT_DETERMINED,
            row["evidence"] if row["determined"] else "",
        )
        for row in geometry_table(linkage["geometry"]).to_dict("records")
    )


def open_questions(linkage: Mapping[str, Any]) -> tuple[str, ...]:
    """What a film does not determine, with what would settle it."""
    return tuple(
        f"{row['words']}: {row['settle'] or USUAL_REMEDY}"
        for row in geometry_table(linkage["geometry"]).to_dict("records")
        if not row["determined"]
    )


def in_order(found: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Findings of ``result.json``, the gravest first, otherwise in their own order."""
    return sorted(found, key=lambda one: SEVERITIES.index(one["severity"]))


def shown(finding: Mapping[str, Any]) -> ShownFinding:
    """A finding of ``result.json`` as it is shown."""
    where = str(finding.get("where") or "").strip()
    return ShownFinding(
        str(finding["severity"]),
        spoken(where) if where else NOT_AVAILABLE,
        measured(finding),
        str(finding.get("text") or "").strip() or NOT_AVAILABLE,
        str(finding.get("advice") or ""),
    )


def measured(finding: Mapping[str, Any]) -> str:
    """Value, uncertainty and limit of a finding; empty if it has no figure."""
    value, unit = number(finding.get("value")), finding.get("unit")
    if math.isnan(value) or not isinstance(unit, str):
        return ""
    sd, limit = number(finding.get("sd")), number(finding.get("limit"))
    # Counts and shares of filming faults are what they are; anything else says that it has no uncertainty.
    code = finding.get("code")
    counted = isinstance(code, str) and code in filming.WORDS and math.isnan(sd)
    text = format_exact(value, unit) if counted else format_estimate(value, sd, unit)
    if math.isnan(limit):
        return text
    # A stroke has no limit, only a usual size.
    return f"{text}, {'usual' if code == 'stroke' else 'limit'} {format_exact(limit, unit)}"
