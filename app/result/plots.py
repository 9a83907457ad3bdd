"""Pictures of results in one style: readable in sunlight and in print, and without telling colours apart.

Every series has its own line style and its name written at the line as well as its colour.
Drawing works on ``Figure`` objects of its own, never on pyplot's global state.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import matplotlib.ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from strokecurve.app.result.tables import PASSES, one_pass

INK = "#111111"
GRID = "#b9b9b9"
SIZE_IN = (5.0, 4.4)
DPI = 170
BAND_SIGMAS = 2.0
"""Half width of the band drawn around a measured curve, in standard deviations."""


@dataclass(frozen=True, slots=True)
class Pen:
    """How one series is drawn. Colours are from the Okabe-Ito set, made for colour-blind readers."""

    colour: str
    style: Any
    width: float
    marker: str


PENS = {
    "opening": Pen("#0072B2", "-", 2.6, "^"),
    "closing": Pen("#B34700", (0, (6, 2)), 2.6, "v"),
    "intended": Pen(INK, (0, (1, 1.6)), 2.4, ""),
}
SHAFT_PENS = (
    Pen("#0072B2", "-", 2.4, ""),
    Pen("#B34700", (0, (6, 2)), 2.4, ""),
    Pen("#00664A", (0, (6, 1.5, 1.5, 1.5)), 2.4, ""),
    Pen("#8A3B78", (0, (2, 1)), 2.4, ""),
    Pen(INK, (0, (1, 1.6)), 2.4, ""),
)

STYLE: dict[Any, Any] = {  # typed as a dict of any settings by the library's stubs only
    "font.family": "DejaVu Sans",
    "font.size": 11,
    # Names of shafts are text, whatever signs they hold.
    "text.parse_math": False,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 1.1,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 12,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "xtick.color": INK,
    "ytick.color": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
    "legend.frameon": False,
    "legend.handlelength": 2.8,
}


@contextmanager
def drawing(title: str, x_label: str, y_label: str) -> Iterator[tuple[Figure, Axes]]:
    """A figure in our style with one set of axes."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=SIZE_IN, dpi=DPI, layout="constrained")
        axes = figure.add_subplot()
        axes.set_title(title)
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        axes.grid(visible=True)
        axes.set_axisbelow(True)
        yield figure, axes


def draw_band(axes: Axes, x: NDArray[Any], y: NDArray[Any], sd: NDArray[Any], colour: str) -> None:
    """Fill the band of `BAND_SIGMAS` standard deviations on either side of a line; all of shape (N,)."""
    axes.fill_between(x, y - BAND_SIGMAS * sd, y + BAND_SIGMAS * sd, color=colour, alpha=0.25, linewidth=0)


def draw_series(
    axes: Axes, x: NDArray[np.float64], y: NDArray[np.float64], label: str, pen: Pen, mark_every: float = 0.0
) -> None:
    """Draw one line; gaps (NaN) stay gaps. With ``mark_every`` > 0 a mark is set at each such step of x."""
    axes.plot(x, y, color=pen.colour, linestyle=pen.style, linewidth=pen.width, label=label)
    if mark_every > 0 and pen.marker:
        marked = np.abs(x / mark_every - np.round(x / mark_every)) < 1e-6
        axes.plot(
            x[marked],
            y[marked],
            linestyle="",
            marker=pen.marker,
            markersize=6.5,
            color=pen.colour,
            label="_marks",
        )


