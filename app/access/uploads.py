"""Files that arrive chunk by chunk over a connection that may break.

An upload session has a token nobody can guess and is good for one file; the page that asks for the file
opens it. What has arrived lies beside the session under ``incoming/``; what nobody has gone on with for a day
is removed. A connection that breaks, a page that closes and a server that is killed lose nothing that has
arrived: whoever holds the token asks how far it is and sends the rest.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Person, Right, Role
from strokecurve.app.store.removing import remove_clip, remove_job
from strokecurve.app.store.store import Store, display_label
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import PLAIN_ERRORS, StoreError
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
from strokecurve.app.words.resource_limits import confine
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
logger = logging.getLogger(__name__)


class NoSessionError(StoreError):
    """There is no such upload session, or not any more."""

    def __init__(self) -> None:
        super().__init__("This upload is not known any more.", "Choose the file again.")


class GapError(StoreError):
    """A chunk does not begin where the file ends so far."""


@dataclass(frozen=True, slots=True)
class Uploads:
    """Uploads of one person.

    Attributes
    ----------
    store : Store
        Where files are kept until they are complete.
    mine : PersonalStore
        The same store as the person may use it: it decides what may be sent, and takes in what is complete.
    """

    store: Store
    mine: PersonalStore


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


def open_session(uploads: Uploads, session: UploadSession) -> UploadSession:
    """Make a session, or bring one up to date with what is said on the page by now.

    Parameters
    ----------
    uploads : Uploads
    session : UploadSession
        An empty token asks for a new one.

    Raises
    ------
    StoreError
        If the person may not add to the job, or the disk does not take it.
    """
    if session.kind not in WHAT:
        raise ValueError(f"nothing of kind {session.kind!r} can be uploaded")
    _check_rights(uploads, session)
    try:
        if session.token:
            said: dict[str, Any] = {"job_id": session.job_id, "rig_toml": session.rig_toml}
            if session.facts is not None:
                kept = find_session(uploads.store, session.token).facts
                said["facts"] = replace(session.facts, label=kept.label) if kept else session.facts
            return _change(uploads.store, session.token, **said)
    except NoSessionError:
        pass  # nobody went on with it for a day; a new one will do
    uploads.store.remove_leftovers()  # a page may be up for months
    session = replace(session, token=new_id(), clip_id=new_id(), person=uploads.mine.person.mail)
    try:
        _place(uploads.store, session.token).mkdir()
    except OSError as error:
        raise StoreError(f"No upload can begin: {error.strerror}.", "Make room on the disk.") from error
    _write(uploads.store, session)
    return session


def session_of(uploads: Uploads, token: str) -> UploadSession:
    """A session by its token, if it is the person's own and they may still use it; else NoSessionError."""
    session = find_session(uploads.store, token)
    if session.person != uploads.mine.person.mail:
        raise NoSessionError
    _check_rights(uploads, session)
    return session


def _check_rights(uploads: Uploads, session: UploadSession) -> None:
    uploads.mine.must(Right.START)
    if session.job_id is not None:
        uploads.mine.must(Right.CHANGE, session.job_id)


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
        return session.size_bytes or 0 if _taken_in(store, session) else 0


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
            _change(store, session.token, size_bytes=size_bytes)
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


def finish(uploads: Uploads, token: str) -> Arrived:
    """Take in a file that is complete; asked again, it says the same again.

    Raises
    ------
    StoreError
        If it cannot be used. Nothing is left of it then, and its session takes another file.
    """
    session = session_of(uploads, token)
    if session.arrived is not None:
        return session.arrived
    data = _place(uploads.store, token) / DATA
    if received_bytes(uploads.store, session) != session.size_bytes:
        raise GapError("The file is not complete.", "Choose it again.")
    try:
        arrived = (
            _as_film(uploads, session, data) if session.kind == "clip" else _as_job(uploads, session, data)
        )
    except StoreError:
        _forget_file(uploads.store, session)
        raise
    try:
        _change(uploads.store, token, arrived=arrived)
    except StoreError:
        # It is in the store for good; whoever asks again is answered from there.
        logger.warning("what an upload became could not be noted", exc_info=True)
    remove(data)
    return arrived


def start_again(uploads: Uploads, token: str) -> Arrived | None:
    """Forget what has arrived, as another file is to come in its place; gives what it became if too late."""
    session = session_of(uploads, token)
    if session.arrived is None and session.size_bytes is not None:  # else nothing of it was ever sent
        _forget_file(uploads.store, session)
    return session.arrived


