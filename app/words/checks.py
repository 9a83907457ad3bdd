"""Checks of single values that people put on record; each raises InputError with a sentence."""

from __future__ import annotations

import re
from typing import Any

from strokecurve.app.words.errors import InputError

_LINKAGE = re.compile(r"[^:\x00-\x1f\x7f\ud800-\udfff]{1,80}:[^:\x00-\x1f\x7f\ud800-\udfff]{1,80}")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def refuse(what: str, hint: str = "Enter it again.") -> InputError:
    """An error about something said."""
    return InputError(what, hint)


def text(value: object, name: str, most: int, *, lines: bool = False) -> None:
    """Check a text: not empty, not too long, printable."""
    if not isinstance(value, str) or not value.strip():
        raise refuse(f"The {name} is empty.", "Write something, or leave it out.")
    if len(value) > most:
        raise refuse(f"The {name} is too long: {len(value)} characters.", f"Keep it to {most} characters.")
    unprintable = _CONTROL.search(value) or any("\ud800" <= sign <= "\udfff" for sign in value)
    if unprintable or (not lines and re.search(r"[\r\n\t]", value)):
        raise refuse(f"The {name} holds signs that cannot be shown.", "Type it in again.")


def line(value: object, name: str, most: int) -> None:
    """Check a short text that may be missing."""
    if value is not None:
        text(value, name, most)


def number(value: object, name: str, low: float, high: float) -> None:
    """Check a number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise refuse(f"The {name} cannot be used: {str(value)[:40]!r}.", f"Give {low:g} to {high:g}.")


def linkage(value: object) -> None:
    """Check the name of a linkage."""
    if not isinstance(value, str) or not _LINKAGE.fullmatch(value):
        raise refuse("The linkage is not named as driver:driven.", "Choose one of the film's linkages.")


def one_of(value: object, name: str, known: tuple[str, ...]) -> None:
    """Check that a word is one of those known."""
    if value not in known:
        raise refuse(f"The {name} cannot be {str(value)[:40]!r}.", f"Choose {', '.join(known)}.")


def date(value: object, name: str) -> None:
    """Check a day."""
    if not isinstance(value, str) or not _DATE.fullmatch(value):
        raise refuse(f"The day of the {name} is no date.", "Write it as YYYY-MM-DD.")


def rows(value: object, name: str, most: int) -> tuple[tuple[Any, ...], ...]:
    """Check the form of a table."""
    if not isinstance(value, tuple) or len(value) > most or not all(isinstance(row, tuple) for row in value):
        raise refuse(f"The {name} is not a table of at most {most} rows.")
    return value
