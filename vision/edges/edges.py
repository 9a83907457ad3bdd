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

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.edges.approach import approached
from strokecurve.vision.edges.bands import EDGE_SPAN, Light, frames_of, gather, ink_and_paper, planes
from strokecurve.vision.edges.edge_light import CodeGlow
from strokecurve.vision.edges.edge_lines import Lines, Profiles, fit_lines
from strokecurve.vision.edges.pixels import Pictures

NODE_FRACTIONS = (
    0.5 - 0.5 * (EDGE_SPAN[1] - EDGE_SPAN[0]) / np.sqrt(3.0),
    0.5 + 0.5 * (EDGE_SPAN[1] - EDGE_SPAN[0]) / np.sqrt(3.0),
)
"""Where along an edge, from its first corner (0) to its second (1), the two nodes lie."""

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
    approach_columns : int
        Columns in which an edge is looked for at first.
    fine_steps, exact_px : int, float
        Most steps of the fit that follows, and the movement below which an edge needs no further.
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
    approach_columns: int = 16
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
        Relative light of each number in a picture (``vision.edges.light``): edges are fitted in light.
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
    rows = None if cells is None else _outer_rows(cells)
    start, end = approached(seen, start, end, half_band, settings.approach_columns)
    start, end = _met(start, end, half_band)
    return _stated(start, end, _fine(seen, start, end, half_band, blur, rows, settings), light, settings)


@dataclass(frozen=True, slots=True)
class _Found:
    """Lines of E edges, and the light of ink and paper beside each."""

    lines: Lines
    ink: Floats
    paper: Floats


def _fine(
    seen: Light,
    start: Floats,
    end: Floats,
    half_band: Floats,
    blur: Floats,
    rows: Bools | None,
    settings: EdgeSettings,
) -> _Found:
    """Fit lines to all columns of edges that are near already."""
    _, _, _, length = frames_of(start, end)
    is_soft = length / CELLS_PER_SIDE < settings.soft_cell_blurs * blur
    found = _Found(Lines.none(len(start)), np.zeros(len(start)), np.zeros(len(start)))
    for soft in (False, True):
        edges = np.flatnonzero(is_soft == soft)
        if not edges.size:
            continue
        part = Light(seen.pictures, seen.picture[edges], seen.of_sample)
        profiles = _profiles(
            part,
            start[edges],
            end[edges],
            half_band[edges],
            blur[edges],
            is_soft[edges],
            None if rows is None else rows[edges],
            settings,
        )
        first = None
        if soft:
            first = fit_lines(profiles, 1, settings.exact_px)
            profiles = profiles.with_soft_levels(first)
        found.lines.put(edges, fit_lines(profiles, settings.fine_steps, settings.exact_px, first))
        found.ink[edges], found.paper[edges] = (level.mean(axis=1) for level in profiles.levels)
    return found


def _profiles(
    seen: Light,
    start: Floats,
    end: Floats,
    half_band: Floats,
    blur: Floats,
    soft: Bools,
    rows: Bools | None,
    settings: EdgeSettings,
) -> Profiles:
    """Collect what a fit along edges needs; ``rows`` are the cells of the code behind each, if any."""
    _, _, _, length = frames_of(start, end)
    cell = length / CELLS_PER_SIDE
    needed = settings.fine_band_blurs * blur + settings.fine_band_px
    outer = np.minimum(half_band, needed)
    # White cells of the code begin one cell inside the edge, and their blur reaches out of them. On soft
    # edges it cannot be kept out, so it is part of the model there.
    clear = np.maximum(cell - settings.code_blurs * blur, settings.least_inner_cells * cell)
    inner = np.where(soft, np.minimum(needed, settings.soft_inner_cells * cell), np.minimum(outer, clear))
    band = gather(seen, start, end, np.maximum(inner, outer), settings.most_columns)
    glow = None
    if rows is not None and soft.any():
        along_px = band.along + band.across() * band.skew
        along_cells = along_px * planes(1.0 / cell) + np.float32(0.5 * CELLS_PER_SIDE)
        glow = CodeGlow.of(rows, along_cells, cell, blur)
    return Profiles.of(band, ink_and_paper(band, inner, outer, blur), inner, outer, blur, length, glow)


def _stated(start: Floats, end: Floats, found: _Found, light: Floats, settings: EdgeSettings) -> EdgeFits:
    """Nodes of the lines, how sure they are, and which edges are to be believed."""
    lines = found.lines
    # Contrast and threshold are stated in the picture's own numbers, 8 bits, as people know them.
    numbers = np.arange(len(light)) * 256 / len(light)
    ink, paper = (np.interp(level, light, numbers) for level in (found.ink, found.paper))
    middle, along, outward, length = frames_of(start, end)
    s = (np.array(NODE_FRACTIONS)[None, :] - 0.5) * length[:, None]
    shift = lines.offset[:, None] + lines.slope[:, None] * s
    nodes = middle[:, None] + s[..., None] * along[:, None] + shift[..., None] * outward[:, None]
    good = (
        (paper - ink > settings.least_contrast)
        & (lines.inlier_share >= settings.least_inliers)
        & (lines.moved < settings.settled_px)
        & np.isfinite(nodes).all(axis=(1, 2))
    )
    variance = lines.variance[:, None] * (
        1.0 / lines.columns[:, None] + (s - lines.mean_along[:, None]) ** 2 / lines.spread_along[:, None]
    )
    return EdgeFits(
        nodes_px=nodes.reshape(-1, 4, 2, 2),
        sigma_px=np.sqrt(variance).reshape(-1, 4, 2),
        blur_px=np.clip(lines.blur, *settings.blur_limits_px).reshape(-1, 4),
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


def _met(start: Floats, end: Floats, half_band: Floats) -> tuple[Floats, Floats]:
    """Let the edges of each marker end where they meet: so far each has only moved across itself."""
    corners = corners_from_nodes(np.concatenate([start, end], axis=1).reshape(-1, 4, 2, 2))
    moved = np.abs(corners - start.reshape(-1, 4, 2)) / half_band.reshape(-1, 4, 1)
    # Edges that went astray meet anywhere; a comparison with NaN is false.
    whole = (moved < 2.0).all(axis=(1, 2), keepdims=True)
    firsts = np.where(whole, corners, start.reshape(-1, 4, 2))
    seconds = np.where(whole, np.roll(corners, -1, axis=1), end.reshape(-1, 4, 2))
    return firsts.reshape(-1, 2), seconds.reshape(-1, 2)


def _outer_rows(cells: Bools) -> Bools:
    """Cells of the code behind each edge, from its first corner on, (4 Q, 6)."""
    rows = np.stack([cells[:, 1], cells[:, :, -2], cells[:, -2, ::-1], cells[:, ::-1, 1]], axis=1)
    return np.asarray(rows.reshape(-1, CELLS_PER_SIDE), bool)
