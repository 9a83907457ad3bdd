"""Film: take in a clip, watch its analysis, find earlier films again."""

from __future__ import annotations

import time

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from app import worker
from app.errors import InputError
from app.files import LARGEST_CLIP_BYTES, pieces
from app.jobs import Film, Job, Run, RunState
from app.page import keys, markup
from app.page.shell import plain_errors
from app.record import FilmFacts
from app.rig import Rig
from app.store import Store, display_label

LARGEST_MB = LARGEST_CLIP_BYTES >> 20
POLL_EVERY_S = 1.0
STATE_WORDS = {
    RunState.QUEUED: "waiting",
    RunState.RUNNING: "being analysed",
    RunState.DONE: "measured",
    RunState.FAILED: "could not be measured",
    RunState.CANCELLED: "cancelled",
}


def local_time(seconds: float) -> str:
    """A moment in the computer's own time zone, for people."""
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(seconds))


def open_job(job_id: str) -> None:
    """Put a film into the address."""
    st.query_params[keys.JOB] = job_id


def close_job() -> None:
    """Go back to the start."""
    st.query_params.clear()


def state_of(job: Job) -> RunState:
    """Where the latest analysis of the newest film stands."""
    run = job.films[-1].run if job.films else None
    return run.state if run else RunState.CANCELLED


def start_run(store: Store, run: Run | None) -> None:
    """Start the worker of a run that was just queued."""
    if run is not None:
        worker.start(store, run)


def take_in(store: Store, upload: UploadedFile, rig_toml: str | None) -> Job:
    """Store an upload as a new job's film and start its analysis."""
    clip = store.receive(pieces(upload), upload.name, upload.size)
    job = store.new_job(rig_toml=rig_toml)
    film = store.add_film(job.job_id, clip, FilmFacts(None, display_label(upload.name)))
    start_run(store, film.run)
    return store.job(job.job_id)


def show_upload(store: Store) -> None:
    """Show the uploader; a clip that arrives is on disk before anything else happens."""
    st.header("2. Film", anchor=False)
    number = st.session_state.setdefault(keys.UPLOAD_ROUND, 0)
    rig_toml = show_rig_upload(number)
    clip = st.file_uploader(
        "Clip of one full stroke: low fire, high fire and back (MP4 or MOV)",
        type=["mp4", "mov"],
        key=f"{keys.CLIP_UPLOAD}_{number}",
        max_upload_size=LARGEST_MB,
    )
    if clip is None:
        return
    refused_id, sentence = st.session_state.get(keys.REFUSED, (None, ""))
    if clip.file_id == refused_id:
        st.error(sentence)
        return
    try:
        with st.spinner("Storing the clip"):
            job = take_in(store, clip, rig_toml)
    except InputError as reason:
        st.session_state[keys.REFUSED] = (clip.file_id, f"{reason.message} {reason.hint}")
        raise
    st.session_state[keys.UPLOAD_ROUND] = number + 1
    open_job(job.job_id)
    st.rerun()


def show_rig_upload(number: int) -> str | None:
    """Show the uploader of the optional set-up file; give its text if there is one.

    Raises
    ------
    InputError
        If the file cannot be used; no clip is taken in until it is mended or removed.
    """
    with st.expander("Set-up file (optional)", key=f"{keys.RIG_UPLOAD}_box"):
        upload = st.file_uploader(
            "rig.toml: names of the shafts, sizes measured by hand. Add it before the clip.",
            type=["toml"],
            key=f"{keys.RIG_UPLOAD}_{number}",
            max_upload_size=1,
        )
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


def show_list(store: Store) -> None:
    """Show every film of this store as a button, newest first."""
    jobs = store.jobs()
    if not jobs:
        return
    st.header("Films on this computer", anchor=False)
    for job in jobs:
        st.button(
            f"{job.title}, {local_time(job.made_s)}: {STATE_WORDS[state_of(job)]}",
            key=f"{keys.OPEN_JOB}_{job.job_id}",
            on_click=open_job,
            args=(job.job_id,),
            width="stretch",
        )


def show_heading(job: Job) -> None:
    """Show which film is open and the way back."""
    st.button(
        "All films and new upload", key=keys.ALL_FILMS, on_click=close_job, icon=":material/arrow_back:"
    )
    st.header(job.title, anchor=False)
    state = state_of(job)
    ended = f", {STATE_WORDS[state]}" if state.ended else ""
    st.html(markup.paragraph(f"Uploaded {local_time(job.made_s)}{ended}.", "sc-small"))


def watch(store: Store, run_id: str) -> None:
    """Show progress and a cancel button, looking at the store once a second until the run has ended."""

    @st.fragment(run_every=POLL_EVERY_S)
    def progress() -> None:
        with plain_errors():
            worker.tend(store)
            run = store.runs.run(run_id)
            if run.state.ended:
                st.rerun()
            show_progress(store, run)

    progress()


def show_progress(store: Store, run: Run) -> None:
    """Draw the state of a run."""
    if run.cancel_requested:
        st.progress(0, text="Stopping ...")
        return
    if run.total > 0:
        share = min(max(run.done / run.total, 0.0), 1.0)
        st.progress(share, text=f"{run.stage}: {share:.0%}")
    else:
        st.progress(0, text=run.stage or "Starting the analysis ...")
    st.html(
        markup.paragraph(
            "The clip is stored. You may close this page: the analysis goes on, "
            "and this address shows it again.",
            "sc-small",
        )
    )
    st.button(
        "Cancel", key=keys.CANCEL, on_click=store.runs.request_cancel, args=(run.run_id,), width="stretch"
    )


def analyse_again(store: Store, film_id: str) -> None:
    """Start another analysis of a stored clip."""
    start_run(store, store.analyse_again(film_id))


def show_failure(store: Store, film: Film, run: Run) -> None:
    """Say why there is no result, and offer another try."""
    if run.state is RunState.FAILED:
        st.error(run.error or "The clip could not be measured.")
    else:
        st.info("You cancelled this analysis. The clip is kept.")
    st.button(
        "Analyse this clip again",
        key=keys.AGAIN,
        on_click=analyse_again,
        args=(store, film.film_id),
        width="stretch",
    )
