"""A job out to a colleague as one file, and back with what they said."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.page import keys, making, markup, steps
from strokecurve.app.page.uploader import ask_file
from strokecurve.app.store.bundle import SMALLER
from strokecurve.app.store.jobs import Job
from strokecurve.app.words.files import LARGEST_BUNDLE_BYTES, MB


def show_export(store: PersonalStore, job: Job) -> None:
    """Make the bundle, with or without clips, and hand it over."""
    st.header("Bundle for a colleague", anchor=False)
    st.html(
        markup.paragraph(
            "One file with all films' results and pictures of three positions, readings, intended travel, "
            "comments and verdicts. A colleague opens it in their strokecurve, comments on it and sends it "
            "back; both sides' comments unite."
        )
    )
    with_clips = st.toggle(
        "With the clips (larger; every frame can then be seen)", value=True, key=keys.WITH_CLIPS
    )
    size = store.bundle_bytes(job.job_id, with_clips)
    st.html(markup.paragraph(f"The bundle will have about {max(size / MB, 0.1):,.1f} MB.", "sc-small"))
    if size > LARGEST_BUNDLE_BYTES:
        st.info(markup.plain(f"At most {LARGEST_BUNDLE_BYTES / MB:,.0f} MB are taken. {SMALLER}"))
        return
    making.show(
        store,
        job.job_id,
        "Make the bundle",
        "bundle",
        making.offer_file("Download the bundle"),
        clips=with_clips,
    )


def show_import(store: PersonalStore, job: Job | None) -> None:
    """Take in a bundle; one of a job that is there is merged with it."""
    label = "Bundle (zip) from a colleague" if job is None else "Bundle (zip) that came back"
    arrived = ask_file(store, "bundle", label, job.job_id if job else "new")
    if arrived is not None:
        st.session_state[keys.MERGED] = (arrived["job"], arrived["told"])
        if job is None:
            steps.go("handover", arrived["job"])
        st.rerun()
    merged_id, sentence = st.session_state.get(keys.MERGED, (None, ""))
    if job is None or merged_id is None:
        return
    st.success(markup.plain(sentence))
    if merged_id != job.job_id:
        st.info("The bundle belongs to another job.")
        steps.link("handover", "Open that job", merged_id)
