"""How each kind of block is set: from our blocks to the typesetting library's flowables."""

from __future__ import annotations

import io
from functools import singledispatch
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, HRFlowable, Image, KeepTogether, Paragraph, Spacer
from reportlab.platypus import Table as Grid

from strokecurve.app.report.blocks import (
    Block,
    Bullets,
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
from strokecurve.app.report.cleaning import printable
from strokecurve.app.report.sheet import REGULAR
from strokecurve.app.report.styles import (
    FACT_NAME_MM,
    GUTTER_MM,
    INK,
    LEAST_TABLE_MM,
    LEAST_TEXT_MM,
    LIGHT,
    MOST_KEPT_MM,
    PICTURE_MM,
    RULE,
    SEVERITY_INKS,
    SEVERITY_SIGNS,
    STYLES,
    UPRIGHT_MM,
    WHOLE_TABLE_MM,
    paragraph,
)
from strokecurve.app.report.vector import VectorPlot


@singledispatch
def flowables(block: Block, width: float) -> list[Flowable]:
    """What a block becomes on the page."""
    raise TypeError(f"no way to set a {type(block).__name__}")


@flowables.register
def _(block: Text, width: float) -> list[Flowable]:
    return [paragraph(block.words, block.style)]


@flowables.register
def _(block: Subheading, width: float) -> list[Flowable]:
    return [paragraph(block.words, "subheading")]


@flowables.register
def _(block: Bullets, width: float) -> list[Flowable]:
    style = "numbered" if block.numbered else "bullet"
    signs = [f"{n}." if block.numbered else "•" for n in range(1, len(block.items) + 1)]
    items = zip(block.items, signs, strict=True)
    return [paragraph(item, style, bulletText=sign) for item, sign in items] + [Spacer(0, 1 * mm)]


@flowables.register
def _(block: Notice, width: float) -> list[Flowable]:
    items = ([paragraph(item, "boxed", bulletText="■")] for item in block.items)
    rows = [[paragraph(block.title, "strong")], *items]
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


@flowables.register
def _(block: Facts, width: float) -> list[Flowable]:
    if not block.rows:
        return []
    rows = [
        [paragraph(name, "name"), *(paragraph(v, "mono" if name in block.mono else "cell") for v in values)]
        for name, *values in block.rows
    ]
    each = (width - FACT_NAME_MM * mm) / (len(block.rows[0]) - 1)
    head = [[paragraph(words, "head") for words in block.head]] if block.head else []
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


@flowables.register
def _(block: Table, width: float) -> list[Flowable]:
    def row(cells: tuple[str, ...], words: str, figures: str) -> list[Paragraph]:
        return [paragraph(cell, words if n in block.words else figures) for n, cell in enumerate(cells)]

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
    above = [paragraph(block.caption, "small")] if block.caption else []
    return [*above, grid, Spacer(0, 2.5 * mm)]


@flowables.register
def _(block: Statement, width: float) -> list[Flowable]:
    ink = SEVERITY_INKS[block.severity].hexval().replace("0x", "#")
    head = f"{block.where}: {block.figure}" if block.figure else block.where
    sign = f'<font color="{ink}">{SEVERITY_SIGNS[block.severity]}</font>'
    marked = f"<bullet>{sign}</bullet>{escape(printable(head))}"
    parts = [
        HRFlowable(width="100%", thickness=0.3, color=LIGHT, spaceBefore=0.6 * mm, spaceAfter=1 * mm),
        Paragraph(marked, STYLES["finding-head"]),
        paragraph(block.text, "finding"),
    ]
    if block.advice:
        parts.append(paragraph(f"What to do: {block.advice}", "finding"))
    return [KeepTogether(parts), Spacer(0, 0.8 * mm)]


@flowables.register
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
    below = [paragraph(block.caption, "small")] if block.caption else []
    return [KeepTogether([grid, Spacer(0, 1 * mm), *below, Spacer(0, 1 * mm)])]


@flowables.register
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
                paragraph(picture.caption, "small"),
            ]
        )
    if columns == 1:
        return [KeepTogether([part for parts in set_ones for part in [*parts, Spacer(0, 1 * mm)]])]
    grid = Grid([set_ones], colWidths=[width / columns] * columns)
    grid.setStyle([_OUR_FONT, ("LEFTPADDING", (0, 0), (-1, -1), 0), ("VALIGN", (0, 0), (-1, -1), "TOP")])
    return [grid]


@flowables.register
def _(block: SignatureLines, width: float) -> list[Flowable]:
    head = [paragraph(words, "head") for words in ("", "name", "date", "signature")]
    rows = [[paragraph(role, "cell"), "", "", ""] for role in block.roles]
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


def least_height(block: Block, made: list[Flowable], width: float) -> float:
    """Room that must be left for a heading to stand above a block."""
    if isinstance(block, Table | Facts):
        whole = sum(height(part, width) for part in made)
        return whole if whole < WHOLE_TABLE_MM * mm else float(LEAST_TABLE_MM * mm)
    if isinstance(block, Plots | Photographs | Notice | SignatureLines | Statement) and made:
        return min(height(made[0], width), float(MOST_KEPT_MM * mm))
    return float(LEAST_TEXT_MM * mm)


def height(flowable: Flowable, width: float) -> float:
    """Height that a flowable takes at a width, with the space above it (points)."""
    parts = flowable._content if isinstance(flowable, KeepTogether) else [flowable]
    return float(sum(part.wrap(width, 10_000)[1] + part.getSpaceBefore() for part in parts))
