"""One linkage setting to scale: arms, rod, line of centres, its stroke and its margins to toggle."""

from __future__ import annotations

import math
import textwrap

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from strokecurve.app.adjust.known_linkage import KnownLinkage
from strokecurve.app.adjust.stroke_ends import Pins, StrokeEnd, pins_of, values_of
from strokecurve.app.result.plots import DPI, GRID, INK, STYLE, Pen
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.kinematics.adjust.setting import LinkageSetting

Array = NDArray[np.float64]
Window = tuple[float, float, float, float]
"""Left, right, bottom, top in mm."""

DRIVE_PEN = Pen("#0072B2", "-", 5.0, "")
DRIVEN_PEN = Pen("#B34700", "-", 5.0, "")
ROD_PEN = Pen(INK, "-", 2.2, "")
FAINT = "#8a8a8a"
NEAR_TOGGLE_RAD = math.radians(45.0)
"""The in-line position is drawn up to so far beyond an end: no switch lets a motor run further, and its pose
would only hide what matters."""
_BAR_MM = (10, 20, 50, 100, 200, 500)
_PANEL_IN = 4.4
"""As wide as the other pictures of the page nearly, so that words keep their size on a phone."""
_TALLEST = 1.3
"""A panel is at most so many times as tall as it is wide."""
_ROOM = 0.16  # of the linkage's reach, so that arcs and words have their place
_WORDS_PT = 10.0
_LINE_SIGNS = 44  # of these words in a panel's width
_STEPS = 61  # of an arc
_SHORT_OF = 1e-9  # of the travel to toggle: at toggle itself rounding may leave the linkage open


def window_about(places: Pins, share: float = 0.1) -> Window:
    """One window that holds all places with a share of their reach as room, twice as much below for words."""
    every = places[np.isfinite(places)]
    room = share * float(max(np.ptp(every.real), np.ptp(every.imag)))
    return (
        float(every.real.min() - room),
        float(every.real.max() + room),
        float(every.imag.min() - 2 * room),
        float(every.imag.max() + room),
    )


def draw_arms(axes: Axes, pins: Pins, faint: str = "") -> None:
    """Arms, rod, centres and pins of one position; with ``faint``, its name, only thin dashed lines."""
    if not np.isfinite(pins).all():
        axes.text(0.5, 0.5, "cannot close here", transform=axes.transAxes, ha="center")
        return
    parts = ((0, 1, DRIVE_PEN, "drive arm"), (1, 2, ROD_PEN, "rod"), (2, 3, DRIVEN_PEN, "driven arm"))
    for first, last, pen, name in parts:
        ends = pins[[first, last]]
        axes.plot(
            ends.real,
            ends.imag,
            color=FAINT if faint else pen.colour,
            linestyle=(0, (3, 1.5)) if faint else pen.style,
            linewidth=1.4 if faint else pen.width,
            solid_capstyle="round",
            label=(faint if first == 1 else "_") if faint else name,
        )
    if not faint:
        axes.plot(pins[[0, 3]].real, pins[[0, 3]].imag, color=GRID, linewidth=1, linestyle=":", label="_")
        for k, size in ((0, 11), (3, 11), (1, 6), (2, 6)):
            axes.plot(
                pins[k].real, pins[k].imag, marker="o", markersize=size, color="white", markeredgecolor=INK,
                markeredgewidth=1.8, linestyle="", label="_",
            )  # fmt: skip


