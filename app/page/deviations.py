"""Measured against intended travel of one film: largest and RMS deviation, picture, table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from strokecurve.app.intended.given import deviation, intended_travel
from strokecurve.app.page import markup
from strokecurve.app.page.downloads import offer
from strokecurve.app.page.intending import CHECK_STEP_DEG
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.page.pictures import show_figure
from strokecurve.app.result.plots import deviation_figure
from strokecurve.app.result.tables import PASSES, compared_table, even_step_table, one_pass
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.app.words.statements import IntendedChoice

NOT_GIVEN = "not given"


def show(job_id: str, loaded: LoadedResult, linkage: str, intended: IntendedChoice) -> None:
    """Show largest and RMS deviation of both passes, the picture and the table."""
    summary = []
    for name in PASSES:
        found = deviation(one_pass(loaded.travel, linkage, name), intended)
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
    steps = even_step_table(loaded.travel, linkage, CHECK_STEP_DEG)
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
        show_figure(
            deviation_figure(table, linkage),
            "Deviation from the intended travel, both passes",
        )
    with right:
        show_table(job_id, table, linkage)


def show_table(job_id: str, table: pd.DataFrame, linkage: str) -> None:
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
    content = table.to_csv(index=False).encode()
    offer(job_id, content, f"compared-{driver}-{driven}.csv", "This comparison as CSV")


def deviation_cell(value: float, sd: float, tolerance: float) -> str:
    """A deviation for a narrow cell, marked if it is beyond the tolerance; empty where there is none."""
    if not np.isfinite(value):
        return ""
    mark = " *" if np.isfinite(tolerance) and abs(value) > tolerance else ""
    return format_estimate(value, sd) + mark
