"""Sections of the comparison: as found against as left."""

from __future__ import annotations

import math

import numpy as np

from strokecurve.app.intended.given import Deviation, intended_travel
from strokecurve.app.measure.settings import Settings
from strokecurve.app.report import figures
from strokecurve.app.report.blocks import Block, Bullets, Plots, Section, Subheading, Table, Text
from strokecurve.app.report.checks import check_caption, check_rows
from strokecurve.app.report.comparing import (
    FILMS,
    Change,
    Comparison,
    LinkageComparison,
    tolerance_words,
)
from strokecurve.app.report.figures import KINDS
from strokecurve.app.result.plots_compare import WIDE_IN, change_figure, films_deviation_figure, films_figure
from strokecurve.app.result.presenter import SD_NOTE, open_questions, shown
from strokecurve.app.words.estimates import NOT_AVAILABLE, format_estimate, format_exact
from strokecurve.app.words.names import spoken

CLOSE_UP_RATIO = 4.0
"""Beyond this the smaller of two curves fills less than a quarter of their common picture."""


def summary_section(comparison: Comparison) -> Section:
    """What improved and what did not, which findings are gone, stayed or are new."""
    blocks: list[Block] = [Text(line.sentence, "strong") for line in comparison.linkages]
    if not comparison.linkages:
        blocks.append(Text(comparison.sentence, "strong"))
    for names, film, other in (
        (comparison.only_found, "as found", "as left"),
        (comparison.only_left, "as left", "as found"),
    ):
        blocks += [
            Text(f"{spoken(name)}: not compared, as only the film {film} shows it, not the one {other}.")
            for name in names
        ]
    for title, found in (
        ("Dangers and cautions as found that are gone", comparison.gone),
        ("Still there as left", comparison.stayed),
        ("New as left", comparison.new),
    ):
        items = tuple(f"{shown(f).where}: {f['text']}" for f in found)
        blocks += [Subheading(title), Bullets(items)] if items else [Text(f"{title}: none.")]
    blocks.append(Text(noise_note(), "small"))
    return Section("What improved and what did not", tuple(blocks))


def noise_note() -> str:
    """What counts as a change."""
    settings = Settings()
    near = format_exact(math.degrees(settings.kinematics.toggle_caution_rad), "deg")
    return (
        f"A change counts where it is more than {format_exact(settings.sure_sigmas)} standard deviations of "
        "the difference; the films are taken to err independently. Angles between rod and arm are judged "
        f"only where one is below {near}. "
        "This compares motion; it says nothing about combustion."
    )


def linkage_section(comparison: Comparison, linkage: LinkageComparison) -> Section:
    """Pictures, check positions, changes of condition and geometry of one linkage."""
    blocks: list[Block] = [_pictures(comparison, linkage), *_close_up(comparison, linkage)]
    if linkage.intended is not None:
        blocks.append(_deviations(linkage))
    blocks.append(_checks(linkage))
    words = tolerance_words(linkage)
    if words:
        blocks.append(Text(words))
    blocks += [
        Subheading("Deviation, lost motion and margins" if linkage.intended else "Lost motion and margins"),
        _changes(linkage.condition),
        Subheading("Geometry"),
        _changes(linkage.geometry, "not determined"),
    ]
    for film, result in (("found", comparison.found), ("left", comparison.left)):
        left_open = open_questions(result.linkages[linkage.name])
        if left_open:
            blocks += [Text(f"What would settle the rest of the geometry as {film}:"), Bullets(left_open)]
    return Section(f"As found against as left: {spoken(linkage.name)}", tuple(blocks))


def _pictures(comparison: Comparison, linkage: LinkageComparison) -> Plots:
    films = {}
    short = linkage.name
    for film, result in (("as found", comparison.found), ("as left", comparison.left)):
        films[film], short = figures.for_plot(result.travel, linkage.name)
    reach = max(float(travel["driver_deg"].max()) if len(travel) else 0.0 for travel in films.values())
    chosen = linkage.intended
    if chosen is None:
        pair = (films_figure(films, short), change_figure(films, short))
    else:
        grid = np.linspace(0.0, reach, 181)
        pair = (
            films_figure(films, short, (grid, *intended_travel(chosen, grid))),
            films_deviation_figure(films, short, lambda driver: intended_travel(chosen, driver)),
        )
    given = f" Intended travel: {KINDS[chosen.kind]}." if chosen else " No intended travel was given."
    return Plots(
        pair,
        "Travel from the low-fire hold; bands are two standard deviations wide on either side." + given,
    )


def _close_up(comparison: Comparison, linkage: LinkageComparison) -> tuple[Plots, ...]:
    """The film as left alone, where the deviations as found would press its curve flat."""
    chosen = linkage.intended
    largest = dict.fromkeys(FILMS, 0.0)
    for (film, _), found in linkage.deviations.items():
        largest[film] = max(largest[film], abs(found.max_deg) if found else 0.0)
    if chosen is None or not 0 < CLOSE_UP_RATIO * largest["left"] < largest["found"]:
        return ()
    travel, short = figures.for_plot(comparison.left.travel, linkage.name)
    figure = films_deviation_figure(
        {"as left": travel}, short, lambda driver: intended_travel(chosen, driver)
    )
    figure.set_size_inches(*WIDE_IN)
    return (Plots((figure,), "As left alone, on a scale of its own."),)


def _deviations(linkage: LinkageComparison) -> Table:
    def row(film: str, way: str, found: Deviation | None) -> tuple[str, ...]:
        if found is None:
            return (f"as {film}", f"{way} pass", NOT_AVAILABLE, "", NOT_AVAILABLE)
        return (
            f"as {film}",
            f"{way} pass",
            format_estimate(found.max_deg, found.max_sd_deg, "deg"),
            format_exact(found.at_driver_deg, "deg"),
            format_estimate(found.rms_deg, found.rms_sd_deg, "deg"),
        )

    return Table(
        ("film", "pass", "largest deviation", "at driver travel", "RMS"),
        tuple(row(film, way, found) for (film, way), found in linkage.deviations.items()),
        (1.2, 1.4, 1.8, 1.4, 1.8),
        words=(0, 1),
        caption=f"Measured minus intended over the whole stroke. {SD_NOTE}",
    )


def _checks(linkage: LinkageComparison) -> Table:
    driver = linkage.name.split(":", 1)[0]
    rows = [
        (row.driver, *(row.wanted or ()), *row.found, *row.left, *(row.change or ()))
        for row in check_rows(linkage)
    ]
    films = ("as found, opening", "as found, closing", "as left, opening", "as left, closing")
    if linkage.intended is None:
        head = (f"{driver} (°)", *films, "change, opening", "change, closing")
    else:
        head = (f"{driver} (°)", "intended", "tolerance", *films)
    # Intended travel and tolerance need less room than what is measured.
    widths = (0.8, *(1.2,) * 6) if linkage.intended is None else (0.8, 0.8, 0.8, *(1.4,) * 4)
    return Table(head, tuple(rows), widths, words=(), caption=check_caption(linkage))


def _changes(changes: tuple[Change, ...], missing: str = NOT_AVAILABLE) -> Table:
    return Table(
        ("figure", "as found", "as left", "difference", "change"),
        tuple(figures.change_row(change, missing) for change in changes),
        (3, 1.6, 1.6, 1.6, 1.1),
        words=(0, 4),
        caption=f"Difference is as left minus as found. {SD_NOTE}",
    )
