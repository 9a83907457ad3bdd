"""The address that uploads go to: chunks of files, straight to the disk, gone on with after a break.

It speaks the core of tus 1.0.0, an open protocol for uploads that can be resumed (from memory): HEAD tells
how far a file has come, PATCH adds to it. The answer to the last chunk says, as JSON, what the file became;
DELETE says so, too, where it comes too late to stop that.
"""

from __future__ import annotations

import base64
import binascii

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from strokecurve.app.access.upload_sessions import (
    Chunk,
    GapError,
    NoSessionError,
    UploadSession,
    received_bytes,
)
from strokecurve.app.access.uploads import Uploads, finish, name_file, say_as_on, session_of, start_again
from strokecurve.app.page.authentication import authentication, uploads_for
from strokecurve.app.words.errors import InputError

UPLOAD_ADDRESS = "/upload/"
UPLOAD_CHUNK_BYTES = 8 << 20
"""How much a page sends at once: what a break costs at most, beside what the server has seen of it."""
_TOGETHER_BYTES = 1 << 20
"""Bytes put together before they are written."""
PAGE_HEADER = "Upload-Page"
"""Upload session of the page that sends, where it goes on with an upload that an earlier page began."""
_VERSION = {"Tus-Resumable": "1.0.0", "Cache-Control": "no-store"}

_busy: set[str] = set()
"""Tokens with a request that has not ended; a second one, sent after a break, waits for its turn."""


async def receive(request: Request) -> Response:
    """Serve HEAD, PATCH and DELETE of one upload."""
    token = request.path_params["token"]
    if token in _busy:
        return _refusal(423, "The upload is still busy.", "Wait a moment.")
    _busy.add(token)
    try:
        return await _SERVED[request.method](request, uploads_for(request), token)
    except NoSessionError:
        return Response("Not Found", 404)
    except GapError as reason:
        return _refusal(409, reason.message, reason.hint)
    except InputError as reason:
        # That a file cannot be used is an answer: browsers would note any other status as an error.
        return _refusal(200, reason.message, reason.hint)
    except ClientDisconnect:
        return Response(status_code=400)  # nobody reads it
    finally:
        _busy.discard(token)


async def _how_far(_request: Request, uploads: Uploads, token: str) -> Response:
    session = await run_in_threadpool(session_of, uploads, token)
    length = {} if session.size_bytes is None else {"Upload-Length": str(session.size_bytes)}
    return Response(
        headers=_VERSION | length | {"Upload-Offset": str(received_bytes(uploads.store, session))}
    )


async def _forget(_request: Request, uploads: Uploads, token: str) -> Response:
    arrived = await run_in_threadpool(start_again, uploads, token)
    if arrived is not None:
        return JSONResponse(dict(arrived), headers=_VERSION)
    return Response(status_code=204, headers=_VERSION)


async def _take(request: Request, uploads: Uploads, token: str) -> Response:
    """Take one chunk in; after the last one the file is taken in."""
    session = await run_in_threadpool(session_of, uploads, token)
    offset, size = _number(request, "Upload-Offset"), _number(request, "Upload-Length")
    # After a break on the last chunk everything may be here already, or even be taken in.
    if not (offset == size == received_bytes(uploads.store, session) > 0):
        if session.size_bytes is None:
            await run_in_threadpool(name_file, uploads, token, _name(request))
        offset = await _write_chunk(request, uploads, session, offset, size)
    if offset < size:
        return Response(status_code=204, headers=_VERSION | {"Upload-Offset": str(offset)})
    if page_token := request.headers.get(PAGE_HEADER):
        await run_in_threadpool(say_as_on, uploads, token, page_token)
    arrived = await run_in_threadpool(finish, uploads, token)
    return JSONResponse(dict(arrived), headers=_VERSION | {"Upload-Offset": str(size)})


_SERVED = {"HEAD": _how_far, "PATCH": _take, "DELETE": _forget}


async def _write_chunk(
    request: Request, uploads: Uploads, session: UploadSession, offset: int, size: int
) -> int:
    """Write what the request brings; gives how far the file has come."""
    chunk = await run_in_threadpool(Chunk, uploads.store, session, offset, size)
    together = bytearray()
    try:
        async for data in request.stream():
            together += data
            if len(together) >= _TOGETHER_BYTES:
                await run_in_threadpool(chunk.write, bytes(together))
                together.clear()
    finally:
        # What came before a break counts, too.
        await run_in_threadpool(_end, chunk, bytes(together))
    return chunk.offset_bytes


def _end(chunk: Chunk, rest: bytes) -> None:
    try:
        chunk.write(rest)
    finally:
        chunk.close()


def _number(request: Request, name: str) -> int:
    text = request.headers.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 15):
        raise InputError("The upload was sent in a way that is not understood.", "Load the page again.")
    return int(text)


def _name(request: Request) -> str:
    """What the person's device calls the file."""
    for pair in request.headers.get("Upload-Metadata", "").split(","):
        key, _, value = pair.strip().partition(" ")
        if key == "filename":
            try:
                return base64.b64decode(value, validate=True).decode("utf-8")
            except (binascii.Error, UnicodeDecodeError):
                break
    return ""


def _refusal(status: int, message: str, hint: str) -> Response:
    return JSONResponse({"refused": authentication().told(f"{message} {hint}")}, status, headers=_VERSION)
