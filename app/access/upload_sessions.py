"""What is kept of an upload while it arrives: its session and its bytes, under ``incoming/``.

A session has a token nobody can guess and is good for one file. What nobody has gone on with for a day is
removed. Who may use a session, and what a complete file becomes: ``app.access.uploads``.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import (
    LARGEST_BUNDLE_BYTES,
    LARGEST_CLIP_BYTES,
    LOOK_EVERY_BYTES,
    PART,
    SHORTER_CLIP,
    check_size,
    check_space,
    new_id,
    remove,
    sync_folder,
)
from strokecurve.app.words.statements import FilmFacts, is_id

FOLDER = "incoming"
SESSION, DATA = "session.json", "data"
WHAT = {"clip": "this clip", "bundle": "this bundle"}
"""What each kind of file is called in sentences."""
MOST_BYTES = {"clip": LARGEST_CLIP_BYTES, "bundle": LARGEST_BUNDLE_BYTES}
SMALLER = {"clip": SHORTER_CLIP, "bundle": "Ask for the bundle without the clips."}
"""What to do about a file that is too large."""

Arrived = Mapping[str, str]
"""What a complete upload became: ``job`` and ``film`` for a clip; ``job`` and ``told`` for a bundle."""


_one_at_a_time = threading.Lock()


class NoSessionError(StoreError):
    """There is no such upload session, or not any more."""

    def __init__(self) -> None:
        super().__init__("This upload is not known any more.", "Choose the file again.")


class GapError(StoreError):
    """A chunk does not begin where the file ends so far."""


@dataclass(frozen=True, slots=True)
class UploadSession:
    """Permission to upload one file, and how far that has come.

    Attributes
    ----------
    token : str
    kind : str
        ``clip`` or ``bundle``.
    job_id : str or None
        Job that a clip is for; None for a new one.
    facts : FilmFacts or None
        What is said about the film; its label is replaced by the name of the file.
    rig_toml : str or None
        Set-up of the new job.
    person : str or None
        Who uploads, if known.
    clip_id : str
        Name the clip will have, so that a file is never taken in twice; another file gets another.
    size_bytes : int or None
        Announced with the first chunk.
    arrived : mapping or None
        What the file became; such a session takes nothing more.
    """

    token: str
    kind: str
    job_id: str | None = None
    facts: FilmFacts | None = None
    rig_toml: str | None = None
    person: str | None = None
    clip_id: str = ""
    size_bytes: int | None = None
    arrived: Arrived | None = None


def begin(store: Store, session: UploadSession) -> None:
    """Make room for the file of a new session; StoreError if the disk does not take it."""
    try:
        _place(store, session.token).mkdir()
    except OSError as error:
        raise StoreError(f"No upload can begin: {error.strerror}.", "Make room on the disk.") from error
    _write(store, session)


def find_session(store: Store, token: str) -> UploadSession:
    """A session by its token; NoSessionError if there is none."""
    if not is_id(token):
        raise NoSessionError
    try:
        said = json.loads((_place(store, token) / SESSION).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise NoSessionError from error
    facts = said.pop("facts")
    return UploadSession(**said, facts=FilmFacts(**facts) if facts else None)


def received_bytes(store: Store, session: UploadSession) -> int:
    """How much of the file has arrived."""
    if session.arrived is not None:
        return session.size_bytes or 0
    try:
        return (_place(store, session.token) / DATA).stat().st_size
    except FileNotFoundError:
        # The server may have been killed after it had moved the clip to its place.
        return session.size_bytes or 0 if provenance(store, session) else 0


class Chunk:
    """Takes in one chunk of an upload; what has arrived before a connection breaks is kept.

    Parameters
    ----------
    store : Store
    session : UploadSession
    offset_bytes : int
        Where the chunk belongs.
    size_bytes : int
        Of the whole file.

    Raises
    ------
    StoreError
        If the file is too large, there is no room for it, or the chunk does not fit to what has arrived
        (``GapError``).
    """

    def __init__(self, store: Store, session: UploadSession, offset_bytes: int, size_bytes: int) -> None:
        self._what = WHAT[session.kind]
        if session.arrived is not None or session.size_bytes not in (None, size_bytes):
            raise GapError("This upload is complete.", "Choose the file again.")
        if offset_bytes != received_bytes(store, session):
            raise GapError("The upload has gone out of step.", "Choose the file again.")
        if size_bytes <= 0:
            raise StoreError(
                f"{self._what[0].upper()}{self._what[1:]} is empty: it has no bytes.",
                "Choose it again, or make it again.",
            )
        check_size(size_bytes, MOST_BYTES[session.kind], self._what, SMALLER[session.kind])
        self._place = _place(store, session.token)
        check_space(self._place, size_bytes - offset_bytes, self._what)
        if session.size_bytes is None:
            change_session(store, session.token, size_bytes=size_bytes)
        self._size_bytes, self.offset_bytes, self._looked = size_bytes, offset_bytes, offset_bytes
        try:
            self._file: BinaryIO = (self._place / DATA).open("ab")
        except OSError as error:
            raise _not_written(self._what, error) from error

    def write(self, data: bytes) -> None:
        """Add some bytes."""
        if self.offset_bytes + len(data) > self._size_bytes:
            raise GapError("More bytes arrived than were announced.", "Choose the file again.")
        if self.offset_bytes - self._looked >= LOOK_EVERY_BYTES:
            check_space(self._place, 0, self._what)
            self._looked = self.offset_bytes
        try:
            self._file.write(data)
        except OSError as error:
            raise _not_written(self._what, error) from error
        self.offset_bytes += len(data)

    def close(self) -> None:
        """See what arrived safely onto the disk."""
        try:
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _not_written(self._what, error) from error
        finally:
            with contextlib.suppress(OSError):
                self._file.close()


def provenance(store: Store, session: UploadSession) -> bool:
    """Whether the file of a session was made a clip before this was written down."""
    try:
        store.clip(session.clip_id)
    except StoreError:
        return False
    return True


def data_file(store: Store, token: str) -> Path:
    """Where the bytes of a file arrive."""
    return _place(store, token) / DATA


def _place(store: Store, token: str) -> Path:
    return store.folder / FOLDER / f"{PART}{token}"


def change_session(store: Store, token: str, **values: Any) -> UploadSession:
    """Change what a session says; a page and a chunk that arrives may do so at the same time."""
    with _one_at_a_time:
        session = find_session(store, token)
        changed = replace(session, **values)
        if changed != session:
            _write(store, changed)
    return changed


def _write(store: Store, session: UploadSession) -> None:
    """Replace a session as a whole."""
    place = _place(store, session.token)
    part = place / f"{SESSION}.{new_id()}"
    try:
        part.write_text(json.dumps(asdict(session)), encoding="utf-8")
        os.replace(part, place / SESSION)
        sync_folder(place)
    except OSError as error:
        raise _not_written(WHAT[session.kind], error) from error
    finally:
        remove(part)


def _not_written(what: str, error: OSError) -> StoreError:
    return StoreError(
        f"{what[0].upper()}{what[1:]} could not be stored: {error.strerror}.",
        "Make room on the disk and choose the file again.",
    )
