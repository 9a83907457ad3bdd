"""A visitor of the page without a browser: speaks the page's own protocol, as a browser's half of it does.

It opens the connection, asks for pages, moves sliders, presses buttons, keeps the timers that the page asks
for, and loads the pictures it is shown. An interaction lasts from what is sent until the page has run to its
end and every new picture has been loaded. What a browser adds, laying out and drawing, happens on the
visitor's own machine.
"""

from __future__ import annotations

import asyncio
import re
import time
import urllib.request
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from patience import PATIENCE_S
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.asyncio.client import ClientConnection, connect

WIDGETS = ("button", "slider", "text_area", "text_input")
ENDS = (
    ForwardMsg.FINISHED_SUCCESSFULLY,
    ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY,
    ForwardMsg.FINISHED_WITH_COMPILE_ERROR,
)
LARGEST_MESSAGE_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class Widget:
    """Something to touch on the page.

    Attributes
    ----------
    widget_id, kind, label : str
    fragment_id : str
        Part of the page that runs when it is touched; empty for the whole page.
    greatest : float
        Right end, if it is a slider.
    """

    widget_id: str
    kind: str
    label: str
    fragment_id: str
    greatest: float


@dataclass(slots=True)
class Visitor:
    """One person at the page.

    Attributes
    ----------
    address : str
        Of the page, without a slash at its end.
    interactions : list of (str, float)
        What was done, and how long it took, in seconds.
    polls_s : list of float
        How long the page's own looks at the store took.
    errors : list of str
        Error boxes and exceptions that were shown.
    """

    address: str
    interactions: list[tuple[str, float]] = field(default_factory=list)
    polls_s: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    widgets: dict[str, Widget] = field(default_factory=dict)
    texts: set[str] = field(default_factory=set)
    _states: dict[str, WidgetState] = field(default_factory=dict)
    _media: set[str] = field(default_factory=set)
    _timers: dict[str, float] = field(default_factory=dict)
    _place: tuple[str, str, str] = ("", "", "")
    _connection: ClientConnection | None = None
    _turn: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def open(self, page: str, **query: str) -> None:
        """Open a page at its address, as by a link: over a new connection, with nothing touched yet."""
        began_s = time.perf_counter()
        await self.leave()
        await asyncio.to_thread(self._load, f"/{page}?{urlencode(query)}")
        stream = self.address.replace("http", "ws", 1) + "/_stcore/stream"
        self._connection = await connect(
            stream, subprotocols=["streamlit"], max_size=LARGEST_MESSAGE_BYTES, origin=self.address
        )
        for kept in (self.widgets, self._states, self._media, self._timers, self.texts):
            kept.clear()
        self._place = (page, urlencode(query), "")
        await self._run()
        self.interactions.append((f"open {page or 'start'}", time.perf_counter() - began_s))

    async def leave(self) -> None:
        """Close the connection."""
        if self._connection is not None:
            await self._connection.close()
            self._connection = None

    def fill(self, widget: Widget, text: str) -> None:
        """Write into a field of a form; the page learns of it with the next button."""
        self._states[widget.widget_id] = WidgetState(id=widget.widget_id, string_value=text)

    async def touch(self, widget: Widget, value: float = 0.0) -> None:
        """Press a button, or move a slider."""
        began_s = time.perf_counter()
        state = WidgetState(id=widget.widget_id)
        if widget.kind == "button":
            state.trigger_value = True
        else:
            state.double_array_value.data[:] = [value]
        self._states[widget.widget_id] = state
        await self._run(widget.fragment_id)
        if widget.kind == "button":
            del self._states[widget.widget_id]
        self.interactions.append((f"{widget.kind} {widget.label}"[:40], time.perf_counter() - began_s))

    def find(self, kind: str, label: str) -> Widget | None:
        """A widget on the page by the beginning of its label."""
        return next((w for w in self.widgets.values() if w.kind == kind and w.label.startswith(label)), None)

    async def think(self, seconds: float) -> None:
        """Do nothing for a while but what the page's timers ask for."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            await asyncio.sleep(min([*self._timers.values(), end_s - time.monotonic()]) or 0.01)
            for fragment_id in tuple(self._timers):
                began_s = time.perf_counter()
                await self._run(fragment_id, timed=True)
                self.polls_s.append(time.perf_counter() - began_s)

    async def _run(self, fragment_id: str = "", timed: bool = False) -> None:
        """Let the page run, take in all it shows, and load what is new of it."""
        page, query, script_hash = self._place
        message = BackMsg()
        asked = message.rerun_script
        asked.query_string = query
        if script_hash:
            asked.page_script_hash = script_hash
        else:
            asked.page_name = page
        asked.fragment_id = fragment_id
        asked.is_auto_rerun = timed
        asked.widget_states.widgets.extend(self._states.values())
        assert self._connection is not None
        async with self._turn:
            await self._connection.send(message.SerializeToString())
            async with asyncio.timeout(PATIENCE_S):
                await self._until_end(whole=not fragment_id)
        new = [address for address in self._media if not address.startswith("loaded ")]
        await asyncio.gather(*(asyncio.to_thread(self._load, address) for address in new))
        self._media = {f"loaded {a.removeprefix('loaded ')}" for a in self._media}

    async def _until_end(self, whole: bool) -> None:
        """Take in messages until the page has run; a part of it may ask for the whole to run again."""
        assert self._connection is not None
        while True:
            payload = await self._connection.recv()
            assert isinstance(payload, bytes)
            message = ForwardMsg.FromString(payload)
            kind = message.WhichOneof("type")
            if kind == "script_finished" and message.script_finished in ENDS:
                return
            if kind == "new_session":
                if whole:
                    self._timers.clear()
                    self.widgets.clear()
                whole = True
            elif kind == "navigation":  # what page the address led to
                self._place = (*self._place[:2], message.navigation.page_script_hash)
            elif kind == "auto_rerun":
                self._timers[message.auto_rerun.fragment_id] = message.auto_rerun.interval
            elif kind == "stop_auto_rerun":
                for stopped in message.stop_auto_rerun.fragment_ids:
                    self._timers.pop(stopped, None)
            elif kind == "page_info_changed":
                self._place = (self._place[0], message.page_info_changed.query_string, self._place[2])
            elif kind == "delta":
                self._take_in(message.delta)

    def _take_in(self, delta: Any) -> None:
        """Remember what is shown, and what can be touched."""
        for address in re.findall(rb"/media/[0-9a-f]{20,}\.\w{2,5}", delta.SerializeToString()):
            found = address.decode()
            if f"loaded {found}" not in self._media:
                self._media.add(found)
        if delta.WhichOneof("type") != "new_element":
            return
        element = delta.new_element
        kind = element.WhichOneof("type")
        shown = getattr(element, kind) if kind else None
        if kind == "exception":
            self.errors.append(shown.message)
        elif kind == "alert" and shown.format == shown.ERROR:
            self.errors.append(shown.body)
        elif kind == "html":
            self.texts.add(shown.body)
        elif kind in WIDGETS and not getattr(shown, "disabled", False):
            greatest = float(shown.max) if kind == "slider" else 0.0
            self.widgets[shown.id] = Widget(shown.id, kind, shown.label, delta.fragment_id, greatest)

    def _load(self, address: str) -> None:
        with urllib.request.urlopen(self.address + address, timeout=PATIENCE_S) as answer:
            answer.read()


def percentile(values: list[float], share: float) -> float:
    """The value that a share of all do not exceed; not a number without values."""
    found = sorted(values)
    return found[min(len(found) - 1, int(share * len(found)))] if found else float("nan")
