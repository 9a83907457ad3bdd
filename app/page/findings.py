"""Findings of a film, the gravest first, each with the moment that shows it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from strokecurve.app.page import keys, markup, scrubber
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.result import presenter
from strokecurve.app.result.moments import driver_travel_of, linkage_of, moment_of
from strokecurve.app.store.jobs import Film
from strokecurve.app.words.estimates import fixed


def shown_at(loaded: LoadedResult, finding: Mapping[str, Any]) -> float | None:
    """The moment of the film that shows a finding best; None where it has none."""
    named = moment_of(finding)
    if named is not None:
        return named
    name = linkage_of(finding, loaded.linkages)
    driver_deg = driver_travel_of(finding) if name else None
    if name is None or driver_deg is None:
        return None
    return scrubber.travel_moment(loaded, name, driver_deg)


def show(film: Film, loaded: LoadedResult) -> None:
    """Show filming faults and findings, the gravest first; a button leads to the moment of each."""
    st.header("Findings", anchor=False)
    found = presenter.in_order(loaded.record["findings"])
    for number, finding in enumerate(found):
        one = presenter.shown(finding)
        st.html(
            markup.card(
                one.severity,
                one.text,
                [("Where:", one.where), ("Measured:", one.measured), (presenter.WHAT_TO_DO, one.advice)],
            )
        )
        time_s = shown_at(loaded, finding)
        if time_s is not None:
            st.button(
                f"Show it in the film, at {fixed(time_s, 1)} s",
                key=f"{keys.TO_MOMENT}_{number}",
                on_click=scrubber.go_to,
                args=(loaded, film.film_id, time_s),
                icon=":material/movie:",
            )
    if not found:
        st.html(
            markup.card(
                "note",
                "Nothing to report about the film or the linkage.",
                [("", "This says nothing about combustion. The cautions above hold.")],
            )
        )
