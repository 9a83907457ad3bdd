"""Adjust: the intended travel, the proposals that reach it, the work order."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import (
    execution_record,
    intending,
    keys,
    markup,
    proposing,
    readings_input,
    setting_cautions,
    steps,
)
from strokecurve.app.page.films import choose_film
from strokecurve.app.page.loaded import load_result
from strokecurve.app.page.shell import plain_errors, run_page
from strokecurve.app.page.words import film_name
from strokecurve.app.store.jobs import Film, Job
from strokecurve.app.words.names import spoken
from strokecurve.app.words.statements import RigText


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    films = [film for film in job.films if film.measured]
    if not films:
        st.info("No film of this job is measured yet.")
        steps.link("film", "To the films", job.job_id)
        return
    film = films[-1]
    if len(films) > 1:
        # The newest film in the key: a film measured meanwhile is taken, not what was chosen before it came.
        key = f"{keys.ADJUST_FILM}_{job.job_id}_{film.film_id}"
        film = choose_film("Film that shows the linkage now", films, film, key)
    warn_of_newer(job, film)
    if film.measured is None:
        return
    folder = film.measured.result
    loaded = load_result(str(folder))
    names = list(loaded.linkages)
    if not names:
        st.info("The film shows no linkage: only one shaft has a marker.")
        return
    linkage = names[0]
    if len(names) > 1:
        linkage = st.selectbox("Linkage", names, format_func=spoken, key=keys.LINKAGE)
    setting_cautions.show()
    left, right = st.columns(2, gap="large")
    with left:
        st.header("Intended travel", anchor=False)
        with plain_errors():
            intending.show(store, job.job_id, loaded, linkage)
        if store.may(Right.CHANGE, job.job_id):
            with plain_errors(), st.expander("From combustion readings", key=f"{keys.READINGS_CSV}_box"):
                readings_input.show(store, job, film, linkage)
    choice = store.intended(job.job_id, linkage)
    with right:
        if choice is None or not (choice.kind == "equal" or choice.rows):
            st.header("Proposals", anchor=False)
            st.html(markup.paragraph("Choose the intended travel first."))
        else:
            rig = store.latest(job.job_id, RigText)
            with plain_errors():
                toml = rig.content.toml if rig else None
                proposing.show(store, job.job_id, film.film_id, folder, choice, toml)
        with plain_errors():
            execution_record.show(store, job.job_id, linkage)


def warn_of_newer(job: Job, film: Film) -> None:
    """Say it if a newer film shows the linkage: proposals from an older one start from what is not there."""
    newer = job.films[[one.film_id for one in job.films].index(film.film_id) + 1 :]
    measured = [film_name(one) for one in newer if one.measured]
    waiting = [film_name(one) for one in newer if not one.measured]
    if measured:
        st.warning(
            markup.plain(
                f"A newer film is there: {', '.join(measured)}. Proposals from an older film start from "
                "radii and angles that may not be there any more. Choose the newest film, unless you know "
                "better."
            )
        )
    if waiting:
        st.warning(
            markup.plain(
                f"A newer film is not measured: {', '.join(waiting)}. What follows is computed from the "
                "older film that is chosen here. Wait for the newer one, if the linkage was changed "
                "meanwhile."
            )
        )


run_page("adjust", show)
