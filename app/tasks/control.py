"""Progress and a cancel switch for work that somebody watches from another process."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from strokecurve.app.words.errors import StoreError
from strokecurve.vision.errors import Cancelled

TALK_EVERY_S = 0.2

logger = logging.getLogger(__name__)

Progress = tuple[int, int, str]
"""Done, total, stage."""


class TalkingControl:
    """Progress and cancel switch of work that somebody watches from another process.

    A thread of its own talks to them, five times a second at most, so that the work never waits for the
    disk and the heartbeat goes on through stages that report nothing.

    Parameters
    ----------
    heartbeat : callable
        Takes a sign of life, with new progress if there is any; gives whether to stop.
    """

    def __init__(self, heartbeat: Callable[[Progress | None], bool]) -> None:
        self._heartbeat = heartbeat
        self._progress: Progress | None = None
        self._cancelled = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._keep_talking, daemon=True)

    def __enter__(self) -> TalkingControl:
        self._talk()
        self._thread.start()
        return self

    def __exit__(self, *exception: object) -> None:
        self._over.set()
        self._thread.join()
        self._talk()

    def _keep_talking(self) -> None:
        """Talk to the store until the run is over."""
        while not self._over.wait(TALK_EVERY_S):
            self._talk()

    def _talk(self) -> None:
        """Hand over the newest progress and learn whether to stop."""
        progress, self._progress = self._progress, None
        try:
            if self._heartbeat(progress):
                self._cancelled.set()
        except StoreError:
            # A store busy for a moment must not end an analysis; the next heartbeat tells the same.
            logger.warning("the store did not take a sign of life", exc_info=True)

    def report(self, done: int, total: int, label: str) -> None:
        """Remember the progress; the newest is written at the next talk with the store."""
        self._progress = (done, total, label)

    def check(self) -> None:
        """Raise ``Cancelled`` if the person asked to stop."""
        if self._cancelled.is_set():
            raise Cancelled
