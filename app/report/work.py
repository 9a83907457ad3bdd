"""Sections about the work itself: readings, adjustment chosen, comments, verdict, signatures."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from app.comparing import spoken
from app.estimates import NOT_AVAILABLE, format_exact
from app.record import Comment, Entry, Readings, Verdict
from app.report.blocks import Block, Bullets, Section, SignatureLines, Subheading, Table, Text
from app.report.figures import exact, said
from app.report.job import WorkOrder
from app.words import QUANTITY_WORDS

COLUMNS_A_TABLE = 8
"""More columns of readings than these are set as further tables, the first column repeated."""
CHANGE_WORDS = {**QUANTITY_WORDS, "stroke_deg": "motor stroke"}
READING_WORDS = {
    "driver_deg": "driver travel (°)",
    "driven_deg": "driven travel (°)",
    "fuel_rate": "fuel rate",
    "o2_dry_pct": "O₂, dry (%)",
    "target_o2_dry_pct": "O₂ target, dry (%)",
    "co_ppm": "CO (ppm)",
    "stack_c": "stack (°C)",
    "ambient_c": "ambient (°C)",
}
"""Columns of the readings for people; others keep their name."""
ROLES = ("measured by", "adjusted by", "reviewed by")


def readings_section(readings: Readings) -> Section:
    """Combustion readings as they were given."""
    first, rest = readings.columns[0], readings.columns[1:]
    size = COLUMNS_A_TABLE - 1
    groups = [rest[start : start + size] for start in range(0, len(rest), size)] or [()]
    blocks = []
    for number, group in enumerate(groups):
        columns = [0, *range(1 + number * size, 1 + number * size + len(group))]
        rows = tuple(tuple(_reading(row[c]) for c in columns) for row in readings.rows)
        head = tuple(READING_WORDS.get(name, name) for name in (first, *group))
        blocks.append(Table(head, rows, (1.0,) * len(columns), words=()))
    return Section("Combustion readings", tuple(blocks))


def _reading(value: float | None) -> str:
    """A reading with all the digits it was given with."""
    return "" if value is None else f"{value:.12g}"


def work_section(orders: tuple[WorkOrder, ...]) -> Section:
    """The adjustment chosen for each linkage, what it was to give, and what was done."""
    blocks: list[Block] = []
    for order in orders:
        blocks.append(Subheading(spoken(order.linkage)))
        blocks.append(Bullets(order.lines) if order.lines else Text(NOT_AVAILABLE))
        blocks += _proposal(order.proposal) if order.proposal is not None else []
        blocks.append(Text(f"Done: {said(order.done)}"))
    return Section("Work order", tuple(blocks))


def _proposal(proposal: Mapping[str, Any]) -> list[Block]:
    blocks: list[Block] = []
    changes = [c for c in proposal.get("changes") or () if isinstance(c, Mapping)]
    if changes:
        rows = tuple(
            (
                CHANGE_WORDS.get(str(change.get("name")), said(change.get("name"))),
                exact(change.get("from"), _unit(change), 2),
                exact(change.get("to"), _unit(change), 2),
            )
            for change in changes
        )
        blocks.append(Table(("to change", "from", "to"), rows, (3, 1.5, 1.5), share=0.65))
    predicted = [
        (words, exact(proposal.get(key), "deg", 2))
        for key, words in (
            ("rms_deg", "deviation from intended (RMS)"),
            ("max_deg", "largest deviation from intended"),
            ("min_drive_angle_deg", "smallest angle of rod and drive arm"),
            ("min_transmission_angle_deg", "smallest angle of rod and driven arm"),
        )
        if proposal.get(key) is not None
    ]
    if predicted:
        blocks.append(Table(("predicted after the change", ""), tuple(predicted), (3, 3), share=0.65))
    return blocks


def _unit(change: Mapping[str, Any]) -> str:
    unit = str(change.get("name")).rsplit("_", 1)[-1]
    return unit if unit in ("mm", "deg") else ""


def comments_section(comments: tuple[Entry[Comment], ...]) -> Section:
    """What was said, by whom, when and about what."""
    blocks: list[Block] = []
    for entry in sorted(comments, key=lambda entry: entry.made_s):
        comment = entry.content
        about = [spoken(comment.linkage)] if comment.linkage else []
        if comment.driver_deg is not None:
            about.append(f"at {format_exact(comment.driver_deg, 'deg')} of driver travel")
        if comment.time_s is not None:
            about.append(f"at {format_exact(comment.time_s, 's', 2)} of the clip")
        blocks.append(Text(", ".join([_by(entry), *about]), "small"))
        blocks.append(Text(comment.text))
    return Section("Comments", tuple(blocks))


def verdict_section(entry: Entry[Verdict]) -> Section:
    """What the reviewer decided about the measurement."""
    verdict = entry.content
    blocks: list[Block] = [Text(f"Verdict: {verdict.verdict}", "strong"), Text(_by(entry), "small")]
    if verdict.text:
        blocks.append(Text(verdict.text))
    return Section("Review", tuple(blocks))


def _by(entry: Entry[Any]) -> str:
    """Who and when."""
    when = datetime.fromtimestamp(entry.made_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
    return f"{entry.author or 'name not given'}, {when}"


def signatures_section() -> Section:
    """Lines to sign on."""
    return Section("Names, dates and signatures", (SignatureLines(ROLES),))
