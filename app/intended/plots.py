"""The damper's characteristic as readings show it, and the travel they ask for."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from strokecurve.app.intended.from_readings import Worked
from strokecurve.app.result.plots import BAND_SIGMAS, INK, PENS, Pen, draw_series, drawing, mark_tens
from strokecurve.kinematics.intended.outcome import FlowBand

DAMPER_PEN = Pen("#0072B2", "-", 2.4, "")


def damper_figure(worked: Worked) -> Figure:
    """Air against damper travel with its band, the readings, and where the targets lie on it.

    Parameters
    ----------
    worked : Worked

    Returns
    -------
    Figure
    """
    found = worked.found
    damper = worked.linkage.split(":")[1]
    with drawing(
        f"Air against travel of {damper}", f"{damper} travel (°)", "air, as a share of that at most fuel"
    ) as (figure, axes):
        _band(axes, found.damper, f"{damper}, from the readings", DAMPER_PEN)
        flow = found.burned.flow
        axes.errorbar(
            np.degrees(found.readings.damper_rad),
            flow.air,
            xerr=BAND_SIGMAS
            * np.degrees(_unsure(found.readings.sigma_damper_rad, found.readings.half_gap_rad)),
            yerr=BAND_SIGMAS * np.hypot(flow.sigma_random, flow.sigma_common),
            linestyle="",
            marker="o",
            color=INK,
            label="as read",
        )
        travel = found.wanted.damper_rad
        known = np.isfinite(travel)
        axes.plot(
            np.degrees(travel[known]),
            np.interp(travel[known], found.damper.travel_rad, found.damper.flow),
            linestyle="",
            marker="D",
            markersize=8,
            markerfacecolor="none",
            markeredgecolor=PENS["closing"].colour,
            markeredgewidth=2,
            label="intended",
        )
        axes.set_ylim(bottom=0)
        mark_tens(axes, y_axis=False)
        axes.legend(loc="upper left")
        return figure


def _unsure(sigma_rad: NDArray[np.float64], half_gap_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard deviation of a travel, lost motion included as a rectangular distribution (GUM 4.3.7)."""
    return np.asarray(np.hypot(sigma_rad, half_gap_rad / np.sqrt(3)))


def _band(axes: Axes, band: FlowBand, label: str, pen: Pen) -> None:
    travel = np.degrees(band.travel_rad)
    spread = np.exp(BAND_SIGMAS * band.sigma_rel)
    axes.fill_between(
        travel, band.flow / spread, band.flow * spread, color=pen.colour, alpha=0.25, linewidth=0
    )
    draw_series(axes, travel, band.flow, label, pen)
