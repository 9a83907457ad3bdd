"""Names of figures, and who said something and when, for people."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # figures are named by `measure`, too, which starts without what people say of them
    from strokecurve.app.words.statements import Entry

QUANTITY_WORDS = {
    "drive_radius_mm": "drive arm radius",
    "driven_radius_mm": "driven arm radius",
    "rod_mm": "rod length",
    "spacing_mm": "spacing of the shafts",
    "drive_start_deg": "drive arm start angle",
    "driven_start_deg": "driven arm start angle",
}
"""The quantities of a linkage's geometry, in the order in which they are shown."""


def spoken(where: str) -> str:
    """Name of a linkage, or of a place on one, for people."""
    return where.replace(":", " drives ", 1)


def utc_minute(seconds: float) -> str:
    """A moment as records and bundles give it, to the minute."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")


def who_and_when(entry: Entry[Any], moment: Callable[[float], str], nobody: str) -> str:
    """Who said something and when; of what came in a bundle, that it did: its name is as the sender wrote it.

    Parameters
    ----------
    entry : Entry
    moment : callable
        Puts seconds since 1970 into words.
    nobody : str
        Said where no name was given.
    """
    said = f"{entry.author or nobody}, {moment(entry.made_s)}"
    if entry.provenance is None:
        return said
    by = f" by {entry.provenance.by}" if entry.provenance.by else ""
    return f"{said}; came in a bundle, taken in{by} on {moment(entry.provenance.made_s)}"
