"""Draws the figures of method.md with the project's own code: ``python docs/draw_figures.py``."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Arc

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from strokecurve.app.result.plots import PENS, SHAFT_PENS, draw_series, drawing
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.play import engage
from strokecurve.vision.edges.edge_light import blurred_step
from strokecurve.vision.edges.light import light_of_levels

FOLDER = Path(__file__).resolve().parent / "figures"
DPI = 110
EXAMPLE = FourBar.from_start_angles(60.0, 75.0, 200.0, math.radians(40), math.radians(70))


def edge() -> Figure:
    """An edge in stored numbers and in light."""
    z = np.linspace(-3, 3, 241)
    ink, paper, blur_px = 0.05, 0.75, 0.9
    light = ink + (paper - ink) * blurred_step((z / blur_px).astype(np.float32))
    levels = light_of_levels(8, full_range=False)
    stored = np.interp(light, levels, np.arange(256))
    low, high = np.interp([ink, paper], levels, np.arange(256))
    with drawing("Where an edge seems to lie", "distance from the true edge (px)", "from ink to paper") as (
        figure,
        axes,
    ):
        draw_series(axes, z, (light - ink) / (paper - ink), "light", SHAFT_PENS[0])
        draw_series(axes, z, (stored - low) / (high - low), "stored numbers", SHAFT_PENS[1])
        seems = float(np.interp(0.5, (stored - low) / (high - low), z))
        axes.plot([seems], [0.5], "o", color=SHAFT_PENS[1].colour)
        axes.annotate(
            f"half way in numbers:\n{seems:.2f} px",
            (seems, 0.5),
            (-2.9, 0.62),
            arrowprops={"arrowstyle": "-"},
        )
        axes.axvline(0, color="#888888", linewidth=0.8)
        axes.legend(loc="lower right")
    return figure


def linkage() -> Figure:
    """A four-bar with the angles that are reported."""
    with drawing("One linkage at low fire", "mm along the line of centres", "mm") as (figure, axes):
        a, c, d = EXAMPLE.drive_radius_mm, EXAMPLE.driven_radius_mm, EXAMPLE.spacing_mm
        drive, driven = math.radians(40), math.radians(70)
        pin_a = a * np.array([math.cos(drive), math.sin(drive)])
        pin_b = np.array([d, 0]) + c * np.array([math.cos(driven), math.sin(driven)])
        axes.plot([-25, d + 45], [0, 0], color="#888888", linewidth=0.9, linestyle=(0, (8, 3, 2, 3)))
        for xy, pen, name, shift in (
            (((0, 0), pin_a), SHAFT_PENS[0], "drive arm", (-64, 4)),
            (((d, 0), pin_b), SHAFT_PENS[1], "driven arm", (8, -4)),
            ((pin_a, pin_b), SHAFT_PENS[2], "rod", (0, 8)),
        ):
            x, y = zip(*xy, strict=True)
            axes.plot(x, y, color=pen.colour, linestyle=pen.style, linewidth=3.5)
            axes.text(np.mean(x) + shift[0], np.mean(y) + shift[1], name, color=pen.colour)
        for at in ((0, 0), (d, 0)):
            axes.plot(*at, "o", color="#111111", markersize=9)
        for at in (pin_a, pin_b):
            axes.plot(*at, "o", color="#111111", markersize=6, markerfacecolor="white")
        rod = math.atan2(*(pin_b - pin_a)[::-1])
        _angle(axes, (0, 0), 30, 0, drive, "drive start", (32, 4))
        _angle(axes, (d, 0), 24, 0, driven, "driven start", (d + 24, 14))
        _angle(
            axes, pin_b, 26, driven + math.pi, rod + math.pi, "transmission\nangle", np.add(pin_b, (-86, -40))
        )
        _angle(axes, pin_a, 18, rod, drive + math.pi, "drive angle", np.add(pin_a, (20, -16)))
        axes.set_aspect("equal")
        axes.set_xlim(-60, d + 90)
        axes.set_ylim(-25, 115)
    return figure


def _angle(
    axes: Axes, at: object, radius: float, first: float, second: float, name: str, text: object
) -> None:
    low, high = sorted((math.degrees(first), math.degrees(second)))
    if high - low > 180:
        low, high = high, low + 360
    axes.add_patch(Arc(at, 2 * radius, 2 * radius, theta1=low, theta2=high, color="#111111", linewidth=1.1))
    axes.text(*text, name, fontsize=9.5)


def lost_motion() -> Figure:
    """Both passes of a linkage with play."""
    time = np.linspace(0, 1, 721)
    driver = np.radians(90) * np.interp(time, [0, 0.06, 0.47, 0.53, 0.94, 1], [0, 0, 1, 1, 0, 0])
    slack = math.radians(6)
    ideal = EXAMPLE.driven_angle(driver + math.radians(40)) - math.radians(70)
    play = engage(ideal, slack, 0.0)
    driven = ideal[play.source] - slack * play.opened
    opening = time < 0.5
    with drawing("Lost motion (6° here, to be seen)", "driver travel (°)", "driven travel (°)") as (
        figure,
        axes,
    ):
        degrees = np.degrees(driver), np.degrees(driven)
        draw_series(axes, degrees[0][opening], degrees[1][opening], "opening", PENS["opening"])
        draw_series(axes, degrees[0][~opening], degrees[1][~opening], "closing", PENS["closing"])
        axes.annotate("take-up", (9, 0.1), (22, 1.2), arrowprops={"arrowstyle": "-"})
        axes.annotate("take-up", (88, degrees[1].max()), (60, 62), arrowprops={"arrowstyle": "-"})
        axes.legend(loc="upper left")
    return figure


def alike() -> Figure:
    """Very different linkages with nearly the same travel curve."""
    travel = np.linspace(0, 90, 91)
    turned = np.radians(travel)
    curve = _travel(EXAMPLE, 40, 70, turned)
    with drawing("Same curve, other linkages", "driver travel (°)", "difference in driven travel (°)") as (
        figure,
        axes,
    ):
        for share, pen in zip((0.7, 0.85, 1.2), SHAFT_PENS, strict=False):
            a, c, first, second, off = _nearest(share * EXAMPLE.drive_radius_mm, turned, curve)
            label = f"radii {a:.0f} and {c:.0f} mm, starts {first:.0f}° and {second:.0f}°"
            draw_series(axes, travel, np.degrees(off), label, pen)
        axes.set_ylim(-0.02, 0.03)
        axes.legend(loc="upper center", fontsize=9, title="against 60 and 75 mm, 40° and 70°")
    return figure


def _travel(four_bar: FourBar, first_deg: float, second_deg: float, turned: np.ndarray) -> np.ndarray:
    return np.asarray(four_bar.driven_angle(math.radians(first_deg) + turned)) - math.radians(second_deg)


def _nearest(
    drive_mm: float, turned: np.ndarray, curve: np.ndarray
) -> tuple[float, float, float, float, np.ndarray]:
    """The linkage with another drive radius whose curve comes nearest, spacing as it is."""
    from scipy.optimize import least_squares

    def off(x: np.ndarray) -> np.ndarray:
        four_bar = FourBar.from_start_angles(
            drive_mm, x[0], EXAMPLE.spacing_mm, math.radians(x[1]), math.radians(x[2])
        )
        return _travel(four_bar, x[1], x[2], turned) - curve

    start = [drive_mm * EXAMPLE.driven_radius_mm / EXAMPLE.drive_radius_mm, 40, 70]
    found = least_squares(off, start)
    return drive_mm, *(float(v) for v in found.x), found.fun


def in_line() -> Figure:
    """Angles between rod and arms over a stroke."""
    travel = np.linspace(-10, 100, 221)
    drive = math.radians(40) + np.radians(travel)
    with drawing("How far rod and arms stay from one line", "driver travel (°)", "angle (°)") as (
        figure,
        axes,
    ):
        for angle, label, pen in (
            (EXAMPLE.drive_angle(drive), "drive angle", SHAFT_PENS[0]),
            (EXAMPLE.transmission_angle(drive), "transmission angle", SHAFT_PENS[1]),
        ):
            draw_series(axes, travel, np.degrees(np.minimum(angle, math.pi - angle)), label, pen)
        for limit, name in ((30, "caution"), (15, "danger")):
            axes.axhline(limit, color="#888888", linewidth=0.9, linestyle=(0, (4, 3)))
            axes.text(-9, limit + 1.5, name, fontsize=9.5)
        axes.axvspan(0, 90, color="#eeeeee", zorder=0)
        axes.text(2, 3, "the stroke", fontsize=9.5)
        axes.set_ylim(0, 95)
        axes.legend(loc="lower right")
    return figure


def main() -> None:
    """Draw every figure."""
    FOLDER.mkdir(exist_ok=True)
    for draw in (edge, linkage, lost_motion, alike, in_line):
        draw().savefig(FOLDER / f"{draw.__name__.replace('_', '-')}.png", dpi=DPI)


if __name__ == "__main__":
    main()
