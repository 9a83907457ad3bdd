"""Hand over: comments, the verdict, the bundle for a colleague, the record."""

from __future__ import annotations

import streamlit as st

from app.jobs import Job
from app.page import bundles, records, remarks
from app.page.shell import plain_errors, run_page
from app.store import Store


def show(store: Store, job: Job) -> None:
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
        with plain_errors():
            bundles.show_export(store, job)
        with plain_errors():
            bundles.show_import(store, job)


run_page("handover", show)
