"""Prepare, film, read and compare on one page; the film that is open is named in the address."""

from __future__ import annotations

import streamlit as st

from app import worker
from app.errors import InputError
from app.jobs import Job, RunState
from app.page import film, keys, prepare, read
from app.page.shell import current_store, plain_errors, show_cautions
from app.store import Store


def asked_for(store: Store) -> Job | None:
    """The job named in the address; a wrong name is said and leads to the start."""
    job_id = st.query_params.get(keys.JOB)
    if job_id is None:
        return None
    try:
        return store.job(job_id)
    except InputError as reason:
        st.error(f"{reason.message} {reason.hint}")
        return None


def show_start(store: Store) -> None:
    """Cautions, preparation, upload, and the films there are."""
    left, right = st.columns(2, gap="large")
    with left, plain_errors():
        prepare.show()
    with right:
        with plain_errors():
            film.show_upload(store)
        with plain_errors():
            film.show_list(store)


def show_job(store: Store, job: Job) -> None:
    """The newest film of a job: its progress, why it failed, or what it shows."""
    film.show_heading(job)
    newest = job.films[-1] if job.films else None
    if newest is None or newest.run is None:
        st.info("This job has no film that was analysed here.")
    elif not newest.run.state.ended:
        film.watch(store, newest.run.run_id)
    elif newest.run.state is RunState.DONE:
        read.show(store, newest, newest.run)
    else:
        film.show_failure(store, newest, newest.run)


def main() -> None:
    """Draw the page."""
    with plain_errors():
        store = current_store()
        worker.tend(store)
        st.title("strokecurve", anchor=False)
        job = asked_for(store)
        show_cautions(folded=job is not None)
        if job is None:
            show_start(store)
        else:
            show_job(store, job)


main()
