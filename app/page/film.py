"""Film: the films of a job with their state, and a further one."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import clips, keys, markup, progress, steps
from strokecurve.app.page.facts import ask_film_facts
from strokecurve.app.page.loaded import load_result
from strokecurve.app.page.shell import plain_errors, run_page
from strokecurve.app.page.words import film_name, film_origin, film_state, state_words
from strokecurve.app.result import presenter
from strokecurve.app.result.moments import concerns_filming
from strokecurve.app.store.jobs import Film, Job, RunState


def show_film(store: PersonalStore, film: Film) -> None:
    """One film: what is said of it, where its analysis stands, and what to do next."""
    st.subheader(markup.plain(film_name(film)), anchor=False)
    state = film_state(film)
    st.html(markup.paragraph(f"{film_origin(film)}. State: {state_words(film)}.", "sc-small"))
    if film.run is not None and not film.run.state.ended:
        progress.watch(store, film.run.run_id)
    elif state is not RunState.DONE:
        progress.show_ended(store, film)
    if film.measured is not None:
        with plain_errors():
            show_filming_faults(film)
        steps.link("read", "Read this film", film.job_id, film.film_id)
    if not store.may(Right.CHANGE, film.job_id):
        return
    with st.expander("Change what is said, or analyse again", key=f"{keys.FILM_FACTS}_{film.film_id}"):
        # Sent in by a press only, so that fields opened long ago never undo what another device said.
        with st.form(f"{keys.FILM_FACTS}_{film.film_id}_form", border=False):
            facts = ask_film_facts(film.facts.label, film.facts, film.film_id)
            sent = st.form_submit_button("Keep this", width="stretch")
        if sent and facts is not None and facts != film.facts:
            store.add(film.job_id, facts, film_id=film.film_id)
            st.rerun()
        if state is RunState.DONE:
            progress.show_ended(store, film)


def show_filming_faults(film: Film) -> None:
    """What was wrong with the filming or left out because of it; the linkage itself is on the next page."""
    if film.measured is None:
        return
    loaded = load_result(str(film.measured.result))
    found = loaded.record["findings"]
    faults = [one for one in found if concerns_filming(one) and one["severity"] != "note"]
    if not faults:
        st.html(markup.paragraph("No fault of the filming was found.", "sc-small"))
    for fault in map(presenter.shown, presenter.in_order(faults)):
        parts = [("Where:", fault.where), ("Measured:", fault.measured), (presenter.WHAT_TO_DO, fault.advice)]
        st.html(markup.card(fault.severity, fault.text, parts))


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    progress.lead_on_when_done(job)
    left, right = st.columns(2, gap="large")
    with left:
        st.header("Films of this job", anchor=False)
        if not job.films:
            st.html(markup.paragraph("There is none yet."))
        for film in reversed(job.films):
            with st.container(border=True), plain_errors():
                show_film(store, film)
    if not store.may(Right.CHANGE, job.job_id):
        return
    with right, plain_errors():
        clips.show_upload(store, job, "A further film" if job.films else "The first film")


run_page("film", show)
