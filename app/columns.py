"""Tables of a result as files: plain columns, because loading a table library would slow each measurement."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Column = Sequence[str] | NDArray[np.float64]


def write_columns(path: Path, columns: Mapping[str, Column]) -> None:
    """Write a CSV file with a head line; NaN becomes an empty field.

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
        writer.writerow(columns)
        writer.writerows(zip(*texts, strict=True))


def _texts(column: Column) -> list[str]:
    if isinstance(column, np.ndarray):
        return ["" if math.isnan(value) else repr(value) for value in column.tolist()]
    return list(column)
