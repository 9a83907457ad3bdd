"""Start: cautions, marker sheet, a film of a new job, a job from a colleague, and the jobs there are."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import bundles, clips, keys, markup, preparing, steps, visitors
from strokecurve.app.page.authentication import current_store
from strokecurve.app.page.facts import ask_job_facts
from strokecurve.app.page.shell import admitted, asked_film, asked_for, plain_errors, show_cautions
from strokecurve.app.page.words import local_time, state_words
from strokecurve.app.store.jobs import Job
from strokecurve.app.tasks import dispatching


def lead_on(job: Job) -> None:
    """An address that names a job but no page leads to what there is to see of the job."""
    film = asked_film(job)
    if film is None:
        steps.go("prepare", job.job_id)
    steps.go("read" if film.measured else "film", job.job_id, film.film_id if film.measured else None)


def show_jobs(store: PersonalStore) -> None:
    """Show every job of this store as a link, newest first."""
    jobs = store.jobs()
    if not jobs:
        return
    st.header("Jobs", anchor=False)
    for job in jobs:
        film = job.films[-1] if job.films else None
        state = state_words(film) if film else "no film yet"
        more = f"{len(job.films)} films, the newest " if len(job.films) > 1 else ""
        label = f"{job.title}, {local_time(job.made_s)}: {more}{state}"
        if st.button(markup.plain(label), key=f"{keys.OPEN_JOB}_{job.job_id}", width="stretch"):
            lead_on(job)


def show_new_job(store: PersonalStore) -> None:
    """Start a job before there is a film of it."""
    with st.expander("Start a job before filming", key=f"{keys.NEW_JOB}_box"):
        facts = ask_job_facts(None, keys.NEW_JOB, "Start the job")
        if facts is not None:
            steps.go("prepare", store.new_job(facts).job_id)


def show_beginnings(store: PersonalStore) -> None:
    """Every way to begin a job."""
    with plain_errors():
        clips.show_upload(store, None, "2. Film")
    with plain_errors():
        show_new_job(store)
    with plain_errors(), st.expander("Open a job from a colleague", key=f"{keys.BUNDLE_UPLOAD}_box"):
        bundles.show_import(store, None)


def main() -> None:
    """Draw the page."""
    with plain_errors():
        store = admitted()
        if store is None:
            return
        with plain_errors():
            dispatching.tend(current_store())
        job = asked_for(store)
        if job is not None:
            lead_on(job)
        st.title("strokecurve", anchor=False)
        show_cautions(folded=False)
        left, right = st.columns(2, gap="large")
        with left, plain_errors():
            preparing.show("1. Prepare")
        with right:
            if store.may(Right.START):
                show_beginnings(store)
            with plain_errors():
                show_jobs(store)
        visitors.show_who(store.person)


main()
