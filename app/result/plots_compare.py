"""Pictures for the record and the comparison: as found, as left, intended; closing minus opening."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from strokecurve.app.result.plots import INK, PENS, Pen, draw_band, draw_series, drawing, mark_tens
from strokecurve.app.result.tables import PASSES, one_pass

FILM_PENS = {
    "as found": Pen("#B34700", (0, (6, 2)), 2.2, ""),
    "as left": Pen("#0072B2", "-", 2.2, ""),
}
WIDE_IN = (10.2, 3.6)
"""Size of a figure that has the width of a page to itself."""
PASS_MARKS = {"opening": "^", "closing": "v"}
Array = NDArray[np.float64]


def _pass(travel: pd.DataFrame, linkage: str, name: str) -> tuple[Array, Array, Array]:
    """Driver travel, driven travel and its standard deviation of one pass."""
    rows = one_pass(travel, linkage, name)
    x, y, sd = (rows[column].to_numpy(float) for column in ("driver_deg", "driven_deg", "sd_deg"))
    return x, y, sd


def _film_pen(film: str, way: str) -> Pen:
    pen = FILM_PENS[film]
    return Pen(pen.colour, pen.style, pen.width, PASS_MARKS[way])


def _legend_with_passes(axes: Axes) -> None:
    """A legend of the films, and of the marks that tell the passes apart."""
    for way, mark in PASS_MARKS.items():
        axes.plot([], [], linestyle="", marker=mark, color=INK, markersize=6.5, label=f"{way} pass")
    _legend(axes)


def _legend(axes: Axes) -> None:
    """A legend on a ground of its own, so that no line runs through its words."""
    axes.legend(loc="best", frameon=True, framealpha=0.85, edgecolor="none")


def difference_figure(travel: pd.DataFrame, linkage: str) -> Figure:
    """Closing minus opening of one linkage over the stroke: lost motion as it is seen.

    Parameters
    ----------
    travel : DataFrame
        Columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing(f"{driven_name}: closing minus opening", f"{driver_name} travel (°)", "difference (°)") as (
        figure,
        axes,
    ):
        opening, closing = (one_pass(travel, linkage, way).set_index("driver_deg") for way in PASSES)
        at = opening.index.intersection(closing.index)
        x = at.to_numpy(float)
        y = (closing.loc[at, "driven_deg"] - opening.loc[at, "driven_deg"]).to_numpy(float)
        sd = np.hypot(closing.loc[at, "sd_deg"], opening.loc[at, "sd_deg"]).to_numpy(float)
        axes.axhline(0, color=INK, linewidth=1.2)
        draw_band(axes, x, y, sd, PENS["opening"].colour)
        draw_series(axes, x, y, "closing minus opening", PENS["opening"])
        mark_tens(axes, y_axis=False)
        return figure


def films_figure(
    films: dict[str, pd.DataFrame], linkage: str, intended: tuple[Array, Array, Array] | None = None
) -> Figure:
    """Travel curves of both films in one picture, with the intended travel.

    Parameters
    ----------
    films : dict of str to DataFrame
        ``as found`` and ``as left``: columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.
    intended : (driver_deg, driven_deg, tolerance_deg), optional

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
        for film, travel in films.items():
            for way in PASSES:
                x, y, sd = _pass(travel, linkage, way)
                pen = _film_pen(film, way)
                draw_band(axes, x, y, sd, pen.colour)
                draw_series(axes, x, y, film if way == PASSES[0] else "_same", pen, mark_every=10.0)
        if intended is not None:
            draw_series(axes, intended[0], intended[1], "intended", PENS["intended"])
        mark_tens(axes)
        _legend_with_passes(axes)
        return figure


def films_deviation_figure(
    films: Mapping[str, pd.DataFrame], linkage: str, intended_at: Callable[[Array], tuple[Array, Array]]
) -> Figure:
    """Measured minus intended travel of one film or both, and the tolerance if there is one.

    Parameters
    ----------
    films : mapping of str to DataFrame
        ``as found`` or ``as left`` or both: columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.
    intended_at : callable
        Gives intended driven travel and tolerance at driver travels.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing(f"{driven_name}: measured minus intended", f"{driver_name} travel (°)", "deviation (°)") as (
        figure,
        axes,
    ):
        axes.axhline(0, color=INK, linewidth=1.2)
        reach: list[float] = [0.0]
        for film, travel in films.items():
            for way in PASSES:
                x, y, sd = _pass(travel, linkage, way)
                y = y - intended_at(x)[0]
                reach.append(float(x.max(initial=0.0)))
                pen = _film_pen(film, way)
                draw_band(axes, x, y, sd, pen.colour)
                draw_series(axes, x, y, film if way == PASSES[0] else "_same", pen, mark_every=10.0)
        grid = np.linspace(0, max(reach), 181)
        tolerance = intended_at(grid)[1]
        if np.isfinite(tolerance).any():
            axes.fill_between(
                grid, -tolerance, tolerance, color="#808080", alpha=0.25, linewidth=0, label="tolerance"
            )
        mark_tens(axes, y_axis=False)
        _legend_with_passes(axes)
        return figure


def change_figure(films: dict[str, pd.DataFrame], linkage: str) -> Figure:
    """Travel as left minus travel as found, both passes, where no travel is intended.

    Parameters
    ----------
    films : dict of str to DataFrame
        ``as found`` and ``as left``: columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.

    Returns
    -------
    Figure
    """
    driver_name, driven_name = linkage.split(":")
    with drawing(f"{driven_name}: as left minus as found", f"{driver_name} travel (°)", "change (°)") as (
        figure,
        axes,
    ):
        axes.axhline(0, color=INK, linewidth=1.2)
        for way in PASSES:
            found, left = (
                one_pass(films[film], linkage, way).set_index("driver_deg")
                for film in ("as found", "as left")
            )
            at = found.index.intersection(left.index)
            y = (left.loc[at, "driven_deg"] - found.loc[at, "driven_deg"]).to_numpy(float)
            sd = np.hypot(left.loc[at, "sd_deg"], found.loc[at, "sd_deg"]).to_numpy(float)
            x = at.to_numpy(float)
            draw_band(axes, x, y, sd, PENS[way].colour)
            draw_series(axes, x, y, f"{way} pass", PENS[way], mark_every=10.0)
        mark_tens(axes, y_axis=False)
        _legend(axes)
        return figure
