"""Findings about clips that were joined."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from strokecurve.app.measure.settings import Settings
from strokecurve.kinematics.findings.findings import Finding
from strokecurve.kinematics.findings.statements import figure, in_degrees
from strokecurve.kinematics.motion.travel import TravelCurves

if TYPE_CHECKING:
    from strokecurve.app.measure.join import Part, SharedShaft


def lengths_differ(shaft: SharedShaft, parts: Sequence[Part], settings: Settings) -> list[Finding]:
    """The shared shaft's stroke was not the same in both clips, beyond noise and limit."""
    value, sd = shaft.difference.value, shaft.difference.sd
    if not abs(value) > max(settings.sure_sigmas * sd, settings.shared_travel_rad):
        return []
    more, less = (shaft.parts[1], shaft.parts[0]) if value > 0 else shaft.parts
    return [
        in_degrees(
            "shared_travel",
            "caution",
            shaft.name,
            (value, sd, settings.shared_travel_rad),
            f"{shaft.name} turns {figure(abs(value), sd)} further in {parts[more].name} than in "
            f"{parts[less].name}, so the stroke was not full in one of them or the linkage was changed in "
            "between.",
            "Film both clips again without touching the linkage, each from low fire to high fire and back.",
        )
    ]


def other_side(shaft: SharedShaft, parts: Sequence[Part]) -> list[Finding]:
    """The shared shaft opens counter-clockwise in one clip and clockwise in the other."""
    if shaft.opening_signs[0] == shaft.opening_signs[1]:
        return []
    ways = ["counter-clockwise" if sign > 0 else "clockwise" for sign in shaft.opening_signs]
    names = [parts[n].name for n in shaft.parts]
    return [
        Finding(
            "other_side",
            "note",
            shaft.name,
            None,
            None,
            None,
            f"{shaft.name} opens {ways[0]} in {names[0]} and {ways[1]} in {names[1]}: taken for the same "
            "shaft seen from its other side. Travel counts in the opening direction, so the curves join.",
            "If both clips were filmed from the same side, one of them began at high fire: film it again "
            "from low fire, or give its opening in a set-up file.",
        )
    ]


def curve_gaps(name: str, shaft: str, clip: str, before: TravelCurves, whole: TravelCurves) -> list[Finding]:
    """Positions of the first driver at which the clip that follows does not tell where the last shaft is."""
    step = float(before.driver_rad[1] - before.driver_rad[0]) if before.driver_rad.size > 1 else math.nan
    lost = {}
    for way, known, now in (
        ("opening", before.opening_rad, whole.opening_rad),
        ("closing", before.closing_rad, whole.closing_rad),
    ):
        gone = np.isfinite(known) & ~np.isfinite(now)
        if gone.any():
            lost[way] = before.driver_rad[gone]
    if not lost:
        return []
    spans = [
        f"{way} between {math.degrees(at[0]):.0f} and {math.degrees(at[-1]):.0f} degrees of driver travel"
        for way, at in lost.items()
    ]
    return [
        in_degrees(
            "joined_gap",
            "caution",
            name,
            (max(at.size for at in lost.values()) * step, None, None),
            f"{clip} does not show the part of {shaft}'s travel that is needed for {' and '.join(spans)}: "
            "the overall curve has a gap there.",
            f"Film {clip} again over the full stroke, with both passes and all markers in view.",
        )
    ]
