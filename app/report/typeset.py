"""Sets a document on A4 or Letter: one grid, embedded fonts, running head, page numbers."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Paragraph,
)

from strokecurve.app.report.blocks import Document, Facts, Subheading, Table
from strokecurve.app.report.cleaning import ELLIPSIS, printable
from strokecurve.app.report.setting import flowables, height, least_height
from strokecurve.app.report.sheet import REGULAR
from strokecurve.app.report.styles import (
    BOTTOM_MM,
    GREY,
    LEFT_MM,
    LIGHT,
    RIGHT_MM,
    TOP_MM,
    paragraph,
    register,
)
from strokecurve.app.words.cautions import CAUTIONS
from strokecurve.app.words.errors import InputError
from strokecurve.vision.sheet import PAPERS_WH_MM


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


def _story(document: Document, width: float) -> list[Flowable]:
    story: list[Flowable] = [
        paragraph(document.title, "title"),
        paragraph(document.subtitle, "subtitle"),
    ]
    for section in document.sections:
        if section.new_page:
            story.append(PageBreak())
        waiting: list[Flowable] = [paragraph(section.title, "heading")] if section.title else []
        for block in section.blocks:
            made = flowables(block, width)
            if isinstance(block, Subheading):
                waiting += made
                continue
            if waiting or isinstance(block, Table | Facts):
                # A heading, and the line above a table, stay with what they are about.
                room = sum(height(part, width) for part in waiting) + 4 * mm
                story.append(CondPageBreak(room + least_height(block, made, width)))
            story += [*waiting, *made]
            waiting = []
        story += waiting
    return story


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
    register()
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
