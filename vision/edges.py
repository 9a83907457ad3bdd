"""Sub-pixel lines along the four edges of square markers.

Each edge is found from the pixels themselves, without interpolating the picture: the brightness
in a band along the predicted edge is compared with a blurred step, and the shift of the step is
estimated column by column (or row by row on steep edges) by Gauss-Newton. A straight line through
those shifts, robust to a few wrong columns, is the edge. What is handed on are two *nodes* on each
line, at the Gauss-Legendre points of the part of the edge that was used. At these points the errors of a
fitted line are uncorrelated, and a line fitted through a slightly bowed edge (lens distortion)
meets the true curve, so the nodes can be compared one by one with projected points of the edge.

Pixel (0, 0) is the centre of the top-left pixel, x right, y down. Corners run clockwise in the
picture from the marker's own first corner, as OpenCV gives them; edge i joins corners i and i + 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.arrays import Bools, Floats, Singles
from vision.bands import (
    EDGE_SPAN,
    LEAST_LIGHT,
    Band,
    Light,
    frames_of,
    gather,
    ink_and_paper,
    line_of,
    planes,
    soft_ink_and_paper,
    used_pixels,
)
from vision.edge_light import CodeGlow, blurred_step
from vision.pixels import Pictures

NODE_FRACTIONS = (
    0.5 - 0.5 * (EDGE_SPAN[1] - EDGE_SPAN[0]) / np.sqrt(3.0),
    0.5 + 0.5 * (EDGE_SPAN[1] - EDGE_SPAN[0]) / np.sqrt(3.0),
)
"""Where along an edge, from its first corner (0) to its second (1), the two nodes lie."""

_LONGEST_STEP = 0.7
"""A column is shifted by no more than this share of the band at once: further off its model is not linear."""

_ORDINARY_PX = 0.05
"""Columns no further off a line than this belong to it: where half of the few columns of a small marker agree
by chance to thousandths of a pixel, the rest would be thrown out."""

CELLS_PER_SIDE = 6
"""A DICT_4X4 marker is 4 x 4 bits inside a black border one cell wide."""


@dataclass(frozen=True, slots=True)
class EdgeSettings:
    """Thresholds of the edge fit.

    Attributes
    ----------
    band_cells : float
        Half width of the band of pixels around an edge, in cells: less than the black border.
    band_limits_px : tuple of float
        Smallest and largest half width of the band.
    fine_band_blurs, fine_band_px : float
        The last steps need a band of only so many standard deviations of the blur, and so many pixels.
    code_blurs, least_inner_cells : float
        On the ink's side the band ends so many standard deviations of the blur before the cells of the code,
        but is at least this part of a cell wide.
    soft_cell_blurs : float
        An edge is soft if a cell is less than so many standard deviations of its blur.
    soft_inner_cells : float
        Width of a soft edge's band on the ink's side, at most: the second row of the code stays out.
    most_columns : int
        Columns used of one edge; more are thinned evenly.
    least_contrast : float
        Difference between paper and ink, in 8-bit grey levels, below which an edge is not seen.
    least_inliers : float
        Share of columns that must agree with the line.
    blur_limits_px : tuple of float
        Range of the standard deviation of the blur.
    approaches, approach_columns : int
        Most coarse steps toward an edge, and the columns they use.
    close_px : float
        Coarse steps end when the edges move less than this, or a third of it in the first, which only shifts.
    fine_steps : int
        Most fine steps.
    exact_px : float
        Fine steps end when the edges move less than this.
    settled_px : float
        An edge that the last fine step still moved further than this is not believed.
    """

    band_cells: float = 0.7
    band_limits_px: tuple[float, float] = (2.2, 7.0)
    fine_band_blurs: float = 3.2
    fine_band_px: float = 1.2
    code_blurs: float = 2.2
    least_inner_cells: float = 0.45
    soft_cell_blurs: float = 7.0
    soft_inner_cells: float = 1.2
    most_columns: int = 60
    least_contrast: float = 18.0
    least_inliers: float = 0.6
    blur_limits_px: tuple[float, float] = (0.45, 4.0)
    approaches: int = 5
    approach_columns: int = 8
    close_px: float = 1.0
    fine_steps: int = 4
    exact_px: float = 0.12
    settled_px: float = 0.12


@dataclass(frozen=True, slots=True)
class EdgeFits:
    """Lines fitted to the edges of Q markers in one picture.

    Attributes
    ----------
    nodes_px : ndarray, shape (Q, 4, 2, 2)
        Two points on each line (edge, node, xy).
    sigma_px : ndarray, shape (Q, 4, 2)
        Standard deviation of each node across its line, from the scatter of the columns.
    blur_px : ndarray, shape (Q, 4)
        Standard deviation of the blur across each edge.
    midlevel : ndarray, shape (Q, 4)
        Brightness halfway between ink and paper.
    good : ndarray of bool, shape (Q, 4)
        Edges that were seen; the other arrays mean nothing where this is false.
    """

    nodes_px: Floats
    sigma_px: Floats
    blur_px: Floats
    midlevel: Floats
    good: Bools


def fit_edges(
    pictures: Pictures,
    picture: NDArray[np.int64],
    quads_px: Floats,
    blur_px: Floats,
    settings: EdgeSettings,
    light: Floats,
    cells: Bools | None = None,
) -> EdgeFits:
    """Fit the four edges of every marker near its predicted corners, in several pictures at once.

    One picture's edges are few, so that most of their time would go into starting array operations.

    Parameters
    ----------
    pictures : Pictures
        One or several.
    picture : ndarray of int, shape (Q,)
        Which picture shows the marker, rising.
    quads_px : ndarray, shape (Q, 4, 2)
        Predicted corners, right within about half a cell.
    blur_px : ndarray, shape (Q, 4)
        Expected standard deviation of the blur across each edge.
    settings : EdgeSettings
        Thresholds.
    light : ndarray, shape (L,)
        Relative light of each number in a picture (``vision.light``): edges are fitted in light.
    cells : ndarray of bool, shape (Q, 6, 6), optional
        Cells of each marker, true where white; without them the markers have no code.

    Returns
    -------
    EdgeFits
        Lines, blur and which edges were seen.
    """
    start = quads_px.reshape(-1, 2)
    end = np.roll(quads_px, -1, axis=1).reshape(-1, 2)
    _, _, _, length = frames_of(start, end)
    half_band = np.clip(settings.band_cells * length / CELLS_PER_SIDE, *settings.band_limits_px)
    blur = np.clip(blur_px.reshape(-1), *settings.blur_limits_px)
    seen = Light(pictures, np.repeat(picture, 4), light.astype(np.float32))
    start, end = _approached(seen, start, end, half_band, blur, settings)
    start, end = _met(start, end, half_band)
    return _stated(start, end, _fine(seen, start, end, half_band, blur, cells, settings), light, settings)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines of E edges against the edges that a fine fit started from."""

    offset: Floats
    slope: Floats
    moved: Floats  # by the last step
    levels: tuple[Singles, Singles]
    quality: _Quality


