"""The only place where a number turns into text for people."""

from __future__ import annotations

import math

NOT_AVAILABLE = "not available"
NO_UNCERTAINTY = "uncertainty not available"
DIGITS_WITHOUT_SD = 3
"""Significant digits of a value whose uncertainty is not known."""
SPACE = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
SYMBOLS = {"deg": "°"}
"""Units written otherwise than they are named in files."""
_TENTHS_FROM_DEG = 0.05


def format_estimate(value: float | None, sd: float | None, unit: str = "") -> str:
    """A value with its standard deviation, both to the digits that mean something.

    Parameters
    ----------
    value : float or None
        None or NaN if there is no value.
    sd : float or None
        One standard deviation, at least 0; None or NaN if not known.
    unit : str
        ``deg``, ``mm``, ``%`` ...; empty for a pure number.

    Returns
    -------
    str
        ``80.1 ± 0.4 mm``, ``80.1 mm (uncertainty not available)`` or ``not available``.

    Raises
    ------
    ValueError
        If ``sd`` is negative.

    Notes
    -----
    Digits follow the rule of the Particle Data Group (Review of Particle Physics, Introduction, "Rounding"):
    the first three digits of the standard deviation between 100 and 354 leave two digits, 355 to 949 one,
    950 to 999 round up to 1000 and leave two. The value is rounded to the same place.
    """
    if value is None or not math.isfinite(value):
        return NOT_AVAILABLE
    if sd is None or math.isnan(sd):
        places = DIGITS_WITHOUT_SD - 1 - _exponent(value) if value else 0
        return f"{with_unit(fixed(value, places), unit)} ({NO_UNCERTAINTY})"
    if sd < 0:
        raise ValueError(f"sd is {sd}: expected 0 or more")
    if math.isinf(sd):
        return f"{NOT_AVAILABLE} (not determined)"
    places = 2 if sd == 0 else _places(sd)
    shown, spread = fixed(value, places), "0" if sd == 0 else fixed(sd, places)
    if SYMBOLS.get(unit) == "°":
        return f"{shown}°{SPACE}±{SPACE}{spread}°"
    return with_unit(f"{shown}{SPACE}±{SPACE}{spread}", unit)


def format_exact(value: float, unit: str = "", places: int = 1) -> str:
    """A number that is set, not measured (a step, a limit, a position): it has no uncertainty.

    Trailing zeros are dropped.
    """
    text = fixed(value, places)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return with_unit(text, unit)


def spelled_angle(value_deg: float, sd_deg: float) -> str:
    """An angle within a sentence: to hundredths of a degree, or to tenths where its deviation is larger.

    Sentences are read, not worked with: they give the last digit that is of use to a hand, and the table
    beside them has all that mean something.

    Examples
    --------
    >>> spelled_angle(2.0, 0.06)
    '2.0 degrees (standard deviation 0.1)'
    """
    places = 1 if sd_deg >= _TENTHS_FROM_DEG else 2
    return f"{fixed(value_deg, places)} degrees (standard deviation {fixed(sd_deg, places)})"


def fixed(value: float, places: int = 0) -> str:
    """A number with so many decimals; negative places round to tens or hundreds; never a negative zero."""
    rounded = round(value, places)
    text = f"{abs(rounded):.{max(places, 0)}f}"
    return f"{MINUS}{text}" if rounded < 0 and float(text) != 0 else text


def with_unit(text: str, unit: str) -> str:
    """Text followed by its unit, the degree sign close up, others after a space that does not break."""
    symbol = SYMBOLS.get(unit, unit)
    if not symbol:
        return text
    return f"{text}{'' if symbol == '°' else SPACE}{symbol}"


def _exponent(value: float) -> int:
    """Power of ten of the first digit."""
    return math.floor(math.log10(abs(value)))


def _places(sd: float) -> int:
    """Decimal places (negative: tens, hundreds) that a standard deviation leaves."""
    exponent = _exponent(sd)
    first_three = round(sd / 10.0 ** (exponent - 2))
    return (1 if first_three < 355 else 0) - exponent
