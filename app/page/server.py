"""What is served: the page, and large files straight from the disk, never through the page's memory.

Streamlit finds ``app`` here and runs it; the script of the page is ``home.py``.
"""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode

import streamlit as st
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from strokecurve.app.access.rules import Right
from strokecurve.app.access.sharing import Sharing
from strokecurve.app.page import keys, warming
from strokecurve.app.page.authentication import (
    LINK_ADDRESS,
    LINK_COOKIE,
    authentication,
    current_store,
    store_for,
)
from strokecurve.app.page.downloads import OFFERED_ADDRESS, OFFERS, RESULT_ADDRESS
from strokecurve.app.page.loaded import RESULT_FILES
from strokecurve.app.page.making import FILES_ADDRESS
from strokecurve.app.page.middleware import AccessMiddleware
from strokecurve.app.page.receiving import UPLOAD_ADDRESS, receive
from strokecurve.app.result.contents import OVERLAY_FILE
from strokecurve.app.words.columns import guarded_table
from strokecurve.app.words.errors import InputError

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
        own = scope["path"].startswith((OVERLAY_ADDRESS, FILES_ADDRESS, RESULT_ADDRESS, OFFERED_ADDRESS))
        if not own and "." not in scope["path"]:
            scope = {**scope, "headers": [pair for pair in scope["headers"] if pair[0] not in drop]}
        await self._app(scope, receive, changed)


def overlay(request: Request) -> FileResponse:
    """The clip of a run with everything drawn in; parts of it where the player asks for parts."""
    try:
        path = store_for(request).runs.run(request.path_params["run_id"]).result / OVERLAY_FILE
    except InputError as error:
        raise HTTPException(404) from error
    if not path.is_file():
        raise HTTPException(404)
    kind = "attachment" if "download" in request.query_params else "inline"
    return FileResponse(
        path, media_type="video/mp4", filename="strokecurve-overlay.mp4", content_disposition_type=kind
    )


def result_file(request: Request) -> Response:
    """A file of a result; tables without what office programs would work out."""
    name = request.path_params["name"]
    try:
        path = store_for(request).runs.run(request.path_params["run_id"]).result / name
    except InputError as error:
        raise HTTPException(404) from error
    if name not in RESULT_FILES or not path.is_file():
        raise HTTPException(404)
    changed = guarded_table(path.read_bytes()) if name.endswith(".csv") else None
    if changed is not None:
        disposition = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(changed, media_type="text/csv", headers=disposition)
    return FileResponse(path, filename=name)


def offered_file(request: Request) -> Response:
    """A table or text that a page offers; the link says what the browser calls it."""
    job_id = request.path_params["job_id"]
    try:
        store_for(request).must(Right.READ, job_id)
    except InputError as error:
        raise HTTPException(404) from error
    content = OFFERS.find(job_id, request.path_params["digest"])
    if content is None:
        raise HTTPException(404)
    headers = {"content-disposition": "attachment", "cache-control": "no-store"}
    return Response(content, headers=headers, media_type="application/octet-stream")


def export_file(request: Request) -> FileResponse:
    """A file that was made on request."""
    try:
        asked = request.path_params
        path = store_for(request).exports.find(asked["job_id"], asked["export_id"]).file
    except InputError as error:
        raise HTTPException(404) from error
    if path is None or not path.is_file():
        raise HTTPException(404)
    return FileResponse(path, filename=path.name)


def open_link(request: Request) -> RedirectResponse:
    """A link for reviewers: the browser keeps it and is led to its job."""
    token = request.path_params["token"]
    store = current_store()
    link = Sharing(store.database, store.folder, store.clock).opened_by(token)
    if link is None:
        raise HTTPException(404)
    answer = RedirectResponse(f"/?{urlencode({keys.JOB: link.job_id})}", 303, {"cache-control": "no-store"})
    sign_in = authentication().sign_in
    answer.set_cookie(
        f"{LINK_COOKIE}{link.job_id}",
        token,
        max_age=max(int(link.expires_s - store.clock()), 1),
        httponly=True,
        samesite="lax",
        secure=sign_in is not None and sign_in.encrypted,
    )
    return answer


warming.begin()
app = st.App(
    Path(__file__).with_name("home.py"),
    routes=[
        Route(f"{OVERLAY_ADDRESS}{{run_id}}", overlay),
        Route(f"{FILES_ADDRESS}{{job_id}}/{{export_id}}", export_file),
        Route(f"{RESULT_ADDRESS}{{run_id}}/{{name}}", result_file),
        Route(f"{OFFERED_ADDRESS}{{job_id}}/{{digest}}", offered_file),
        Route(f"{LINK_ADDRESS}{{token}}", open_link),
        Route(f"{UPLOAD_ADDRESS}{{token}}", receive, methods=["HEAD", "PATCH", "DELETE"]),
    ],
    middleware=[Middleware(AccessMiddleware), Middleware(AtRoot)],
    secrets=None if (sign_in := authentication().sign_in) is None else sign_in.secrets(),
)
