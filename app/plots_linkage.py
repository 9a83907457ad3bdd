"""An adjustment in pictures: the linkage to scale before and after, and its travel."""

from __future__ import annotations

import math

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from app.adjust import Adjusted
from app.plots import BAND_SIGMAS, DPI, GRID, INK, PENS, STYLE, Pen, draw_series, drawing, mark_tens
from kinematics.adjust_model import wanted_at
from kinematics.adjust_outcome import Outcome
from kinematics.adjust_setting import ADJUST_DEFAULTS, LinkageSetting

Array = NDArray[np.float64]

FOUND_PEN = Pen("#B34700", (0, (6, 2)), 2.4, "v")
AFTER_PEN = Pen("#0072B2", "-", 2.6, "^")
DRIVE_PEN = Pen("#0072B2", "-", 5.0, "")
DRIVEN_PEN = Pen("#B34700", "-", 5.0, "")
ROD_PEN = Pen(INK, "-", 2.2, "")
PLACES = (("low fire", 0.0), ("middle", 0.5), ("high fire", 1.0))
_FAINT = "#a8a8a8"
_BAR_MM = (10, 20, 50, 100, 200, 500)
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
        axes.fill_between(
            x, y - BAND_SIGMAS * sd, y + BAND_SIGMAS * sd, color=pen.colour, alpha=0.25, linewidth=0
        )
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
    window = _window([outcome for _, outcome in rows], bearing)
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
                    _arms(axes, _pins(found, share, bearing), faint=True)
                _arms(axes, _pins(outcome, share, bearing), faint=False)
                _panel(axes, window, f"{name}, {place}", _travels(outcome, share, subject.linkage.name))
            if not narrow:
                _sizes(line[1], outcome)
        _bar(panels[-1][-1], window)
        handles, labels = panels[-1][-1].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=2 if narrow else 4)
        return figure


# ---- parts -----------------------------------------------------------------------------------------------


def _pins(outcome: Outcome, share: float, bearing_rad: float) -> Array:
    """Driver centre, drive pin, driven pin, driven centre as complex numbers (mm)."""
    setting: LinkageSetting = outcome.setting
    travel = share * setting.stroke_rad
    turned = float(setting.turned(np.array([travel]))[0])
    drive = setting.drive_start_rad + setting.opening_sign * travel
    driven = setting.driven_start_rad + turned
    places = np.array(
        [
            0.0,
            setting.drive_radius_mm * np.exp(1j * drive),
            setting.spacing_mm + setting.driven_radius_mm * np.exp(1j * driven),
            setting.spacing_mm,
        ]
    )
    return np.asarray(places * np.exp(1j * bearing_rad))


def _window(outcomes: list[Outcome], bearing_rad: float) -> tuple[float, float, float, float]:
    """One window for all panels, so that all have one scale."""
    every = np.concatenate([_pins(o, share, bearing_rad) for o in outcomes for _, share in PLACES])
    every = every[np.isfinite(every)]
    room = 0.1 * float(max(np.ptp(every.real), np.ptp(every.imag)))
    return (
        float(every.real.min() - room),
        float(every.real.max() + room),
        float(every.imag.min() - 2 * room),
        float(every.imag.max() + room),
    )


def _arms(axes: Axes, pins: Array, faint: bool) -> None:
    if not np.isfinite(pins).all():
        axes.text(0.5, 0.5, "cannot close here", transform=axes.transAxes, ha="center")
        return
    parts = ((0, 1, DRIVE_PEN, "drive arm"), (1, 2, ROD_PEN, "rod"), (2, 3, DRIVEN_PEN, "driven arm"))
    for first, last, pen, name in parts:
        ends = pins[[first, last]]
        axes.plot(
            ends.real,
            ends.imag,
            color=_FAINT if faint else pen.colour,
            linestyle=(0, (3, 1.5)) if faint else pen.style,
            linewidth=1.4 if faint else pen.width,
            solid_capstyle="round",
            label="as found at the same firing position"
            if faint and first == 1
            else ("_" if faint else name),
        )
    if not faint:
        axes.plot(pins[[0, 3]].real, pins[[0, 3]].imag, color=GRID, linewidth=1, linestyle=":", label="_")
        for k, size in ((0, 11), (3, 11), (1, 6), (2, 6)):
            axes.plot(
                pins[k].real, pins[k].imag, marker="o", markersize=size, color="white", markeredgecolor=INK,
                markeredgewidth=1.8, linestyle="", label="_",
            )  # fmt: skip


def _panel(axes: Axes, window: tuple[float, float, float, float], title: str, note: str) -> None:
    axes.set_title(title, fontsize=10)
    axes.set_xlim(window[0], window[1])
    axes.set_ylim(window[2], window[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(True)
        side.set_color(GRID)
    axes.text(0.02, 0.02, note, transform=axes.transAxes, fontsize=8.5, va="bottom")


def _travels(outcome: Outcome, share: float, name: str) -> str:
    setting = outcome.setting
    travel = share * setting.stroke_rad
    curve = outcome.curve
    driven = float(np.interp(travel, curve.driver_rad, curve.driven_rad))
    driver_name, driven_name = name.split(":")
    bar, drive = setting.four_bar(), setting.drive_start_rad + setting.opening_sign * travel
    if not bar.closes(drive).all():
        return f"{driver_name} {math.degrees(travel):.0f}°"
    lines = [float(one(drive)) for one in (bar.drive_angle, bar.transmission_angle)]
    at_drive, at_driven = (math.degrees(min(one, math.pi - one)) for one in lines)
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


def _bar(axes: Axes, window: tuple[float, float, float, float]) -> None:
    """A length to scale."""
    wide = window[1] - window[0]
    length = max((one for one in _BAR_MM if one <= 0.3 * wide), default=_BAR_MM[0])
    end, level = window[1] - 0.04 * wide, window[2] + 0.05 * (window[3] - window[2])
    axes.plot([end - length, end], [level, level], color=INK, linewidth=3, label="_")
    axes.text(end - length / 2, level, f"{length} mm", ha="center", va="bottom", fontsize=8.5)
