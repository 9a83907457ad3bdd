"""Stands before everything that is served: refuses hosts that are not ours, closed addresses, strangers."""

from __future__ import annotations

import ipaddress
import socket
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from strokecurve.app.access.rules import Right, may
from strokecurve.app.access.sign_in import is_loopback
from strokecurve.app.page import returning
from strokecurve.app.page.authentication import Authentication, asking, authentication

NOT_FOUND = "Not Found"
"""Body of every answer that gives nothing, the same as Starlette's own."""
CLOSED = ("/_stcore/metrics", "/_stcore/agent", "/_stcore/script-health-check")
"""Addresses of Streamlit's that this page has no use for; the first would tell how busy it is."""
GUARDED = (
    # What a page has shown or been sent; it knows no jobs, so it takes at least somebody who may be here.
    ("/_stcore/upload_file", Right.START),
    ("/media", Right.ENTER),
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # addresses hold names of jobs, and those of links let people in
    "content-security-policy": "frame-ancestors 'self'",
    "cross-origin-resource-policy": "same-origin",
}


def host_is_ours(host: str | None, served: Authentication) -> bool:
    """Whether a Host header names us.

    A page elsewhere can give its own name our address (DNS rebinding) and would then count as ours; it
    cannot make a browser send another name than its own.

    Parameters
    ----------
    host : str or None
        As sent, with or without port.
    served : Door
    """
    name = _name_of(host or "")
    if name is None:
        return False
    if is_loopback(name) or name == served.address:
        return True
    if served.sign_in is not None:
        return name == served.sign_in.host
    own = (socket.gethostname().lower(), socket.getfqdn().lower())
    return served.unsafe and (_is_address(name) or name in own)


def _name_of(host: str) -> str | None:
    """The name in a Host header; None if it is none."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return None
    if parts.netloc != host or parts.username is not None or not parts.hostname:
        return None
    return parts.hostname.lower().rstrip(".")


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _of_this_page(origin: str | None, host: str | None) -> bool:
    """Whether a socket is asked for by our own page, or by no page at all; other ports are other sites."""
    return origin is None or origin.partition("://")[2] == host


def refused(scope: Scope) -> bool:
    """Whether a request gets nothing, whatever it asks for there."""
    path = scope["path"]
    if any(path.startswith(one) for one in CLOSED):
        return True
    for start, right in GUARDED:
        if path.startswith(start):
            return not may(asking(HTTPConnection(scope)), right)
    return False


class AccessMiddleware:
    """The outermost part of the server."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        served = authentication()
        connection = HTTPConnection(scope)
        host = connection.headers.get("host")
        if not host_is_ours(host, served):
            await PlainTextResponse("This is not the address of this page.", 421)(scope, receive, send)
            return
        if scope["type"] == "websocket" and not _of_this_page(connection.headers.get("origin"), host):
            await PlainTextResponse("This is not for pages of other sites.", 403)(scope, receive, send)
            return
        if scope["type"] == "http" and await run_in_threadpool(refused, scope):
            await PlainTextResponse(NOT_FOUND, 404)(scope, receive, send)
            return
        encrypted = served.sign_in is not None and served.sign_in.encrypted

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if scope["path"] == returning.LOGIN:
                    returning.note(connection, headers)
                elif scope["path"] == returning.CALLBACK:
                    returning.lead_back(connection, headers)
                if encrypted:
                    message["headers"] = [_secure(pair) for pair in message["headers"]]
            await send(message)

        await self._app(scope, receive, dressed)


def _secure(pair: tuple[bytes, bytes]) -> tuple[bytes, bytes]:
    """A header; cookies are told never to travel unencrypted."""
    name, value = pair
    if name.lower() == b"set-cookie" and b"; secure" not in value.lower():
        return name, value + b"; Secure"
    return pair
