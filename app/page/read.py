"""Read: findings, travel curve with the film beside it, even-step table, condition and geometry."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.page import (
    condition,
    findings,
    keys,
    markup,
    overlays,
    progress,
    scrubber,
    setting_cautions,
    steps,
    to_scale,
    travel,
)
from strokecurve.app.page.loaded import LoadedResult, load_result
from strokecurve.app.page.shell import asked_film, plain_errors, run_page
from strokecurve.app.page.words import film_name, film_origin
from strokecurve.app.store.jobs import Film, Job, Run


def choose_film(job: Job, film: Film) -> None:
    """Offer the films of the job; the one chosen goes into the address."""
    key = f"{keys.FILM_CHOICE}_{job.job_id}"
    films = {one.film_id: one for one in reversed(job.films)}
    st.session_state[key] = film.film_id

    def chosen() -> None:
        st.query_params[keys.FILM] = st.session_state[key]
        st.query_params.pop(keys.AT, None)

    if len(films) > 1:
        st.selectbox(
            "Film", list(films), format_func=lambda one: film_name(films[one]), key=key, on_change=chosen
        )
    st.html(markup.paragraph(f"{film_name(film)}. {film_origin(film)}.", "sc-small"))


def choose_linkage(loaded: LoadedResult) -> str | None:
    """The linkage to show; asked only if the film has several."""
    names = list(loaded.linkages)
    if len(names) < 2:
        return names[0] if names else None
    return st.selectbox(
        "Linkage", names, format_func=lambda name: name.replace(":", " drives "), key=keys.LINKAGE
    )


def show_result(store: PersonalStore, film: Film, run: Run) -> None:
    """Everything one film tells: what matters first, evidence beside the curve where there is room."""
    loaded = load_result(str(run.result))
    with plain_errors():
        scrubber.take_from_address(loaded, film.film_id)
    with plain_errors():
        travel.show_shafts(loaded)
    with plain_errors():
        findings.show(film, loaded)
    linkage = choose_linkage(loaded)
    if linkage is None:
        st.info("The film shows no linkage: only one shaft has a marker.")
    intended = store.intended(film.job_id, linkage) if linkage else None
    if intended is not None and intended.kind != "none":
        setting_cautions.show()
    scrubber.show(film, loaded, linkage, intended)
    if linkage is not None:
        left, right = st.columns(2, gap="large")
        with left, plain_errors():
            travel.show_steps(film.job_id, loaded, linkage)
        with right:
            with plain_errors():
                condition.show(film, loaded, linkage)
            with plain_errors():
                condition.show_geometry(loaded.linkages[linkage])
            with plain_errors():
                to_scale.show(loaded, linkage)
    with plain_errors():
        overlays.show(store, film, run)
    with plain_errors():
        travel.show_downloads(run.run_id)


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    film = asked_film(job)
    if film is None:
        st.info("This job has no film yet.")
        steps.link("film", "Add the first film", job.job_id)
        return
    choose_film(job, film)
    run = film.run
    if run is not None and not run.state.ended:
        progress.watch(store, run.run_id)
    elif film.measured is None or run is not film.measured:
        progress.show_ended(store, film)
    if film.measured is not None:
        show_result(store, film, film.measured)


run_page("read", show)
