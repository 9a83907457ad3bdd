"""Ports that nobody else takes between the moment they are chosen and the moment a server listens on them."""

from __future__ import annotations

import os
import socket
from itertools import cycle

FIRST, EACH = 20_000, 1_000
"""Below those that the system hands out by itself; so many for each process of the suite."""

_begin = FIRST + EACH * int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
_ports = cycle(range(_begin, _begin + EACH))


def own_port(address: str = "127.0.0.1") -> int:
    """A port that is free, and that this process does not give again before long."""
    for port in _ports:
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, port))
            except OSError:
                continue
        return port
    raise AssertionError("a cycle has no end")
