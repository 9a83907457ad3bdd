"""Loads what the pages need while the server starts, so that the first person does not wait for it."""

from __future__ import annotations

import importlib
import threading

WHAT = (
    "app.overlay",
    "app.page.condition",
    "app.page.deviations",
    "app.page.proposing",
    "app.page.remarks",
    "app.page.travel",
)
"""What the scripts of the pages import; between them, all heavy libraries."""


def begin() -> threading.Thread:
    """Load in the background; gives the thread."""
    thread = threading.Thread(target=_load, name="loading", daemon=True)
    thread.start()
    return thread


def _load() -> None:
    for name in WHAT:
        importlib.import_module(name)
