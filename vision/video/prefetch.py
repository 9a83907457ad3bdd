"""An iterator run ahead of its consumer in a thread of its own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import Generic, TypeVar

Item = TypeVar("Item")

_LOOK_EVERY_S = 0.1


class Prefetch(Generic[Item]):
    """Hands out the items of an iterable that a thread takes ahead of time, from now on.

    Decoding works outside the interpreter, so it goes on while the consumer computes. An error of the
    iterable is raised where its item would have come.

    Parameters
    ----------
    items : iterable
        Used by the thread alone from now on.
    depth : int
        Items held ready at most.
    """

    def __init__(self, items: Iterable[Item], depth: int) -> None:
        self._items = items
        self._ready: queue.Queue[tuple[Item | None, BaseException | None]] = queue.Queue(maxsize=depth)
        self._given_up = threading.Event()
        self._thread = threading.Thread(target=self._work, name="prefetch", daemon=True)
        self._thread.start()

    def __iter__(self) -> Iterator[Item]:
        return self

    def __next__(self) -> Item:
        if self._given_up.is_set():
            raise StopIteration
        item, error = self._ready.get()
        if error is not None:
            self.close()
            raise error
        return item  # type: ignore[return-value]  # an entry without an error holds an item

    def close(self) -> None:
        """Stop the thread and wait until it has left the iterable."""
        self._given_up.set()
        self._thread.join()

    def _work(self) -> None:
        try:
            for item in self._items:
                if not self._offer((item, None)):
                    return
        except BaseException as error:
            self._offer((None, error))
        else:
            self._offer((None, StopIteration()))

    def _offer(self, entry: tuple[Item | None, BaseException | None]) -> bool:
        while not self._given_up.is_set():
            try:
                self._ready.put(entry, timeout=_LOOK_EVERY_S)
                return True
            except queue.Full:
                continue
        return False
