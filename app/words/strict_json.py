"""JSON without what the format leaves open."""

from __future__ import annotations

import json
import math
from typing import Any

from strokecurve.app.words.checks import refuse


def strict_json(text: str | bytes, name: str) -> Any:
    """Read JSON, refusing what the format leaves open: repeated names, NaN, endless nesting.

    Parameters
    ----------
    text : str or bytes
    name : str
        What to call it in messages.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        return json.loads(text, object_pairs_hook=_once, parse_constant=_no_number, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise refuse(f"The {name} is damaged: it is not valid JSON.", "Make or send it again.") from error


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name is repeated")
    return found


def _no_number(sign: str) -> float:
    raise ValueError(f"{sign} is no number")


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError("a number is too large")
    return value
