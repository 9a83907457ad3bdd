"""The marker sheet as a true-scale vector PDF: cautions, filming guide, reference card, loose markers."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

import matplotlib
import numpy as np
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from strokecurve.app.words.cautions import CAUTIONS, HOW_TO_FILM
from strokecurve.app.words.errors import InputError
from strokecurve.vision.sheet import PAPERS_WH_MM, PlacedMarker, SheetPage, layout, marker_bits

REGULAR = "strokecurve-regular"
BOLD = "strokecurve-bold"
MARGIN_MM = 15.0
CUT_GREY = 0.55


class Paper:
    """A canvas in millimetres from the top left corner of the page, y down, as the layout counts.

    Parameters
    ----------
    path : Path
        File to write.
    size_wh_mm : tuple of float
        Width and height of the paper.
    """

    def __init__(self, path: Path, size_wh_mm: tuple[float, float]) -> None:
        self.width_mm, self.height_mm = size_wh_mm
        self.canvas = Canvas(
            str(path), pagesize=(self.width_mm * mm, self.height_mm * mm), initialFontName=REGULAR
        )

    def point(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """PDF point of a place on the page."""
        return x_mm * mm, (self.height_mm - y_mm) * mm

    def text(self, x_mm: float, y_mm: float, words: str, size_pt: float, font: str = REGULAR) -> None:
        """Write one line, its baseline starting at the place given."""
        self.canvas.setFont(font, size_pt)
        self.canvas.drawString(*self.point(x_mm, y_mm), words)

    def centred(self, x_mm: float, y_mm: float, words: str, size_pt: float, font: str = REGULAR) -> None:
        """Write one line, the middle of its baseline at the place given."""
        self.canvas.setFont(font, size_pt)
        self.canvas.drawCentredString(*self.point(x_mm, y_mm), words)

    def paragraph(self, x_mm: float, y_mm: float, width_mm: float, words: str, size_pt: float) -> float:
        """Write wrapped text with its first baseline at ``y_mm``; return the next free baseline."""
        for line in simpleSplit(words, REGULAR, size_pt, width_mm * mm):
            self.text(x_mm, y_mm, line, size_pt)
            y_mm += size_pt * 1.32 / mm
        return y_mm

    def rectangle(
        self, x_mm: float, y_mm: float, width_mm: float, height_mm: float, *, fill: bool = False
    ) -> None:
        """Draw a rectangle from its top left corner."""
        left, top = self.point(x_mm, y_mm)
        self.canvas.rect(
            left, top - height_mm * mm, width_mm * mm, height_mm * mm, stroke=not fill, fill=fill
        )

    def line(self, x0_mm: float, y0_mm: float, x1_mm: float, y1_mm: float) -> None:
        """Draw a straight line."""
        self.canvas.line(*self.point(x0_mm, y0_mm), *self.point(x1_mm, y1_mm))


def register_fonts() -> None:
    """Make the embedded fonts known; they come with matplotlib, so nothing of the system is needed."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in ((REGULAR, "DejaVuSans.ttf"), (BOLD, "DejaVuSans-Bold.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def draw_marker(paper: Paper, marker: PlacedMarker) -> None:
    """Draw one marker and its label.

    All black cells are one path filled at once: cells drawn one by one show hairlines
    between them in some viewers.
    """
    cell = marker.side_mm / 6
    left, top = marker.corners_xy_mm[0]
    path = paper.canvas.beginPath()
    for row, column in np.argwhere(marker_bits(marker.marker_id)):
        x, y = paper.point(left + column * cell, top + (row + 1) * cell)
        path.rect(x, y, cell * mm, cell * mm)
    paper.canvas.setFillGray(0)
    paper.canvas.drawPath(path, stroke=0, fill=1)
    size_pt = 7.0 if marker.side_mm > 25 else 5.6
    paper.centred(marker.label_xy_mm[0], marker.label_xy_mm[1] + 0.9, marker.label, size_pt)


def draw_cuts(paper: Paper, cuts: Iterable[tuple[float, float, float, float]]) -> None:
    """Draw the cut lines, thin, grey and dashed."""
    paper.canvas.saveState()
    paper.canvas.setStrokeGray(CUT_GREY)
    paper.canvas.setLineWidth(0.4)
    paper.canvas.setDash(3, 2)
    for cut in cuts:
        paper.rectangle(*cut)
    paper.canvas.restoreState()


