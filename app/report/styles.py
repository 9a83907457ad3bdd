"""The grid, inks and type of the record, in one place."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Paragraph

from strokecurve.app.report.cleaning import printable
from strokecurve.app.report.sheet import BOLD, REGULAR, register_fonts

MONO = "strokecurve-mono"
LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM = 22.0, 15.0, 20.0, 18.0
"""The left margin is the widest: records are punched and filed."""
GUTTER_MM = 5.0
FACT_NAME_MM = 40.0
SEVERITY_MM = 24.0
PICTURE_MM, UPRIGHT_MM = 64.0, 110.0
"""Height of a photograph: three stand on a page of either size with their captions, upright ones in a row."""
WHOLE_TABLE_MM = 90.0
"""A table up to this height is not broken across pages."""
LEAST_TABLE_MM, LEAST_TEXT_MM, MOST_KEPT_MM = 30.0, 16.0, 225.0
"""Room below a heading for the head and some rows of a longer table, for three lines; a page's room."""
INK, GREY, RULE, LIGHT = (HexColor(c) for c in ("#111111", "#4d4d4d", "#8c8c8c", "#cfcfcf"))
SEVERITY_SIGNS = {"danger": "▲ DANGER", "caution": "● CAUTION", "note": "○ NOTE"}
SEVERITY_INKS = {"danger": HexColor("#9e1b1b"), "caution": HexColor("#8a4b00"), "note": INK}
"""Dark enough to read when printed in black; sign and word tell them apart without colour."""


def _style(name: str, size: float, leading: float, font: str = REGULAR, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(
        name,
        fontName=font,
        fontSize=size,
        leading=leading,
        textColor=more.pop("textColor", INK),
        bulletFontName=more.pop("bulletFontName", REGULAR),
        bulletFontSize=more.pop("bulletFontSize", size),
        splitLongWords=1,
        allowWidows=0,
        allowOrphans=0,
        **more,
    )


STYLES = {
    style.name: style
    for style in (
        _style("title", 16, 20, BOLD),
        _style("subtitle", 9.5, 13, textColor=GREY, spaceAfter=2 * mm),
        _style("heading", 12, 15, BOLD, spaceBefore=5 * mm, spaceAfter=1.6 * mm),
        _style("subheading", 9.2, 12, BOLD, spaceBefore=3 * mm, spaceAfter=1 * mm),
        _style("body", 8.6, 11.8, spaceAfter=1.2 * mm),
        _style("strong", 8.6, 11.8, BOLD, spaceAfter=1.2 * mm),
        _style("small", 7.2, 9.6, textColor=GREY, spaceAfter=1.2 * mm),
        _style("bullet", 8.6, 11.8, leftIndent=4 * mm, spaceAfter=0.5 * mm),
        _style("numbered", 8.6, 11.8, leftIndent=6.5 * mm, spaceAfter=0.5 * mm),
        _style("boxed", 7.9, 10.2, leftIndent=4 * mm, bulletFontSize=6),
        _style("cell", 7.7, 10),
        _style("figure", 7.5, 10, alignment=TA_RIGHT),
        _style("head", 7.4, 9.4, BOLD),
        _style("figure-head", 7.4, 9.4, BOLD, alignment=TA_RIGHT),
        _style("name", 7.7, 10, textColor=GREY),
        _style("mono", 6.8, 10, MONO),
        _style("finding", 8.6, 11.8, leftIndent=SEVERITY_MM * mm),
        _style("finding-head", 8.6, 11.8, BOLD, leftIndent=SEVERITY_MM * mm, bulletFontName=BOLD),
    )
}


def paragraph(words: object, style: str, **more: Any) -> Paragraph:
    """A paragraph of plain text; what looks like mark-up is text, too.

    Parameters
    ----------
    words : object
    style : str
        Name in ``STYLES``.
    **more
        Of the library: ``bulletText``.
    """
    marked = escape(printable(words, lines=True)).replace("\n", "<br/>")
    return Paragraph(marked, STYLES[style], encoding="utf-8", **more)


def register() -> None:
    """Make all fonts of the record known."""
    register_fonts()
    if MONO not in pdfmetrics.getRegisteredFontNames():
        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        pdfmetrics.registerFont(TTFont(MONO, str(folder / "DejaVuSansMono.ttf")))
