"""Draws the pictures of filming.md and of the page: a good set-up, and what spoils one.

``python docs/draw_setups.py``. The scene is the invented one of the sample clips, rendered as a phone would
film it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sample_media.develop import quantise
from sample_media.make_samples import as_found
from sample_media.presets import change
from sample_media.render import Renderer
from sample_media.scene import Occluder

FOLDER = Path(__file__).resolve().parent / "figures"
PAGE = Path(__file__).resolve().parents[1] / "app" / "page"
"""The page shows the good one."""
DPI = 110
MOMENT_S = 2.6
"""In the middle of opening, so that what moves is blurred if the exposure is long."""
GOOD, BAD = "#00664A", "#B34700"
LEVELS = (16, 235)
"""Black and white of video."""


@dataclass(frozen=True)
class View:
    """One picture: what is said of it, and how its scene differs from the good one."""

    words: str
    changes: dict[str, Any] = field(default_factory=dict)


SPOILED = (
    View("seen from the side:\nstand in front of the card", {"camera": {"azimuth_deg": 52.0}}),
    View("card cut off:\neverything in view, all the time", {"camera": {"target_mm": (-10.0, 62.0, 0.0)}}),
    View("too far away: markers too small;\n0.5 to 1 m, or 4K", {"camera": {"distance_mm": 2300.0}}),
    View(
        "a hand before a marker:\nkeep clear of everything that moves",
        {"occluders": (Occluder(0.0, 20.0, (-152.0, 68.0), from_deg=250.0),)},
    ),
    View(
        "glare on the paper:\nlight from the side",
        {"picture": {"glare_mm": (20.0, 78.0), "glare_radius_mm": 42.0, "glare_strength": 1.6}},
    ),
    View(
        "dark and shaken:\na lamp, a stand",
        {
            "picture": {"gain": 0.22, "noise_levels": 7.0, "blur_px": 2.2, "exposure_s": 0.06},
            "camera": {"shake_mm": 9.0, "shake_deg": 1.5},
        },
    ),
)
NAMES = {
    0: "card: 0 top left",
    10: "10 motor arm",
    11: "11 arm",
    12: "12 arm",
    20: "20 rod",
    21: "21 rod",
}
"""Few words: a phone shows the picture at a third of its size."""
TEXT_AT = {
    0: (0.02, 0.83),
    10: (0.02, 0.2),
    11: (0.43, 0.07),
    12: (0.82, 0.18),
    20: (0.24, 0.07),
    21: (0.65, 0.07),
}
"""Where the words stand, as shares of the width from the left and of the height from the top."""


def rendered(view: View) -> tuple[Renderer, NDArray[np.uint8]]:
    """A view and its picture, (H, W)."""
    renderer = Renderer(change(as_found(), **view.changes))
    return renderer, np.asarray(quantise(renderer.luma(MOMENT_S, noise_seed=1)), dtype=np.uint8)


def put(axes: Axes, picture: NDArray[np.uint8], colour: str) -> None:
    """Show a picture in a frame."""
    axes.imshow(picture, cmap="gray", vmin=LEVELS[0], vmax=LEVELS[1], interpolation="antialiased")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(visible=True, color=colour, linewidth=4)


def good_setup() -> Figure:
    """The whole set-up, every marker named."""
    renderer, picture = rendered(View("good"))
    height, width = picture.shape
    figure = Figure(figsize=(8.8, 5.3), layout="constrained")
    axes = figure.subplots()
    put(axes, picture, GOOD)
    for number, corners in renderer.marker_corners_px(MOMENT_S).items():
        if number not in NAMES:
            continue
        at = corners.mean(axis=0)
        left, top = TEXT_AT[number]
        axes.annotate(
            NAMES[number],
            at,
            (left * width, top * height),
            fontsize=18,
            color="#111111",
            bbox={"boxstyle": "round,pad=0.25", "facecolor": "white", "edgecolor": "#111111"},
            arrowprops={"arrowstyle": "-|>", "color": "#111111", "linewidth": 1.6, "shrinkB": 16},
        )
    return figure


def spoiled_setups() -> Figure:
    """What spoils a film, one picture each."""
    figure = Figure(figsize=(8.8, 8.8), layout="constrained")
    for axes, view in zip(figure.subplots(3, 2).flat, SPOILED, strict=True):
        put(axes, rendered(view)[1], BAD)
        axes.set_title(f"Not so: {view.words}", fontsize=10, fontweight="bold", color=BAD, loc="left")
    return figure


def main() -> None:
    """Draw both."""
    save(good_setup(), PAGE / "good-setup.jpg")
    save(spoiled_setups(), FOLDER / "spoiled-setups.jpg")


def save(figure: Figure, path: Path) -> None:
    """Write a picture."""
    figure.savefig(path, dpi=DPI, pil_kwargs={"quality": 82})


if __name__ == "__main__":
    main()
