"""A place on the page to send a file from, with progress and a way to stop; it goes on after a break."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.upload_sessions import MOST_BYTES, SMALLER, WHAT, Arrived, UploadSession
from strokecurve.app.access.uploads import Uploads, open_session, session_of
from strokecurve.app.page import keys
from strokecurve.app.page.authentication import current_store
from strokecurve.app.page.receiving import UPLOAD_ADDRESS, UPLOAD_CHUNK_BYTES
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import MB, check_size
from strokecurve.app.words.statements import FilmFacts

TRIES = 8
"""Times that a broken connection is tried again, half a minute in all."""
_ACCEPTED = {"clip": ".mp4,.mov,video/*", "bundle": ".zip,application/zip"}
_LAST_WORDS = {"clip": "Storing the clip ...", "bundle": "Checking every file and taking the bundle in ..."}
_HTML = """
<div class="sc-upload">
  <label><span>File</span><input type="file" aria-label="File"><small class="sc-upload-hint"></small></label>
  <progress max="1" hidden aria-label="Upload"></progress>
  <p class="sc-upload-words" role="status"></p>
  <button type="button" hidden>Stop the upload</button>
  <p class="sc-upload-fault" role="alert" hidden></p>
</div>
"""
_component = st.components.v2.component(
    "strokecurve_uploader",
    html=_HTML,
    js=Path(__file__).with_name("uploader.js").read_text(encoding="utf-8"),
    isolate_styles=False,
)


def ask_file(
    store: PersonalStore,
    kind: str,
    label: str,
    place: str,
    job_id: str | None = None,
    facts: FilmFacts | None = None,
    rig_toml: str | None = None,
) -> Arrived | None:
    """Show a place to send a file from; give what the file became, once.

    Parameters
    ----------
    store : PersonalStore
    kind, job_id, facts, rig_toml
        As for ``app.access.upload_sessions.UploadSession``.
    label : str
        What to send.
    place : str
        Tells places for files on the page apart.
    """
    key = f"{keys.UPLOAD}_{kind}_{place}"
    known = st.session_state.get(key, "")
    uploads = Uploads(current_store(), store)
    session = open_session(uploads, UploadSession(known, kind, job_id, facts, rig_toml))
    st.session_state[key] = session.token
    said = _component(
        key=f"{key}_place",
        data={
            "address": f"{UPLOAD_ADDRESS}{session.token}",
            "place": f"{kind} {place}",
            "label": label,
            "hint": f"Up to {MOST_BYTES[kind] // MB} MB. If the connection breaks, it goes on by itself.",
            "accept": _ACCEPTED[kind],
            "most_bytes": MOST_BYTES[kind],
            "chunk_bytes": UPLOAD_CHUNK_BYTES,
            "tries": TRIES,
            "too_large": _too_large(kind),
            "empty": "The file is empty: it has no bytes. Film again or copy the file again.",
            "last_words": _LAST_WORDS[kind],
        },
        on_arrived_change=lambda: None,
    )
    if said.arrived is None:
        return None
    del st.session_state[key]
    return session_of(uploads, str(said.arrived)).arrived


def _too_large(kind: str) -> str:
    """What is said of a file that is too large before any of it is sent."""
    try:
        check_size(MOST_BYTES[kind] + 1, MOST_BYTES[kind], WHAT[kind], SMALLER[kind])
    except StoreError as error:
        return f"{error.message} {error.hint}"
    raise AssertionError("a file over the limit is refused")
