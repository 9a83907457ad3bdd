"""A measurement in a few lines of text, for the terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from strokecurve.app.measure.clip import Measurement
from strokecurve.app.result.contents import record
from strokecurve.app.words.estimates import format_estimate
from strokecurve.app.words.names import QUANTITY_WORDS

WIDTH = 96
CLOSING = (
    "± is one standard deviation. This measurement advises; it does not say that a burner is safe to fire. "
    "Final settings only with a calibrated combustion analyser, by a licensed technician, to the maker's "
    "instructions and local code."
)


def summary(measurement: Measurement) -> str:
    """Give shafts, linkages and findings in words and figures, each with its uncertainty."""
    content = record(measurement)
    return "\n".join([*measured_lines(content), "", *finding_lines(content["findings"])])


def measured_lines(content: Mapping[str, Any]) -> list[str]:
    """Shafts and linkages of one clip's record."""
    lines = ["Shaft           travel             opens   frames measured"]
    frames = content["clip"]["frames"]
    for shaft in content["shafts"]:
        travel = format_estimate(shaft["travel_deg"], shaft["travel_sd_deg"], "deg")
        way = "counter-clockwise" if shaft["opening"] == "ccw" else "clockwise"
        lines.append(f"{shaft['name']:<15} {travel:<18} {way}, {shaft['frames_measured']} of {frames}")
    for linkage in content["linkages"]:
        lines += ["", f"Linkage {linkage['driver']} to {linkage['driven']}"]
        for name, words in QUANTITY_WORDS.items():
            lines.append(_quantity(words, linkage["geometry"][name], name.rsplit("_", 1)[1]))
        for words, entry in (
            ("lost motion", linkage["slack_deg"]),
            ("largest hysteresis", linkage["hysteresis_max_deg"]),
            ("smallest drive angle", linkage["min_drive_angle_deg"]),
            ("smallest transmission angle", linkage["min_transmission_angle_deg"]),
        ):
            lines.append(figure_line(words, entry))
    return lines


def finding_lines(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """Findings and the closing words; a finding's clip, where it has one, stands before it."""
    lines = ["Findings, the gravest first:"]
    for finding in findings:
        where = f"{finding['clip']}, {finding['where']}" if finding.get("clip") else finding["where"]
        text = f"{finding['severity'].upper()} {where}: {finding['text']} {finding['advice']}"
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")
    if not findings:
        lines.append("- none")
    return [*lines, "", *textwrap.wrap(CLOSING, WIDTH)]


def _quantity(words: str, entry: dict[str, Any], unit: str) -> str:
    if entry["value"] is None or not entry["determined"]:
        hint = f"; {entry['settle']}" if entry.get("settle") else ""
        return f"  {words:<28} not determined by this film{hint}"
    return f"  {words:<28} {format_estimate(entry['value'], entry['sd'], unit)}"


def figure_line(words: str, entry: Mapping[str, float | None] | None) -> str:
    """A figure with its name, and where it lies if that is given."""
    if entry is None or entry["value"] is None:
        return f"  {words:<28} not available"
    at = entry.get("at_driver_deg")
    place = f" at {at:.0f}° of driver travel" if at is not None and math.isfinite(at) else ""
    return f"  {words:<28} {format_estimate(entry['value'], entry['sd'], 'deg')}{place}"
