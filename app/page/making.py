"""Things made on request outside the page: a button, progress with a way to stop, and the file in the end."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.page import keys, markup
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.page.words import local_time
from strokecurve.app.store.jobs import RunState
from strokecurve.app.tasks import exports
from strokecurve.app.tasks.exports import Export

POLL_EVERY_S = 1.0
FILES_ADDRESS = "/exports/"


def show(
    store: PersonalStore,
    job_id: str,
    label: str,
    kind: str,
    when_done: Callable[[Export], None],
    **options: str | bool | None,
) -> None:
    """A button that asks for something; what was asked for last is shown until it is done.

    Parameters
    ----------
    store : PersonalStore
    job_id : str
    label : str
        Of the button.
    kind, **options
        As for ``exports.ask``.
    when_done : callable
        Draws the result.
    """
    latest = store.exports.newest(job_id, kind, **options)
    key = f"{kind}_{'_'.join(str(value) for value in options.values())}"
    if latest is not None and not latest.state.ended:
        watch(store, latest, key)
        return
    if latest is not None and latest.state is RunState.DONE:
        when_done(latest)
    elif latest is not None and latest.state is RunState.FAILED:
        st.error(markup.plain(latest.error or exports.GONE))
    elif latest is not None:
        st.info("You stopped this. Nothing was made.")
    if st.button(markup.plain(label), key=f"{keys.MAKE}_{key}", width="stretch"):
        with plain_errors():
            store.exports.ask(job_id, kind, **options)
            st.rerun()


def watch(store: PersonalStore, wanted: Export, key: str) -> None:
    """Show progress until it ends."""

    @st.fragment(run_every=POLL_EVERY_S)
    def progress() -> None:
        with plain_errors():
            now = store.exports.find(wanted.job_id, wanted.export_id)
            if now.state.ended:
                st.rerun()
            share = min(now.done / now.total, 1.0) if now.total else 0.0
            words = f"{now.stage or 'Starting ...'}{f': {share:.0%}' if now.total else ''}"
            st.progress(share, text=markup.plain(words))
            st.button(
                "Stop",
                key=f"{keys.MAKE}_stop_{key}",
                on_click=stop,
                args=(store, now),
                width="stretch",
            )

    progress()


def stop(store: PersonalStore, wanted: Export) -> None:
    """Ask for something to be stopped."""
    with plain_errors():
        store.exports.cancel(wanted)


def offer_file(label: str) -> Callable[[Export], None]:
    """Draws the way to a file that was made, straight from the disk."""

    def draw(done: Export) -> None:
        if done.file is None or not done.file.is_file():
            st.info("This is not kept any more. Make it again.")
            return
        size = done.file.stat().st_size / 1e6
        st.html(
            markup.download_link(
                f"{FILES_ADDRESS}{done.job_id}/{done.export_id}", f"{label} ({size:.1f} MB)", done.file.name
            )
        )
        st.html(
            markup.paragraph(
                f"Made {local_time(done.made_s)}; what was said since is not in it. Kept for a day.",
                "sc-small",
            )
        )

    return draw


def overlay_address(run_id: str, *, download: bool = False) -> str:
    """Where the clip with everything drawn in is served."""
    return f"/overlay/{run_id}" + (f"?{urlencode({'download': 1})}" if download else "")