def _fine(
    seen: Light,
    start: Floats,
    end: Floats,
    half_band: Floats,
    blur: Floats,
    cells: Bools | None,
    settings: EdgeSettings,
) -> _Lines:
    """Fit lines to all columns of edges that are near already."""
    _, _, _, length = frames_of(start, end)
    cell = length / CELLS_PER_SIDE
    soft = cell < settings.soft_cell_blurs * blur
    needed = settings.fine_band_blurs * blur + settings.fine_band_px
    outer = np.minimum(half_band, needed)
    # White cells of the code begin one cell inside the edge, and their blur reaches out of them. On soft
    # edges it cannot be kept out, so it is part of the model there.
    clear = np.maximum(cell - settings.code_blurs * blur, settings.least_inner_cells * cell)
    inner = np.where(soft, np.minimum(needed, settings.soft_inner_cells * cell), np.minimum(outer, clear))
    band = gather(seen, start, end, np.maximum(inner, outer), settings.most_columns)
    levels = ink_and_paper(band, inner, outer, blur)
    glow = _glow(band, cells, np.flatnonzero(soft), length, blur)
    offset = slope = np.zeros(len(start))
    for turn in range(settings.fine_steps):
        before = offset, slope
        offset, slope, quality = _fit_lines(band, levels, inner, outer, blur, offset, slope, glow)
        moved = _reach(offset - before[0], slope - before[1], length)
        # A short step is exact to second order; another is worth its time only after a long one.
        if (moved < settings.exact_px).all() and (turn > 0 or not soft.any()):
            break
        if turn == 0 and soft.any():
            d = band.across - line_of(band, offset, slope)
            levels = soft_ink_and_paper(
                band, levels, d * planes(1.0 / blur), used_pixels(band, d, inner, outer), soft, glow
            )
    return _Lines(offset, slope, moved, levels, quality)


