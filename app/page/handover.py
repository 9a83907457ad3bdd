"""Hand over: comments, the verdict, the bundle for a colleague, the record."""

from __future__ import annotations

import streamlit as st

from app.access import Right
from app.jobs import Job
from app.page import bundles, records, remarks, shares
from app.page.shell import plain_errors, run_page
from app.personal import PersonalStore


def show(store: PersonalStore, job: Job) -> None:
    """Draw the page."""
    left, right = st.columns(2, gap="large")
    with left:
        with plain_errors():
            remarks.show_comments(store, job)
        with plain_errors():
            remarks.show_verdict(store, job)
    with right:
        with plain_errors():
            records.show(store, job)
        if store.may(Right.CHANGE, job.job_id):
            with plain_errors():
                bundles.show_export(store, job)
            with plain_errors():
                bundles.show_import(store, job)
        with plain_errors():
            shares.show(store, job)


run_page("handover", show)
