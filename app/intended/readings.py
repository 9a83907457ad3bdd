"""Combustion readings and fuels as people give them: a CSV file, a name, or a composition file."""

from __future__ import annotations

import csv
import io
import math
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from reprlib import repr as shown
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.words.errors import InputError
from strokecurve.app.words.numeric import finite
from strokecurve.app.words.statements import Readings
from strokecurve.kinematics.intended.fuels import FUELS, Fuel

Array = NDArray[np.float64]

REQUIRED = ("driver_deg", "fuel_rate", "o2_dry_pct", "target_o2_dry_pct")
OPTIONAL = (
    "driven_deg",
    "co_ppm",
    "co2_dry_pct",
    "stack_c",
    "ambient_c",
    "o2_sd_pct",
    "fuel_rate_sd",
    "driven_sd_deg",
)
NEVER_EMPTY = ("driver_deg", "fuel_rate", "o2_dry_pct")
FUEL_WORDS = {"natural_gas": "natural gas", "propane": "propane", "light_oil": "light oil"}
"""Names of the known fuels for people."""
APPROACH_WORDS = {"either": "from either side", "opening": "while opening", "closing": "while closing"}
"""From which side the positions were approached, for people."""
_FUELS_CALLED = {
    "natural_gas": ("natural gas",),
    "propane": ("propane",),
    "light_oil": ("light oil", "light fuel oil", "light heating oil"),
}
"""What people write who mean one of the known fuels and no other."""
LARGEST_BYTES = 1_000_000
"""Readings have some ten lines; anything near this size is another file."""
FORMAT_HINT = f"Give a CSV file with the columns {', '.join(REQUIRED)}, one firing position a line."
_COMPOSITION_HINT = (
    "Give natural_gas, propane, light_oil, or a TOML file with a table [gas] of volume shares, "
    'such as "CH4 = 0.93", or [mass] of mass shares.'
)


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """A table of readings in the units of its file, by rising driver travel; NaN in an empty cell.

    Attributes
    ----------
    columns : tuple of str
        As they were given.
    values : ndarray, shape (N, number of columns)
    """

    columns: tuple[str, ...]
    values: Array

    def column(self, name: str) -> Array:
        """A column, all NaN if it was not given; shape (N,)."""
        if name not in self.columns:
            return np.full(self.values.shape[0], np.nan)
        return self.values[:, self.columns.index(name)]


