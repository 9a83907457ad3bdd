"""Tables of a result as files: plain columns, because loading a table library would slow each measurement."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Column = Sequence[str] | NDArray[np.float64]


_FORMULA = re.compile(r"(?:^|[\t\r\n;,|])\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|^[\t\r\n]")
"""What office programs work out when they open a table, also where they divide it at other signs than we do;
they take the wide signs of Chinese and Japanese text for the same."""
_DIVIDING = re.compile(r"[\s;,|]+")
"""Signs at which some program divides a line."""


def is_formula(text: str) -> bool:
    """Whether an office program could take a text of a table for a formula; numbers are none."""
    try:
        float(text)
    except ValueError:
        return _FORMULA.search(text) is not None
    return False


def is_formula_name(name: str) -> bool:
    """Whether a shaft's name could be taken for a formula, also before others: ``-1:shaft1`` is no number."""
    return is_formula(f"{name}:")


def guarded(text: str) -> str:
    """A text as tables hold it: what would be taken for a formula is marked as text by an apostrophe."""
    if not is_formula(text):
        return text
    text = _DIVIDING.sub(" ", text)
    return f"'{text}" if is_formula(text) else text


def guarded_table(content: bytes) -> bytes | None:
    """A table from elsewhere, whose names may not be marked, as it goes out; None if just as it is.

    Parameters
    ----------
    content : bytes
        CSV.
    """
    try:
        rows = list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))
    except (UnicodeDecodeError, csv.Error):
        return None  # it is damaged, which whoever reads it is told
    if not any(is_formula(cell) for row in rows for cell in row):
        return None
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([guarded(cell) for cell in row] for row in rows)
    return out.getvalue().encode("utf-8")


def write_columns(path: Path, columns: Mapping[str, Column]) -> None:
    """Write a CSV file with a head line; NaN becomes an empty field, and formulas are marked as text.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    columns : mapping of str to sequence of str or ndarray, shape (N,)
        All equally long.

    Raises
    ------
    ValueError
        If the columns differ in length.
    """
    texts = [_texts(column) for column in columns.values()]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(map(guarded, columns))
        writer.writerows(zip(*texts, strict=True))


def _texts(column: Column) -> list[str]:
    if isinstance(column, np.ndarray):
        return ["" if math.isnan(value) else repr(value) for value in column.tolist()]
    return list(map(guarded, column))
