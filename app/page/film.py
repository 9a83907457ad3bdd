"""Film: take in a clip, watch its analysis, find earlier films again."""

from __future__ import annotations

import time

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from app import worker
from app.errors import InputError
from app.jobs import Job, JobState
from app.page import keys, markup
from app.page.shell import plain_errors
from app.rig import Rig
from app.store import Store

LARGEST_MB = 2000
POLL_EVERY_S = 1.0
STATE_WORDS = {
    JobState.QUEUED: "waiting",
    JobState.RUNNING: "being analysed",
    JobState.DONE: "measured",
    JobState.FAILED: "could not be measured",
    JobState.CANCELLED: "cancelled",
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


def take_in(store: Store, clip: UploadedFile, rig_toml: str | None) -> Job:
    """Store an upload and start its analysis."""
    job = store.add_clip(clip, clip.name, clip.size, rig_toml)
    worker.start(store, job)
    return job


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
            f"{job.label}, {local_time(job.created_s)}: {STATE_WORDS[job.state]}",
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
    st.header(job.label, anchor=False)
    state = f", {STATE_WORDS[job.state]}" if job.state.ended else ""
    st.html(markup.paragraph(f"Uploaded {local_time(job.created_s)}{state}.", "sc-small"))


def watch(store: Store, job_id: str) -> None:
    """Show progress and a cancel button, looking at the store once a second until the job has ended."""

    @st.fragment(run_every=POLL_EVERY_S)
    def progress() -> None:
        with plain_errors():
            store.fail_stale()
            job = store.job(job_id)
            if job.state.ended:
                st.rerun()
            show_progress(store, job)

    progress()


def show_progress(store: Store, job: Job) -> None:
    """Draw the state of a running job."""
    if job.cancel_requested:
        st.progress(0, text="Stopping ...")
        return
    if job.total > 0:
        share = min(max(job.done / job.total, 0.0), 1.0)
        st.progress(share, text=f"{job.stage}: {share:.0%}")
    else:
        st.progress(0, text=job.stage or "Starting the analysis ...")
    st.html(
        markup.paragraph(
            "The clip is stored. You may close this page: the analysis goes on, "
            "and this address shows it again.",
            "sc-small",
        )
    )
    st.button("Cancel", key=keys.CANCEL, on_click=store.request_cancel, args=(job.job_id,), width="stretch")


def analyse_again(store: Store, job_id: str) -> None:
    """Start another analysis of a stored clip and open it."""
    job = store.add_again(job_id)
    worker.start(store, job)
    open_job(job.job_id)


def show_failure(store: Store, job: Job) -> None:
    """Say why there is no result, and offer another try."""
    if job.state is JobState.FAILED:
        st.error(job.error or "The clip could not be measured.")
    else:
        st.info("You cancelled this analysis. The clip is kept.")
    st.button(
        "Analyse this clip again",
        key=keys.AGAIN,
        on_click=analyse_again,
        args=(store, job.job_id),
        width="stretch",
    )
