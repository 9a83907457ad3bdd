"""Intended travel as people give it: equal travel, a table typed in, or a CSV file."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import IntendedChoice
from strokecurve.kinematics.intended.equal import equal_travel
from strokecurve.kinematics.intended.table import Intended

CSV_COLUMNS = ("driver_deg", "driven_deg", "tolerance_deg")
FORMAT_HINT = (
    "Give a CSV file with the columns driver_deg and driven_deg, and tolerance_deg if you like, "
    "one position a line, in degrees from low fire."
)
Row = tuple[float, float, float | None]


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far one pass is from the intended travel.

    Attributes
    ----------
    max_deg : float
        Measured minus intended where its size is largest.
    max_sd_deg : float
        Standard deviation of the travel measured there.
    at_driver_deg : float
        Driver travel there.
    rms_deg : float
        Root mean square over all positions that are both measured and intended.
    rms_sd_deg : float
        Its standard deviation, if the errors of all positions move together: the cautious case.
    positions : int
        Number of these.
    """

    max_deg: float
    max_sd_deg: float
    at_driver_deg: float
    rms_deg: float
    rms_sd_deg: float
    positions: int


def rows_from_csv(content: bytes) -> tuple[Row, ...]:
    """Read ``intended.csv``.

    Semicolons with decimal commas, as office programs of many countries write them, are understood too.

    Parameters
    ----------
    content : bytes
        The file.

    Returns
    -------
    tuple of (driver_deg, driven_deg, tolerance_deg or None)

    Raises
    ------
    InputError
        Says which line or column cannot be used.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("The intended travel is not a text file.", FORMAT_HINT) from error
    lines = text.splitlines()
    office = bool(lines) and ";" in lines[0]
    try:
        table = pd.read_csv(io.StringIO(text), sep=";" if office else ",", dtype=str, skipinitialspace=True)
    except ValueError as error:
        raise InputError("The intended travel cannot be read as a table.", FORMAT_HINT) from error
    table.columns = [str(name).strip() for name in table.columns]
    missing = [name for name in CSV_COLUMNS[:2] if name not in table.columns]
    if missing:
        raise InputError(f"The intended travel has no column {' and no column '.join(missing)}.", FORMAT_HINT)
    unknown = [name for name in table.columns if name not in CSV_COLUMNS]
    if unknown:
        raise InputError(f"The intended travel has a column {unknown[0]!r} that is not known.", FORMAT_HINT)
    return rows_from_cells(table, "line", first=2)


def rows_from_cells(table: pd.DataFrame, counted: str, first: int) -> tuple[Row, ...]:
    """Rows of a table of texts, as typed or read; a decimal comma is as good as a point.

    Parameters
    ----------
    table : DataFrame of str
        Columns ``driver_deg``, ``driven_deg``, perhaps ``tolerance_deg``.
    counted : str
        What the person calls a row.
    first : int
        Number of the first row for the person.

    Returns
    -------
    tuple of (driver_deg, driven_deg, tolerance_deg or None)

    Raises
    ------
    InputError, KinematicsError
        As of ``checked_rows``, and for a cell that is no number.
    """
    numbers = {
        name: [_number(cell, name, f"{counted} {n}") for n, cell in enumerate(table[name], start=first)]
        for name in table.columns
    }
    tolerance = numbers.get("tolerance_deg", [None] * len(table))
    return checked_rows(zip(numbers["driver_deg"], numbers["driven_deg"], tolerance, strict=True))


def _number(cell: object, column: str, place: str) -> float | None:
    """One cell as a number; None if it is empty."""
    if pd.isna(cell) or not str(cell).strip():
        return None
    try:
        return float(str(cell).replace(",", "."))
    except ValueError as error:
        raise InputError(
            f"In {place} of the intended travel {column} is {str(cell)!r}, not a number.",
            "Write degrees as a number, for example 51.5.",
        ) from error


def checked_rows(rows: Iterable[tuple[float | None, float | None, float | None]]) -> tuple[Row, ...]:
    """Rows that can be used, by rising driver travel; rows without driven travel are left out.

    Raises
    ------
    InputError
        If a row has driven travel but no driver travel.
    KinematicsError
        If the rows make no table: too few, a driver travel twice, numbers out of range.
    """
    kept: list[Row] = []
    for driver, driven, tolerance in rows:
        if driven is None or math.isnan(driven):
            continue
        if driver is None or math.isnan(driver):
            raise InputError(
                "A row of the intended travel has no driver travel.", "Fill it in or empty the whole row."
            )
        spread = None if tolerance is None or math.isnan(tolerance) else float(tolerance)
        kept.append((float(driver), float(driven), spread))
    kept.sort(key=lambda row: row[0])
    _table(kept)
    return tuple(kept)


def _table(rows: Sequence[Row]) -> Intended:
    """Rows as the table that is computed with; raises ``KinematicsError`` if they make none."""
    columns = np.radians(np.array(rows, dtype=float).reshape(-1, 3))
    return Intended.from_table(*columns.T)


def intended_travel(
    choice: IntendedChoice, driver_deg: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Intended driven travel and tolerance at given driver travels.

    Parameters
    ----------
    choice : IntendedChoice
        Equal travel or a table.
    driver_deg : ndarray, shape (n,)

    Returns
    -------
    driven_deg, tolerance_deg : ndarray, shape (n,)
        NaN outside a table and where no tolerance is given.
    """
    wanted = equal_travel(2 * np.pi) if choice.kind == "equal" else _table(choice.rows)
    driver = np.radians(driver_deg)
    return np.degrees(wanted.driven_at(driver)), np.degrees(wanted.tolerance_at(driver))


def deviation(measured: pd.DataFrame, choice: IntendedChoice) -> Deviation | None:
    """Compare one pass with the intended travel.

    Parameters
    ----------
    measured : DataFrame
        Rows of one pass of ``travel.csv``.
    choice : IntendedChoice

    Returns
    -------
    Deviation or None
        None if no position is both measured and intended.
    """
    driver = measured["driver_deg"].to_numpy(float)
    wanted, _ = intended_travel(choice, driver)
    off = measured["driven_deg"].to_numpy(float) - wanted
    known = np.isfinite(off)
    if not known.any():
        return None
    sd = measured["sd_deg"].to_numpy(float)
    rms = float(np.sqrt(np.mean(off[known] ** 2)))
    # d(rms)/d(off) is off / (n rms); neighbouring positions share frames, so their errors are taken as one.
    rms_sd = float(np.mean(np.abs(off[known]) * sd[known]) / rms) if rms > 0 else float(np.mean(sd[known]))
    worst = int(np.nanargmax(np.abs(off)))
    return Deviation(
        max_deg=float(off[worst]),
        max_sd_deg=float(sd[worst]),
        at_driver_deg=float(driver[worst]),
        rms_deg=rms,
        rms_sd_deg=rms_sd,
        positions=int(known.sum()),
    )
