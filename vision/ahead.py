"""An iterator run ahead of its consumer in a thread of its own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterable
from typing import TypeVar

Item = TypeVar("Item")

_LOOK_EVERY_S = 0.1


def read_ahead(items: Iterable[Item], depth: int) -> Generator[Item]:
    """Yield the items of an iterable that a thread takes ahead of time.

    Decoding waits for the disk and works outside the interpreter, so it goes on while the consumer computes.

    Parameters
    ----------
    items : iterable
        Used by the thread alone from now on.
    depth : int
        Items held ready at most.

    Yields
    ------
    item
        In the order of ``items``. An error of the iterable is raised here, where its item would have come.
    """
    ready: queue.Queue[tuple[Item | None, BaseException | None]] = queue.Queue(maxsize=depth)
    given_up = threading.Event()

    def offer(entry: tuple[Item | None, BaseException | None]) -> bool:
        while not given_up.is_set():
            try:
                ready.put(entry, timeout=_LOOK_EVERY_S)
                return True
            except queue.Full:
                continue
        return False

    def work() -> None:
        try:
            for item in items:
                if not offer((item, None)):
                    return
        except BaseException as error:
            offer((None, error))
        else:
            offer((None, StopIteration()))

    thread = threading.Thread(target=work, name="read-ahead", daemon=True)
    thread.start()
    try:
        while True:
            item, error = ready.get()
            if isinstance(error, StopIteration):
                return
            if error is not None:
                raise error
            yield item  # type: ignore[misc]  # an entry without an error holds an item
    finally:
        given_up.set()
        thread.join()
