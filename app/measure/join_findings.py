"""Findings about clips that were joined."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from strokecurve.app.measure.settings import Settings
from strokecurve.app.words.findings.clips import FurtherIn, Missing, OpensIn
from strokecurve.kinematics.findings.findings import Finding, Subject
from strokecurve.kinematics.findings.statements import in_degrees
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
            Subject(shaft=shaft.name),
            (value, sd, settings.shared_travel_rad),
            facts=FurtherIn(parts[more].name, parts[less].name),
            kind="filming",
        )
    ]


def other_side(shaft: SharedShaft, parts: Sequence[Part]) -> list[Finding]:
    """The shared shaft opens counter-clockwise in one clip and clockwise in the other."""
    if shaft.opening_signs[0] == shaft.opening_signs[1]:
        return []
    (first, second), (one, other) = shaft.parts, shaft.opening_signs
    facts = OpensIn(parts[first].name, one, parts[second].name, other)
    return [Finding("other_side", "note", Subject(shaft=shaft.name), facts=facts, kind="filming")]


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
    spans = tuple((way, math.degrees(at[0]), math.degrees(at[-1])) for way, at in lost.items())
    return [
        in_degrees(
            "joined_gap",
            "caution",
            Subject(name),
            (max(at.size for at in lost.values()) * step, None, None),
            facts=Missing(clip, shaft, spans),
        )
    ]
