"""How long work reports its progress and is told to stop."""

from __future__ import annotations

from typing import Protocol


class JobControl(Protocol):
    """Reporter and stop switch handed to every long function."""

    def report(self, done: int, total: int, label: str) -> None:
        """Say that ``done`` of ``total`` steps of the stage ``label`` are finished."""
        ...

    def check(self) -> None:
        """Raise ``vision.errors.Cancelled`` if the person asked to stop."""
        ...


class Unattended:
    """Reports to nobody and is never told to stop."""

    def report(self, done: int, total: int, label: str) -> None:
        """Do nothing."""

    def check(self) -> None:
        """Do nothing."""
