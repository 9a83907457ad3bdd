"""The marker sheet and how to film."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from strokecurve.app.page import keys, markup
from strokecurve.app.report.sheet import write_sheet
from strokecurve.app.words.cautions import HOW_TO_FILM

PAPER_BUTTONS = (
    ("a4", "Marker sheet, A4 (PDF)", keys.SHEET_A4),
    ("letter", "Marker sheet, US Letter (PDF)", keys.SHEET_LETTER),
)
GOOD_SETUP = Path(__file__).with_name("good-setup.jpg")
GOOD_SETUP_WORDS = (
    "A good set-up (invented): the reference card fixed below the linkage with marker 0 at its top left, "
    "markers 10, 11 and 12 on the arms of motor, shaft 1 and shaft 2, 20 and 21 on the two rods, all in view."
)


@st.cache_data(max_entries=4, show_spinner=False)
def sheet_bytes(paper: str) -> bytes:
    """The marker sheet as PDF bytes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.pdf"
        write_sheet(path, paper)
        return path.read_bytes()


def show(title: str) -> None:
    """Show the downloads and the steps from printer to clip."""
    st.header(markup.plain(title), anchor=False)
    for paper, label, key in PAPER_BUTTONS:
        st.download_button(
            markup.plain(label),
            sheet_bytes(paper),
            file_name=f"strokecurve-markers-{paper}.pdf",
            mime="application/pdf",
            key=key,
            on_click="ignore",
            width="stretch",
        )
    with st.expander("How to place the markers and film", key=keys.HOW_TO_FILM):
        st.html(markup.picture(GOOD_SETUP.read_bytes(), "image/jpeg", GOOD_SETUP_WORDS))
        st.html(markup.bullets(HOW_TO_FILM, numbered=True))
