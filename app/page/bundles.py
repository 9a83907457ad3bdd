"""A job out to a colleague as one file, and back with what they said."""

from __future__ import annotations

import streamlit as st

from app.bundle_import import Merged
from app.jobs import Job
from app.page import clips, keys, making, markup, steps
from app.personal import PersonalStore
from app.store import Store


def show_export(store: Store, job: Job) -> None:
    """Make the bundle, with or without clips, and hand it over."""
    st.header("Bundle for a colleague", anchor=False)
    st.html(
        markup.paragraph(
            "One file with all films' results, readings, intended travel, comments and verdicts. A colleague "
            "opens it in their strokecurve, comments on it and sends it back; both sides' comments unite."
        )
    )
    with_clips = st.toggle(
        "With the clips (larger; the frames can then be seen)", value=True, key=keys.WITH_CLIPS
    )
    making.show(
        store,
        job.job_id,
        "Make the bundle",
        "bundle",
        making.offer_file("Download the bundle"),
        clips=with_clips,
    )


def counted(number: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many}"


def told(merged: Merged) -> str:
    """What a bundle brought, in words."""
    parts = [
        counted(number, one, many)
        for number, one, many in (
            (merged.films, "film", "films"),
            (merged.runs, "result", "results"),
            (merged.entries, "entry", "entries"),
            (merged.clips, "clip", "clips"),
        )
        if number
    ]
    kind = "A new job was taken in" if merged.new_job else "The bundle was merged into its job"
    return f"{kind}. New: {', '.join(parts) or 'nothing'}."


def show_import(store: PersonalStore, job: Job | None) -> None:
    """Take in a bundle; one of a job that is there is merged with it."""
    number = st.session_state.setdefault(keys.BUNDLE_ROUND, 0)
    upload = st.file_uploader(
        "Bundle (zip) from a colleague" if job is None else "Bundle (zip) that came back",
        type=["zip"],
        key=f"{keys.BUNDLE_UPLOAD}_{number}",
        max_upload_size=clips.LARGEST_MB,
    )
    if upload is not None:
        with st.spinner("Checking every file and taking the bundle in"):
            merged = store.take_in(upload)
        st.session_state[keys.BUNDLE_ROUND] = number + 1
        st.session_state[keys.MERGED] = (merged.job_id, told(merged))
        if job is None:
            steps.go("handover", merged.job_id)
        st.rerun()
    merged_id, sentence = st.session_state.get(keys.MERGED, (None, ""))
    if job is None or merged_id is None:
        return
    st.success(sentence)
    if merged_id != job.job_id:
        st.info("The bundle belongs to another job.")
        steps.link("handover", "Open that job", merged_id)
