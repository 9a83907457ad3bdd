"""Hand over: comments, the verdict, the bundle for a colleague, the record."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import bundles, records, remarks, shares
from strokecurve.app.page.shell import plain_errors, run_page
from strokecurve.app.store.jobs import Job


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
