"""Sections about the work itself: readings, adjustment chosen, comments, verdict, signatures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from strokecurve.app.intended.readings import APPROACH_WORDS, FUEL_WORDS
from strokecurve.app.report.blocks import (
    Block,
    Bullets,
    Notice,
    Section,
    SignatureLines,
    Subheading,
    Table,
    Text,
)
from strokecurve.app.report.figures import KINDS, NOT_GIVEN, exact, said
from strokecurve.app.report.job import JobRecord, Reviewed, WorkOrder
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.result.reading import number
from strokecurve.app.result.tables import WHOLE_STEP_DEG
from strokecurve.app.words.cautions import FIRING_STEP, NOT_OURS_TO_SAY, SETTING_CAUTIONS, WITHOUT_WARNINGS
from strokecurve.app.words.estimates import NOT_AVAILABLE, format_estimate, format_exact
from strokecurve.app.words.names import QUANTITY_WORDS, spoken, utc_minute, who_and_when
from strokecurve.app.words.statements import Comment, Entry, IntendedChoice, Readings

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
EXPECTED_STEP_DEG = 10.0
SETTING_TITLE = "Whenever settings are changed"
ROLES = ("measured by", "adjusted by", "reviewed by")


def readings_section(readings: Readings, film: str | None = None) -> Section:
    """Combustion readings as they were given, and the film they were taken down with."""
    first, rest = readings.columns[0], readings.columns[1:]
    size = COLUMNS_A_TABLE - 1
    groups = [rest[start : start + size] for start in range(0, len(rest), size)] or [()]
    blocks: list[Block] = [Text(f"Taken down with the film: {said(film)}.", "small")]
    for place, group in enumerate(groups):
        columns = [0, *range(1 + place * size, 1 + place * size + len(group))]
        rows = tuple(tuple(_reading(row[c]) for c in columns) for row in readings.rows)
        head = tuple(READING_WORDS.get(name, name) for name in (first, *group))
        blocks.append(Table(head, rows, (1.0,) * len(columns), words=()))
    return Section("Combustion readings", tuple(blocks))


def _reading(value: float | None) -> str:
    """A reading with all the digits it was given with."""
    return "" if value is None else f"{value:.12g}"


def intended_section(job: JobRecord) -> Section | None:
    """Intended travel given as a table, with what it rests on; None where there is none."""
    blocks: list[Block] = []
    for choice in job.intended:
        if not choice.rows:
            continue
        blocks.append(Subheading(f"{spoken(choice.linkage)}: {KINDS.get(choice.kind, '')}"))
        if choice.kind == "readings":
            blocks.append(Text(_rests_on(choice, job.intended_films.get(choice.linkage), job.fuel)))
        blocks.append(
            Table(
                ("driver (°)", "driven (°)", "tolerance (°)"),
                tuple(tuple(NOT_GIVEN if v is None else f"{v:.12g}" for v in row) for row in choice.rows),
                (1, 1, 1),
                words=(),
                share=0.5,
            )
        )
    return Section("Intended travel", tuple(blocks)) if blocks else None


def _rests_on(choice: IntendedChoice, film: str | None, job_fuel: str | None) -> str:
    """Fuel, approach and film of an intended travel worked out from readings."""
    fuel = NOT_AVAILABLE if choice.fuel is None else FUEL_WORDS.get(choice.fuel, choice.fuel)
    approach = NOT_AVAILABLE if choice.approach is None else APPROACH_WORDS[choice.approach]
    text = f"Worked out for the fuel: {fuel}. Positions approached: {approach}. With the film: {said(film)}."
    if choice.fuel is not None and job_fuel and job_fuel.casefold() != fuel.casefold():
        text += f" The fuel of the job is given as “{job_fuel}”."
    return text


def work_section(orders: tuple[WorkOrder, ...]) -> Section:
    """The adjustment chosen for each linkage: cautions, warnings, steps, prediction, what was done."""
    blocks: list[Block] = [Notice(SETTING_TITLE, SETTING_CAUTIONS)]
    for order in orders:
        blocks += [Subheading(spoken(order.linkage)), Text(f"From the film: {said(order.film)}.", "small")]
        if order.warnings:
            blocks.append(Notice("Warnings: read before the first step", order.warnings))
        if not order.complete:
            blocks.append(Text(WITHOUT_WARNINGS, "strong"))
        steps = tuple(line for line in order.lines if not line.startswith(FIRING_STEP))
        blocks.append(Bullets(steps, numbered=True) if steps else Text(NOT_AVAILABLE))
        blocks.append(Text(NOT_OURS_TO_SAY, "strong"))
        blocks += _proposal(order.proposal) if order.proposal is not None else []
        for words, lines in (
            ("What it does to the shafts behind:", order.behind),
            ("What this rests on:", order.notes),
        ):
            blocks += [Text(words), Bullets(lines)] if lines else []
        blocks += _done(order)
    return Section("Work order", tuple(blocks))


def _done(order: WorkOrder) -> list[Block]:
    """What was carried out, step by step."""
    remarks: list[Block] = [Text(remark, "strong") for remark in order.remarks]
    if order.done is None:
        return [Text("Carried out: nothing is on record.", "strong"), *remarks]
    done = order.done.content
    blocks: list[Block] = [
        Text(f"Carried out on {done.on} by {done.by}", "strong"),
        Text(f"Put on record by {_by(order.done)}", "small"),
    ]
    blocks.append(Text(order.told()))
    if done.remark:
        blocks.append(Text(f"Remark: {done.remark}"))
    return blocks + remarks


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
        (words, _predicted(proposal, key), _worst(proposal, key))
        for key, words in (
            ("rms_deg", "deviation from intended (RMS)"),
            ("max_deg", "largest deviation from intended"),
            ("min_drive_angle_deg", "smallest angle of rod and drive arm"),
            ("min_transmission_angle_deg", "smallest angle of rod and driven arm"),
        )
        if proposal.get(key) is not None
    ]
    if predicted:
        head = ("predicted after the change", "", "worst case of what is known")
        blocks.append(Table(head, tuple(predicted), (3, 2.4, 2), share=0.9, caption=SD_NOTE))
        blocks.append(Text(_within(proposal)))
    expected = _expected(proposal)
    if expected:
        columns = ("driver (°)", "driven, to expect (°)")
        caption = f"Travel to expect after the change. {SD_NOTE}"
        blocks.append(Table(columns, expected, (1, 1.6), words=(), caption=caption, share=0.45))
    return blocks


def _expected(proposal: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Predicted travel every ten degrees and at the end of the stroke."""
    curve, spread = proposal.get("curve"), proposal.get("curve_sd_deg")
    if not isinstance(curve, list) or not isinstance(spread, list) or len(curve) != len(spread):
        return ()
    rows = []
    for place, (pair, sd) in enumerate(zip(curve, spread, strict=True)):
        if not isinstance(pair, list) or len(pair) != 2:
            return ()
        at, value = (number(one) for one in pair)
        steps = at / EXPECTED_STEP_DEG
        if place == len(curve) - 1 or abs(steps - np.round(steps)) < WHOLE_STEP_DEG:
            rows.append((exact(at), format_estimate(value, number(sd))))
    return tuple(rows)


