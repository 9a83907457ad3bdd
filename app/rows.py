"""Rows of a database whose file may be damaged: SQLite gives whatever it finds in the place of a value."""

from __future__ import annotations

import re
from typing import Any

from sqlalchemy import Column, Row, Table

from app import schema
from app.database import RESTORE
from app.errors import StoreError
from app.files import RESULT_NAME
from app.jobs import RunState
from app.record import is_id

_CLIP_NAME = re.compile(r"[0-9a-f]{12,64}\.(?:mp4|mov)")


def damaged_list(what: str) -> StoreError:
    """What to say of a list of jobs that is not as strokecurve wrote it; ``what`` names the place."""
    return StoreError(
        f"The list of jobs is damaged: {what}.",
        f"{RESTORE}; clips and results are untouched.",
    )


def sound(table: Table, row: Row[Any]) -> Row[Any]:
    """A row, if every value is of its column's kind, and every id and file name of the form we give them.

    Files are found, copied and removed by these names.

    Parameters
    ----------
    table : Table
        Its columns say what is expected.
    row : Row
        With a value for each of these columns.

    Raises
    ------
    StoreError
        If a value is missing, of another kind or of another form.
    """
    for column in table.columns:
        value = getattr(row, column.name)
        if not ((value is None and column.nullable) or _fits(column, value)):
            raise damaged_list(f"{column.name} is wrong in a row of {table.name}")
    return row


def _fits(column: Column[Any], value: object) -> bool:
    kind = column.type.python_type
    # SQLite may keep a whole number as such where a fraction would fit too.
    if not isinstance(value, (int, float) if kind is float else kind):
        return False
    if column is schema.run.c.state:
        return value in {state.value for state in RunState}
    if column is schema.clip.c.file:
        return _CLIP_NAME.fullmatch(str(value)) is not None
    if column is schema.run_file.c.name:
        return RESULT_NAME.fullmatch(str(value)) is not None
    return is_id(value) if column.name == "id" or column.name.endswith("_id") else True
