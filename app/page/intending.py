"""The intended travel of a linkage: none, equal travel, a table typed in or from a file."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.intended.given import CSV_COLUMNS, Row, rows_from_cells, rows_from_csv
from strokecurve.app.page import keys, markup
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.words.statements import Entry, IntendedChoice

KINDS = {
    "none": "None yet",
    "equal": "Equal travel",
    "table": "A table typed in",
    "csv": "A table from a CSV file",
    "readings": "Worked out from combustion readings",
}
Rows = tuple[Row, ...]
CHECK_STEP_DEG = 10.0
HEAD_PX = 36
ROW_PX = 44
"""A row of the sheet is as high as a fingertip; all rows fit, so nothing scrolls inside the page."""


def show(store: PersonalStore, job_id: str, loaded: LoadedResult, linkage: str) -> IntendedChoice:
    """Ask for the intended travel and keep it with the job; gives what counts."""
    entry = store.intended_entry(job_id, linkage)
    kept = entry.content if entry else IntendedChoice(linkage, "none", ())
    if not store.may(Right.CHANGE, job_id):
        st.html(markup.paragraph(f"Intended travel: {KINDS[kept.kind]}."))
        return kept
    key = f"{job_id}_{linkage}"
    radio_key = f"{keys.INTENDED_KIND}_{key}"
    # The store says what is chosen, also if another device chose it meanwhile.
    st.session_state[radio_key] = kept.kind
    # Readings are worked out elsewhere; once they were, they can be chosen again.
    worked = store.intended_entry(job_id, linkage, "readings") is not None
    kinds = [kind for kind in KINDS if kind != "readings" or worked]
    st.radio(
        "Intended travel",
        kinds,
        format_func=KINDS.__getitem__,
        key=radio_key,
        on_change=choose_kind,
        args=(store, job_id, linkage, radio_key),
    )
    given = None
    if entry is not None and kept.kind == "table":
        given = typed_in(loaded, entry, key)
    elif kept.kind == "csv":
        given = from_file(kept, key)
    if given is not None:
        store.add(job_id, given)
        st.rerun()
    return kept


def choose_kind(store: PersonalStore, job_id: str, linkage: str, radio_key: str) -> None:
    """Keep the kind chosen, with the table last used for it."""
    with plain_errors():
        kind = st.session_state[radio_key]
        earlier = store.intended_entry(job_id, linkage, kind)
        # With its film: a table worked out from readings stays one that was worked out with it.
        if earlier is None:
            store.add(job_id, IntendedChoice(linkage, kind, ()))
        else:
            store.add(job_id, earlier.content, film_id=earlier.film_id)


def rows_to_type_in(given: Rows, last_deg: float) -> pd.DataFrame:
    """The sheet as it opens: rows given already, and empty ones at even steps of the driver."""
    grid = {float(at): (at, None, None) for at in np.arange(0.0, last_deg + 0.5, CHECK_STEP_DEG)}
    rows = sorted((grid | {row[0]: row for row in given}).values(), key=lambda row: row[0])
    cells = [["" if value is None else f"{value:g}" for value in row] for row in rows]
    return pd.DataFrame(cells, columns=list(CSV_COLUMNS))


@dataclass(frozen=True, slots=True)
class Sheet:
    """The sheet to type into as this session has it.

    Attributes
    ----------
    number : int
        Counts the times it opened anew.
    entry_id : str or None
        Entry that it shows.
    opened_with, taken : rows
        What it opened with, and what was last taken from it.
    """

    number: int
    entry_id: str | None
    opened_with: Rows
    taken: Rows


def sheet_of(entry: Entry[IntendedChoice], key: str) -> Sheet:
    """The sheet as it goes on; it opens anew, and says so, where somebody changed the table meanwhile."""
    rows = entry.content.rows
    sheet: Sheet | None = st.session_state.get(key)
    if sheet is None:
        sheet = Sheet(0, entry.entry_id, rows, rows)
    elif sheet.entry_id != entry.entry_id:
        if rows == sheet.taken:  # our own, or the same again
            sheet = replace(sheet, entry_id=entry.entry_id)
        else:
            sheet = Sheet(sheet.number + 1, entry.entry_id, rows, rows)
            st.warning(
                markup.plain(
                    "This table was changed elsewhere meanwhile, by "
                    f"{entry.author or 'somebody who gave no name'}. The sheet now shows that table; what "
                    "you typed last may be missing. Look before you go on."
                )
            )
    st.session_state[key] = sheet
    return sheet


def typed_in(loaded: LoadedResult, entry: Entry[IntendedChoice], key: str) -> IntendedChoice | None:
    """A small sheet to type the table into; gives the table when it has changed and can be used.

    There is no button to press: the sheet sends an edit a moment after it is made, and a press on a
    button in that moment would be lost.
    """
    kept = entry.content
    driver_name, driven_name = kept.linkage.split(":")
    sheet_key = f"{keys.INTENDED_SHEET}_{key}"
    state = sheet_of(entry, sheet_key)
    travel = loaded.travel
    last_deg = float(travel.loc[travel["linkage"] == kept.linkage, "driver_deg"].max())
    start = rows_to_type_in(state.opened_with, last_deg)
    st.html(
        markup.paragraph(
            "Degrees from low fire. Tap a cell twice to type. Fill in the driven travel you know; "
            "rows left empty do not count. The tolerance may stay empty.",
            "sc-small",
        )
    )
    sheet = st.data_editor(
        start,
        key=f"{keys.INTENDED_TABLE}_{key}_{state.number}",
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
        if rows != state.taken:
            st.session_state[sheet_key] = replace(state, taken=rows)
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
