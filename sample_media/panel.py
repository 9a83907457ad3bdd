"""The picture on the wall: a painted panel with labels, rivets, scratches, pipes and dark clutter.

All words are invented. Nothing here carries truth: it only has to look like a machine room.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_media.scene import Label

Picture8 = NDArray[np.uint8]

TEXELS_PER_MM = 2.5
HALF_SIZE_MM = (560, 400)
PANEL_HALF_MM = (330, 235)
CAPITAL_PX = 22.0  # height of a capital at scale 1
PANEL_DEPTH_MM = -3.0  # the plane of the panel, behind the card


@dataclass(frozen=True, slots=True)
class Panel:
    """Texture of the plane z = ``PANEL_DEPTH_MM``.

    Attributes
    ----------
    luma : (H, W) uint8
        Encoded grey; row 0 on top.
    blue, red : (H, W) uint8
        Colour differences, 128 is grey.
    """

    luma: Picture8
    blue: Picture8
    red: Picture8


def _texel(x_mm: float, y_mm: float) -> tuple[int, int]:
    """Texture pixel of a point on the panel."""
    return round((x_mm + HALF_SIZE_MM[0]) * TEXELS_PER_MM), round((HALF_SIZE_MM[1] - y_mm) * TEXELS_PER_MM)


def texture_from_panel() -> NDArray[np.float64]:
    """Matrix (2, 3) from panel x, y, 1 (mm) to texture pixels."""
    t = TEXELS_PER_MM
    return np.array([[t, 0, HALF_SIZE_MM[0] * t], [0, -t, HALF_SIZE_MM[1] * t]])


def _cloud(rng: np.random.Generator, shape: tuple[int, int], cell: int, size: float) -> NDArray[np.float32]:
    """Smooth random field."""
    coarse = rng.standard_normal((shape[0] // cell + 2, shape[1] // cell + 2)).astype(np.float32)
    return size * cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def _wall(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Painted block wall, BGR."""
    wall = np.empty((*shape, 3), np.float32)
    wall[:] = (104, 122, 128)
    block_w, block_h = round(120 * TEXELS_PER_MM), round(60 * TEXELS_PER_MM)
    for row, top in enumerate(range(0, shape[0], block_h)):
        for left in range(-(row % 2) * block_w // 2, shape[1], block_w):
            block = np.array([slice(max(left, 0), left + block_w), slice(top, top + block_h)])
            wall[block[1], block[0]] += rng.uniform(-9, 9)
            cv2.rectangle(wall, (left, top), (left + block_w, top + block_h), (78, 88, 92), 5)
    return wall + _cloud(rng, shape, 60, 4)[..., None]


def _pipes(canvas: NDArray[np.float32]) -> None:
    """Two round pipes beside and above the panel."""
    for horizontal, centre_mm, half_mm, colour in (
        (True, 292, 24, (52, 96, 150)),
        (False, -430, 34, (116, 118, 120)),
        (False, 420, 20, (60, 60, 58)),
    ):
        half = round(half_mm * TEXELS_PER_MM)
        across = np.linspace(-1, 1, 2 * half)
        sheen = (1.25 - 0.95 * np.abs(across + 0.3) ** 1.6).astype(np.float32)
        strip = sheen[:, None] * np.array(colour, np.float32)
        if horizontal:
            row = _texel(0, centre_mm)[1]
            canvas[max(row - half, 0) : row + half] = strip[max(half - row, 0) :, None, :]
        else:
            column = _texel(centre_mm, 0)[0]
            canvas[:, column - half : column + half] = strip[None]


def _plate(rng: np.random.Generator, canvas: NDArray[np.float32]) -> None:
    """The panel's sheet metal with its border, brushed and worn."""
    (x0, y0), (x1, y1) = (
        _texel(-PANEL_HALF_MM[0], PANEL_HALF_MM[1]),
        _texel(PANEL_HALF_MM[0], -PANEL_HALF_MM[1]),
    )
    shape = (y1 - y0, x1 - x0)
    brushed = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 9.0, sigmaY=0.6) * 7
    worn = _cloud(rng, shape, 220, 7) + _cloud(rng, shape, 50, 3) + brushed
    canvas[y0:y1, x0:x1] = np.array((124, 122, 104), np.float32) + worn[..., None]
    cv2.rectangle(canvas, (x0, y0), (x1, y1), (52, 52, 50), 10)
    cv2.rectangle(canvas, (x0 + 12, y0 + 12), (x1 - 12, y1 - 12), (150, 150, 138), 3)


def _scratches(rng: np.random.Generator, canvas: Picture8) -> None:
    """Scratches, rivets and small stains."""
    for _ in range(70):
        x, y = rng.uniform(-320, 320), rng.uniform(-225, 225)
        angle, length = rng.uniform(0, np.pi), rng.uniform(6, 38)
        tone = float(rng.choice([70, 165]))
        end = _texel(x + length * np.cos(angle), y + length * np.sin(angle))
        cv2.line(canvas, _texel(x, y), end, (tone, tone, tone - 6), int(rng.integers(1, 3)), cv2.LINE_AA)
    for x in range(-310, 311, 62):
        for y in (-222, 222):
            cv2.circle(canvas, _texel(x, y), 8, (70, 72, 70), -1, cv2.LINE_AA)
            cv2.circle(canvas, _texel(x - 0.6, y + 0.6), 5, (160, 160, 152), -1, cv2.LINE_AA)


