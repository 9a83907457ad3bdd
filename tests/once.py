"""What many tests only look at is made once in a run, whichever process of the run asks for it first."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that all tests of a run share; whoever needs to change it takes a copy.

    Parameters
    ----------
    factory
        Knows the folder of this run.
    name
        What the folder is called, once in the whole suite.
    make
        Fills an empty folder. Where it fails the next to ask tries again, so that every test that needs the
        folder says why it has none.
    """
    own = factory.getbasetemp()
    place = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "shared" / name
    place.parent.mkdir(exist_ok=True)
    with FileLock(f"{place}.lock"):
        done = place.with_suffix(".done")
        if not done.exists():
            if place.exists():
                _set_aside(place)
            place.mkdir()
            make(place)
            done.touch()
    return place


def _set_aside(place: Path) -> None:
    """Keep what an attempt that failed has left, for whoever looks for the reason."""
    number = sum(1 for _ in place.parent.glob(f"{place.name}-failed-*"))
    place.rename(place.with_name(f"{place.name}-failed-{number}"))
