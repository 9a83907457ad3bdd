"""Files that arrive chunk by chunk over a connection that may break: who may send them, what they become.

The page that asks for a file opens a session for it (``app.access.upload_sessions``). A connection that
breaks, a page that closes and a server that is killed lose nothing that has arrived: whoever holds the token
asks how far it is and sends the rest.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Person, Right, Role
from strokecurve.app.access.upload_sessions import (
    WHAT,
    Arrived,
    GapError,
    NoSessionError,
    UploadSession,
    begin,
    change_session,
    data_file,
    find_session,
    provenance,
    received_bytes,
)
from strokecurve.app.store.removing import remove_clip, remove_job
from strokecurve.app.store.store import Store, display_label
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import PLAIN_ERRORS, StoreError
from strokecurve.app.words.files import new_id, remove
from strokecurve.app.words.resource_limits import confine
from strokecurve.app.words.statements import FilmFacts

logger = logging.getLogger(__name__)


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
            return change_session(uploads.store, session.token, **said)
    except NoSessionError:
        pass  # nobody went on with it for a day; a new one will do
    uploads.store.remove_leftovers()  # a page may be up for months
    session = replace(session, token=new_id(), clip_id=new_id(), person=uploads.mine.person.mail)
    begin(uploads.store, session)
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
    data = data_file(uploads.store, token)
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
        change_session(uploads.store, token, arrived=arrived)
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
    change_session(uploads.store, token, facts=facts, rig_toml=page.rig_toml)


def _as_film(uploads: Uploads, session: UploadSession, data: Path) -> Arrived:
    """Make a clip a film of its job and start its analysis; what an earlier try did is not done again."""
    facts = session.facts or FilmFacts(None, "clip")
    clip = (
        uploads.store.clip(session.clip_id)
        if provenance(uploads.store, session)
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


def _forget_file(store: Store, session: UploadSession) -> None:
    """Make a session ready for another file, which must never meet what has become of this one."""
    remove(data_file(store, session.token))
    change_session(store, session.token, size_bytes=None, clip_id=new_id())
    try:
        remove_clip(store, session.clip_id)
    except StoreError:
        logger.warning("the clip %s is no film and could not be removed", session.clip_id, exc_info=True)


def name_file(uploads: Uploads, token: str, client_name: str) -> None:
    """Note what the person's device calls the file."""
    session = session_of(uploads, token)
    if session.kind == "clip":
        facts = session.facts or FilmFacts(None, "clip")
        change_session(uploads.store, token, facts=replace(facts, label=display_label(client_name)))


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
