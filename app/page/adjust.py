"""Adjust: the intended travel, the proposals that reach it, the work order."""

from __future__ import annotations

import streamlit as st

from app.access import Right
from app.comparing import spoken
from app.jobs import Job
from app.page import intending, keys, markup, proposing, readings_input, steps
from app.page.films import choose_film, newest_of
from app.page.opened import open_result
from app.page.shell import plain_errors, run_page
from app.personal import PersonalStore
from app.record import ROLES, RigText


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    films = [film for film in job.films if film.measured]
    if not films:
        st.info("No film of this job is measured yet.")
        steps.link("film", "To the films", job.job_id)
        return
    film = newest_of(films, ROLES[0], films[-1])
    if len(films) > 1:
        film = choose_film("Film that shows the linkage now", films, film, keys.ADJUST_FILM)
    if film.measured is None:
        return
    folder = film.measured.result
    opened = open_result(str(folder))
    names = list(opened.linkages)
    if not names:
        st.info("The film shows no linkage: only one shaft has a marker.")
        return
    linkage = names[0]
    if len(names) > 1:
        linkage = st.selectbox("Linkage", names, format_func=spoken, key=keys.LINKAGE)
    left, right = st.columns(2, gap="large")
    with left:
        st.header("Intended travel", anchor=False)
        with plain_errors():
            intending.show(store, job.job_id, opened, linkage)
        if store.may(Right.CHANGE, job.job_id):
            with plain_errors(), st.expander("From combustion readings", key=f"{keys.READINGS_CSV}_box"):
                readings_input.show(store, job.job_id, folder, linkage)
    choice = store.intended(job.job_id, linkage)
    with right:
        if choice is None or not (choice.kind == "equal" or choice.rows):
            st.header("Proposals", anchor=False)
            proposing.show_cautions()
            st.html(markup.paragraph("Choose the intended travel first."))
            return
        rig = store.latest(job.job_id, RigText)
        with plain_errors():
            toml = rig.content.toml if rig else None
            proposing.show(store, job.job_id, film.film_id, folder, choice, toml)


run_page("adjust", show)
