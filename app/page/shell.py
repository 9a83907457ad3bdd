"""What every page shares: the store it works on, its look, and how errors are shown."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import keys, markup, steps, visitors
from strokecurve.app.page.authentication import authentication, current_store, personal_store
from strokecurve.app.store.jobs import Film, Job
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.cautions import CAUTIONS
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError

STYLE_FILE = Path(__file__).with_name("style.css")

logger = logging.getLogger(__name__)


def dress() -> None:
    """Set title, width and style of the page; the first call of every page."""
    st.set_page_config(page_title="strokecurve", layout="wide", initial_sidebar_state="collapsed")
    st.html(STYLE_FILE)


def show_cautions(*, folded: bool) -> None:
    """Show the cautions above everything else."""
    st.html(markup.cautions(CAUTIONS, folded=folded))


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show errors of one part of the page as a sentence, and let the other parts stand."""
    try:
        yield
    except PLAIN_ERRORS as reason:
        st.error(markup.plain(authentication().told(f"{reason.message} {reason.hint}")))
    except Exception:
        logger.exception("fault in a part of the page")
        st.error(
            "This part could not be shown because of a fault in strokecurve itself. "
            "Your films and results are kept."
        )


def admitted() -> PersonalStore | None:
    """The store as the visitor may use it; None, and the way to sign in shown, if they may not be here."""
    if authentication().unsafe:
        st.warning(visitors.UNSAFE)
    store = personal_store()
    if store.may(Right.ENTER):
        return store
    visitors.show_way_in(store.person)
    return None


def asked_for(store: PersonalStore) -> Job | None:
    """The job named in the address; a wrong name is said."""
    job_id = st.query_params.get(keys.JOB)
    if job_id is None:
        return None
    try:
        return store.job(job_id)
    except InputError as reason:
        st.error(markup.plain(authentication().told(f"{reason.message} {reason.hint}")))
        return None


def asked_film(job: Job) -> Film | None:
    """The film named in the address, else the newest measured, else the newest; None without films."""
    film_id = st.query_params.get(keys.FILM)
    for film in job.films:
        if film.film_id == film_id:
            return film
    return next((film for film in reversed(job.films) if film.measured), None) or next(
        reversed(job.films), None
    )


def run_page(name: str, show: Callable[[PersonalStore, Job], None]) -> None:
    """Draw one page of the work: title, cautions, links to the other pages, then what ``show`` draws."""
    with plain_errors():
        store = admitted()
        if store is None:
            return
        with plain_errors():
            dispatching.tend(current_store())
        st.title("strokecurve", anchor=False)
        job = asked_for(store)
        show_cautions(folded=job is not None)
        if job is None:
            st.info("No job is open. Choose one, or film a new one.")
            st.page_link(steps.START_FILE, label="All jobs and new film", width="stretch")
            visitors.show_who(store.person)
            return
        st.header(markup.plain(job.title), anchor=False)
        steps.show_links(name, job, asked_film(job))
        with plain_errors():
            show(store, job)
        steps.show_next(name, job)
        st.page_link(steps.START_FILE, label="All jobs and new film", width="stretch")
        visitors.show_who(store.person)
