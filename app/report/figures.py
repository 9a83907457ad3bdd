"""Figures of ``result.json`` in words, as the record prints them."""

from __future__ import annotations

import math

import pandas as pd

from strokecurve.app.report.cleaning import shortened
from strokecurve.app.report.comparing import Change
from strokecurve.app.result.reading import number
from strokecurve.app.words.estimates import NOT_AVAILABLE, SPACE, format_estimate, format_exact

NOT_SEEN = "not seen"
NOT_GIVEN = "not given"
KINDS = {
    "equal": "equal travel",
    "table": "a table typed in",
    "csv": "a table from a file",
    "readings": "worked out from combustion readings",
}
"""How an intended travel was given."""
PLOT_NAME_LENGTH = 24
"""A longer name of a shaft would push a plot's labels out of it."""


def said(value: object) -> str:
    """A text, or that there is none."""
    text = "" if value is None else str(value).strip()
    return text or NOT_AVAILABLE


def exact(value: object, unit: str = "", places: int = 1) -> str:
    """A figure without uncertainty."""
    known = number(value)
    return NOT_AVAILABLE if math.isnan(known) else format_exact(known, unit, places)


def cell(value: float, sd: float) -> str:
    """A measured figure in a table whose head has the unit; a gap is said."""
    return format_estimate(value, sd) if math.isfinite(value) else NOT_SEEN


def given(value: float) -> str:
    """Intended travel or tolerance in a table whose head has the unit."""
    return format_exact(value, places=2) if math.isfinite(value) else NOT_GIVEN


def deviation_cell(value: float, sd: float, tolerance: float) -> str:
    """A deviation, marked if it is beyond the tolerance."""
    mark = f"{SPACE}*" if math.isfinite(tolerance) and abs(value) > tolerance else ""
    return cell(value, sd) + mark


def for_plot(travel: pd.DataFrame, linkage: str) -> tuple[pd.DataFrame, str]:
    """Rows of one linkage under names short enough for a plot."""
    short = ":".join(shortened(name, PLOT_NAME_LENGTH) for name in linkage.split(":", 1))
    return travel[travel["linkage"] == linkage].assign(linkage=short), short


def change_row(change: Change, missing: str = NOT_AVAILABLE) -> tuple[str, ...]:
    """A change as a table row: words, as found, as left, difference, what to make of it.

    Parameters
    ----------
    change : Change
    missing : str
        What stands for a figure that a film does not give.
    """
    sure = {True: "changed", False: "within noise", None: ""}[change.sure]
    return (
        change.words,
        *(
            format_estimate(value, sd, change.unit) if math.isfinite(value) else missing
            for value, sd in ((change.found, change.found_sd), (change.left, change.left_sd))
        ),
        format_estimate(change.difference, change.difference_sd, change.unit),
        {True: "improved", False: "worse", None: sure}[change.better],
    )
