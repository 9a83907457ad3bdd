"""Loads what is needed before it is: what pages need while the server starts, and what analyses a clip.

Only in a program that serves the page: elsewhere (in tests of single pages) nothing is started ahead.
"""

from __future__ import annotations

import importlib
import threading

from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching

WHAT = (
    "strokecurve.app.result.overlay",
    "strokecurve.app.page.condition",
    "strokecurve.app.page.deviations",
    "strokecurve.app.page.proposing",
    "strokecurve.app.page.remarks",
    "strokecurve.app.page.to_scale",
    "strokecurve.app.page.travel",
)
"""What the scripts of the pages import; between them, all heavy libraries."""


_serving = threading.Event()


def begin() -> threading.Thread:
    """Load in the background; gives the thread."""
    _serving.set()
    thread = threading.Thread(target=_load, name="loading", daemon=True)
    thread.start()
    return thread


def _load() -> None:
    for name in WHAT:
        importlib.import_module(name)
    from strokecurve.app.page.pictures import drawn
    from strokecurve.app.result.plots import drawing

    with drawing("", "", "") as (figure, _):  # the first picture of a program also loads fonts
        drawn(figure)


def expect_clip(store: Store) -> None:
    """Get ready for a clip that somebody who looks at the page may send next."""
    if _serving.is_set():
        dispatching.prewarm(store)
