"""Compare: measured against intended travel."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from app.intended import CSV_COLUMNS, checked_rows, deviation, intended_travel, rows_from_csv
from app.numbers import format_estimate, format_exact
from app.page import keys, markup
from app.page.opened import Opened
from app.page.shell import plain_errors
from app.plots import deviation_figure
from app.store import IntendedChoice, Job, Store
from app.tables import PASSES, compared_table, even_step_table, one_pass

KINDS = {
    "none": "No comparison",
    "equal": "Equal travel",
    "table": "A table typed in",
    "csv": "A table from a CSV file",
}
CHECK_STEP_DEG = 10.0
NOT_GIVEN = "not given"


def show(store: Store, job: Job, opened: Opened, linkage: str) -> None:
    """Ask for the intended travel, keep it with the film, show the deviations from it."""
    st.header("Measured against intended", anchor=False)
    kept = store.intended(job.job_id, linkage)
    key = f"{job.job_id}_{linkage}"
    kind = st.radio(
        "Intended travel",
        list(KINDS),
        index=0 if kept is None else list(KINDS).index(kept.kind),
        format_func=KINDS.__getitem__,
        key=f"{keys.INTENDED_KIND}_{key}",
    )
    chosen = kept if kept is not None and kept.kind == kind else None
    if kind == "equal":
        chosen = IntendedChoice(linkage, "equal", ())
    elif kind == "table":
        chosen = typed_in(opened, linkage, chosen, key)
    elif kind == "csv":
        chosen = from_file(linkage, chosen, key)
    if kind == "none":
        chosen = IntendedChoice(linkage, "none", ())
    if chosen is not None and chosen != (kept or IntendedChoice(linkage, "none", ())):
        store.set_intended(job.job_id, chosen)
        st.rerun()
    if chosen is not None and chosen.kind != "none":
        show_deviations(opened, linkage, chosen)


def typed_in(opened: Opened, linkage: str, kept: IntendedChoice | None, key: str) -> IntendedChoice | None:
    """A small sheet to type the table into; used when the button is pressed."""
    if kept is None:
        last = float(opened.travel.loc[opened.travel["linkage"] == linkage, "driver_deg"].max())
        driver = np.arange(0.0, last + 0.5, CHECK_STEP_DEG)
        start = pd.DataFrame({"driver_deg": driver, "driven_deg": np.nan, "tolerance_deg": np.nan})
    else:
        start = pd.DataFrame(kept.rows, columns=list(CSV_COLUMNS), dtype=float)
    driver_name, driven_name = linkage.split(":")
    st.html(
        markup.paragraph(
            "Degrees from low fire. Fill in the driven travel you know; rows left empty do not count. "
            "The tolerance may stay empty.",
            "sc-small",
        )
    )
    sheet = st.data_editor(
        start,
        key=f"{keys.INTENDED_TABLE}_{key}",
        num_rows="dynamic",
        placeholder="",
        hide_index=True,
        width="stretch",
        column_config={
            "driver_deg": st.column_config.NumberColumn(f"{driver_name} (°)", min_value=0.0, max_value=360.0),
            "driven_deg": st.column_config.NumberColumn(f"{driven_name} (°)"),
            "tolerance_deg": st.column_config.NumberColumn("tolerance (°)", min_value=0.0),
        },
    )
    if st.button(
        "Compare with this table", key=f"{keys.INTENDED_USE}_{key}", type="primary", width="stretch"
    ):
        with plain_errors():
            rows = sheet[list(CSV_COLUMNS)].itertuples(index=False, name=None)
            return IntendedChoice(linkage, "table", checked_rows(rows))
    return kept


def from_file(linkage: str, kept: IntendedChoice | None, key: str) -> IntendedChoice | None:
    """An uploaded table."""
    upload = st.file_uploader(
        "CSV with driver_deg, driven_deg and, if you like, tolerance_deg",
        type=["csv"],
        key=f"{keys.INTENDED_CSV}_{key}",
        max_upload_size=2,
    )
    if upload is not None:
        with plain_errors():
            return IntendedChoice(linkage, "csv", rows_from_csv(upload.getvalue()))
    return kept


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
