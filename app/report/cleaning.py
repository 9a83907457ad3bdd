"""Text of people made fit for print: it may hold anything."""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path

import matplotlib
from matplotlib.ft2font import FT2Font

ELLIPSIS = "…"
UNPRINTABLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that print nothing or turn the direction of what follows."""
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
NOT_IN_FONT = "\N{WHITE VERTICAL RECTANGLE}"


def printable(text: object, *, lines: bool = False) -> str:
    """Text on one line, or on several, in which every sign can be seen.

    Parameters
    ----------
    text : object
    lines : bool
        Keep line breaks.

    Returns
    -------
    str
        Tabs and line breaks as spaces; signs that print nothing (control characters, marks that turn the
        direction of writing) as the replacement character, so that they are noticed; signs that the fonts
        of the record lack as an empty box.
    """
    out = []
    for sign in str(text).replace("\r\n", "\n").replace("\r", "\n"):
        if sign == "\n" and lines:
            out.append(sign)
        elif sign in "\n\t":
            out.append(" ")
        elif unicodedata.category(sign) in UNPRINTABLE:
            out.append(REPLACEMENT)
        else:
            out.append(sign if ord(sign) in _in_fonts() else NOT_IN_FONT)
    return "".join(out)


@cache
def _in_fonts() -> frozenset[int]:
    """Code points that regular and bold type have."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    regular, bold = (FT2Font(folder / f"DejaVuSans{weight}.ttf").get_charmap() for weight in ("", "-Bold"))
    return frozenset(regular) & frozenset(bold)


def shortened(text: str, most: int) -> str:
    """Text of at most so many signs; the middle of a longer one is left out, both ends tell names apart."""
    if len(text) <= most:
        return text
    head = (most - 1) * 2 // 3
    return f"{text[:head]}{ELLIPSIS}{text[len(text) - (most - 1 - head) :]}"
