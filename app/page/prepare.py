"""Prepare: what the job is about, the set-up file, the marker sheet, how to film."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import clips, keys, markup, preparing
from strokecurve.app.page.facts import ask_job_facts
from strokecurve.app.page.shell import plain_errors, run_page
from strokecurve.app.store.jobs import Job
from strokecurve.app.words.statements import RigText


def show_facts(store: PersonalStore, job: Job) -> None:
    """Burner, site and fuel, as they go on the record."""
    st.header("The job", anchor=False)
    facts = ask_job_facts(job.facts, keys.JOB_FACTS, "Keep these names")
    if facts is not None and facts != job.facts:
        store.add(job.job_id, facts)
        st.rerun()


def show_rig(store: PersonalStore, job: Job) -> None:
    """The set-up file that later analyses use; films already measured keep theirs until analysed again."""
    st.header("Set-up file", anchor=False)
    kept = store.latest(job.job_id, RigText)
    if kept is None:
        st.caption("None: the marker numbers of the sheet say which marker is on what.")
    else:
        with st.expander("The set-up file in use", key=f"{keys.RIG_UPLOAD}_kept"):
            st.code(kept.content.toml, language="toml", wrap_lines=True)
    text = clips.ask_rig(f"job_{job.job_id}", "rig.toml: names of the shafts, sizes measured by hand")
    if text is not None and (kept is None or kept.content.toml != text):
        store.add(job.job_id, RigText(text))
        st.success("Kept. Films measured before keep their results until they are analysed again.")


def show_said(store: PersonalStore, job: Job) -> None:
    """Burner, site, fuel and set-up file, to read only."""
    st.header("The job", anchor=False)
    facts = job.facts
    named = (("Burner", facts.burner), ("Site", facts.site), ("Fuel", facts.fuel))
    st.html(markup.bullets(f"{name}: {said or 'not said'}" for name, said in named))
    kept = store.latest(job.job_id, RigText)
    if kept is not None:
        st.header("Set-up file", anchor=False)
        st.code(kept.content.toml, language="toml", wrap_lines=True)


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    left, right = st.columns(2, gap="large")
    with left, plain_errors():
        preparing.show("Markers and filming")
    if not store.may(Right.CHANGE, job.job_id):
        with right:
            show_said(store, job)
        return
    with right:
        with plain_errors():
            show_facts(store, job)
        with plain_errors():
            show_rig(store, job)


run_page("prepare", show)