def _stated(start: Floats, end: Floats, lines: _Lines, light: Floats, settings: EdgeSettings) -> EdgeFits:
    """Nodes of the lines, how sure they are, and which edges are to be believed."""
    quality = lines.quality
    # Contrast and threshold are stated in the picture's own numbers, 8 bits, as people know them.
    numbers = np.arange(len(light)) * 256 / len(light)
    ink, paper = (np.interp(level.mean(axis=1), light, numbers) for level in lines.levels)
    middle, along, outward, length = frames_of(start, end)
    s = (np.array(NODE_FRACTIONS)[None, :] - 0.5) * length[:, None]
    shift = lines.offset[:, None] + lines.slope[:, None] * s
    nodes = middle[:, None] + s[..., None] * along[:, None] + shift[..., None] * outward[:, None]
    good = (
        (paper - ink > settings.least_contrast)
        & (quality.inlier_share >= settings.least_inliers)
        & (lines.moved < settings.settled_px)
        & np.isfinite(nodes).all(axis=(1, 2))
    )
    variance = quality.variance[:, None] * (
        1.0 / quality.columns[:, None]
        + (s - quality.mean_along[:, None]) ** 2 / quality.spread_along[:, None]
    )
    return EdgeFits(
        nodes_px=nodes.reshape(-1, 4, 2, 2),
        sigma_px=np.sqrt(variance).reshape(-1, 4, 2),
        blur_px=np.clip(quality.blur, *settings.blur_limits_px).reshape(-1, 4),
        midlevel=(0.5 * (ink + paper) * len(light) / 256).reshape(-1, 4),
        good=good.reshape(-1, 4),
    )