def readings_from_csv(content: bytes) -> ReadingTable:
    """Read a table of readings.

    Semicolons with decimal commas, as office programs of many countries write them, are understood too.

    Parameters
    ----------
    content : bytes
        The file.

    Returns
    -------
    ReadingTable

    Raises
    ------
    InputError
        Says which line or column cannot be used.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("The readings are not a text file.", FORMAT_HINT) from error
    if "\0" in text:
        raise InputError("The readings are not a text file.", FORMAT_HINT)
    head = text.partition("\n")[0]
    try:
        lines = list(csv.reader(io.StringIO(text), delimiter=";" if ";" in head else ","))
    except csv.Error as error:
        raise InputError("The readings cannot be read as a table.", FORMAT_HINT) from error
    columns = tuple(name.strip() for name in lines[0]) if lines else ()
    _check_columns(columns)
    rows = [
        _row(cells, columns, number)
        for number, cells in enumerate(lines[1:], start=2)
        if any(cell.strip() for cell in cells)
    ]
    if not rows:
        raise InputError("The readings have no row with figures.", FORMAT_HINT)
    values = np.array(rows, dtype=float).reshape(-1, len(columns))
    driver = values[:, columns.index("driver_deg")]
    if driver.size > 1 and np.all(np.diff(driver) <= 0):
        values = values[::-1]
    return ReadingTable(columns, values.copy())


def _check_columns(columns: tuple[str, ...]) -> None:
    missing = [name for name in REQUIRED if name not in columns]
    if missing:
        raise InputError(f"The readings have no column {' and no column '.join(missing)}.", FORMAT_HINT)
    for name in columns:
        if name not in (*REQUIRED, *OPTIONAL):
            raise InputError(
                f"The readings have a column {name[:40]!r} that is not known.",
                f"Besides the four required, known are {', '.join(OPTIONAL)}.",
            )
        if columns.count(name) > 1:
            raise InputError(f"The readings have the column {name} twice.", "Keep one of them.")


def _row(cells: list[str], columns: tuple[str, ...], number: int) -> list[float]:
    extra = cells[len(columns) :]
    if any(cell.strip() for cell in extra):
        raise InputError(
            f"Line {number} of the readings has more cells than there are columns.",
            "Write decimal points, or put semicolons between cells if you write decimal commas.",
        )
    padded = cells[: len(columns)] + [""] * (len(columns) - len(cells))
    return [_number(cell, name, number) for cell, name in zip(padded, columns, strict=True)]


def _number(cell: str, column: str, line: int) -> float:
    text = cell.strip()
    if not text:
        if column in NEVER_EMPTY:
            raise InputError(
                f"In line {line} of the readings {column} is empty.",
                "Fill it in, or leave the whole line out.",
            )
        return math.nan
    try:
        value = float(text.replace(",", "."))
    except ValueError as error:
        raise InputError(
            f"In line {line} of the readings {column} is {text[:40]!r}, not a number.",
            "Write plain numbers without units, for example 3.5.",
        ) from error
    if not math.isfinite(value):
        raise InputError(
            f"In line {line} of the readings {column} is {text[:40]!r}.", "Write a number or leave it empty."
        )
    if column.endswith(("_sd_pct", "_sd_deg", "_sd")) and value <= 0:
        raise InputError(
            f"In line {line} of the readings {column} is {value:g}.",
            "A standard deviation is above 0; leave it empty if it is not known.",
        )
    if column.endswith("_deg") and abs(value) > 360:
        raise InputError(f"In line {line} of the readings {column} is {value:g}.", "Give degrees of travel.")
    return value


def read_readings(path: Path) -> ReadingTable:
    """Read a table of readings from a file.

    Raises
    ------
    InputError
        If it cannot be read or used.
    """
    return readings_from_csv(_content(path, "readings", FORMAT_HINT))


def _content(path: Path, what: str, hint: str) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError(f"{path.name} is too large for {what}.", hint)
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The {what} {path.name} cannot be read: {error.strerror or 'it failed'}.",
            "Check its name and folder.",
        ) from error


def recorded(content: bytes) -> Readings:
    """A table of readings as it goes on record: the text as it was given, and what was understood.

    Raises
    ------
    InputError
        As of `readings_from_csv`.
    """
    table = readings_from_csv(content)
    rows = tuple(tuple(None if math.isnan(cell) else cell for cell in row) for row in table.values.tolist())
    return Readings(content.decode("utf-8-sig"), table.columns, rows)


def find_fuel(named: str) -> Fuel:
    """A fuel by its name or from a composition file.

    Parameters
    ----------
    named : str
        ``natural_gas``, ``propane``, ``light_oil``, or the path of a TOML file.

    Returns
    -------
    Fuel

    Raises
    ------
    InputError, KinematicsError
        If there is no such fuel, or its composition cannot be used.
    """
    known = named.strip().lower().replace("-", "_").replace(" ", "_")
    if known in FUELS:
        return FUELS[known]
    path = Path(named)
    if not path.is_file():
        raise InputError(f"The fuel {named[:80]!r} is neither known nor a file.", _COMPOSITION_HINT)
    return fuel_from_toml(_content(path, "composition", _COMPOSITION_HINT), path.stem)


def fuel_meant(said: str | None) -> str | None:
    """Which of the known fuels a job's fuel, as people wrote it, means.

    Parameters
    ----------
    said : str or None

    Returns
    -------
    str or None
        A name of ``FUELS``; None where nothing was said, or it could be another fuel or more than one.
    """
    text = " ".join(re.findall(r"[^\W_]+", (said or "").casefold()))
    meant = [name for name, called in _FUELS_CALLED.items() if text in called]
    return meant[0] if meant else None


def fuel_from_toml(content: bytes, name: str) -> Fuel:
    """A fuel from the text of a composition file.

    Parameters
    ----------
    content : bytes
    name : str
        Name of the fuel if the file gives none.

    Returns
    -------
    Fuel

    Raises
    ------
    InputError, KinematicsError
        If the composition cannot be used.
    """
    try:
        found = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"The composition of {name} is not a TOML file.", _COMPOSITION_HINT) from error
    unknown = sorted(set(found) - {"name", "gas", "mass", "gross_mj_kg"})
    if unknown:
        raise InputError(
            f"The composition has a key {shown(unknown[0])} that is not known.", _COMPOSITION_HINT
        )
    if ("gas" in found) == ("mass" in found):
        raise InputError("The composition needs either a table [gas] or a table [mass].", _COMPOSITION_HINT)
    called = found.get("name", name)
    if not isinstance(called, str) or not called.strip() or not called.isprintable() or len(called) > 80:
        raise InputError("The name of the fuel is not a short text.", 'Write it as name = "digester gas".')
    if "gas" in found:
        if "gross_mj_kg" in found:
            raise InputError(
                "gross_mj_kg does not belong to a [gas].", "Leave it out: it follows from the species."
            )
        return Fuel.from_gases(called, _shares(found["gas"]))
    value = found.get("gross_mj_kg")
    return Fuel.from_mass(
        called, _shares(found["mass"]), None if value is None else _plain(value, "gross_mj_kg")
    )


def _shares(table: Any) -> dict[str, float]:
    if not isinstance(table, dict) or not table:
        raise InputError("The composition is empty or no table.", _COMPOSITION_HINT)
    return {part: _plain(share, part) for part, share in table.items()}


def _plain(value: Any, name: str) -> float:
    number = finite(value)
    if number is None:
        raise InputError(f"{name} in the composition is not a number.", _COMPOSITION_HINT)
    return number
