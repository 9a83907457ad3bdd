"""Sets a document on A4 or Letter: one grid, embedded fonts, running head, page numbers."""

from __future__ import annotations

import io
import os
import tempfile
from functools import singledispatch
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
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    HRFlowable,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as Grid

from app.cautions import CAUTIONS
from app.errors import InputError
from app.report.blocks import (
    Block,
    Bullets,
    Document,
    Facts,
    Notice,
    Photographs,
    Plots,
    SignatureLines,
    Statement,
    Subheading,
    Table,
    Text,
)
from app.report.cleaning import ELLIPSIS, printable
from app.report.vector import VectorPlot
from app.sheet_pdf import BOLD, REGULAR, register_fonts
from vision.sheet import PAPERS_WH_MM

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


def _paragraph(words: object, style: str, **more: Any) -> Paragraph:
    """A paragraph of plain text; what looks like mark-up is text, too."""
    marked = escape(printable(words, lines=True)).replace("\n", "<br/>")
    return Paragraph(marked, STYLES[style], encoding="utf-8", **more)


class _NumberedCanvas(Canvas):  # type: ignore[misc]  # the library has no types
    """Keeps every page until the last, so that each can say how many there are."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._kept: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802  # name of the library
        self._kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for kept in self._kept:
            self.__dict__.update(kept)
            self.setFont(REGULAR, 7.2)
            self.setFillColor(GREY)
            self.drawRightString(
                self._pagesize[0] - RIGHT_MM * mm,
                10 * mm,
                f"page {self._pageNumber} of {len(self._kept)}",
            )
            super().showPage()
        super().save()


class _Template(BaseDocTemplate):  # type: ignore[misc]  # the library has no types
    """Our page with its head and foot; headings become bookmarks."""

    def __init__(self, target: io.BytesIO, size_wh_mm: tuple[float, float], document: Document) -> None:
        width, height = (v * mm for v in size_wh_mm)
        super().__init__(
            target,
            pagesize=(width, height),
            title=printable(document.title),
            subject=printable(document.subtitle),
            author="strokecurve",
            creator="strokecurve",
            lang="en",
            initialFontName=REGULAR,
        )
        self.running = printable(document.running)
        self.text_width = width - (LEFT_MM + RIGHT_MM) * mm
        frame = Frame(
            LEFT_MM * mm,
            BOTTOM_MM * mm,
            self.text_width,
            height - (TOP_MM + BOTTOM_MM) * mm,
            leftPadding=0,
            rightPadding=0,
            topPadding=0,
            bottomPadding=0,
        )
        self.addPageTemplates([PageTemplate("page", [frame], onPage=self._furniture)])
        self._headings = 0

    def _furniture(self, canvas: Canvas, _template: BaseDocTemplate) -> None:
        width, height = canvas._pagesize
        canvas.saveState()
        canvas.setFont(REGULAR, 7.2)
        canvas.setFillColor(GREY)
        if canvas.getPageNumber() > 1:
            line = _fitted(self.running, self.text_width, 7.2)
            canvas.drawString(LEFT_MM * mm, height - 12 * mm, line)
            canvas.setStrokeColor(LIGHT)
            canvas.setLineWidth(0.5)
            canvas.line(LEFT_MM * mm, height - 14 * mm, width - RIGHT_MM * mm, height - 14 * mm)
        canvas.drawString(LEFT_MM * mm, 10 * mm, CAUTIONS[-1])
        canvas.restoreState()

    def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802  # name of the library
        """Bookmark each heading."""
        if isinstance(flowable, Paragraph) and flowable.style.name == "heading":
            self._headings += 1
            key = f"section-{self._headings}"
            self.canv.bookmarkPage(key)
            self.canv.addOutlineEntry(flowable.getPlainText(), key, 0)


def _fitted(words: str, width_pt: float, size: float) -> str:
    """Words cut at their end so that they fit a line."""
    if pdfmetrics.stringWidth(words, REGULAR, size) <= width_pt:
        return words
    while words and pdfmetrics.stringWidth(words + ELLIPSIS, REGULAR, size) > width_pt:
        words = words[:-1]
    return words + ELLIPSIS


@singledispatch
def _flowables(block: Block, width: float) -> list[Flowable]:
    """What a block becomes on the page."""
    raise TypeError(f"no way to set a {type(block).__name__}")


@_flowables.register
def _(block: Text, width: float) -> list[Flowable]:
    return [_paragraph(block.words, block.style)]


@_flowables.register
def _(block: Subheading, width: float) -> list[Flowable]:
    return [_paragraph(block.words, "subheading")]


@_flowables.register
def _(block: Bullets, width: float) -> list[Flowable]:
    return [_paragraph(item, "bullet", bulletText="•") for item in block.items] + [Spacer(0, 1 * mm)]


@_flowables.register
def _(block: Notice, width: float) -> list[Flowable]:
    items = ([_paragraph(item, "boxed", bulletText="■")] for item in block.items)
    rows = [[_paragraph(block.title, "strong")], *items]
    grid = Grid(rows, colWidths=[width])
    grid.setStyle(
        [
            _OUR_FONT,
            ("BOX", (0, 0), (-1, -1), 1.2, INK),
            ("LEFTPADDING", (0, 0), (-1, -1), 3 * mm),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3 * mm),
            ("TOPPADDING", (0, 0), (-1, -1), 0.7 * mm),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0.3 * mm),
            ("TOPPADDING", (0, 0), (-1, 0), 1.8 * mm),
            ("BOTTOMPADDING", (0, -1), (-1, -1), 2 * mm),
        ]
    )
    return [grid, Spacer(0, 2 * mm)]


@_flowables.register
def _(block: Facts, width: float) -> list[Flowable]:
    if not block.rows:
        return []
    rows = [
        [_paragraph(name, "name"), *(_paragraph(v, "mono" if name in block.mono else "cell") for v in values)]
        for name, *values in block.rows
    ]
    each = (width - FACT_NAME_MM * mm) / (len(block.rows[0]) - 1)
    head = [[_paragraph(words, "head") for words in block.head]] if block.head else []
    columns = [FACT_NAME_MM * mm, *([each] * (len(block.rows[0]) - 1))]
    grid = Grid([*head, *rows], colWidths=columns, repeatRows=len(head), splitInRow=1)
    grid.setStyle([*_ROWS, ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK)] if head else _ROWS)
    return [grid, Spacer(0, 2 * mm)]


_OUR_FONT = ("FONTNAME", (0, 0), (-1, -1), REGULAR)
"""Empty cells, too, would otherwise name a font that is not embedded."""
_ROWS: list[tuple[Any, ...]] = [
    _OUR_FONT,
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-2, -1), 2.5 * mm),
    ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0.7 * mm),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 0.8 * mm),
    ("LINEBELOW", (0, 0), (-1, -1), 0.3, LIGHT),
]


@_flowables.register
def _(block: Table, width: float) -> list[Flowable]:
    def row(cells: tuple[str, ...], words: str, figures: str) -> list[Paragraph]:
        return [_paragraph(cell, words if n in block.words else figures) for n, cell in enumerate(cells)]

    rows = [row(block.head, "head", "figure-head"), *(row(cells, "cell", "figure") for cells in block.rows)]
    unit = block.share * width / sum(block.widths)
    grid = Grid(rows, colWidths=[w * unit for w in block.widths], repeatRows=1, splitInRow=1, hAlign="LEFT")
    # No row stands alone below a head or above the end of the table.
    ends = [] if len(rows) < 4 else [("NOSPLIT", (0, 0), (-1, 2)), ("NOSPLIT", (0, -2), (-1, -1))]
    grid.setStyle(
        [
            *_ROWS,
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            # Words after a column of figures stand clear of them.
            *(("LEFTPADDING", (n, 0), (n, -1), 3 * mm) for n in block.words if n > 0),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, INK),
            ("LINEBELOW", (0, -1), (-1, -1), 0.6, RULE),
            *ends,
        ]
    )
    above = [_paragraph(block.caption, "small")] if block.caption else []
    return [*above, grid, Spacer(0, 2.5 * mm)]


@_flowables.register
def _(block: Statement, width: float) -> list[Flowable]:
    ink = SEVERITY_INKS[block.severity].hexval().replace("0x", "#")
    head = f"{block.where}: {block.figure}" if block.figure else block.where
    sign = f'<font color="{ink}">{SEVERITY_SIGNS[block.severity]}</font>'
    marked = f"<bullet>{sign}</bullet>{escape(printable(head))}"
    parts = [
        HRFlowable(width="100%", thickness=0.3, color=LIGHT, spaceBefore=0.6 * mm, spaceAfter=1 * mm),
        Paragraph(marked, STYLES["finding-head"]),
        _paragraph(block.text, "finding"),
    ]
    if block.advice:
        parts.append(_paragraph(f"What to do: {block.advice}", "finding"))
    return [KeepTogether(parts), Spacer(0, 0.8 * mm)]


@_flowables.register
def _(block: Plots, width: float) -> list[Flowable]:
    gutter = GUTTER_MM * mm
    each = (width - gutter * (len(block.figures) - 1)) / len(block.figures)
    cells: list[Any] = []
    columns: list[float] = []
    for number, figure in enumerate(block.figures):
        cells += ([""] if number else []) + [VectorPlot(figure, each)]
        columns += ([gutter] if number else []) + [each]
    grid = Grid([cells], colWidths=columns)
    grid.setStyle(
        [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
        + [_OUR_FONT, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    )
    below = [_paragraph(block.caption, "small")] if block.caption else []
    return [KeepTogether([grid, Spacer(0, 1 * mm), *below, Spacer(0, 1 * mm)])]


@_flowables.register
def _(block: Photographs, width: float) -> list[Flowable]:
    upright = all(p.size_wh_px[1] > p.size_wh_px[0] for p in block.pictures)
    columns = len(block.pictures) if upright else 1
    each = (width - GUTTER_MM * mm * (columns - 1)) / max(columns, 1)
    set_ones = []
    for picture in block.pictures:
        shape = picture.size_wh_px[1] / picture.size_wh_px[0]
        wide = min(each, (UPRIGHT_MM if upright else PICTURE_MM) * mm / shape)
        set_ones.append(
            [
                Image(io.BytesIO(picture.jpeg), wide, wide * shape, hAlign="LEFT"),
                Spacer(0, 1 * mm),
                _paragraph(picture.caption, "small"),
            ]
        )
    if columns == 1:
        return [KeepTogether([part for parts in set_ones for part in [*parts, Spacer(0, 1 * mm)]])]
    grid = Grid([set_ones], colWidths=[width / columns] * columns)
    grid.setStyle([_OUR_FONT, ("LEFTPADDING", (0, 0), (-1, -1), 0), ("VALIGN", (0, 0), (-1, -1), "TOP")])
    return [grid]


@_flowables.register
def _(block: SignatureLines, width: float) -> list[Flowable]:
    head = [_paragraph(words, "head") for words in ("", "name", "date", "signature")]
    rows = [[_paragraph(role, "cell"), "", "", ""] for role in block.roles]
    grid = Grid(
        [head, *rows],
        colWidths=[width * share for share in (0.24, 0.28, 0.16, 0.32)],
        rowHeights=[6 * mm, *([12 * mm] * len(rows))],
    )
    grid.setStyle(
        [
            _OUR_FONT,
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("LINEBELOW", (1, 1), (-1, -1), 0.6, INK),
        ]
    )
    return [KeepTogether([grid])]


def _least_height(block: Block, flowables: list[Flowable], width: float) -> float:
    """Room that must be left for a heading to stand above a block."""
    if isinstance(block, Table | Facts):
        whole = sum(_height(part, width) for part in flowables)
        return whole if whole < WHOLE_TABLE_MM * mm else LEAST_TABLE_MM * mm
    if isinstance(block, Plots | Photographs | Notice | SignatureLines | Statement) and flowables:
        return min(_height(flowables[0], width), MOST_KEPT_MM * mm)
    return LEAST_TEXT_MM * mm


def _height(flowable: Flowable, width: float) -> float:
    parts = flowable._content if isinstance(flowable, KeepTogether) else [flowable]
    return sum(part.wrap(width, 10_000)[1] + part.getSpaceBefore() for part in parts)


def _story(document: Document, width: float) -> list[Flowable]:
    story: list[Flowable] = [
        _paragraph(document.title, "title"),
        _paragraph(document.subtitle, "subtitle"),
    ]
    for section in document.sections:
        if section.new_page:
            story.append(PageBreak())
        waiting: list[Flowable] = [_paragraph(section.title, "heading")] if section.title else []
        for block in section.blocks:
            made = _flowables(block, width)
            if isinstance(block, Subheading):
                waiting += made
                continue
            if waiting or isinstance(block, Table | Facts):
                # A heading, and the line above a table, stay with what they are about.
                room = sum(_height(part, width) for part in waiting) + 4 * mm
                story.append(CondPageBreak(room + _least_height(block, made, width)))
            story += [*waiting, *made]
            waiting = []
        story += waiting
    return story


def _register() -> None:
    register_fonts()
    if MONO not in pdfmetrics.getRegisteredFontNames():
        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        pdfmetrics.registerFont(TTFont(MONO, str(folder / "DejaVuSansMono.ttf")))


def pdf_bytes(document: Document, paper: str) -> bytes:
    """Set a document.

    Parameters
    ----------
    document : Document
    paper : str
        ``a4`` or ``letter``.

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    InputError
        If the paper is not known.
    """
    if paper not in PAPERS_WH_MM:
        raise InputError(f"There is no record for paper {paper!r}.", "Choose a4 or letter.")
    _register()
    target = io.BytesIO()
    template = _Template(target, PAPERS_WH_MM[paper], document)
    template.build(_story(document, template.text_width), canvasmaker=_NumberedCanvas)
    return target.getvalue()


def write_pdf(document: Document, path: Path, paper: str) -> None:
    """Write a document as PDF; the file appears complete or not at all.

    Raises
    ------
    InputError
        If the paper is not known or the file cannot be written.
    """
    content = pdf_bytes(document, paper)
    path = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:80]}.", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, 0o644)
            os.replace(name, path)
        finally:
            Path(name).unlink(missing_ok=True)
    except OSError as error:
        raise InputError(
            f"The record cannot be written to {path.name}: {error.strerror or 'it failed'}.",
            "Choose a folder that exists, may be written to and has room.",
        ) from error