def frame_panel(axes: Axes, window: Window, title: str, note: str, size_pt: float = 8.5) -> None:
    """One panel to the scale of its window, with words in its lower corner."""
    axes.set_title(title, fontsize=10)
    axes.set_xlim(window[0], window[1])
    axes.set_ylim(window[2], window[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(True)
        side.set_color(GRID)
    axes.text(0.02, 0.02, note, transform=axes.transAxes, fontsize=size_pt, va="bottom")


def draw_length(axes: Axes, window: Window) -> None:
    """A length to scale."""
    wide = window[1] - window[0]
    length = max((one for one in _BAR_MM if one <= 0.3 * wide), default=_BAR_MM[0])
    end, level = window[1] - 0.04 * wide, window[2] + 0.05 * (window[3] - window[2])
    axes.plot([end - length, end], [level, level], color=INK, linewidth=3, label="_")
    axes.text(end - length / 2, level, f"{length} mm", ha="center", va="bottom", fontsize=8.5)


def margin_words(end: StrokeEnd) -> tuple[str, str, str]:
    """Margins of one end in words: at either arm, and what is left beyond the end."""
    at_drive, at_driven = (
        format_estimate(math.degrees(value), math.degrees(sd), "deg")
        for value, sd in ((end.drive_rad, end.drive_sd_rad), (end.driven_rad, end.driven_sd_rad))
    )
    return (
        f"rod to drive arm {at_drive}",
        f"rod to driven arm {at_driven}",
        f"left to toggle {left_words(end)}",
    )


def _note(end: StrokeEnd) -> str:
    """The margins as lines that fit into a panel, however much is said of a figure."""
    return "\n".join(line for words in margin_words(end) for line in textwrap.wrap(words, _LINE_SIGNS))


def left_words(end: StrokeEnd) -> str:
    """Driver travel left to toggle beyond one end."""
    if end.toggle_rad is None:
        return "none within half a turn"
    left = format_estimate(math.degrees(end.left_rad), math.degrees(end.toggle_sd_rad), "deg")
    return f"{left}, {end.toggle_arm} arm"


def setting_figure(known: KnownLinkage, ends: tuple[StrokeEnd, ...], bearing_rad: float | None) -> Figure:
    """A linkage as it is set, to scale, at each end of its stroke, with its margins to toggle.

    Parameters
    ----------
    known : KnownLinkage
    ends : tuple of StrokeEnd
        Low fire first.
    bearing_rad : float or None
        Direction of the line of centres as the camera sees it; None draws it level.

    Returns
    -------
    Figure
        A panel for each end, below each other, all to one scale.
    """
    turn = np.exp(1j * (bearing_rad or 0.0))
    setting = known.setting
    arcs = [arc * turn for arc in _travel_arcs(setting)]
    poses = [_pose(setting, end.travel_rad) * turn for end in ends]
    toggles = [None if at is None else _pose(setting, at) * turn for at in map(_near_toggle, ends)]
    every = [*arcs, *poses, *(one for one in toggles if one is not None)]
    window = _wide_enough(window_about(np.concatenate(every), _ROOM))
    with mpl.rc_context(STYLE):
        tall = _PANEL_IN * (window[3] - window[2]) / (window[1] - window[0])
        size = (_PANEL_IN, len(ends) * (tall + 0.35) + 1.2)
        figure = Figure(figsize=size, dpi=DPI, layout="constrained")
        seen = "as the camera sees it" if bearing_rad is not None else "line of centres drawn level"
        figure.suptitle(f"To scale, {seen}", fontsize=11, fontweight="bold")
        panels = figure.subplots(len(ends), 1, squeeze=False)[:, 0]
        for axes, end, pose, toggle in zip(panels, ends, poses, toggles, strict=True):
            _draw_travel(axes, arcs)
            if toggle is not None:
                draw_arms(axes, toggle, "in line (toggle)")
            draw_arms(axes, pose)
            _name_shafts(axes, pose)
            _draw_margins(axes, pose, 0.1 * (window[1] - window[0]))
            title = f"{end.name}, driver travel {format_exact(math.degrees(end.travel_rad), 'deg')}"
            frame_panel(axes, window, title, _note(end), _WORDS_PT)
        draw_length(panels[-1], window)
        handles = {
            label: h for axes in panels for h, label in zip(*axes.get_legend_handles_labels(), strict=True)
        }
        figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=2, fontsize=9.5)
        return figure


def _wide_enough(window: Window) -> Window:
    """The same window, wider if it would be too tall for its words."""
    left, right, bottom, top = window
    lacking = max((top - bottom) / _TALLEST - (right - left), 0.0)
    return left - lacking / 2, right + lacking / 2, bottom, top


def _pose(setting: LinkageSetting, travel_rad: float) -> Pins:
    return pins_of(values_of(setting), setting.opening_sign, travel_rad)


def _near_toggle(end: StrokeEnd) -> float | None:
    """Travel at which the in-line position beyond an end is drawn; None if there is none near."""
    if end.toggle_rad is None or abs(end.toggle_rad - end.travel_rad) > NEAR_TOGGLE_RAD:
        return None
    return end.travel_rad + (1 - _SHORT_OF) * (end.toggle_rad - end.travel_rad)


def _travel_arcs(setting: LinkageSetting) -> list[Pins]:
    """Ways of both pins over the stroke."""
    poses = np.stack([_pose(setting, at) for at in np.linspace(0, setting.stroke_rad, _STEPS)])
    return [poses[:, 1], poses[:, 2]]


def _draw_travel(axes: Axes, arcs: list[Pins]) -> None:
    for number, arc in enumerate(arcs):
        label = "_" if number else "pins, low to high fire"
        axes.plot(arc.real, arc.imag, color=INK, linewidth=1.3, linestyle=(0, (1, 1.6)), label=label)


def _name_shafts(axes: Axes, pose: Pins) -> None:
    """Which shaft drives, in words: the arms are not told apart by their colours alone."""
    for centre, name in ((pose[0], "driver"), (pose[3], "driven")):
        axes.annotate(
            name, (centre.real, centre.imag), xytext=(0, -9), textcoords="offset points",
            ha="center", va="top", fontsize=9,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        )  # fmt: skip


def _draw_margins(axes: Axes, pose: Pins, radius_mm: float) -> None:
    """The angle between rod and each arm line as an arc, beyond the pin where it is nearer there."""
    for pin, centre, other, pen in (
        (pose[1], pose[0], pose[2], DRIVE_PEN),
        (pose[2], pose[3], pose[1], DRIVEN_PEN),
    ):
        along, rod = (centre - pin) / abs(centre - pin), (other - pin) / abs(other - pin)
        if (rod / along).real < 0:
            along = -along
            beyond = np.array([pin, pin + 1.5 * radius_mm * along])
            axes.plot(beyond.real, beyond.imag, color=pen.colour, linewidth=1.0, label="_")
        arc = pin + radius_mm * along * np.exp(1j * np.linspace(0, np.angle(rod / along), _STEPS))
        label = "rod to arm line" if pen is DRIVE_PEN else "_"
        axes.plot(arc.real, arc.imag, color=pen.colour, linewidth=1.6, label=label)