def _predicted(proposal: Mapping[str, Any], key: str) -> str:
    """A predicted angle with its standard deviation."""
    sd = number(proposal.get(f"{key.removesuffix('_deg')}_sd_deg"))
    return format_estimate(number(proposal.get(key)), sd, "deg")


def _worst(proposal: Mapping[str, Any], key: str) -> str:
    worst = number(proposal.get(f"{key.removesuffix('_deg')}_worst_deg"))
    return "" if math.isnan(worst) else format_exact(worst, "deg")


def _within(proposal: Mapping[str, Any]) -> str:
    """Whether the tolerance is met, and in how many of the linkages that may be meant."""
    within, share = proposal.get("within_tolerance"), number(proposal.get("within_tolerance_share"))
    if not isinstance(within, bool):
        return f"Whether it is within the tolerance: {NOT_AVAILABLE}."
    words = "Within the tolerance everywhere" if within else "Beyond the tolerance somewhere"
    if math.isnan(share):
        return f"{words}."
    return f"{words}; of all linkages that the measurement leaves possible, {share:.0%} are within it."


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


def review_section(reviews: tuple[Reviewed, ...]) -> Section:
    """What the reviewer decided about the measurement, and about which films."""
    blocks: list[Block] = []
    for one in reviews:
        verdict = one.entry.content
        words = "Verdict" if one.holds else "Verdict, but not on the film shown here last"
        blocks.append(Text(f"{words}: {verdict.verdict}", "strong"))
        blocks.append(Text(_by(one.entry), "small"))
        blocks += [Text(remark, "strong") for remark in one.remarks]
        films = "; ".join(one.films) or "which were reviewed is not on record"
        blocks.append(Text(f"Films reviewed: {films}."))
        if verdict.text:
            blocks.append(Text(verdict.text))
    return Section("Review", tuple(blocks))


def _by(entry: Entry[Any]) -> str:
    return who_and_when(entry, utc_minute, "name not given")


def signatures_section() -> Section:
    """Lines to sign on."""
    return Section("Names, dates and signatures", (SignatureLines(ROLES),))