def say_as_on(uploads: Uploads, token: str, page_token: str) -> None:
    """Give an upload what is said on the page that goes on with it.

    After a page was closed, the one opened later has a session of its own and goes on with the earlier one;
    what people say there, they say to the later one.

    Parameters
    ----------
    uploads : Uploads
    token : str
        Of the upload.
    page_token : str
        Of the session that the page has now.
    """
    if token == page_token:
        return
    session = session_of(uploads, token)
    try:
        page = session_of(uploads, page_token)
    except NoSessionError:
        return  # a page that was open for days; its earlier words stand
    if (page.kind, page.job_id) != (session.kind, session.job_id):
        return
    facts = page.facts
    if facts is not None and session.facts is not None:
        facts = replace(facts, label=session.facts.label)
    _change(uploads.store, token, facts=facts, rig_toml=page.rig_toml)


def _forget_file(store: Store, session: UploadSession) -> None:
    """Make a session ready for another file, which must never meet what has become of this one."""
    remove(_place(store, session.token) / DATA)
    _change(store, session.token, size_bytes=None, clip_id=new_id())
    try:
        remove_clip(store, session.clip_id)
    except StoreError:
        logger.warning("the clip %s is no film and could not be removed", session.clip_id, exc_info=True)


def _taken_in(store: Store, session: UploadSession) -> bool:
    """Whether the file of a session was made a clip before this was written down."""
    try:
        store.clip(session.clip_id)
    except StoreError:
        return False
    return True


def _as_film(uploads: Uploads, session: UploadSession, data: Path) -> Arrived:
    """Make a clip a film of its job and start its analysis; what an earlier try did is not done again."""
    facts = session.facts or FilmFacts(None, "clip")
    clip = (
        uploads.store.clip(session.clip_id)
        if _taken_in(uploads.store, session)
        else uploads.store.adopt(data, facts.label, session.clip_id)
    )
    film = uploads.store.film_of_clip(clip.clip_id)
    if film is None:
        job_id = session.job_id or uploads.mine.new_job(rig_toml=session.rig_toml).job_id
        try:
            film = uploads.mine.add_film(job_id, clip, facts)
        except StoreError:
            if session.job_id is None:  # made for this film only
                with contextlib.suppress(StoreError):
                    remove_job(uploads.store, job_id)
            raise
    if film.run is not None:
        dispatching.start(uploads.store, film.run)
    return {"job": film.job_id, "film": film.film_id}


def _as_job(uploads: Uploads, session: UploadSession, data: Path) -> Arrived:
    """Take a bundle in, in a process of its own: it may be large, and it comes from outside."""
    person = uploads.mine.person
    asked = {
        "store": str(uploads.store.folder),
        "bundle": str(data),
        "person": {
            "role": person.role.value,
            "mail": person.mail,
            "name": person.name,
            "links": dict(person.links),
        },
    }
    done = subprocess.run(
        [sys.executable, "-m", "strokecurve.app.access.uploads"],
        input=json.dumps(asked).encode(),
        env=os.environ | uploads.store.own_environment,
        capture_output=True,
        check=False,
    )
    try:
        said = json.loads(done.stdout)
    except ValueError:
        logger.warning("a bundle ended its import: %s", done.stderr.decode(errors="replace")[-2000:])
        said = {"refused": ("The bundle could not be taken in.", "Ask for a new one.")}
    if "refused" in said:
        raise StoreError(*said["refused"])
    return dict(said)


def name_file(uploads: Uploads, token: str, client_name: str) -> None:
    """Note what the person's device calls the file."""
    session = session_of(uploads, token)
    if session.kind == "clip":
        facts = session.facts or FilmFacts(None, "clip")
        _change(uploads.store, token, facts=replace(facts, label=display_label(client_name)))


def _place(store: Store, token: str) -> Path:
    return store.folder / FOLDER / f"{PART}{token}"


def _change(store: Store, token: str, **values: Any) -> UploadSession:
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


def main() -> int:
    """Take in a bundle: standard input says which, as JSON, and standard output what came of it."""
    asked = json.load(sys.stdin)
    confine()
    said: dict[str, Any]
    try:
        person = Person(**asked["person"] | {"role": Role(asked["person"]["role"])})
        merged = PersonalStore(Store(Path(asked["store"])), lambda: person).take_in(Path(asked["bundle"]))
        said = {"job": merged.job_id, "told": merged.told()}
    except PLAIN_ERRORS as reason:
        said = {"refused": [reason.message, reason.hint]}
    except MemoryError:
        said = {"refused": ["The bundle needs more memory than it may take.", "Ask for a new one."]}
    print(json.dumps(said))
    return 0


if __name__ == "__main__":
    sys.exit(main())
