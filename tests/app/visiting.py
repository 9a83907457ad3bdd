"""A page that people sign in at, their provider, and visitors that speak Streamlit's protocol.

A visitor has no browser: it keeps cookies as one does, signs in through the provider's own pages, opens
pages of the work over a web socket and sees every element that the server sends for them.
"""

from __future__ import annotations

import base64
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import httpx
import provider
from joserfc import jwt
from joserfc.jwk import OctKey
from own_ports import own_port
from patience import PATIENCE_S
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.sync.client import connect

from strokecurve.app.page.launch import ADDRESS, Listening, command, wait_until_ready

CLIENT_ID = "strokecurve-test"
CLIENT_SECRET = "client-secret-of-the-test-0123456789"
COOKIE_SECRET = "cookie-secret-of-the-test-0123456789abcdef"
SECRETS = (CLIENT_SECRET, COOKIE_SECRET)
ROLES = """
[people]
"owner@works.example" = "technician"
"helper@works.example" = "technician"
"Outsider@works.example" = "technician"
"kim@works.example" = "keeper"

[domains]
"office.example" = "reviewer"
"""


@dataclass(frozen=True, slots=True)
class Served:
    """A page with sign-in that is up."""

    address: str
    sign_in_file: Path
    log: Path
    process_id: int


def sign_in_text(provider_port: int, page_port: int, *, secrets: bool = True) -> str:
    """A sign-in file."""
    held = f'client_secret = "{CLIENT_SECRET}"\ncookie_secret = "{COOKIE_SECRET}"\n' if secrets else ""
    return (
        f'provider = "http://{ADDRESS}:{provider_port}/.well-known/openid-configuration"\n'
        f'client_id = "{CLIENT_ID}"\n{held}'
        f'redirect = "http://{ADDRESS}:{page_port}/oauth2callback"\n{ROLES}'
    )


@contextmanager
def served_with_sign_in(store: Path, folder: Path, *, secrets_in_file: bool = True) -> Iterator[Served]:
    """Serve the page and the provider, each a process on loopback."""
    at, page_port = own_port(), own_port()
    file, log = folder / "sign-in.toml", folder / "server.log"
    file.touch(mode=0o600)
    file.write_text(sign_in_text(at, page_port, secrets=secrets_in_file))
    redirect = f"http://{ADDRESS}:{page_port}/oauth2callback"
    who = [sys.executable, provider.__file__, str(at), CLIENT_ID, CLIENT_SECRET, redirect]
    environment = dict(os.environ)
    if not secrets_in_file:
        names = ("STROKECURVE_CLIENT_SECRET", "STROKECURVE_COOKIE_SECRET")
        environment |= dict(zip(names, SECRETS, strict=True))
    words = command(store, page_port, Listening(sign_in=file))
    with log.open("wb") as stream, subprocess.Popen(who, stdin=subprocess.DEVNULL) as people:
        server = subprocess.Popen(
            words, stdin=subprocess.DEVNULL, stdout=stream, stderr=stream, env=environment
        )
        try:
            _wait_for(at)
            assert wait_until_ready(server, page_port), log.read_text()
            yield Served(f"http://{ADDRESS}:{page_port}/", file, log, server.pid)
        finally:
            server.terminate()
            people.terminate()
            server.wait(PATIENCE_S)


