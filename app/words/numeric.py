"""Numbers in files that people and programs have written."""

from __future__ import annotations

import math


def finite(value: object) -> float | None:
    """A number of a file as a float; None if it is none, is not finite or is too large for one.

    >>> finite(3), finite(True), finite("3"), finite(10**400)
    (3.0, None, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
