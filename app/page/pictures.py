"""Pictures drawn once and kept; the moment chosen is marked on them without drawing them again."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import streamlit as st
from matplotlib.figure import Figure

from strokecurve.app.intended.given import intended_travel
from strokecurve.app.page import markup
from strokecurve.app.page.loaded import load_result
from strokecurve.app.result.plots import angles_figure, ratio_figure, travel_figure
from strokecurve.app.result.tables import even_step_table, ratio_table
from strokecurve.app.words.statements import IntendedChoice


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture, and where its axes lie in it.

    Attributes
    ----------
    png : bytes
        The picture.
    box : (left, bottom, width, height)
        The axes as shares of the picture.
    x, y : (low, high)
        What the axes span.
    """

    png: bytes
    box: tuple[float, float, float, float]
    x: tuple[float, float]
    y: tuple[float, float]

    def html(self, alt: str, at: tuple[float, float] | None = None, upright: float | None = None) -> str:
        """The picture with a ring at a point, or an upright line at an x, if they are known."""
        left, bottom, width, height = self.box

        def share_x(x: float) -> float:
            return 100 * (left + width * (x - self.x[0]) / (self.x[1] - self.x[0]))

        mark = ""
        if at is not None and all(map(math.isfinite, at)):
            y = 100 * (1 - bottom - height * (at[1] - self.y[0]) / (self.y[1] - self.y[0]))
            mark = f'<span class="sc-ring" style="left:{share_x(at[0]):.2f}%;top:{y:.2f}%"></span>'
        elif upright is not None:
            top = 100 * (1 - bottom - height)
            mark = (
                f'<span class="sc-upright" style="left:{share_x(upright):.2f}%;top:{top:.2f}%;'
                f'height:{100 * height:.2f}%"></span>'
            )
        return f'<div class="sc-plot">{markup.picture(self.png, "image/png", alt)}{mark}</div>'


def show_figure(figure: Figure, words: str) -> None:
    """Draw a figure as part of the page; ``words`` are for those who do not see it."""
    st.html(markup.picture(png_of(figure), "image/png", words))


def drawn(figure: Figure) -> Drawn:
    """Draw a figure with one set of axes."""
    png = png_of(figure)  # drawing settles where the axes lie
    axes = figure.axes[0]
    box = tuple(float(share) for share in axes.get_position().bounds)
    return Drawn(
        png,
        (box[0], box[1], box[2], box[3]),
        _pair(axes.get_xlim),
        _pair(axes.get_ylim),
    )


def png_of(figure: Figure) -> bytes:
    """A figure as a picture file."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return buffer.getvalue()


def _pair(limits: Callable[[], tuple[float, float]]) -> tuple[float, float]:
    low, high = limits()
    return float(low), float(high)


@st.cache_resource(max_entries=32, show_spinner=False)
def curve_picture(folder: str, linkage: str, _intended: IntendedChoice | None, said: str) -> Drawn:
    """The travel curve of a film with the intended travel; ``said`` tells apart what is intended."""
    travel = load_result(folder).travel
    line = None
    if _intended is not None and (_intended.kind == "equal" or _intended.rows):
        driver = np.linspace(0, float(travel["driver_deg"].max()), 181)
        line = (driver, intended_travel(_intended, driver)[0])
    return drawn(travel_figure(travel, linkage, line))


@st.cache_resource(max_entries=32, show_spinner=False)
def angles_picture(folder: str) -> Drawn:
    """Angles of all shafts over the clip."""
    loaded = load_result(folder)
    return drawn(angles_figure(loaded.angles, loaded.shafts))


@st.cache_resource(max_entries=32, show_spinner=False)
def ratio_picture(folder: str, linkage: str, step_deg: float) -> Drawn:
    """Local ratio of a linkage between even steps."""
    table = even_step_table(load_result(folder).travel, linkage, step_deg)
    return drawn(ratio_figure(ratio_table(table), linkage))
