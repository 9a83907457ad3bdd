"""Matplotlib figures drawn onto a PDF canvas as lines and real text, in the fonts of the page.

Matplotlib writes PDF files of its own, but cannot draw into somebody else's page; this is the small
renderer that its interface for drawing surfaces asks for.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.backend_bases import FigureCanvasBase, GraphicsContextBase, RendererBase
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from strokecurve.app.report.cleaning import printable
from strokecurve.app.report.sheet import BOLD, REGULAR

POINTS_PER_INCH = 72.0
ASCENT, DESCENT = 0.76, 0.236
"""Height above and depth below the baseline, as shares of the type size, that DejaVu's letters fill."""
CAPS = {"butt": 0, "round": 1, "projecting": 2}
JOINS = {"miter": 0, "round": 1, "bevel": 2}
BOLD_FROM = 600
WEIGHTS = {"bold": 700, "heavy": 800, "black": 900, "semibold": 600, "demibold": 600, "demi": 600}


class PageRenderer(RendererBase):
    """Draws on a canvas; one pixel is one point, y up from the lower edge of the figure.

    Parameters
    ----------
    canvas : Canvas or None
        None to measure text only.
    size_wh_pt : tuple of float
    """

    def __init__(self, canvas: Canvas | None, size_wh_pt: tuple[float, float]) -> None:
        super().__init__()
        self.page = canvas
        self.size_wh_pt = size_wh_pt

    def flipy(self) -> bool:
        """Whether y runs down."""
        return False

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Size of the figure in points."""
        return self.size_wh_pt

    def points_to_pixels(self, points: Any) -> Any:
        """One pixel is one point."""
        return points

    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:
        """Room that a line of text takes."""
        size = prop.get_size_in_points()
        width = pdfmetrics.stringWidth(printable(s), _font(prop), size)
        return width, (ASCENT + DESCENT) * size, DESCENT * size

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: Any,
        angle: float,
        ismath: Any = False,
        mtext: Any = None,
    ) -> None:
        """Write a line of text that can be selected."""
        if self.page is None:
            return
        self.page.saveState()
        self.page.setFillColorRGB(*gc.get_rgb()[:3], alpha=gc.get_rgb()[3])
        self.page.translate(x, y)
        self.page.rotate(angle)
        self.page.setFont(_font(prop), prop.get_size_in_points())
        self.page.drawString(0, 0, printable(s))
        self.page.restoreState()

    def draw_path(self, gc: GraphicsContextBase, path: Outline, transform: Any, rgbFace: Any = None) -> None:
        """Draw a line or fill an area."""
        page = self.page
        if page is None:
            return
        page.saveState()
        box = gc.get_clip_rectangle()
        if box is not None:
            clip = page.beginPath()
            clip.rect(box.x0, box.y0, box.width, box.height)
            page.clipPath(clip, stroke=0, fill=0)
        stroked = gc.get_linewidth() > 0 and gc.get_rgb()[3] > 0
        if stroked:
            self._set_pen(page, gc)
        if rgbFace is not None:
            alpha = gc.get_alpha() if gc.get_forced_alpha() or len(rgbFace) < 4 else rgbFace[3]
            page.setFillColorRGB(*rgbFace[:3], alpha=alpha)
        page.drawPath(_outline(page, path, transform), stroke=int(stroked), fill=int(rgbFace is not None))
        page.restoreState()

    @staticmethod
    def _set_pen(page: Canvas, gc: GraphicsContextBase) -> None:
        page.setLineWidth(gc.get_linewidth())
        page.setStrokeColorRGB(*gc.get_rgb()[:3], alpha=gc.get_rgb()[3])
        page.setLineCap(CAPS[str(gc.get_capstyle())])
        page.setLineJoin(JOINS[str(gc.get_joinstyle())])
        offset, dashes = gc.get_dashes()
        if dashes is not None:
            page.setDash(np.asarray(dashes, float).tolist(), float(offset))


class _Surface(FigureCanvasBase):
    """Gives the layout the renderer whose text metrics hold on the page."""

    def get_renderer(self) -> PageRenderer:
        """A renderer that measures and draws nothing."""
        width, height = self.figure.get_size_inches() * POINTS_PER_INCH
        return PageRenderer(None, (float(width), float(height)))


class VectorPlot(Flowable):  # type: ignore[misc]  # the library has no types
    """A figure as part of a page.

    Parameters
    ----------
    figure : Figure
    width_pt : float
        It is scaled to this width.
    """

    def __init__(self, figure: Figure, width_pt: float) -> None:
        super().__init__()
        self.figure = figure
        size = figure.get_size_inches() * POINTS_PER_INCH
        self.own_wh_pt = (float(size[0]), float(size[1]))
        self.width = width_pt
        self.height = width_pt * self.own_wh_pt[1] / self.own_wh_pt[0]

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Size on the page."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the page's canvas."""
        self.figure.set_dpi(POINTS_PER_INCH)
        _Surface(self.figure)
        self.canv.saveState()
        self.canv.scale(self.width / self.own_wh_pt[0], self.width / self.own_wh_pt[0])
        self.figure.draw(PageRenderer(self.canv, self.own_wh_pt))
        self.canv.restoreState()


def _font(prop: Any) -> str:
    weight = prop.get_weight()
    heavy = WEIGHTS.get(weight, 400) if isinstance(weight, str) else weight
    return BOLD if heavy >= BOLD_FROM else REGULAR


def _outline(page: Canvas, path: Outline, transform: Any) -> Any:
    """A path of matplotlib as a path of the page; quadratic curves become cubic ones."""
    drawn = page.beginPath()
    last = (0.0, 0.0)
    for points, code in path.iter_segments(transform, simplify=False):
        p = [float(v) for v in points]
        if code == Outline.MOVETO:
            drawn.moveTo(*p)
        elif code == Outline.LINETO:
            drawn.lineTo(*p)
        elif code == Outline.CURVE3:
            (x0, y0), (cx, cy, x1, y1) = last, p
            drawn.curveTo(
                *(x0 + 2 / 3 * (cx - x0), y0 + 2 / 3 * (cy - y0)),
                *(x1 + 2 / 3 * (cx - x1), y1 + 2 / 3 * (cy - y1)),
                *(x1, y1),
            )
        elif code == Outline.CURVE4:
            drawn.curveTo(*p)
        elif code == Outline.CLOSEPOLY:
            drawn.close()
            continue
        last = (p[-2], p[-1])
    return drawn
