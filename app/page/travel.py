"""Travel of shafts and trains, travel at even steps with the local ratio, and the result files."""

from __future__ import annotations

import numpy as np
import streamlit as st

from strokecurve.app.page import copier, keys, markup
from strokecurve.app.page.downloads import offer, offer_result
from strokecurve.app.page.loaded import RESULT_FILES, LoadedResult
from strokecurve.app.page.pictures import ratio_picture
from strokecurve.app.page.scrubber import NOT_SEEN
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.result.tables import even_step_table, ratio_table
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.app.words.numeric import finite

STEPS_DEG = (10, 5)


def show_shafts(loaded: LoadedResult) -> None:
    """Show how far every shaft turned over the stroke, and every train from end to end."""
    st.header("Travel, low fire to high fire", anchor=False)
    ways = {"ccw": "opens counter-clockwise", "cw": "opens clockwise"}
    entries = [
        (
            f"{shaft['name']}, {ways.get(str(shaft.get('opening')), 'way of opening not known')}",
            format_estimate(finite(shaft.get("travel_deg")), finite(shaft.get("travel_sd_deg")), "deg"),
        )
        for shaft in loaded.record["shafts"]
    ]
    st.html(markup.figures(entries))
    for train in loaded.record.get("trains") or ():
        first, last = train["shafts"][0], train["shafts"][-1]
        driver, driven, lost = (
            format_estimate(train[key].get("value"), train[key].get("sd"), "deg")
            for key in ("driver_travel_deg", "driven_travel_deg", "slack_deg")
        )
        st.html(markup.paragraph(f"Whole train, {first} to {last}:"))
        st.html(
            markup.figures(
                (
                    (f"travel of {first}", driver),
                    (f"travel of {last}", driven),
                    (f"lost motion, {first} to {last}", lost),
                )
            )
        )
    st.html(markup.paragraph(SD_NOTE, "sc-small"))


def show_steps(job_id: str, loaded: LoadedResult, linkage: str) -> None:
    """Show driven travel and local ratio at even steps of the driver, with CSVs to take away."""
    st.header("Travel at even steps", anchor=False)
    step = st.segmented_control(
        "Step of the driver",
        STEPS_DEG,
        default=STEPS_DEG[0],
        required=True,
        format_func=lambda value: f"{value}°",
        key=keys.STEP,
    )
    table = even_step_table(loaded.travel, linkage, float(step))
    driver, driven = linkage.split(":")
    rows = [
        (
            format_exact(row.driver_deg),
            estimate_or_gap(row.opening_deg, row.opening_sd_deg),
            estimate_or_gap(row.closing_deg, row.closing_sd_deg),
            estimate_or_gap(row.difference_deg, row.difference_sd_deg),
        )
        for row in table.itertuples()
    ]
    st.html(
        markup.table(
            (f"{driver} (°)", "opening (°)", "closing (°)", "closing minus opening (°)"),
            rows,
            f"Travel of {driven} from low fire. {SD_NOTE}",
        )
    )
    copier.show(table, "Copy this table", f"{keys.STEP}_copy")
    content = table.to_csv(index=False).encode()
    offer(job_id, content, f"even-steps-{driver}-{driven}.csv", "This table as CSV")
    ratios = ratio_table(table)
    picture = ratio_picture(str(loaded.folder), linkage, float(step))
    st.html(picture.html("Local ratio, driven degrees for each driver degree; figures in the table below"))
    between = [
        (
            f"{format_exact(row.from_deg)} to {format_exact(row.to_deg)}",
            estimate_or_gap(row.opening_ratio, row.opening_sd),
            estimate_or_gap(row.closing_ratio, row.closing_sd),
        )
        for row in ratios.itertuples()
    ]
    with st.expander("Local ratio as a table", key=f"{keys.RATIO_CSV}_box"):
        st.html(
            markup.table(
                (f"{driver} (°)", "opening", "closing"),
                between,
                f"Degrees of {driven} for each degree of {driver}, between two positions. {SD_NOTE}",
            )
        )
        copier.show(ratios, "Copy the ratios", f"{keys.RATIO_CSV}_copy")
        content = ratios.to_csv(index=False).encode()
        offer(job_id, content, f"ratio-{driver}-{driven}.csv", "The ratios as CSV")


def estimate_or_gap(value: float, sd: float) -> str:
    """A measured value for a narrow cell; a gap is said."""
    return format_estimate(value, sd) if np.isfinite(value) else NOT_SEEN


def show_downloads(run_id: str) -> None:
    """Offer the result files."""
    st.header("Files", anchor=False)
    for name in RESULT_FILES:
        offer_result(run_id, name)
