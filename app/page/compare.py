"""Compare: measured against intended travel."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from app.estimates import format_estimate, format_exact
from app.intended import CSV_COLUMNS, Row, deviation, intended_travel, rows_from_cells, rows_from_csv
from app.page import keys, markup
from app.page.opened import Opened
from app.page.shell import plain_errors
from app.plots import deviation_figure
from app.record import IntendedChoice
from app.store import Store
from app.tables import PASSES, compared_table, even_step_table, one_pass

KINDS = {
    "none": "No comparison",
    "equal": "Equal travel",
    "table": "A table typed in",
    "csv": "A table from a CSV file",
}
Rows = tuple[Row, ...]
CHECK_STEP_DEG = 10.0
NOT_GIVEN = "not given"
HEAD_PX = 36
ROW_PX = 44
"""A row of the sheet is as high as a fingertip; all rows fit, so nothing scrolls inside the page."""


def show(store: Store, job_id: str, opened: Opened, linkage: str) -> None:
    """Ask for the intended travel, keep it with the film, show the deviations from it."""
    st.header("Measured against intended", anchor=False)
    kept = store.intended(job_id, linkage) or IntendedChoice(linkage, "none", ())
    key = f"{job_id}_{linkage}"
    radio_key = f"{keys.INTENDED_KIND}_{key}"
    # The store says what is chosen, also if another device chose it meanwhile.
    st.session_state[radio_key] = kept.kind
    st.radio(
        "Intended travel",
        list(KINDS),
        format_func=KINDS.__getitem__,
        key=radio_key,
        on_change=choose_kind,
        args=(store, job_id, linkage, radio_key),
    )
    given = None
    if kept.kind == "table":
        given = typed_in(opened, kept, key)
    elif kept.kind == "csv":
        given = from_file(kept, key)
    if given is not None:
        store.set_intended(job_id, given)
        st.rerun()
    if kept.kind == "equal" or kept.rows:
        show_deviations(opened, linkage, kept)


def choose_kind(store: Store, job_id: str, linkage: str, radio_key: str) -> None:
    """Keep the kind chosen, with the table last used for it."""
    kind = st.session_state[radio_key]
    earlier = store.intended(job_id, linkage, kind)
    store.set_intended(job_id, earlier or IntendedChoice(linkage, kind, ()))


def rows_to_type_in(given: Rows, last_deg: float) -> pd.DataFrame:
    """The sheet as it opens: rows given already, and empty ones at even steps of the driver."""
    grid = {float(at): (at, None, None) for at in np.arange(0.0, last_deg + 0.5, CHECK_STEP_DEG)}
    rows = sorted((grid | {row[0]: row for row in given}).values(), key=lambda row: row[0])
    cells = [["" if value is None else f"{value:g}" for value in row] for row in rows]
    return pd.DataFrame(cells, columns=list(CSV_COLUMNS))


def typed_in(opened: Opened, kept: IntendedChoice, key: str) -> IntendedChoice | None:
    """A small sheet to type the table into; gives the table when it has changed and can be used.

    There is no button to press: the sheet sends an edit a moment after it is made, and a press on a
    button in that moment would be lost.
    """
    driver_name, driven_name = kept.linkage.split(":")
    sheet_key = f"{keys.INTENDED_SHEET}_{key}"
    opened_with, taken = st.session_state.setdefault(sheet_key, (kept.rows, kept.rows))
    travel = opened.travel
    last_deg = float(travel.loc[travel["linkage"] == kept.linkage, "driver_deg"].max())
    start = rows_to_type_in(opened_with, last_deg)
    st.html(
        markup.paragraph(
            "Degrees from low fire. Tap a cell twice to type. Fill in the driven travel you know; "
            "rows left empty do not count. The tolerance may stay empty.",
            "sc-small",
        )
    )
    sheet = st.data_editor(
        start,
        key=f"{keys.INTENDED_TABLE}_{key}",
        num_rows="dynamic",
        placeholder="",
        height=HEAD_PX + ROW_PX * (len(start) + 1) + 2,
        row_height=ROW_PX,
        hide_index=True,
        width="stretch",
        column_config={
            # Text, because phones offer no decimal point for the sheet's number cells.
            "driver_deg": st.column_config.TextColumn(f"{driver_name} (°)", alignment="right"),
            "driven_deg": st.column_config.TextColumn(f"{driven_name} (°)", alignment="right"),
            "tolerance_deg": st.column_config.TextColumn("tolerance (°)", alignment="right"),
        },
    )
    if (sheet["driven_deg"].fillna("").str.strip() != "").sum() < 2:
        st.info("Fill in the driven travel of two rows or more.")
        return None
    with plain_errors():
        rows = rows_from_cells(sheet[list(CSV_COLUMNS)], "row", first=1)
        if rows != taken:
            st.session_state[sheet_key] = (opened_with, rows)
            return IntendedChoice(kept.linkage, "table", rows)
    return None


def from_file(kept: IntendedChoice, key: str) -> IntendedChoice | None:
    """An uploader for a table; gives the table when a file arrives that can be used."""
    upload = st.file_uploader(
        "CSV with driver_deg, driven_deg and, if you like, tolerance_deg",
        type=["csv"],
        key=f"{keys.INTENDED_CSV}_{key}",
        max_upload_size=2,
    )
    taken_key = f"{keys.INTENDED_CSV_TAKEN}_{key}"
    if upload is None or st.session_state.get(taken_key) == upload.file_id:
        return None
    with plain_errors():
        rows = rows_from_csv(upload.getvalue())
        st.session_state[taken_key] = upload.file_id
        return IntendedChoice(kept.linkage, "csv", rows)
    return None


def show_deviations(opened: Opened, linkage: str, intended: IntendedChoice) -> None:
    """Show largest and RMS deviation of both passes, the picture and the table."""
    summary = []
    for name in PASSES:
        found = deviation(one_pass(opened.travel, linkage, name), intended)
        if found is None:
            summary.append((name, "not available", "", "not available"))
            continue
        summary.append(
            (
                name,
                format_estimate(found.max_deg, found.max_sd_deg, "deg"),
                format_exact(found.at_driver_deg, "deg"),
                format_estimate(found.rms_deg, found.rms_sd_deg, "deg"),
            )
        )
    steps = even_step_table(opened.travel, linkage, CHECK_STEP_DEG)
    wanted, tolerance = intended_travel(intended, steps["driver_deg"].to_numpy(float))
    table = compared_table(steps, wanted, tolerance)
    left, right = st.columns(2, gap="large")
    with left:
        st.html(
            markup.table(
                ("pass", "largest deviation", "at", "RMS"),
                summary,
                "Measured minus intended. ± is one standard deviation.",
            )
        )
        st.pyplot(
            deviation_figure(table, linkage),
            alt="Deviation from the intended travel, both passes",
            width="stretch",
        )
    with right:
        show_table(table, linkage)


def show_table(table: pd.DataFrame, linkage: str) -> None:
    """Show intended travel and deviations at even steps, with a CSV to take away."""
    driver, driven = linkage.split(":")
    rows = [
        (
            format_exact(row.driver_deg),
            format_exact(row.intended_deg, places=2) if np.isfinite(row.intended_deg) else NOT_GIVEN,
            deviation_cell(row.opening_deviation_deg, row.opening_sd_deg, row.tolerance_deg),
            deviation_cell(row.closing_deviation_deg, row.closing_sd_deg, row.tolerance_deg),
        )
        for row in table.itertuples()
    ]
    st.html(
        markup.table(
            (f"{driver} (°)", "intended (°)", "opening off by (°)", "closing off by (°)"),
            rows,
            f"Travel of {driven}, measured minus intended; * marks a deviation beyond the tolerance.",
        )
    )
    st.download_button(
        "This comparison as CSV",
        table.to_csv(index=False).encode(),
        file_name=f"compared-{driver}-{driven}.csv",
        mime="text/csv",
        key=keys.COMPARED_CSV,
        on_click="ignore",
        width="stretch",
    )


def deviation_cell(value: float, sd: float, tolerance: float) -> str:
    """A deviation for a narrow cell, marked if it is beyond the tolerance; empty where there is none."""
    if not np.isfinite(value):
        return ""
    mark = " *" if np.isfinite(tolerance) and abs(value) > tolerance else ""
    return format_estimate(value, sd) + mark