def _words(rng: np.random.Generator, canvas: Picture8, labels: tuple[Label, ...]) -> None:
    """Stencilled words, engraved plates, dark rectangles and a gauge."""
    inks = [(60, 44, 30), (36, 34, 110), (40, 70, 34), (46, 46, 46)]
    for x, y, w, h, tone in (
        (-300, -60, 26, 26, 34),
        (250, 205, 34, 22, 30),
        (262, -150, 40, 40, 38),
        (-250, -200, 58, 20, 46),
        (205, -40, 18, 30, 42),
    ):
        cv2.rectangle(canvas, _texel(x, y), _texel(x + w, y - h), (tone, tone, tone), -1)
    for x, y in ((-318, 215), (170, -186)):
        cv2.rectangle(canvas, _texel(x, y), _texel(x + 92, y - 34), (196, 200, 200), -1)
        for row in range(4):
            length = float(rng.uniform(40, 84))
            cv2.line(
                canvas,
                _texel(x + 5, y - 7 - 7 * row),
                _texel(x + 5 + length, y - 7 - 7 * row),
                (60, 60, 60),
                3,
            )
    centre = _texel(282, 60)
    cv2.circle(canvas, centre, 84, (44, 46, 44), -1, cv2.LINE_AA)
    cv2.circle(canvas, centre, 70, (206, 210, 208), -1, cv2.LINE_AA)
    for tick in range(25):
        a = np.deg2rad(225 - 270 * tick / 24)
        inner, outer = (
            (round(centre[0] + r * np.cos(a)), round(centre[1] - r * np.sin(a))) for r in (56, 65)
        )
        cv2.line(canvas, inner, outer, (30, 30, 30), 2, cv2.LINE_AA)
    cv2.line(canvas, centre, (centre[0] + 30, centre[1] - 40), (30, 30, 170), 4, cv2.LINE_AA)
    for i, label in enumerate(labels):
        scale = label.height_mm * TEXELS_PER_MM / CAPITAL_PX
        place = _texel(label.x_mm, label.y_mm)
        cv2.putText(canvas, label.text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, inks[i % 4], 4, cv2.LINE_AA)


def _stripes(canvas: Picture8) -> None:
    """Yellow and black warning stripes on the panel's lower edge."""
    (x0, y0), (x1, y1) = _texel(-320, -206), _texel(-110, -226)
    rows, columns = np.mgrid[y0:y1, x0:x1]
    yellow = ((rows + columns) // 22) % 2 == 0
    canvas[y0:y1, x0:x1] = np.where(yellow[..., None], (30, 170, 200), (34, 34, 34))


def _cables(canvas: Picture8) -> None:
    """Two cables hanging across the panel."""
    share = np.linspace(0, 1, 60)
    for x0, y0, x1, y1, sag, width in ((-330, 40, -215, -235, 40, 13), (330, 0, 200, 235, -30, 9)):
        x = x0 + (x1 - x0) * share + sag * np.sin(np.pi * share)
        y = y0 + (y1 - y0) * share - abs(sag) * np.sin(np.pi * share)
        path = np.array([_texel(a, b) for a, b in zip(x, y, strict=True)], np.int32)
        cv2.polylines(
            canvas, [path + np.array([4, 6], np.int32)], False, (84, 84, 72), width + 4, cv2.LINE_AA
        )
        cv2.polylines(canvas, [path], False, (38, 36, 36), width, cv2.LINE_AA)
        cv2.polylines(
            canvas, [path - np.array([1, 2], np.int32)], False, (92, 90, 88), max(width // 4, 1), cv2.LINE_AA
        )


@lru_cache(maxsize=4)
def paint_panel(seed: int, labels: tuple[Label, ...]) -> Panel:
    """The panel's texture, the same for the same seed and labels.

    Parameters
    ----------
    seed : int
    labels : tuple of Label
        Words painted on it.

    Returns
    -------
    Panel
    """
    rng = np.random.default_rng(seed)
    shape = (round(2 * HALF_SIZE_MM[1] * TEXELS_PER_MM), round(2 * HALF_SIZE_MM[0] * TEXELS_PER_MM))
    surface = _wall(rng, shape)
    _pipes(surface)
    _plate(rng, surface)
    canvas = np.clip(surface, 0, 255).astype(np.uint8)
    _scratches(rng, canvas)
    _words(rng, canvas, labels)
    _stripes(canvas)
    _cables(canvas)
    grain = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 1.0)[..., None] * 5
    picture = cv2.GaussianBlur(np.clip(canvas + grain, 0, 255), (0, 0), 0.8).astype(np.uint8)
    luma, red, blue = cv2.split(cv2.cvtColor(picture, cv2.COLOR_BGR2YCrCb))
    return Panel(luma, blue, red)
