"""Back to the address first asked for, once somebody has signed in.

Streamlit leads everybody to the start after the sign-in. So the way to the provider takes along, in a cookie,
which page it was begun on, and the way back ends there. Only pages of the work with what their addresses hold
are taken along: nobody is led anywhere else.
"""

from __future__ import annotations

import re
from urllib.parse import parse_qsl, quote, unquote, urlencode, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection

from strokecurve.app.page import keys
from strokecurve.app.page.steps import STEPS
from strokecurve.app.words.statements import is_id

LOGIN, CALLBACK = "/auth/login", "/oauth2callback"
COOKIE = "strokecurve_asked"
KEPT_S = 900
"""A sign-in with a second factor takes minutes, not hours."""
_PATHS = ("/", *(f"/{step.name}" for step in STEPS))
_MOMENT = re.compile(r"\d{1,5}(\.\d{1,6})?")


def page_asked(address: str) -> str | None:
    """Path and query of an address if it is a page of the work with something open; else None."""
    try:
        parts = urlsplit(address)
        pairs = parse_qsl(parts.query, strict_parsing=True)
    except ValueError:
        return None
    held = {name: value for name, value in pairs if _may_hold(name, value)}
    if parts.path not in _PATHS or keys.JOB not in held:
        return None
    return f"{parts.path}?{urlencode(held)}"


def _may_hold(name: str, value: str) -> bool:
    """Whether addresses of our pages hold such a value."""
    if name in (keys.JOB, keys.FILM):
        return is_id(value)
    return name == keys.AT and _MOMENT.fullmatch(value) is not None


def note(connection: HTTPConnection, headers: MutableHeaders) -> None:
    """On the way to the provider: keep the page that was open; one of another site counts for nothing."""
    came_from = connection.headers.get("referer", "")
    ours = came_from.partition("://")[2].partition("/")[0] == connection.headers.get("host")
    asked = page_asked(came_from) if ours else None
    headers.append("set-cookie", _cookie(quote(asked or "", safe=""), KEPT_S if asked else 0))


def lead_back(connection: HTTPConnection, headers: MutableHeaders) -> None:
    """On the way back, where Streamlit would lead to the start: lead to the page that was open."""
    kept = connection.cookies.get(COOKIE)
    if kept is None or headers.get("location") != "/":
        return
    headers["location"] = page_asked(unquote(kept)) or "/"
    headers.append("set-cookie", _cookie("", 0))


def _cookie(value: str, lasts_s: int) -> str:
    return f"{COOKIE}={value}; Max-Age={lasts_s}; Path=/; HttpOnly; SameSite=Lax"