def travel_figure(
    travel: pd.DataFrame,
    linkage: str,
    intended: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> Figure:
    """Travel curve of one linkage: both passes with their uncertainty, and the intended travel if given.

    Parameters
    ----------
    travel : DataFrame
        Columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.
    intended : (driver_deg, driven_deg), optional
        Intended travel.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing(
        f"Travel of {driven_name} against {driver_name}",
        f"{driver_name} travel (°)",
        f"{driven_name} travel (°)",
    ) as (figure, axes):
        for name in PASSES:
            rows = one_pass(travel, linkage, name)
            if not rows["driven_deg"].notna().any():
                continue
            x, y, sd = (rows[column].to_numpy(float) for column in ("driver_deg", "driven_deg", "sd_deg"))
            pen = PENS[name]
            draw_band(axes, x, y, sd, pen.colour)
            draw_series(axes, x, y, f"{name} pass", pen, mark_every=10.0)
        if intended is not None:
            draw_series(axes, *intended, "intended", PENS["intended"])
        mark_tens(axes)
        if axes.get_legend_handles_labels()[1]:
            axes.legend(loc="upper left")
        return figure


def ratio_figure(ratios: pd.DataFrame, linkage: str) -> Figure:
    """Local ratio of both passes: how fast the driven shaft turns against its driver.

    Parameters
    ----------
    ratios : DataFrame
        Columns of ``tables.RATIO_COLUMNS``.
    linkage : str
        ``driver:driven``.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing("Local ratio", f"{driver_name} travel (°)", f"{driven_name} over {driver_name} (°/°)") as (
        figure,
        axes,
    ):
        figure.set_size_inches(SIZE_IN[0], 0.7 * SIZE_IN[1])
        middle = (ratios["from_deg"].to_numpy(float) + ratios["to_deg"].to_numpy(float)) / 2
        axes.axhline(0, color=INK, linewidth=1.2)
        for name in PASSES:
            ratio, sd = (ratios[f"{name}_{what}"].to_numpy(float) for what in ("ratio", "sd"))
            if not np.isfinite(ratio).any():
                continue
            pen = PENS[name]
            draw_band(axes, middle, ratio, sd, pen.colour)
            draw_series(axes, middle, ratio, f"{name} pass", pen)
        mark_tens(axes, y_axis=False)
        if axes.get_legend_handles_labels()[1]:
            axes.legend(loc="best")
        return figure


def deviation_figure(table: pd.DataFrame, linkage: str) -> Figure:
    """Measured minus intended driven travel of both passes, and the tolerance if there is one.

    Parameters
    ----------
    table : DataFrame
        Columns of ``tables.compared_table``.
    linkage : str
        ``driver:driven``.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing(f"{driven_name}: measured minus intended", f"{driver_name} travel (°)", "deviation (°)") as (
        figure,
        axes,
    ):
        x = table["driver_deg"].to_numpy(float)
        axes.axhline(0, color=INK, linewidth=1.2)
        tolerance = table["tolerance_deg"].to_numpy(float)
        if np.isfinite(tolerance).any():
            axes.fill_between(
                x, -tolerance, tolerance, color="#808080", alpha=0.25, linewidth=0, label="tolerance"
            )
        for name in PASSES:
            y = table[f"{name}_deviation_deg"].to_numpy(float)
            sd = table[f"{name}_sd_deg"].to_numpy(float)
            if not np.isfinite(y).any():
                continue
            pen = PENS[name]
            draw_band(axes, x, y, sd, pen.colour)
            draw_series(axes, x, y, f"{name} pass", pen, mark_every=10.0)
        mark_tens(axes, y_axis=False)
        if axes.get_legend_handles_labels()[1]:
            axes.legend(loc="best")
        return figure


def angles_figure(angles: pd.DataFrame, shafts: Sequence[str], at_s: float | None = None) -> Figure:
    """Angle of every shaft over the clip, as the camera sees it; gaps stay gaps.

    Parameters
    ----------
    angles : DataFrame
        Columns of ``angles.csv``.
    shafts : sequence of str
        Names of the shafts to draw.
    at_s : float, optional
        A moment of the clip to mark.

    Returns
    -------
    Figure
    """
    with drawing("Angles over the clip", "time (s)", "angle from first frame (°)") as (figure, axes):
        time_s = angles["time_s"].to_numpy(float)
        for number, shaft in enumerate(shafts):
            pen = SHAFT_PENS[number % len(SHAFT_PENS)]
            draw_series(axes, time_s, angles[f"{shaft}_deg"].to_numpy(float), shaft, pen)
        if at_s is not None:
            axes.axvline(at_s, color=INK, linewidth=1.2)
        axes.legend(loc="best")
        return figure


def mark_tens(axes: Axes, *, y_axis: bool = True) -> None:
    """Ticks at whole tens of degrees, or coarser where tens would be crowded; both passes start at 0."""
    axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(10, steps=[1, 2, 5, 10]))
    if y_axis:
        axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(10, steps=[1, 2, 5, 10]))
