"""Condition and geometry of one linkage: lost motion, worn joints, slips, margins, sizes, start angles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from strokecurve.app.page import keys, markup, scrubber
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.result import presenter
from strokecurve.app.result.moments import linkage_of
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.store.jobs import Film
from strokecurve.app.words.estimates import fixed

Entry = Mapping[str, Any]


def show(film: Film, loaded: LoadedResult, name: str) -> None:
    """Show lost motion, how the travel repeats, margins, worn joints and slips."""
    linkage = loaded.linkages[name]
    st.header("Condition", anchor=False)
    rows = [(row.words, row.value, row.aside) for row in presenter.condition_rows(linkage)]
    st.html(markup.table(presenter.CONDITION_HEAD, rows, f"{presenter.IN_LINE_NOTE} {SD_NOTE}"))
    show_joints(loaded, name)
    show_slips(film, loaded, linkage.get("slips") or ())


def show_joints(loaded: LoadedResult, name: str) -> None:
    """Where the lost motion arises, if the film tells."""
    rows = [(row.words, row.value, row.aside) for row in presenter.joint_rows(loaded.linkages[name])]
    if not rows:
        st.html(markup.paragraph(presenter.NO_PLAY))
        return
    found = {
        one["subject"].get("part")
        for one in loaded.record["findings"]
        if one.get("code") == "worn_joint" and linkage_of(one, (name,))
    }
    worn = [pin for pin in presenter.PINS.values() if pin in found]
    verdict = f"{' and '.join(worn).capitalize()} worn" if worn else "No joint stands out as worn"
    st.html(markup.table(presenter.JOINTS_HEAD, rows, f"{verdict}. {SD_NOTE}"))


def show_slips(film: Film, loaded: LoadedResult, slips: Any) -> None:
    """Arms that slipped on their shafts, each with the moment."""
    for number, slip in enumerate(slips):
        arm = f"the {slip['arm']} arm" if slip.get("arm") else "one of the arms"
        key = "drive_deg" if slip.get("arm") == "drive" else "driven_deg"
        at = presenter.place(slip)
        st.html(
            markup.card(
                "danger",
                f"Slip of {arm}: {presenter.estimate(slip.get(key))}",
                [("At driver travel:", at)],
            )
        )
        if slip.get("time_s") is not None:
            st.button(
                f"Show the slip in the film, at {fixed(slip['time_s'], 1)} s",
                key=f"{keys.TO_MOMENT}_slip_{number}",
                on_click=scrubber.go_to,
                args=(loaded, film.film_id, float(slip["time_s"])),
                icon=":material/movie:",
            )


def show_geometry(linkage: Entry) -> None:
    """Show sizes and start angles, and say which of them this film does not determine."""
    st.header("Geometry", anchor=False)
    rows = [(row.words, row.value, row.aside) for row in presenter.geometry_rows(linkage)]
    note = f"{linkage['driver']} drives {linkage['driven']}. {presenter.START_ANGLES_NOTE} {SD_NOTE}"
    st.html(markup.table(presenter.GEOMETRY_HEAD, rows, note))
    left_open = presenter.open_questions(linkage)
    if left_open:
        st.html(markup.paragraph(presenter.WHAT_SETTLES) + markup.bullets(left_open))
