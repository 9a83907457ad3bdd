"""Compare: each film against the intended travel, and as found against as left."""

from __future__ import annotations

import numpy as np
import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.intended.given import intended_travel
from strokecurve.app.page import deviations, intending, keys, markup, setting_cautions, steps
from strokecurve.app.page.films import choose_film, newest_of
from strokecurve.app.page.loaded import LoadedResult, load_result
from strokecurve.app.page.pictures import show_figure
from strokecurve.app.page.shell import plain_errors, run_page
from strokecurve.app.report.checks import check_caption, check_rows
from strokecurve.app.report.compared import noise_note
from strokecurve.app.report.comparing import (
    Change,
    Comparison,
    LinkageComparison,
    compare,
    tolerance_words,
)
from strokecurve.app.result.plots_compare import change_figure, films_deviation_figure, films_figure
from strokecurve.app.result.presenter import shown
from strokecurve.app.result.reading import FilmResult
from strokecurve.app.result.tables import PASSES
from strokecurve.app.store.jobs import Film, Job
from strokecurve.app.words.estimates import format_estimate
from strokecurve.app.words.names import spoken
from strokecurve.app.words.statements import ROLES, IntendedChoice

FOUND, LEFT = "as found", "as left"


def result_of(film: Film) -> FilmResult:
    """The result of a measured film in the form that comparisons read."""
    if film.measured is None:
        raise ValueError("the film is not measured")
    loaded = load_result(str(film.measured.result))
    return FilmResult(loaded.folder, loaded.record, loaded.travel, loaded.angles)


def show_pair(store: PersonalStore, job: Job, films: list[Film]) -> None:
    """As found against as left: what improved and what did not, pictures, figures."""
    st.header("As found against as left", anchor=False)
    if len(films) < 2:
        st.html(markup.paragraph("This takes two measured films of the job: one as found, one as left."))
        steps.link("film", "Add a film", job.job_id)
        return
    left, right = st.columns(2, gap="large")
    with left:
        found_film = choose_film("As found", films, newest_of(films, ROLES[0], films[0]), keys.FOUND_FILM)
    with right:
        left_film = choose_film("As left", films, newest_of(films, ROLES[-1], films[-1]), keys.LEFT_FILM)
    if found_film.film_id == left_film.film_id:
        st.info("Choose two different films.")
        return
    found, after = result_of(found_film), result_of(left_film)
    wanted = [store.intended(job.job_id, name) for name in found.linkages if name in after.linkages]
    comparison = compare(found, after, [one for one in wanted if one is not None])
    st.html("".join(markup.paragraph(line.sentence, "sc-strong") for line in comparison.linkages))
    if not comparison.linkages:
        st.html(markup.paragraph(comparison.sentence, "sc-strong"))
    show_findings(comparison)
    st.html(markup.paragraph(noise_note(), "sc-small"))
    for line in comparison.linkages:
        with plain_errors():
            show_linkage(comparison, line)


def show_findings(comparison: Comparison) -> None:
    """Dangers and cautions that are gone, stayed or are new."""
    for words, found in (
        ("Gone", comparison.gone),
        ("Still there", comparison.stayed),
        ("New", comparison.new),
    ):
        lines = [f"{shown(one).where}: {one['text']}" for one in found]
        head = markup.paragraph(f"{words}: {'none' if not lines else len(lines)}")
        st.html(head + (markup.bullets(lines) if lines else ""))


def show_linkage(comparison: Comparison, line: LinkageComparison) -> None:
    """Both films of one linkage in one picture, and what changed in figures."""
    st.subheader(markup.plain(spoken(line.name)), anchor=False)
    films = {FOUND: comparison.found.travel, LEFT: comparison.left.travel}
    left, right = st.columns(2, gap="large")
    wanted = line.intended
    with left:
        at = None
        if wanted is not None:
            last = max(
                float(one.loc[one["linkage"] == line.name, "driver_deg"].max()) for one in films.values()
            )
            driver = np.linspace(0, last, 181)
            at = (driver, *intended_travel(wanted, driver))
        show_figure(
            films_figure(films, line.name, at),
            "Travel curves as found and as left, with the intended travel if one was given",
        )
    with right:
        if wanted is None:
            figure = change_figure(films, line.name)
        else:
            figure = films_deviation_figure(films, line.name, lambda at_deg: intended_travel(wanted, at_deg))
        show_figure(
            figure,
            "Deviation from the intended travel as found and as left"
            if wanted is not None
            else "Travel as left minus travel as found",
        )
    left, right = st.columns(2, gap="large")
    with left:
        show_changes(line.condition, "Lost motion, margins, deviation")
        show_changes(line.geometry, "Geometry")
    with right:
        show_checks(line)


def show_checks(line: LinkageComparison) -> None:
    """Both films at the check positions, in the words and figures of the record."""
    driver = line.name.split(":", 1)[0]
    groups = []
    for row in check_rows(line):
        wanted = "" if row.wanted is None else f": intended {row.wanted[0]}, tolerance {row.wanted[1]}"
        columns = (row.found, row.left) if row.change is None else (row.found, row.left, row.change)
        groups.append(
            (
                f"{driver} {row.driver}°{wanted}",
                [(way, *(c[k] for c in columns)) for k, way in enumerate(PASSES)],
            )
        )
    head = ("pass", FOUND, LEFT) if line.intended is not None else ("pass", FOUND, LEFT, "change")
    st.subheader("Check positions", anchor=False)
    st.html(markup.grouped_table(head, groups, check_caption(line)))
    words = tolerance_words(line)
    if words:
        st.html(markup.paragraph(words))


def show_changes(changes: tuple[Change, ...], name: str) -> None:
    """Figures of both films and whether they changed."""
    rows = []
    for one in changes:
        told = {True: "changed", False: "within noise", None: "not told"}[one.sure]
        if one.better is not None:
            told = "better" if one.better else "worse"
        rows.append(
            (
                one.words,
                format_estimate(one.found, one.found_sd, one.unit),
                format_estimate(one.left, one.left_sd, one.unit),
                told,
            )
        )
    st.html(markup.tall_table((FOUND, LEFT, "change"), rows, f"{name}. ± is one standard deviation."))


def show_intended(store: PersonalStore, job: Job, films: list[Film]) -> None:
    """One film against the intended travel."""
    st.header("Measured against intended", anchor=False)
    film = films[-1]
    if len(films) > 1:
        film = choose_film("Film", films, newest_of(films, ROLES[-1], films[-1]), keys.INTENDED_FILM)
    if film.measured is None:
        return
    loaded: LoadedResult = load_result(str(film.measured.result))
    if not loaded.linkages:
        st.info("The film shows no linkage: only one shaft has a marker.")
        return
    names = list(loaded.linkages)
    linkage = names[0]
    if len(names) > 1:
        linkage = st.selectbox("Linkage", names, format_func=spoken, key=keys.LINKAGE)
    chosen: IntendedChoice = intending.show(store, job.job_id, loaded, linkage)
    if chosen.kind == "equal" or chosen.rows:
        deviations.show(job.job_id, loaded, linkage, chosen)


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    films = [film for film in job.films if film.measured]
    if not films:
        st.info("No film of this job is measured yet.")
        steps.link("film", "To the films", job.job_id)
        return
    setting_cautions.show()
    with plain_errors():
        show_intended(store, job, films)
    with plain_errors():
        show_pair(store, job, films)


run_page("compare", show)
