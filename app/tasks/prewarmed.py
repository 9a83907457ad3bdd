"""Processes started ahead, which wait to be told what to do: so that work begins at once when it comes.

Starting Python and loading the libraries takes the two processes of an analysis 1.7 s of computing time
before they can read a frame (measured). A prewarmed worker has done that already. It reads one line from
its standard input; if whoever started it ends or dismisses it, there is none, and the worker ends without
having done anything.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any

UNUSED_S = 600.0
"""The two of an analysis hold some 110 MB; a clip that comes later finds processes of its own."""


class PrewarmedWorker:
    """A process that waits to be told what to do.

    Parameters
    ----------
    start : callable
        Starts the process, with a pipe as its standard input that nothing buffers; gives it.
    unused_s : float
        It is dismissed after so long.
    """

    def __init__(self, start: Callable[[], subprocess.Popen[bytes]], unused_s: float = UNUSED_S) -> None:
        self._process = start()
        if self._process.stdin is None:
            raise ValueError("a prewarmed worker needs a pipe as its standard input")
        self._pipe = self._process.stdin
        self._lock = threading.Lock()
        self._timer = threading.Timer(unused_s, self.dismiss)
        self._timer.daemon = True
        self._timer.start()

    @property
    def waits(self) -> bool:
        """Whether it is there and was not told anything yet."""
        return self._process.poll() is None and not self._pipe.closed

    def tell(self, what: Any) -> subprocess.Popen[bytes] | None:
        """Tell it what to do.

        Parameters
        ----------
        what : object
            Anything that JSON knows.

        Returns
        -------
        Popen or None
            The process; None if it is gone or was told before.
        """
        self._timer.cancel()
        with self._lock:
            if not self.waits:
                self._pipe.close()
                return None
            try:
                self._pipe.write(json.dumps(what).encode() + b"\n")
            except BrokenPipeError:
                return None
            finally:
                self._pipe.close()
            return self._process

    def dismiss(self) -> None:
        """Let it end, unless it was told what to do."""
        self._timer.cancel()
        with self._lock:
            if self._pipe.closed:
                return
            self._pipe.close()
        self._process.wait()


def told() -> Any:
    """Wait, in a prewarmed worker, to be told what to do; gives None if nothing is to be done."""
    line = sys.stdin.buffer.readline()
    # Half a line was written by somebody who was killed meanwhile.
    return json.loads(line) if line.endswith(b"\n") else None
