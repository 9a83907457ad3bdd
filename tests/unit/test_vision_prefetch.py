"""Reading ahead: order, errors, and a thread that ends when nobody listens."""

from __future__ import annotations

import itertools
import threading

import pytest

from strokecurve.vision.video.prefetch import Prefetch


def readers() -> list[threading.Thread]:
    return [t for t in threading.enumerate() if t.name == "read-ahead"]


@pytest.mark.parametrize("depth", [1, 4])
def test_items_come_in_order(depth: int) -> None:
    assert list(Prefetch(iter(range(50)), depth)) == list(range(50))
    assert not readers()


def test_an_error_is_raised_where_its_item_would_have_come() -> None:
    def failing() -> itertools.chain[int]:
        yield 1
        yield 2
        raise ValueError("broken there")

    seen = []
    with pytest.raises(ValueError, match="broken there"):
        seen.extend(Prefetch(failing(), 4))
    ahead = Prefetch(failing(), 4)
    assert [next(ahead), next(ahead)] == [1, 2]
    with pytest.raises(ValueError, match="broken there"):
        next(ahead)
    assert not readers()


@pytest.mark.parametrize("taken", [0, 1])
def test_the_thread_ends_when_the_consumer_stops(taken: int) -> None:
    ahead = Prefetch(itertools.count(), 3)
    assert [next(ahead) for _ in range(taken)] == list(range(taken))
    ahead.close()
    assert not readers()
    assert list(ahead) == []


def test_no_more_than_the_depth_is_taken_ahead() -> None:
    taken = []

    def counting() -> itertools.chain[int]:
        for n in range(100):
            taken.append(n)
            yield n

    ahead = Prefetch(counting(), 3)
    next(ahead)
    threading.Event().wait(0.3)
    # One is with the consumer, three are held, one waits in the thread's hand.
    assert len(taken) <= 5
    ahead.close()