def corners_from_nodes(nodes_px: Floats) -> Floats:
    """Intersect neighbouring edges.

    Parameters
    ----------
    nodes_px : ndarray, shape (..., 4, 2, 2)
        Two points on each of the four lines.

    Returns
    -------
    ndarray, shape (..., 4, 2)
        Corners; NaN where a line is missing or two are parallel.
    """
    point = nodes_px[..., 0, :]
    direction = nodes_px[..., 1, :] - point
    before_point = np.roll(point, 1, axis=-2)
    before_direction = np.roll(direction, 1, axis=-2)
    gap = point - before_point
    cross = before_direction[..., 0] * direction[..., 1] - before_direction[..., 1] * direction[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (gap[..., 0] * direction[..., 1] - gap[..., 1] * direction[..., 0]) / cross
        corners: Floats = before_point + reach[..., None] * before_direction
    corners[~np.isfinite(corners)] = np.nan
    return corners


def _approached(
    seen: Light,
    start: Floats,
    end: Floats,
    half_band: Floats,
    blur: Floats,
    settings: EdgeSettings,
) -> tuple[Floats, Floats]:
    """Move predicted edges onto the picture's, with few columns and a step as wide as they may be off."""
    off = half_band
    still = np.zeros(len(start))
    for turn in range(settings.approaches):
        band = gather(seen, start, end, half_band, settings.approach_columns)
        wide = np.maximum(blur, 0.4 * off)
        levels = ink_and_paper(band, half_band, half_band, wide)
        offset, slope, _ = _fit_lines(band, levels, half_band, half_band, wide, still, still)
        moved = _reach(offset, slope, frames_of(start, end)[3])
        # Far from the edge columns overshoot in different ways, which would turn it: first it only shifts.
        slope = still if turn == 0 else slope
        start, end = _shifted(start, end, offset, slope)
        off = np.minimum(moved, half_band)
        # Steps shrink fast; but the first has left the turn out.
        if (moved < settings.close_px * (1.0 if turn else 0.3)).all():
            break
    return start, end


def _met(start: Floats, end: Floats, half_band: Floats) -> tuple[Floats, Floats]:
    """Let the edges of each marker end where they meet: so far each has only moved across itself."""
    corners = corners_from_nodes(np.stack([start, end], axis=1).reshape(-1, 4, 2, 2))
    moved = np.abs(corners - start.reshape(-1, 4, 2)) / half_band.reshape(-1, 4, 1)
    # Edges that went astray meet anywhere; a comparison with NaN is false.
    whole = (moved < 2.0).all(axis=(1, 2), keepdims=True)
    firsts = np.where(whole, corners, start.reshape(-1, 4, 2))
    seconds = np.where(whole, np.roll(corners, -1, axis=1), end.reshape(-1, 4, 2))
    return firsts.reshape(-1, 2), seconds.reshape(-1, 2)


def _glow(
    band: Band, cells: Bools | None, soft: NDArray[np.intp], length: Floats, blur: Floats
) -> CodeGlow | None:
    """Light from the code behind the soft edges; for the others the band ends before it."""
    if cells is None or not soft.size:
        return None
    rows = np.stack([cells[:, 1], cells[:, :, -2], cells[:, -2, ::-1], cells[:, ::-1, 1]], axis=1)
    cell_px = (length / CELLS_PER_SIDE)[soft]
    along_px = band.along[soft] + band.across[:, soft] * planes(band.skew[soft])
    along_cells = along_px * planes(1.0 / cell_px) + np.float32(0.5 * CELLS_PER_SIDE)
    return CodeGlow.of(soft, rows.reshape(-1, CELLS_PER_SIDE)[soft], along_cells, cell_px, blur[soft])


def _reach(offset: Floats, slope: Floats, length: Floats) -> Floats:
    """Largest shift along an edge."""
    reach: Floats = np.abs(offset) + np.abs(slope) * 0.5 * length
    return reach


def _shifted(start: Floats, end: Floats, offset: Floats, slope: Floats) -> tuple[Floats, Floats]:
    _, _, outward, length = frames_of(start, end)
    half = 0.5 * length
    return (
        start + (offset - slope * half)[:, None] * outward,
        end + (offset + slope * half)[:, None] * outward,
    )


@dataclass(slots=True)
class _Quality:
    inlier_share: Floats
    variance: Floats  # of one column's shift, px^2
    columns: Floats
    mean_along: Floats
    spread_along: Floats
    blur: Floats


def _fit_lines(
    band: Band,
    levels: tuple[Singles, Singles],
    inner: Floats,
    outer: Floats,
    blur: Floats,
    offset: Floats,
    slope: Floats,
    glow: CodeGlow | None = None,
) -> tuple[Floats, Floats, _Quality]:
    """One Gauss-Newton step of offset and slope of each line, relative to the band's reference line."""
    ink, paper = levels
    contrast = paper - ink
    contrast = np.where(np.abs(contrast) < LEAST_LIGHT, LEAST_LIGHT, contrast)
    d = band.across - line_of(band, offset, slope)
    z = d * planes(1.0 / blur)
    gradient = np.exp(np.float32(-0.5) * z * z)
    widen = gradient * z
    share = blurred_step(z)
    if glow:
        glow.add_to(share, gradient, widen, z)
    used = used_pixels(band, d, inner, outer)
    gradient *= used
    widen *= used
    residual = (band.levels - ink) * (np.float32(1.0) / contrast)
    residual -= share
    scale = blur * np.sqrt(2 * np.pi)
    weight = (gradient * gradient).sum(axis=0)
    pull = (gradient * residual).sum(axis=0)
    reach = planes(_LONGEST_STEP * outer)
    shift = np.clip(-pull / np.maximum(weight, 1e-6) * planes(scale), -reach, reach)

    shift_of_line, tilt, keep, variance, mean, spread = _robust_line(
        band.along, shift, band.inside & (weight > 0.2)
    )
    stretch = (np.einsum("kej,kej->ej", widen, widen) * keep).sum(axis=1)
    blur_change = (
        -(np.einsum("kej,kej->ej", widen, residual) * keep).sum(axis=1) / np.maximum(stretch, 1e-6) * scale
    )
    columns = keep.sum(axis=1).astype(float)
    total = np.maximum(band.inside.sum(axis=1), 1)
    quality = _Quality(
        inlier_share=np.where(columns >= 4, columns / total, 0.0),
        variance=variance,
        columns=np.maximum(columns, 1.0),
        mean_along=mean,
        spread_along=np.maximum(spread, 1e-6),
        blur=blur + np.clip(blur_change, -0.3 * blur, 0.3 * blur),
    )
    return offset + shift_of_line, slope + tilt, quality


def _robust_line(
    along: NDArray[np.floating], shift: Floats, valid: Bools
) -> tuple[Floats, Floats, Bools, Floats, Floats, Floats]:
    """Line through the shifts of the columns, without those that lie apart (three robust deviations)."""
    keep = valid
    along = along.astype(np.float64)
    for turn in range(3):
        weight = keep.astype(np.float64)
        n = np.maximum(weight.sum(axis=1), 1.0)
        mean = np.vecdot(weight, along) / n
        level = np.vecdot(weight, shift) / n
        centred = along - mean[:, None]
        weighted = weight * centred
        spread = np.vecdot(weighted, centred)
        tilt = np.vecdot(weighted, shift) / np.maximum(spread, 1e-6)
        off = shift - level[:, None] - tilt[:, None] * centred
        variance = np.vecdot(weight * off, off) / np.maximum(n - 2, 1)
        if turn == 2:
            break
        ordinary = 1.4826 * _median_of(np.abs(off), valid) if turn == 0 else np.sqrt(variance)
        keep = valid & (np.abs(off) <= np.maximum(3.0 * ordinary, _ORDINARY_PX)[:, None])
    return level - tilt * mean, tilt, keep, variance, mean, spread


def _median_of(values: Floats, valid: Bools) -> Floats:
    """Median of the valid entries of each row, 0 where there is none."""
    count = valid.sum(axis=1)
    ordered = np.sort(np.where(valid, values, np.inf), axis=1)
    middle = ordered[np.arange(len(values)), np.maximum(count - 1, 0) // 2]
    result: Floats = np.where(count > 0, middle, 0.0)
    return result
