"""Sections about one film: facts, findings, shafts, each linkage, filming, versions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from strokecurve.app.intended.given import deviation, intended_travel
from strokecurve.app.report import figures
from strokecurve.app.report.blocks import (
    Block,
    Bullets,
    Facts,
    Plots,
    Section,
    Statement,
    Subheading,
    Table,
    Text,
)
from strokecurve.app.report.figures import cell, exact, said
from strokecurve.app.report.job import RecordedFilm
from strokecurve.app.result import presenter
from strokecurve.app.result.moments import concerns_filming, is_filming
from strokecurve.app.result.plots import travel_figure
from strokecurve.app.result.plots_compare import difference_figure
from strokecurve.app.result.presenter import SD_NOTE, estimate
from strokecurve.app.result.reading import FilmResult, number, texts
from strokecurve.app.result.tables import (
    PASSES,
    compared_table,
    even_step_table,
    one_pass,
)
from strokecurve.app.words.estimates import NOT_AVAILABLE, format_estimate, format_exact
from strokecurve.app.words.names import spoken
from strokecurve.app.words.statements import IntendedChoice

STEP_DEG = 10.0
WAYS = {"ccw": "counter-clockwise", "cw": "clockwise"}
CHECKSUM = "SHA-256"
NOTHING_FOUND = (
    "Nothing to report about the linkage. This says nothing about combustion; the cautions above hold."
)


def films_facts(films: Mapping[str, RecordedFilm]) -> Facts:
    """What the files are and who made them, side by side."""
    each = [_film_facts(film) for film in films.values()]
    rows = tuple((name, *(facts[name] for facts in each)) for name in each[0])
    head = ("", *(f"film {role}" for role in films)) if len(films) > 1 else ()
    return Facts(rows, mono=(CHECKSUM,), head=head)


def _film_facts(film: RecordedFilm) -> dict[str, str]:
    clip = film.result.clip
    size, camera = clip.get("size_px"), clip.get("camera")
    steady = camera.get("steady") if isinstance(camera, Mapping) else None
    lengths = (
        exact(clip.get("duration_s"), "s"),
        f"{exact(clip.get('frames'))} frames",
        f"{exact(clip.get('mean_rate_hz'))} frames a second",
    )
    return {
        "clip": film.label or film.result.clip_name,
        "filmed on": said(film.filmed_on),
        "filmed by": said(film.filmed_by),
        "length": ", ".join(lengths),
        "picture": " x ".join(map(str, size)) + " pixels" if isinstance(size, list) else NOT_AVAILABLE,
        "codec": said(clip.get("codec")),
        "phone": "on a stand" if steady is True else "in hand" if steady is False else NOT_AVAILABLE,
        CHECKSUM: said(clip.get("sha256")),
    }


def statements(found: Iterable[Mapping[str, Any]]) -> tuple[Statement, ...]:
    """Findings as they are printed, the gravest first, otherwise in their own order."""
    each = (presenter.shown(one) for one in presenter.in_order(found))
    return tuple(Statement(one.severity, one.where, one.measured, one.text, one.advice) for one in each)


def findings_section(result: FilmResult, title: str = "Findings about the linkage") -> Section:
    """Findings about the linkages."""
    found = statements(f for f in result.record["findings"] if not is_filming(f))
    return Section(title, found or (Text(NOTHING_FOUND),))


def filming_section(result: FilmResult, title: str = "The filming") -> Section:
    """Faults of the filming."""
    found = statements(f for f in result.record["findings"] if is_filming(f))
    lost = [f for f in result.record["findings"] if concerns_filming(f) and not is_filming(f)]
    places = ", ".join(dict.fromkeys(presenter.shown(f).where for f in lost if f["severity"] != "note"))
    if places:
        text = f"Left out because of the filming: {places}. Why stands with the findings about the linkage."
        return Section(title, (*found, Text(text)))
    return Section(title, found or (Text("No fault of the filming was found."),))


def shafts_section(result: FilmResult, title: str = "Shafts and travel") -> Section:
    """How far every shaft turned, which way, and how much of the film shows it."""
    frames = exact(result.clip.get("frames"))
    rows = tuple(
        (
            name,
            format_estimate(number(shaft.get("travel_deg")), number(shaft.get("travel_sd_deg")), "deg"),
            WAYS.get(str(shaft.get("opening")), NOT_AVAILABLE),
            f"{exact(shaft.get('frames_measured'))} of {frames}",
            exact(shaft.get("axis_tilt_deg"), "deg"),
        )
        for name, shaft in result.shafts.items()
    )
    table = Table(
        ("shaft", "travel, low to high fire", "opens", "frames measured", "axis off the card's normal"),
        rows,
        (2.2, 2, 1.8, 1.7, 1.9),
        words=(0, 2),
        caption=f"Directions as the camera sees them. {SD_NOTE}",
    )
    return Section(title, (table, *trains_blocks(result)))


def trains_blocks(result: FilmResult) -> tuple[Block, ...]:
    """Linkages one after the other as a whole."""
    trains = result.record.get("trains")
    if not isinstance(trains, list) or not trains:
        return ()
    rows = tuple(
        (
            said(" to ".join(texts(train.get("shafts")))),
            estimate(train.get("driver_travel_deg")),
            estimate(train.get("driven_travel_deg")),
            estimate(train.get("slack_deg")),
        )
        for train in trains
        if isinstance(train, Mapping)
    )
    return (
        Subheading("Several linkages in a row"),
        Table(("train", "first shaft's travel", "last shaft's travel", "lost motion"), rows, (3, 2, 2, 2)),
    )


def linkage_section(result: FilmResult, linkage: str, intended: IntendedChoice | None = None) -> Section:
    """Geometry, curves, even-step table and condition of one linkage."""
    entry = result.linkages[linkage]
    blocks: list[Block] = [
        Subheading("Geometry"),
        *geometry_blocks(entry),
        _curves(result, linkage, intended),
        _even_steps(result, linkage),
        *([] if intended is None else _deviations(result, linkage, intended)),
        Subheading("Lost motion and toggle margins"),
        *condition_blocks(entry),
    ]
    fit = entry.get("fit")
    notes = texts(entry.get("notes")) + texts(fit.get("notes") if isinstance(fit, Mapping) else None)
    if notes:
        blocks += [Subheading("Remarks on the measurement"), Bullets(notes)]
    return Section(spoken(linkage), tuple(blocks))


def _curves(result: FilmResult, linkage: str, intended: IntendedChoice | None) -> Plots:
    travel, short = figures.for_plot(result.travel, linkage)
    line = None
    if intended is not None:
        driver = np.linspace(0.0, float(travel["driver_deg"].max() if len(travel) else 0.0), 181)
        line = (driver, intended_travel(intended, driver)[0])
    return Plots(
        (travel_figure(travel, short, line), difference_figure(travel, short)),
        "Travel from the low-fire hold. The band around each line is two standard deviations wide on either "
        "side; a gap is where the film shows nothing.",
    )


def _even_steps(result: FilmResult, linkage: str) -> Table:
    driver, driven = linkage.split(":", 1)
    rows = tuple(
        (
            format_exact(row.driver_deg),
            cell(row.opening_deg, row.opening_sd_deg),
            cell(row.closing_deg, row.closing_sd_deg),
            cell(row.difference_deg, row.difference_sd_deg),
        )
        for row in even_step_table(result.travel, linkage, STEP_DEG).itertuples()
    )
    return Table(
        (f"{driver} (°)", "opening pass (°)", "closing pass (°)", "closing minus opening (°)"),
        rows,
        (1, 1.5, 1.5, 1.8),
        words=(),
        caption=f"Travel of {driven} at even steps of {driver}. {SD_NOTE}",
    )


def _deviations(result: FilmResult, linkage: str, intended: IntendedChoice) -> list[Block]:
    """Measured minus intended travel: the largest and RMS of each pass, and at even steps."""
    driver, driven = linkage.split(":", 1)
    summary = []
    for way in PASSES:
        found = deviation(one_pass(result.travel, linkage, way), intended)
        largest, at, rms = NOT_AVAILABLE, "", NOT_AVAILABLE
        if found is not None:
            largest = format_estimate(found.max_deg, found.max_sd_deg, "deg")
            at = format_exact(found.at_driver_deg, "deg")
            rms = format_estimate(found.rms_deg, found.rms_sd_deg, "deg")
        summary.append((f"{way} pass", largest, at, rms))
    steps = even_step_table(result.travel, linkage, STEP_DEG)
    table = compared_table(steps, *intended_travel(intended, steps["driver_deg"].to_numpy(float)))
    rows = tuple(
        (
            format_exact(row.driver_deg),
            figures.given(row.intended_deg),
            figures.given(row.tolerance_deg),
            figures.deviation_cell(row.opening_deviation_deg, row.opening_sd_deg, row.tolerance_deg),
            figures.deviation_cell(row.closing_deviation_deg, row.closing_sd_deg, row.tolerance_deg),
        )
        for row in table.itertuples()
    )
    return [
        Subheading(f"Measured minus intended: {figures.KINDS.get(intended.kind, NOT_AVAILABLE)}"),
        Table(("pass", "largest deviation", "at driver travel", "RMS"), tuple(summary), (2, 2, 1.6, 2)),
        Table(
            (f"{driver} (°)", "intended (°)", "tolerance (°)", "opening off by (°)", "closing off by (°)"),
            rows,
            (1, 1.2, 1.2, 1.6, 1.6),
            words=(),
            caption=f"Travel of {driven}; * is beyond the tolerance. {SD_NOTE}",
        ),
    ]


def condition_blocks(linkage: Mapping[str, Any]) -> tuple[Block, ...]:
    """Lost motion, margins, what is left beyond the ends of the stroke, play, slips, repeatability."""
    table = Table(
        presenter.CONDITION_HEAD,
        tuple((row.words, row.value, row.aside) for row in presenter.condition_rows(linkage)),
        (3.4, 2, 1.2),
        caption=f"{presenter.IN_LINE_NOTE} {SD_NOTE}",
    )
    return (table, _play(linkage), *_slips(linkage))


def _play(linkage: Mapping[str, Any]) -> Block:
    joints = presenter.joint_rows(linkage)
    if not joints:
        return Text(presenter.NO_PLAY)
    rows = tuple((row.words, row.value, row.aside) for row in joints)
    return Table(presenter.JOINTS_HEAD, rows, (3.4, 2, 2))


def _slips(linkage: Mapping[str, Any]) -> tuple[Block, ...]:
    slips = linkage.get("slips")
    if not isinstance(slips, list) or not slips:
        return ()
    rows = tuple(
        (
            f"{slip['arm']} arm" if slip.get("arm") else "which arm is not told",
            exact(slip.get("time_s"), "s"),
            exact(slip.get("at_driver_deg"), "deg"),
            estimate(slip.get("drive_deg")) if slip.get("arm") != "driven" else "",
            estimate(slip.get("driven_deg")) if slip.get("arm") != "drive" else "",
        )
        for slip in slips
        if isinstance(slip, Mapping)
    )
    return (
        Table(
            ("slipped", "at", "driver travel", "if the drive arm", "if the driven arm"),
            rows,
            (2, 1, 1.3, 1.8, 1.8),
            caption="Geometry and margins are those before the first slip.",
        ),
    )


def geometry_blocks(linkage: Mapping[str, Any]) -> tuple[Block, ...]:
    """Sizes and start angles with what carried them; what is not determined, and what would settle it."""
    table = Table(
        presenter.GEOMETRY_HEAD,
        tuple((row.words, row.value, row.aside) for row in presenter.geometry_rows(linkage)),
        (2.6, 2, 2),
        words=(0, 2),
        caption=f"{presenter.START_ANGLES_NOTE} {SD_NOTE}",
    )
    left_open = presenter.open_questions(linkage)
    return (table, Text(presenter.WHAT_SETTLES), Bullets(left_open)) if left_open else (table,)


def versions_section(films: Mapping[str, RecordedFilm]) -> Section:
    """Programs that the figures come from, and checksums of the clips."""
    rows: list[tuple[str, str]] = []
    for role, film in films.items():
        told = f", film {role}" if len(films) > 1 else ""
        versions = film.result.record["versions"]
        rows.append((f"measured with{told}", ", ".join(f"{name} {text}" for name, text in versions.items())))
        rows.append((f"{CHECKSUM}{told}", said(film.result.clip.get("sha256"))))
    sums = tuple(name for name, _ in rows if name.startswith(CHECKSUM))
    return Section("Versions and checksums", (Facts(tuple(rows), mono=sums),))
