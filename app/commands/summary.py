"""A measurement in a few lines of text, for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from strokecurve.app.measure.clip import Measurement
from strokecurve.app.result import presenter
from strokecurve.app.result.contents import record
from strokecurve.app.words.estimates import format_estimate

WIDTH = 96
WORDS_WIDTH = 54
"""As wide as the longest name of a figure."""
LOST = presenter.JOINTS_HEAD[2]
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
        lines += [
            _line(row.words, f"{row.value} (from {row.aside})" if row.aside else row.value)
            for row in presenter.geometry_rows(linkage)
        ]
        left_open = presenter.open_questions(linkage)
        if left_open:
            lines += [f"  {presenter.WHAT_SETTLES}", *(f"  - {question}" for question in left_open)]
        lines += [_figure(row) for row in presenter.condition_rows(linkage)]
        joints = presenter.joint_rows(linkage)
        lines += [
            _line(f"{row.words}, {presenter.JOINTS_HEAD[1]}", f"{row.value} ({row.aside} {LOST})")
            for row in joints
        ]
        if not joints:
            lines.append(f"  {presenter.NO_PLAY}")
    return lines


def finding_lines(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """Findings and the closing words; a finding's clip, where it has one, stands before it."""
    lines = ["Findings, the gravest first:"]
    for finding in presenter.in_order(findings):
        one = presenter.shown(finding)
        where = f"{finding['clip']}, {one.where}" if finding.get("clip") else one.where
        measured = f" Measured: {one.measured}." if one.measured else ""
        text = f"{one.severity.upper()} {where}: {one.text}{measured} {presenter.WHAT_TO_DO} {one.advice}"
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")
    if not findings:
        lines.append("- none")
    return [*lines, "", *textwrap.wrap(CLOSING, WIDTH)]


def figure_line(words: str, entry: object) -> str:
    """A figure (deg) with its name, and where it lies if that is given."""
    return _figure(presenter.Row(words, presenter.estimate(entry), presenter.place(entry)))


def _figure(row: presenter.Row) -> str:
    return _line(row.words, f"{row.value} at {row.aside} of driver travel" if row.aside else row.value)


def _line(words: str, value: str) -> str:
    return f"  {words:<{WORDS_WIDTH}} {value}"