def draw_rulers(paper: Paper, x_mm: float, y_mm: float) -> None:
    """Draw a 100 mm and a 4 inch ruler, one below the other, to check the print with."""
    paper.canvas.setLineWidth(0.5)
    paper.text(x_mm, y_mm, "Check with a steel rule before cutting: both scales must be exact.", 8, BOLD)
    y_mm += 8
    for length_mm, step_mm, long_every, unit in ((100.0, 1.0, 10, "100 mm"), (101.6, 25.4 / 8, 8, "4 in")):
        paper.line(x_mm, y_mm, x_mm + length_mm, y_mm)
        for tick in range(round(length_mm / step_mm) + 1):
            height = 4.0 if tick % long_every == 0 else (2.8 if tick % (long_every // 2) == 0 else 1.8)
            paper.line(x_mm + tick * step_mm, y_mm, x_mm + tick * step_mm, y_mm - height)
        paper.text(x_mm + length_mm + 3, y_mm, unit, 8)
        y_mm += 8


def draw_header(paper: Paper, title: str, lines: tuple[str, ...]) -> None:
    """Write the page's title, then small lines below it."""
    paper.text(MARGIN_MM, 11, title, 13, BOLD)
    for number, line in enumerate(lines):
        paper.text(MARGIN_MM, 16.5 + 4 * number, line, 8)


def draw_footer(paper: Paper, number: int, count: int) -> None:
    """Write the shortest caution and the page number at the foot."""
    y = paper.height_mm - 8
    paper.text(MARGIN_MM, y, "Burner off, locked out, fuel isolated. Print at 100 %.", 8, BOLD)
    paper.canvas.setFont(REGULAR, 8)
    words = f"strokecurve marker sheet, page {number} of {count}"
    paper.canvas.drawRightString(*paper.point(paper.width_mm - MARGIN_MM, y), words)


def draw_markers_page(paper: Paper, page: SheetPage) -> None:
    """Draw one page of the layout: the card or loose markers, with cut lines and rulers."""
    if page.kind == "card":
        draw_header(
            paper,
            "Reference card: keep it in one piece",
            (
                "Glue to stiff, flat board and cut along the dashed line. "
                "Fix where nothing moves, close to the arms.",
            ),
        )
    else:
        note = (
            "Use these wherever there is room: larger is more exact."
            if page.side_mm > 25
            else "Only where 30 mm does not fit. Never the same number in both sizes in one film."
        )
        draw_header(
            paper,
            f"Arm and rod markers, {page.side_mm:.0f} mm",
            (
                "Glue to stiff board and cut along the dashed lines. "
                "Keep the white edge: it belongs to the marker.",
                note,
            ),
        )
    draw_cuts(paper, page.cuts_xywh_mm)
    for marker in page.markers:
        draw_marker(paper, marker)
    if page.kind == "card":
        draw_card_words(paper, page)
    draw_rulers(paper, MARGIN_MM, page.below_mm + 10)


def draw_card_words(paper: Paper, page: SheetPage) -> None:
    """Write between the card's markers which side is up and what the card must be."""
    (left, top, width, height) = page.cuts_xywh_mm[0]
    x = left + width / 2
    y = top + height / 2
    paper.centred(x, y - 2.5, "▲  this side up  ▲", 10, BOLD)
    paper.centred(x, y + 2.5, "strokecurve reference card: fixed, flat, roughly parallel to the arms", 8)
    paper.centred(x, y + 6.5, "marker centres 140 mm across, 90 mm down", 7)


def draw_small_marker(paper: Paper, x_mm: float, y_mm: float, number: int, side_mm: float = 8.0) -> None:
    """Draw a stand-in for a marker in the guide's picture: a black square with its number."""
    canvas = paper.canvas
    half = side_mm / 2
    canvas.setFillGray(1)
    paper.rectangle(x_mm - half - 1, y_mm - half - 1, side_mm + 2, side_mm + 2, fill=True)
    canvas.setFillGray(0)
    paper.rectangle(x_mm - half, y_mm - half, side_mm, side_mm, fill=True)
    canvas.setFillGray(1)
    paper.centred(x_mm, y_mm + 1.3, str(number), 9, BOLD)
    canvas.setFillGray(0)


def draw_link(paper: Paper, start: tuple[float, float], end: tuple[float, float], width_mm: float) -> None:
    """Draw an arm or rod as a thick grey line with a pin at the far end."""
    canvas = paper.canvas
    canvas.saveState()
    canvas.setLineCap(1)
    canvas.setStrokeGray(0.72)
    canvas.setLineWidth(width_mm * mm)
    paper.line(*start, *end)
    canvas.restoreState()
    for x, y in (start, end):
        canvas.setFillGray(1)
        canvas.circle(*paper.point(x, y), 1.3 * mm, stroke=1, fill=1)
        canvas.setFillGray(0)


def draw_places(paper: Paper, top_mm: float) -> float:
    """Draw a linkage with its markers and the card; return the y below the picture."""
    x0, width, height = MARGIN_MM, paper.width_mm - 2 * MARGIN_MM, 68.0
    paper.canvas.setLineWidth(0.6)
    paper.rectangle(x0, top_mm, width, height)
    motor, pin_a = (x0 + 28, top_mm + 52), (x0 + 17, top_mm + 16)
    shaft, pin_b = (x0 + 108, top_mm + 52), (x0 + 99, top_mm + 18)
    draw_link(paper, pin_a, pin_b, 3.0)
    draw_link(paper, motor, pin_a, 6.5)
    draw_link(paper, shaft, pin_b, 6.5)
    draw_small_marker(paper, x0 + 22.5, top_mm + 34, 10)
    draw_small_marker(paper, x0 + 103.5, top_mm + 35, 11)
    draw_small_marker(paper, x0 + 58, top_mm + 17, 20)
    paper.centred(motor[0], top_mm + 60, "motor shaft", 8)
    paper.centred(shaft[0], top_mm + 60, "shaft 1", 8)
    paper.text(x0 + 30, top_mm + 38, "arm of the motor", 8)
    paper.text(x0 + 111, top_mm + 36, "arm of shaft 1", 8)
    paper.centred(x0 + 58, top_mm + 9.5, "rod", 8)
    card_x, card_y = x0 + width - 40, top_mm + 8
    paper.canvas.setFillGray(1)
    paper.rectangle(card_x, card_y, 34, 24)
    for number, (dx, dy) in enumerate(((7, 6), (27, 6), (27, 18), (7, 18))):
        draw_small_marker(paper, card_x + dx, card_y + dy, number, 7.0)
    paper.centred(card_x + 17, card_y + 29, "reference card,", 8)
    paper.centred(card_x + 17, card_y + 33, "fixed to the panel", 8)
    paper.text(
        x0 + 3, top_mm + height - 2.5, "Everything in the picture all the time, lens square to the card.", 8
    )
    return top_mm + height


def draw_guide(paper: Paper) -> None:
    """Draw the first page: cautions, where the markers go, how to film."""
    width = paper.width_mm - 2 * MARGIN_MM
    paper.text(MARGIN_MM, 15, "Markers for filming a burner's control linkage", 15, BOLD)
    y = 24.0
    paper.canvas.setLineWidth(1.6)
    paper.text(MARGIN_MM + 4, y + 2, "Before anything else", 10.5, BOLD)
    end = y + 7.5
    for caution in CAUTIONS:
        paper.text(MARGIN_MM + 4, end, "■", 6)
        end = paper.paragraph(MARGIN_MM + 8, end, width - 12, caution, 9) + 0.6
    paper.rectangle(MARGIN_MM, y - 4, width, end - y + 2.5)
    y = end + 8
    paper.text(MARGIN_MM, y, "Where each marker goes", 10.5, BOLD)
    y = draw_places(paper, y + 3) + 6
    y = paper.paragraph(
        MARGIN_MM,
        y,
        width,
        "Further along: 12, 13 on the arms of shafts 2 and 3; 21, 22 on the rods from shafts 1 and 2. "
        "A second marker on the same shaft (another arm, the shaft's end): 30 or 40 for the motor, "
        "31 for shaft 1, 32 for shaft 2, 33 for shaft 3.",
        8.5,
    )
    y += 4
    paper.text(MARGIN_MM, y, "How to film", 10.5, BOLD)
    y += 5
    for number, step in enumerate(HOW_TO_FILM, start=1):
        paper.text(MARGIN_MM, y, f"{number}.", 9, BOLD)
        y = paper.paragraph(MARGIN_MM + 6, y, width - 6, step, 9) + 0.8


def write_sheet(path: Path, paper: str) -> None:
    """Write the marker sheet as a PDF.

    Parameters
    ----------
    path : Path
        File to write; it appears complete or not at all.
    paper : str
        ``a4`` or ``letter``.

    Raises
    ------
    InputError
        If the paper is not known or the file cannot be written.
    """
    if paper not in PAPERS_WH_MM:
        raise InputError(f"There is no marker sheet for paper {paper!r}.", "Choose a4 or letter.")
    sheet = layout(paper)
    register_fonts()
    path = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        os.close(handle)
        try:
            draw_sheet(Path(name), sheet.size_wh_mm, sheet.pages)
            os.chmod(name, 0o644)
            os.replace(name, path)
        finally:
            Path(name).unlink(missing_ok=True)
    except OSError as error:
        raise InputError(
            f"The marker sheet cannot be written to {path}: {error.strerror}.",
            "Choose a folder that exists and may be written to.",
        ) from error


def draw_sheet(path: Path, size_wh_mm: tuple[float, float], pages: tuple[SheetPage, ...]) -> None:
    """Draw guide and marker pages into a file."""
    paper = Paper(path, size_wh_mm)
    paper.canvas.setTitle("strokecurve marker sheet")
    paper.canvas.setAuthor("strokecurve")
    # Viewers that honour this open their print dialogue at 100 % instead of "fit to page".
    paper.canvas.setViewerPreference("PrintScaling", "None")
    count = len(pages) + 1
    draw_guide(paper)
    draw_footer(paper, 1, count)
    paper.canvas.showPage()
    for number, page in enumerate(pages, start=2):
        draw_markers_page(paper, page)
        draw_footer(paper, number, count)
        paper.canvas.showPage()
    paper.canvas.save()
