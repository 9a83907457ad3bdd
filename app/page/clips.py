"""Taking in a clip and its set-up file: on disk before anything else happens."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.measure.rig import Rig
from strokecurve.app.page import keys, markup, steps, warming
from strokecurve.app.page.authentication import current_store
from strokecurve.app.page.facts import ask_film_facts
from strokecurve.app.page.uploader import ask_file
from strokecurve.app.store.jobs import Job, Run
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import ROLES, FilmFacts


def start_run(run: Run | None) -> None:
    """Start the worker of a run that was just queued, and remember that this visitor waits for it."""
    if run is not None:
        dispatching.start(current_store(), run)
        st.session_state[keys.WATCHED] = run.run_id


def usual_role(job: Job | None) -> str:
    """What the next film of a job usually shows."""
    roles = {film.facts.role for film in job.films} if job else set()
    return ROLES[-1] if ROLES[0] in roles else ROLES[0]


def show_upload(store: PersonalStore, job: Job | None, title: str) -> None:
    """Show the uploader for a film of a job, or of a new one; a clip that arrives is stored at once."""
    st.header(markup.plain(title), anchor=False)
    number = st.session_state.setdefault(keys.UPLOAD_ROUND, 0)
    place = job.job_id if job else "new"
    facts = ask_film_facts("clip", FilmFacts(usual_role(job), "clip"), f"{place}_{number}")
    rig_toml = None
    if job is None:
        with st.expander("Set-up file (optional)", key=f"{keys.RIG_UPLOAD}_box"):
            rig_toml = ask_rig(
                str(number), "rig.toml: names of the shafts, sizes measured by hand. Add it before the clip."
            )
    if facts is None:
        return
    warming.expect_clip(current_store())
    label = "Clip of one full stroke: low fire, high fire and back (MP4 or MOV)"
    arrived = ask_file(store, "clip", label, place, job.job_id if job else None, facts, rig_toml)
    if arrived is None:
        return
    st.session_state[keys.UPLOAD_ROUND] = number + 1
    film = store.film(arrived["film"])
    if film.run is not None:
        st.session_state[keys.WATCHED] = film.run.run_id
    steps.go("film", film.job_id, film.film_id)


def ask_rig(key: str, label: str) -> str | None:
    """Show the uploader of the set-up file; give its text if there is one.

    Raises
    ------
    InputError
        If the file cannot be used; no clip is taken in until it is mended or removed.
    """
    upload = st.file_uploader(
        markup.plain(label), type=["toml"], key=f"{keys.RIG_UPLOAD}_{key}", max_upload_size=1
    )
    if upload is None:
        return None
    try:
        text = upload.getvalue().decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            "The set-up file is not a text file.", "Choose a rig.toml written in UTF-8."
        ) from error
    Rig.from_toml(text).refuse_formulas()
    return text
