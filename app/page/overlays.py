"""The whole clip with arms, rods and angles drawn in: made on request, played, handed over."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.page import making, markup
from strokecurve.app.result.contents import OVERLAY_FILE
from strokecurve.app.store.jobs import Film, Run


def show(store: PersonalStore, film: Film, run: Run) -> None:
    """Play the clip if it is made, else offer to make it."""
    st.header("The clip with everything drawn in", anchor=False)
    if (run.result / OVERLAY_FILE).is_file():
        play(run)
    elif film.clip.here:
        # One made for an earlier analysis is of no use here, so nothing is drawn for it.
        making.show(store, film.job_id, "Make this clip", "overlay", lambda _: None, film=film.film_id)
    else:
        st.html(markup.paragraph("The clip itself is not in this store."))


def play(run: Run) -> None:
    """The player and the way to the file."""
    words = "The clip with arms, rods and angles drawn in"
    st.html(markup.player(making.overlay_address(run.run_id), words))
    address = making.overlay_address(run.run_id, download=True)
    st.html(markup.download_link(address, "Download this clip", "strokecurve-overlay.mp4"))
