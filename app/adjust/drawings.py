"""An adjustment in pictures: the linkage to scale before and after, and its travel."""

from __future__ import annotations

import math

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from strokecurve.app.adjust.proposals import Adjusted
from strokecurve.app.adjust.setting_drawing import draw_arms, draw_length, frame_panel, window_about
from strokecurve.app.adjust.stroke_ends import Pins, pins_of, values_of
from strokecurve.app.result.plots import DPI, PENS, STYLE, Pen, draw_band, draw_series, drawing, mark_tens
from strokecurve.kinematics.adjust.model import wanted_at
from strokecurve.kinematics.adjust.outcome import Outcome
from strokecurve.kinematics.adjust.setting import ADJUST_DEFAULTS

Array = NDArray[np.float64]

FOUND_PEN = Pen("#B34700", (0, (6, 2)), 2.4, "v")
AFTER_PEN = Pen("#0072B2", "-", 2.6, "^")
PLACES = (("low fire", 0.0), ("middle", 0.5), ("high fire", 1.0))
_POINTS = 181  # of the intended curve
_PANEL_IN = 3.5
_NARROW_PANEL_IN = 2.6  # two of them beside each other keep their words readable on a phone


def adjusted_figure(adjusted: Adjusted) -> Figure:
    """Travel as found, as intended and after the adjustment, with the band of what is known.

    Parameters
    ----------
    adjusted : Adjusted

    Returns
    -------
    Figure
    """
    subject = adjusted.subject
    driver, driven = subject.linkage.name.split(":")
    with drawing(f"{driven} against {driver}: adjusted", f"{driver} travel (°)", f"{driven} travel (°)") as (
        figure,
        axes,
    ):
        wanted = adjusted.intended
        rows = np.linspace(wanted.driver_rad[0], wanted.driver_rad[-1], _POINTS)
        at, value = np.degrees(rows), np.degrees(wanted_at(wanted, rows, ADJUST_DEFAULTS)[0])
        tolerance = np.degrees(wanted.tolerance_at(rows))
        if np.isfinite(tolerance).any():
            axes.fill_between(
                at, value - tolerance, value + tolerance, color="#808080", alpha=0.25, linewidth=0,
                label="tolerance",
            )  # fmt: skip
        _curve(axes, adjusted.proposals.found, "as found", FOUND_PEN)
        if adjusted.proposal is not None and adjusted.proposal.touched:
            _curve(axes, adjusted.proposal.outcome, "after, predicted", AFTER_PEN)
        draw_series(axes, at, value, "intended", PENS["intended"])
        mark_tens(axes)
        axes.legend(loc="upper left")
        return figure


def _curve(axes: Axes, outcome: Outcome, label: str, pen: Pen) -> None:
    curve = outcome.curve
    x, y, sd = (np.degrees(v) for v in (curve.driver_rad, curve.driven_rad, curve.sd_rad))
    if np.isfinite(sd).all():
        draw_band(axes, x, y, sd, pen.colour)
    draw_series(axes, x, y, label, pen, mark_every=10.0)


def linkage_figure(adjusted: Adjusted, narrow: bool = False) -> Figure:
    """The linkage to scale at low, middle and high fire, as found and, below, after the adjustment.

    Parameters
    ----------
    adjusted : Adjusted
    narrow : bool
        For a phone: the places below each other, as found and after side by side.

    Returns
    -------
    Figure
    """
    subject, found = adjusted.subject, adjusted.proposals.found
    rows: list[tuple[str, Outcome]] = [("as found", found)]
    if adjusted.proposal is not None:
        rows.append(("after", adjusted.proposal.outcome))
    bearing = subject.linkage.bearing_rad
    poses = [_pins(outcome, share, bearing) for _, outcome in rows for _, share in PLACES]
    window = window_about(np.concatenate(poses))
    with mpl.rc_context(STYLE):
        wide = _NARROW_PANEL_IN if narrow else _PANEL_IN
        tall = wide * (window[3] - window[2]) / (window[1] - window[0])
        across, down = (len(rows), len(PLACES)) if narrow else (len(PLACES), len(rows))
        size = (across * wide, down * (tall + 0.75) + 0.8)
        figure = Figure(figsize=size, dpi=DPI, layout="constrained")
        panels = figure.subplots(down, across, squeeze=False)
        panels = panels.T if narrow else panels
        figure.suptitle(
            f"{subject.linkage.name}, to scale, as the camera sees it"
            if subject.source != "tape measures"
            else f"{subject.linkage.name}, to scale, line of centres drawn level",
            fontweight="bold",
        )
        for line, (name, outcome) in zip(panels, rows, strict=True):
            for axes, (place, share) in zip(line, PLACES, strict=True):
                if outcome is not found:
                    draw_arms(axes, _pins(found, share, bearing), "as found at the same firing position")
                draw_arms(axes, _pins(outcome, share, bearing))
                frame_panel(axes, window, f"{name}, {place}", _travels(outcome, share, subject.linkage.name))
            if not narrow:
                _sizes(line[1], outcome)
        draw_length(panels[-1][-1], window)
        handles, labels = panels[-1][-1].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=2 if narrow else 4)
        return figure


# ---- parts -----------------------------------------------------------------------------------------------


def _pins(outcome: Outcome, share: float, bearing_rad: float) -> Pins:
    """Pins and centres at a share of the stroke."""
    setting = outcome.setting
    pins = pins_of(values_of(setting), setting.opening_sign, share * setting.stroke_rad)
    return np.asarray(pins * np.exp(1j * bearing_rad))


def _travels(outcome: Outcome, share: float, name: str) -> str:
    setting = outcome.setting
    travel = share * setting.stroke_rad
    curve = outcome.curve
    driven = float(np.interp(travel, curve.driver_rad, curve.driven_rad))
    driver_name, driven_name = name.split(":")
    bar, drive = setting.four_bar(), setting.drive_start_rad + setting.opening_sign * travel
    if not bar.closes(drive).all():
        return f"{driver_name} {math.degrees(travel):.0f}°"
    pose = bar.pose(drive)
    at_drive, at_driven = (math.degrees(one) for one in (pose.drive_in_line_rad(), pose.driven_in_line_rad()))
    return (
        f"{driver_name} {math.degrees(travel):.0f}°, {driven_name} {math.degrees(driven):.1f}°\n"
        f"rod to arm line {at_drive:.0f}° and {at_driven:.0f}°"
    )


def _sizes(axes: Axes, outcome: Outcome) -> None:
    setting = outcome.setting
    axes.set_xlabel(
        f"drive arm {setting.drive_radius_mm:.1f} mm, driven arm {setting.driven_radius_mm:.1f} mm, "
        f"rod {outcome.rod_mm:.1f} mm, spacing {setting.spacing_mm:.1f} mm",
        fontsize=9.5,
    )
