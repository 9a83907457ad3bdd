"""What is served: the page, and large files straight from the disk, never through the page's memory.

Streamlit finds ``app`` here and runs it; the script of the page is ``home.py``.
"""

from __future__ import annotations

from pathlib import Path

import streamlit as st
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.errors import InputError
from app.made import find
from app.page.making import FILES_ADDRESS
from app.page.shell import current_store
from app.results import OVERLAY_FILE

OVERLAY_ADDRESS = "/overlay/"
_HEAD_ENDS = b"</head>"
_AT_ROOT = b"<script>window.__streamlit={BACKEND_BASE_URL:window.location.origin+'/'}</script>"
"""Tells the page where its server is. Without it the browser would look below the page's own address first,
which ends in errors in its console."""


class AtRoot:
    """Puts ``_AT_ROOT`` into the one HTML document that is served."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        start: Message | None = None
        body = b""

        async def changed(message: Message) -> None:
            nonlocal start, body
            if message["type"] == "http.response.start":
                kinds = [value for name, value in message["headers"] if name.lower() == b"content-type"]
                if kinds and kinds[0].startswith(b"text/html"):
                    start = message
                    return
            elif start is not None and message["type"] == "http.response.body":
                body += message.get("body", b"")
                if message.get("more_body"):
                    return
                body = body.replace(_HEAD_ENDS, _AT_ROOT + _HEAD_ENDS, 1)
                kept = [pair for pair in start["headers"] if pair[0].lower() != b"content-length"]
                start["headers"] = [*kept, (b"content-length", str(len(body)).encode())]
                await send(start)
                message = {"type": "http.response.body", "body": body}
                start = None
            await send(message)

        # Compressed or partial documents could not be changed.
        drop = (b"accept-encoding", b"range", b"if-none-match", b"if-modified-since")
        own = scope["path"].startswith((OVERLAY_ADDRESS, FILES_ADDRESS))
        if not own and "." not in scope["path"]:
            scope = {**scope, "headers": [pair for pair in scope["headers"] if pair[0] not in drop]}
        await self._app(scope, receive, changed)


def overlay(request: Request) -> FileResponse:
    """The clip of a run with everything drawn in; parts of it where the player asks for parts."""
    try:
        path = current_store().runs.run(request.path_params["run_id"]).result / OVERLAY_FILE
    except InputError as error:
        raise HTTPException(404) from error
    if not path.is_file():
        raise HTTPException(404)
    kind = "attachment" if "download" in request.query_params else "inline"
    return FileResponse(
        path, media_type="video/mp4", filename="strokecurve-overlay.mp4", content_disposition_type=kind
    )


def made_file(request: Request) -> FileResponse:
    """A file that was made on request."""
    try:
        path = find(current_store(), request.path_params["job_id"], request.path_params["order_id"]).file
    except InputError as error:
        raise HTTPException(404) from error
    if path is None or not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, filename=path.name)


app = st.App(
    Path(__file__).with_name("home.py"),
    routes=[
        Route(f"{OVERLAY_ADDRESS}{{run_id}}", overlay),
        Route(f"{FILES_ADDRESS}{{job_id}}/{{order_id}}", made_file),
    ],
    middleware=[Middleware(AtRoot)],
)
