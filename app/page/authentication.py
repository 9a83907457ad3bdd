"""Who is asking: read from how the page was started, a sign-in checked by Streamlit, and links held.

Page scripts ask with ``visiting``, routes with ``asking``; both end at the same ``person_of``.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st
from starlette.requests import HTTPConnection
from streamlit.auth_util import get_cookie_with_chunks
from streamlit.web.server.server_util import get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import ALONE, Person, Role
from strokecurve.app.access.sharing import Sharing
from strokecurve.app.access.sign_in import SECRET_VARIABLES, SignIn, load, signed_in
from strokecurve.app.access.uploads import Uploads
from strokecurve.app.store.store import Store, default_folder

LINK_ADDRESS = "/link/"
LINK_COOKIE = "strokecurve_link_"
"""Followed by the id of the job, so that links of several jobs live side by side."""


@dataclass(frozen=True, slots=True)
class Authentication:
    """How the page was started.

    Attributes
    ----------
    store : Path
    sign_in : SignIn or None
        None where nobody has to sign in.
    unsafe : bool
        Whether that was asked for by name.
    address : str
        What the server listens on.
    """

    store: Path
    sign_in: SignIn | None
    unsafe: bool
    address: str

    @property
    def alone(self) -> bool:
        """Whether only somebody at this computer can look at the page."""
        return self.sign_in is None and not self.unsafe

    def told(self, text: str) -> str:
        """What is said, for whoever looks: others have no use for places on this computer's disk."""
        if self.alone:
            return text
        folder = str(self.store.expanduser().resolve())
        return text.replace(f"{folder}{os.sep}", "").replace(folder, "the store's own")


@lru_cache(maxsize=4)
def _from_arguments(arguments: tuple[str, ...]) -> Authentication:
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--store", type=Path, default=None)
    parser.add_argument("--sign-in", type=Path, default=None)
    parser.add_argument("--address", default="127.0.0.1")
    parser.add_argument("--unsafe-no-sign-in", action="store_true")
    chosen, _ = parser.parse_known_args(arguments)
    sign_in = None if chosen.sign_in is None else load(chosen.sign_in)
    for name in SECRET_VARIABLES:  # workers and whatever else is started here have no use for them
        os.environ.pop(name, None)
    return Authentication(chosen.store or default_folder(), sign_in, chosen.unsafe_no_sign_in, chosen.address)


def authentication() -> Authentication:
    """How this server was started; its sign-in file is read once."""
    return _from_arguments(tuple(sys.argv[1:]))


@lru_cache(maxsize=4)
def loaded_store(folder: str) -> Store:
    """The store in a folder, opened (and brought up to date) once for all sessions."""
    return Store(Path(folder))


def current_store() -> Store:
    """The store named on the command line of the page, else the person's own; it asks nobody."""
    return loaded_store(str(authentication().store))


def person_of(
    sign_in: SignIn | None,
    claims: Mapping[str, Any] | None,
    cookies: Mapping[str, str],
    sharing: Sharing,
    now_s: float,
) -> Person:
    """Whoever asks.

    Parameters
    ----------
    sign_in : SignIn or None
        None where nobody has to sign in.
    claims : mapping or None
        Of the identity token, its signature checked.
    cookies : mapping of str to str
        As sent; links are checked here.
    sharing : Sharing
    now_s : float
        Seconds since 1970.
    """
    if sign_in is None:
        return ALONE
    tokens = [value for name, value in cookies.items() if name.startswith(LINK_COOKIE)]
    links = sharing.held(tokens)
    mail = signed_in(claims, sign_in.hours, now_s)
    if mail is None:
        return Person(Role.GUEST, links=links)
    name = claims.get("name") if claims else None
    role = sign_in.role_of(mail) or Role.GUEST
    return Person(role, mail, name if isinstance(name, str) else None, links)


def visiting() -> Person:
    """Whoever looks at the page whose script is running."""
    sign_in = authentication().sign_in
    if sign_in is None:
        return ALONE
    return person_of(sign_in, st.user.to_dict(), st.context.cookies, _sharing(), time.time())


def asking(connection: HTTPConnection) -> Person:
    """Whoever sends a request to one of our routes."""
    sign_in = authentication().sign_in
    if sign_in is None:
        return ALONE
    claims = _claims(connection.cookies, sign_in.origin)
    return person_of(sign_in, claims, connection.cookies, _sharing(), time.time())


def personal_store() -> PersonalStore:
    """The store as whoever looks at the page may use it."""
    return PersonalStore(current_store(), visiting)


def store_for(connection: HTTPConnection) -> PersonalStore:
    """The store as whoever sends a request may use it."""
    return PersonalStore(current_store(), lambda: asking(connection))


def uploads_for(connection: HTTPConnection) -> Uploads:
    """The uploads of whoever sends a request."""
    return Uploads(current_store(), store_for(connection))


def _sharing() -> Sharing:
    store = current_store()
    return Sharing(store.database, store.folder, store.clock)


def _claims(cookies: Mapping[str, str], origin: str) -> dict[str, Any] | None:
    """What the sign-in cookie says, if Streamlit signed it for this origin."""
    secret = get_cookie_secret()

    def one(name: str) -> bytes | None:
        value = cookies.get(name)
        return (
            None if value is None else decode_signed_value(secret, name, value.encode("latin-1", "replace"))
        )

    raw = get_cookie_with_chunks(one, USER_COOKIE_NAME)
    if raw is None:
        return None
    try:
        claims = json.loads(raw)
    except ValueError:
        return None
    return claims if isinstance(claims, dict) and claims.get("origin") == origin else None
