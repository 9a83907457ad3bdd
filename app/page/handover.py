"""Hand over: comments, the verdict, the bundle for a colleague, the record."""

from __future__ import annotations

from app.jobs import Job
from app.page.shell import run_page
from app.store import Store


def show(store: Store, job: Job) -> None:
    """Draw the page."""


run_page("handover", show)
