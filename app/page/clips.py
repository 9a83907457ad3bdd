"""Taking in a clip and its set-up file: on disk before anything else happens."""

from __future__ import annotations

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from app import worker
from app.errors import InputError
from app.files import LARGEST_CLIP_BYTES, pieces
from app.jobs import Film, Job, Run
from app.page import keys, steps
from app.page.facts import ask_film_facts
from app.record import ROLES, FilmFacts
from app.rig import Rig
from app.store import Store, display_label

LARGEST_MB = LARGEST_CLIP_BYTES >> 20


def start_run(store: Store, run: Run | None) -> None:
    """Start the worker of a run that was just queued, and remember that this visitor waits for it."""
    if run is not None:
        worker.start(store, run)
        st.session_state[keys.WATCHED] = run.run_id


def take_in(
    store: Store, job: Job | None, upload: UploadedFile, facts: FilmFacts, rig_toml: str | None
) -> Film:
    """Store an upload as a film of a job, a new one if none is given, and start its analysis."""
    clip = store.receive(pieces(upload), upload.name, upload.size)
    if job is None:
        job = store.new_job(rig_toml=rig_toml)
    film = store.add_film(job.job_id, clip, facts)
    start_run(store, film.run)
    return film


def usual_role(job: Job | None) -> str:
    """What the next film of a job usually shows."""
    roles = {film.facts.role for film in job.films} if job else set()
    return ROLES[-1] if ROLES[0] in roles else ROLES[0]


def show_upload(store: Store, job: Job | None, title: str) -> None:
    """Show the uploader for a film of a job, or of a new one; a clip that arrives is stored at once."""
    st.header(title, anchor=False)
    number = st.session_state.setdefault(keys.UPLOAD_ROUND, 0)
    place = f"{job.job_id if job else 'new'}_{number}"
    facts = ask_film_facts("clip", FilmFacts(usual_role(job), "clip"), place)
    rig_toml = None
    if job is None:
        with st.expander("Set-up file (optional)", key=f"{keys.RIG_UPLOAD}_box"):
            rig_toml = ask_rig(
                str(number), "rig.toml: names of the shafts, sizes measured by hand. Add it before the clip."
            )
    clip = st.file_uploader(
        "Clip of one full stroke: low fire, high fire and back (MP4 or MOV)",
        type=["mp4", "mov"],
        key=f"{keys.CLIP_UPLOAD}_{number}",
        max_upload_size=LARGEST_MB,
    )
    if clip is None or facts is None:
        return
    refused_id, sentence = st.session_state.get(keys.REFUSED, (None, ""))
    if clip.file_id == refused_id:
        st.error(sentence)
        return
    label = display_label(clip.name)
    try:
        with st.spinner("Storing the clip"):
            said = FilmFacts(facts.role, label, facts.filmed_by, facts.filmed_on)
            film = take_in(store, job, clip, said, rig_toml)
    except InputError as reason:
        st.session_state[keys.REFUSED] = (clip.file_id, f"{reason.message} {reason.hint}")
        raise
    st.session_state[keys.UPLOAD_ROUND] = number + 1
    steps.go("film", film.job_id, film.film_id)


def ask_rig(key: str, label: str) -> str | None:
    """Show the uploader of the set-up file; give its text if there is one.

    Raises
    ------
    InputError
        If the file cannot be used; no clip is taken in until it is mended or removed.
    """
    upload = st.file_uploader(label, type=["toml"], key=f"{keys.RIG_UPLOAD}_{key}", max_upload_size=1)
    if upload is None:
        return None
    try:
        text = upload.getvalue().decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            "The set-up file is not a text file.", "Choose a rig.toml written in UTF-8."
        ) from error
    Rig.from_toml(text)
    return text
