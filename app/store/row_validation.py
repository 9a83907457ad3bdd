"""Rows of a database whose file may be damaged: SQLite gives whatever it finds in the place of a value."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Any

from sqlalchemy import Column, Row, Table

from strokecurve.app.store import schema
from strokecurve.app.store.database import RESTORE
from strokecurve.app.store.jobs import RunState
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import CLIP_NAME, RESULT_NAME
from strokecurve.app.words.statements import is_id


def damaged_list(what: str) -> StoreError:
    """What to say of a list of jobs that is not as strokecurve wrote it; ``what`` names the place."""
    return StoreError(
        f"The list of jobs is damaged: {what}.",
        f"{RESTORE}; clips and results are untouched.",
    )


def valid_row(table: Table, row: Row[Any]) -> Row[Any]:
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
    for name, kinds, fits in _expected(table):
        value = getattr(row, name)
        if not isinstance(value, kinds) or (fits is not None and value is not None and not fits(value)):
            raise damaged_list(f"{name} is wrong in a row of {table.name}")
    return row


def valid_rows(table: Table, rows: Iterable[Row[Any]]) -> Iterator[Row[Any]]:
    """The same for one row after the other."""
    return (valid_row(table, row) for row in rows)


@cache
def _expected(table: Table) -> tuple[tuple[str, tuple[type, ...], Callable[[Any], object] | None], ...]:
    """Name, kinds and form of every column; worked out once, as pages read the rows of a job all the time."""
    return tuple((column.name, _kinds(column), _form(column)) for column in table.columns)


def _kinds(column: Column[Any]) -> tuple[type, ...]:
    kind = column.type.python_type
    # SQLite may keep a whole number as such where a fraction would fit too.
    kinds = (float, int) if kind is float else (kind,)
    return (*kinds, type(None)) if column.nullable else kinds


def _form(column: Column[Any]) -> Callable[[Any], object] | None:
    """Says whether a text may stand in a column; None if any may."""
    if column is schema.run.c.state:
        return {state.value for state in RunState}.__contains__
    if column is schema.clip.c.file:
        return CLIP_NAME.fullmatch
    if column is schema.run_file.c.name:
        return RESULT_NAME.fullmatch
    return is_id if column.name == "id" or column.name.endswith("_id") else None
