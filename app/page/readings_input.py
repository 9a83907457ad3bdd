"""Intended travel from combustion readings: typed or from a file, worked out with the film's travel."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pandas as pd
import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.intended.from_readings import Worked, work_out
from strokecurve.app.intended.plots import damper_figure
from strokecurve.app.intended.readings import (
    APPROACH_WORDS,
    FUEL_WORDS,
    find_fuel,
    fuel_meant,
    readings_from_csv,
    recorded,
)
from strokecurve.app.page import keys, markup
from strokecurve.app.page.intending import HEAD_PX, ROW_PX
from strokecurve.app.page.pictures import show_figure
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.page.words import film_name
from strokecurve.app.result.reading import read_result
from strokecurve.app.store.jobs import Film, Job
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.app.words.names import spoken
from strokecurve.app.words.statements import APPROACHES, Entry, IntendedChoice, Readings

COLUMNS = {
    "driver_deg": "motor (°)",
    "fuel_rate": "fuel rate",
    "o2_dry_pct": "O₂ (%)",
    "target_o2_dry_pct": "O₂ target (%)",
    "driven_deg": "damper by hand (°)",
    "co_ppm": "CO (ppm)",
    "stack_c": "stack (°C)",
    "ambient_c": "ambient (°C)",
}
"""Columns of the sheet to type into; a file may have further ones."""
EMPTY_ROWS = 6


def show(store: PersonalStore, job: Job, film: Film, linkage: str) -> None:
    """Ask for readings, keep them with the job, work out the intended travel on request."""
    if film.measured is None:
        return
    job_id, folder = job.job_id, str(film.measured.result)
    number = st.session_state.setdefault(keys.READINGS_ROUND, 0)
    kept = store.latest(job_id, Readings)
    st.html(
        markup.paragraph(
            f"{spoken(linkage)}: the driven shaft is taken to carry the damper. One firing position a line; "
            "the damper's travel comes from the film where it is not read by hand.",
            "sc-small",
        )
    )
    upload = st.file_uploader(
        "Readings as CSV (driver_deg, fuel_rate, o2_dry_pct, target_o2_dry_pct, ...)",
        type=["csv"],
        key=f"{keys.READINGS_CSV}_{number}",
        max_upload_size=1,
    )
    if upload is not None:
        with plain_errors():
            store.add(job_id, recorded(upload.getvalue()), film_id=film.film_id)
            st.session_state[keys.READINGS_ROUND] = number + 1
            st.rerun()
    typed = show_sheet(kept.content if kept else None, f"{job_id}_{number}_{kept.entry_id if kept else ''}")
    entry = store.intended_entry(job_id, linkage)
    chosen = entry.content if entry else None
    fuel, approach = ask_fuel_and_approach(job, chosen, f"{job_id}_{linkage}")
    if st.button("Work out the intended travel", key=f"{keys.READINGS_SHEET}_go", width="stretch"):
        with plain_errors(), st.spinner("Working it out"):
            if fuel is None:
                raise InputError(
                    "The fuel is not chosen.", "Choose what is burned: excess air depends on it."
                )
            readings = recorded(typed)
            worked = worked_out(readings.csv, fuel, folder, linkage, approach)
            if kept is None or kept.content != readings:
                store.add(job_id, readings, film_id=film.film_id)
            result = IntendedChoice(linkage, "readings", worked.rows, fuel, approach)
            store.add(job_id, result, film_id=film.film_id)
            st.session_state[keys.READINGS_ROUND] = number + 1
            st.rerun()
    if kept is not None and chosen is not None and chosen.kind == "readings":
        show_origin(job, entry, kept)
        used, way = chosen.fuel or fuel, chosen.approach or approach
        if used is not None:
            with plain_errors():
                show_worked(worked_out(kept.content.csv, used, folder, linkage, way), chosen)


def ask_fuel_and_approach(job: Job, chosen: IntendedChoice | None, key: str) -> tuple[str | None, str]:
    """The fuel, None until it is chosen, and from which side the positions were approached."""
    earlier = chosen.fuel if chosen and chosen.fuel in FUEL_WORDS else None
    usual = earlier or fuel_meant(job.facts.fuel)
    names = list(FUEL_WORDS)
    fuel = st.selectbox(
        "Fuel",
        names,
        index=names.index(usual) if usual else None,
        format_func=FUEL_WORDS.__getitem__,
        placeholder="Choose the fuel",
        key=f"{keys.FUEL}_{key}",
    )
    if job.facts.fuel and fuel is not None and fuel_meant(job.facts.fuel) != fuel:
        st.warning(
            markup.plain(f"The fuel of the job is given as “{job.facts.fuel}”. Make sure it is the same.")
        )
    way = chosen.approach if chosen and chosen.approach else APPROACHES[0]
    approach = st.radio(
        "The positions were approached",
        APPROACHES,
        index=APPROACHES.index(way),
        format_func=APPROACH_WORDS.__getitem__,
        key=f"{keys.APPROACHED}_{key}",
    )
    return fuel, approach


def show_origin(job: Job, entry: Entry[IntendedChoice] | None, readings: Entry[Readings]) -> None:
    """What the intended travel in use rests on, as it is on record."""
    if entry is None:
        return
    films = {film.film_id: film_name(film) for film in job.films}
    chosen, unknown = entry.content, "not on record"
    fuel = FUEL_WORDS.get(chosen.fuel, chosen.fuel) if chosen.fuel else unknown
    parts = (
        f"fuel: {fuel}",
        f"approached: {APPROACH_WORDS[chosen.approach] if chosen.approach else unknown}",
        f"film: {films.get(entry.film_id or '', unknown)}",
        f"readings taken down with the film: {films.get(readings.film_id or '', unknown)}",
    )
    st.html(markup.paragraph(f"The intended travel in use rests on {'; '.join(parts)}.", "sc-small"))


def show_sheet(kept: Readings | None, key: str) -> bytes:
    """A sheet to type readings into, opened with those kept; gives it as CSV."""
    names = list(COLUMNS) if kept is None else [*kept.columns, *(n for n in COLUMNS if n not in kept.columns)]
    rows = [["" if cell is None else f"{cell:g}" for cell in row] for row in kept.rows] if kept else []
    rows = [[*row, *[""] * (len(names) - len(row))] for row in rows] or [[""] * len(names)] * EMPTY_ROWS
    with st.expander("Type the readings in, or correct them", key=f"{keys.READINGS_SHEET}_box"):
        sheet = st.data_editor(
            pd.DataFrame(rows, columns=names),
            key=f"{keys.READINGS_SHEET}_{key}",
            num_rows="dynamic",
            placeholder="",
            height=HEAD_PX + ROW_PX * (len(rows) + 1) + 2,
            row_height=ROW_PX,
            hide_index=True,
            width="stretch",
            column_config={
                # Text, because phones offer no decimal point for the sheet's number cells.
                name: st.column_config.TextColumn(COLUMNS.get(name, name), alignment="right")
                for name in names
            },
        )
    cells = sheet.fillna("").astype(str)
    used = [name for name in names if name in (*names[:4],) or (cells[name].str.strip() != "").any()]
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";", lineterminator="\n")
    writer.writerow(used)
    writer.writerows(row for row in cells[used].itertuples(index=False) if any(c.strip() for c in row))
    return text.getvalue().encode()


@st.cache_resource(max_entries=8, show_spinner=False)
def worked_out(text: str, fuel: str, folder: str, linkage: str, approach: str) -> Worked:
    """The intended travel from readings; the same readings give the same figures."""
    table = readings_from_csv(text.encode())
    return work_out(table, find_fuel(fuel), read_result(Path(folder)), linkage, None, approach)


def show_worked(worked: Worked, chosen: IntendedChoice) -> None:
    """What the readings give: remarks, the damper's characteristic, travel at each firing position."""
    if worked.rows != chosen.rows:
        st.info("The intended travel in use comes from another fuel, approach or film. Work it out again.")
    for one in worked.remarks:
        parts = [("Where:", one.where), ("What to do:", one.advice)]
        st.html(markup.card(one.severity, one.text, parts))
    found = worked.found
    read, wanted = found.readings, found.wanted
    rows = []
    for n in range(read.driver_rad.size):
        if math.isnan(read.target_o2_dry[n]):
            continue
        excess_sd = math.hypot(found.burned.sigma_excess_random[n], found.burned.sigma_excess_common[n])
        rows.append(
            (
                format_exact(math.degrees(read.driver_rad[n])),
                format_estimate(100 * float(found.burned.excess[n]), 100 * excess_sd),
                format_exact(math.degrees(read.damper_rad[n])),
                format_estimate(math.degrees(wanted.damper_rad[n]), math.degrees(wanted.sigma_rad[n]))
                if np.isfinite(wanted.damper_rad[n])
                else "outside",
            )
        )
    st.html(
        markup.table(
            ("motor (°)", "excess air (%)", "damper now (°)", "intended (°)"),
            rows,
            f"Fuel: {found.fuel.name}. ± is one standard deviation; outside: beyond what was read.",
        )
    )
    show_figure(
        damper_figure(worked),
        "Air against damper travel with its band, the readings and where the targets lie",
    )
