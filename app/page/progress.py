"""Watching an analysis that runs outside the page, and what to say when it gave no result."""

from __future__ import annotations

import itertools
import time

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import keys, markup, steps, words
from strokecurve.app.page.authentication import authentication, current_store
from strokecurve.app.page.clips import start_run
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.store.jobs import Film, Job, Run, RunState
from strokecurve.app.tasks import dispatching

LOOK_EVERY_S = 1.0
"""Between two pictures of the progress; where browser and analysis share a machine, each one costs both."""
WAITED_FOR_S = 0.8
_SEEN_EVERY_S = 0.1


def watch(store: PersonalStore, run_id: str) -> None:
    """Show progress and a cancel button until the run has ended, which is seen at once."""
    st.session_state[keys.WATCHED] = run_id
    looks = itertools.count()

    @st.fragment(run_every=LOOK_EVERY_S)
    def progress() -> None:
        with plain_errors():
            dispatching.tend(current_store())
        with plain_errors():
            run = store.runs.run(run_id)
            if not run.state.ended:
                show_progress(store, run)
                # At the first look the rest of the page is still to be drawn; later one run is waited for.
                if next(looks) > 0 and run.state is RunState.RUNNING:
                    run = wait_for_end(run_id, WAITED_FOR_S)
            if run.state is RunState.DONE:
                lead_on(store.film(run.film_id))
            if run.state.ended:
                st.rerun()

    progress()


def watched_is(run_id: str) -> bool:
    """Whether it is the analysis that this visitor began or looked at last."""
    return bool(st.session_state.get(keys.WATCHED) == run_id)


def wait_for_end(run_id: str, seconds: float) -> Run:
    """A run as it stands after this time, or as soon as it has ended, for who was shown it already.

    What is pressed elsewhere on the page is not held up: each look at the session's state lets Streamlit turn
    to it. The button to cancel, which is in the same part of the page, is held up until this ends.
    """
    runs, until_s = current_store().runs, time.monotonic() + seconds
    while not (run := runs.run(run_id)).state.ended and watched_is(run_id) and time.monotonic() < until_s:
        time.sleep(_SEEN_EVERY_S)
    return run


def lead_on(film: Film) -> None:
    """Go to the page that reads a film."""
    st.session_state.pop(keys.WATCHED, None)
    steps.go("read", film.job_id, film.film_id)


def lead_on_when_done(job: Job) -> None:
    """Go to the page that reads a film whose analysis this visitor waited for, once it is done."""
    watched = st.session_state.get(keys.WATCHED)
    for film in job.films:
        if film.run is not None and film.run.run_id == watched and film.run.state.ended:
            if film.run.state is RunState.DONE:
                lead_on(film)
            del st.session_state[keys.WATCHED]


def show_progress(store: PersonalStore, run: Run) -> None:
    """Draw the state of a run."""
    if run.cancel_requested:
        st.progress(0, text="Stopping ...")
        return
    if run.total > 0:
        share = min(max(run.done / run.total, 0.0), 1.0)
        st.progress(share, text=markup.plain(f"{run.stage}: {share:.0%}"))
    else:
        st.progress(0, text=markup.plain(run.stage or words.turn(store.runs.before(run.run_id))))
    st.html(
        markup.paragraph(
            "The clip is stored. You may close this page: the analysis goes on, "
            "and this address shows it again.",
            "sc-small",
        )
    )
    if not store.may_on_film(Right.CHANGE, run.film_id):
        return
    st.button(
        "Cancel",
        key=f"{keys.CANCEL}_{run.run_id}",
        on_click=store.runs.request_cancel,
        args=(run.run_id,),
        width="stretch",
    )


def analyse_again(store: PersonalStore, film_id: str) -> None:
    """Start another analysis of a stored clip."""
    with plain_errors():
        start_run(store.analyse_again(film_id))


def show_ended(store: PersonalStore, film: Film) -> None:
    """Say why there is no result, and offer another try."""
    run = film.run
    if run is None:
        st.info("This film has not been analysed here.")
    elif run.state is RunState.FAILED:
        st.error(markup.plain(words.why_failed(run, alone=authentication().alone)))
    elif run.state is RunState.CANCELLED:
        st.info("This analysis was cancelled. The clip is kept.")
    if film.clip.here and not store.may(Right.CHANGE, film.job_id):
        return
    if film.clip.here:
        st.button(
            "Analyse this clip again",
            key=f"{keys.AGAIN}_{film.film_id}",
            on_click=analyse_again,
            args=(store, film.film_id),
            width="stretch",
        )
    else:
        st.caption("The clip itself is not in this store; the bundle came without it.")
