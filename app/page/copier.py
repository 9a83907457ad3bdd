"""A button that copies a table for a sheet; it also works on a phone over plain http."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pandas as pd
import streamlit as st

from strokecurve.app.words.columns import guarded

_HTML = """
<div class="sc-copy">
  <button type="button" class="sc-button sc-aside"></button>
  <textarea readonly hidden rows="6" wrap="off"></textarea>
  <p class="sc-small" role="status"></p>
</div>
"""


@cache
def _component() -> Callable[..., object]:
    """The button as Streamlit knows it; made when first drawn, as pages are loaded before Streamlit runs."""
    return st.components.v2.component(
        "strokecurve_copier",
        html=_HTML,
        js=Path(__file__).with_name("copier.js").read_text(encoding="utf-8"),
        isolate_styles=False,
    )


def as_text(table: pd.DataFrame) -> str:
    """A table as sheets take it: tabs between cells, a gap empty, formulas marked as text."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    writer.writerow([guarded(str(name)) for name in table.columns])
    for row in table.itertuples(index=False):
        writer.writerow(["" if pd.isna(cell) else guarded(str(cell)) for cell in row])
    return out.getvalue()


def show(table: pd.DataFrame, label: str, key: str) -> None:
    """Draw the button.

    Parameters
    ----------
    table : DataFrame
        Copied with its head.
    label : str
        On the button.
    key : str
        Tells the buttons of a page apart.
    """
    _component()(
        key=key,
        data={
            "text": as_text(table),
            "label": label,
            "done": "Copied. Paste it into a sheet: every figure goes into a cell of its own.",
            "by_hand": "This browser lets no page copy. The table is selected: copy it from the field.",
            "by_hand_label": "The table, to copy by hand",
        },
    )
