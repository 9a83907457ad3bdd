"""Pictures of markers computed in closed form: no resampling, no OpenCV, truth to the last digit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]


def square_corners(centre_px: tuple[float, float], side_px: float, angle_rad: float) -> Floats:
    """Corners (4, 2), first corner top left before the turn, then clockwise in the picture (y down)."""
    half = 0.5 * side_px
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return square @ np.array([[c, s], [-s, c]]) + centre_px


def marker_light(
    shape: tuple[int, int],
    centre_px: tuple[float, float],
    side_px: float,
    angle_rad: float,
    blur_px: float,
    cells: NDArray[np.bool_] | None = None,
    ink: float = 0.05,
    paper: float = 0.75,
) -> Floats:
    """Light (height, width) of a square of ink with white cells on paper, under a Gaussian blur."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    u = c * (x - centre_px[0]) + s * (y - centre_px[1])
    v = -s * (x - centre_px[0]) + c * (y - centre_px[1])

    count = 1 if cells is None else len(cells)
    lines = np.linspace(-0.5 * side_px, 0.5 * side_px, count + 1)
    beyond_u = [ndtr((u - line) / blur_px) for line in lines]
    beyond_v = [ndtr((v - line) / blur_px) for line in lines]
    cover = (beyond_u[0] - beyond_u[-1]) * (beyond_v[0] - beyond_v[-1])
    for row, column in zip(*np.nonzero(np.zeros((1, 1)) if cells is None else cells), strict=True):
        cover -= (beyond_u[column] - beyond_u[column + 1]) * (beyond_v[row] - beyond_v[row + 1])
    return paper - (paper - ink) * cover


def stored(
    light: Floats, rng: np.random.Generator | None = None, noise_levels: float = 0.0
) -> NDArray[np.uint8]:
    """Numbers of an 8-bit video (16 to 235) by the transfer curve of ITU-R BT.709, rounded."""
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)
    numbers = 16 + 219 * signal
    if rng is not None:
        numbers = numbers + noise_levels * rng.normal(size=light.shape)
    return np.clip(np.rint(numbers), 0, 255).astype(np.uint8)


def node_errors(nodes_px: Floats, corners_px: Floats) -> Floats:
    """Distance of nodes (4, 2, 2) from the true edges, outward positive, (4, 2)."""
    along = np.roll(corners_px, -1, axis=0) - corners_px
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    outward = np.column_stack([along[:, 1], -along[:, 0]])
    return np.asarray(((nodes_px - corners_px[:, None]) * outward[:, None]).sum(axis=-1))