def _wait_for(port: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        with socket.socket() as probe:
            if probe.connect_ex((ADDRESS, port)) == 0:
                return
        assert time.monotonic() < deadline
        time.sleep(0.05)


class Shown:
    """What a visitor was shown: every element of a page, and all of it as text."""

    def __init__(self) -> None:
        self.elements: list[Any] = []
        self._all: list[str] = []

    def take(self, message: ForwardMsg) -> None:
        """Take in one message of the server."""
        self._all.append(str(message))
        if message.WhichOneof("type") == "delta" and message.delta.WhichOneof("type") == "new_element":
            element = message.delta.new_element
            self.elements.append(getattr(element, element.WhichOneof("type")))

    @property
    def text(self) -> str:
        """Everything that was sent."""
        return "\n".join(self._all)

    def labelled(self, label: str) -> Any:
        """The widget with a label; None if there is none."""
        return next((one for one in self.elements if getattr(one, "label", None) == label), None)


class Visitor:
    """Somebody with a browser's cookies."""

    def __init__(self, address: str) -> None:
        self.address = address
        # A connection for each request: kept alive, each answer would wait 40 ms for the last one's receipt.
        limits = httpx.Limits(max_keepalive_connections=0)
        self.web = httpx.Client(base_url=address, timeout=PATIENCE_S, limits=limits)
        self.web.get("_stcore/health")

    def get(self, path: str, **more: Any) -> httpx.Response:
        """Ask for an address, following nothing."""
        return self.web.get(path.lstrip("/"), **more)

    def sign_in(self, name: str) -> Visitor:
        """Sign in as one of the provider's people."""
        token = jwt.encode(
            {"alg": "HS256"},
            {"provider": "default", "exp": int(time.time()) + 60},
            OctKey.import_key(COOKIE_SECRET),
        )
        at_provider = self.get(f"auth/login?{urlencode({'provider': token})}")
        assert at_provider.status_code == 302, at_provider.text
        given = httpx.get(f"{at_provider.headers['location']}&{urlencode({'as': name})}")
        assert given.status_code == 302, given.text
        back = self.web.get(given.headers["location"])
        assert back.status_code == 302
        return self

    def open(self, page: str = "", **query: str) -> Shown:
        """Open a page of the work and look at it until its script has ended."""
        with Looking(self, page, urlencode(query)) as looking:
            return looking.shown


class Looking:
    """A page that stays open."""

    def __init__(self, visitor: Visitor, page: str, query: str) -> None:
        cookies = visitor.web.cookies
        xsrf = cookies.get("_streamlit_xsrf") or ""
        parts = urlsplit(visitor.address)
        held = "; ".join(f"{name}={value}" for name, value in cookies.items())
        self._open = ExitStack()
        wanted = connect(
            f"ws://{parts.netloc}/_stcore/stream",
            origin=f"http://{parts.netloc}",  # type: ignore[arg-type]
            subprotocols=["streamlit", xsrf],  # type: ignore[list-item]
            additional_headers={"Cookie": held},
            max_size=None,
            compression=None,
        )
        self._socket = self._open.enter_context(wanted)
        self._page, self._query = page, query
        try:
            self.shown = self._run(BackMsg())
        except BaseException:
            self._open.close()
            raise

    def __enter__(self) -> Looking:
        return self

    def __exit__(self, *exception: object) -> None:
        self._open.close()

    def _run(self, message: BackMsg) -> Shown:
        state = message.rerun_script
        state.query_string, state.page_name = self._query, self._page
        self._socket.send(message.SerializeToString())
        shown, deadline = Shown(), time.monotonic() + PATIENCE_S
        while True:
            found = ForwardMsg()
            data = self._socket.recv(timeout=max(deadline - time.monotonic(), 0.01))
            found.ParseFromString(bytes(data))  # type: ignore[arg-type]
            shown.take(found)
            if found.WhichOneof("type") == "page_info_changed":
                self._query = found.page_info_changed.query_string
            ended = found.WhichOneof("type") == "script_finished"
            if ended and found.script_finished == ForwardMsg.FINISHED_SUCCESSFULLY:
                return shown

    def go(self, page: str, **query: str) -> Shown:
        """Go to another page in the same session."""
        self._page, self._query = page, urlencode(query)
        self.shown = self._run(BackMsg())
        return self.shown

    def press(self, label: str, **texts: str) -> Shown:
        """Fill in fields by their labels (``_`` for a space) and press a button."""
        message = BackMsg()
        button = self.shown.labelled(label)
        assert button is not None, label
        for name, value in texts.items():
            field = self.shown.labelled(name.replace("_", " "))
            message.rerun_script.widget_states.widgets.add(id=field.id, string_value=value)
        message.rerun_script.widget_states.widgets.add(id=button.id, trigger_value=True)
        self.shown = self._run(message)
        return self.shown


def socket_status(visitor: Visitor, **headers: str) -> int:
    """Status that asking for a web socket is refused with; for askings that must be refused."""
    key = base64.b64encode(b"sixteen bytes...").decode()
    upgrade = {"Connection": "Upgrade", "Upgrade": "websocket"}
    wanted = {"Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": key}
    answer = visitor.get("_stcore/stream", headers=upgrade | wanted | headers)
    return int(answer.status_code)


def job_in(query: str) -> str | None:
    """The job that an address names."""
    return parse_qs(urlsplit(query).query).get("job", [None])[0]
