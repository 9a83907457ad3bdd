"""Edges found in their neighbourhood: where in each column the light rises most from ink to paper."""

from __future__ import annotations

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.bands import Light, frames_of, gather, planes, within
from strokecurve.vision.edges.edge_lines import median_of, robust_line

_MARGIN_PX = 2.0
"""Pixels on either side of a place that tell how much the light rises there."""

_LEAST_RISE = 0.4
"""Columns whose light rises less than this share of what it does in the others do not show the edge."""

_FAR = 0.8
"""An edge that moves by more than this share of the band is looked for once more from there."""

_PEAKED = 4
"""A rise counts with this power: what remains is about the largest one."""


def approached(
    seen: Light, start: Floats, end: Floats, half_band: Floats, most_columns: int
) -> tuple[Floats, Floats]:
    """Move predicted edges onto the picture's, to a part of a pixel.

    Parameters
    ----------
    seen : Light
    start, end : ndarray, shape (E, 2)
        Ends of each edge, ink on its right.
    half_band : ndarray, shape (E,)
        How far an edge may lie from its prediction (px).
    most_columns : int
        Columns looked at.

    Returns
    -------
    start, end : ndarray, shape (E, 2)
        Each moved across its edge only.
    """
    offset, slope = _nearest_rise(seen, start, end, half_band, most_columns)
    _, _, outward, length = frames_of(start, end)
    by_start, by_end = (offset + side * slope * length for side in (-0.5, 0.5))
    start, end = start + by_start[:, None] * outward, end + by_end[:, None] * outward
    # At the end of the band only a part of the rise is seen.
    far = np.flatnonzero(np.maximum(np.abs(by_start), np.abs(by_end)) > _FAR * half_band)
    if far.size:
        part = Light(seen.pictures, seen.picture[far], seen.of_sample)
        offset, slope = _nearest_rise(part, start[far], end[far], half_band[far], most_columns)
        _, _, outward, length = frames_of(start[far], end[far])
        start[far] += (offset - 0.5 * slope * length)[:, None] * outward
        end[far] += (offset + 0.5 * slope * length)[:, None] * outward
    return start, end


def _nearest_rise(
    seen: Light, start: Floats, end: Floats, half_band: Floats, most_columns: int
) -> tuple[Floats, Floats]:
    """Line along which the light rises most in bands along edges: offset and slope, (E,) each."""
    band = gather(seen, start, end, half_band + _MARGIN_PX, most_columns)
    level = band.levels
    rise = level[3:-1] + level[4:]
    rise -= level[:-4]
    rise -= level[1:-3]
    # An edge among others gets as many pixels as the one that needs most; further ones are not its own.
    rise *= within(band, planes(-half_band), planes(half_band))[2:-2]
    peak = rise.max(axis=0, initial=0.0)
    rise /= np.maximum(peak, np.float32(1e-6))
    np.maximum(rise, np.float32(0.0), out=rise)
    for _ in range(_PEAKED // 2):
        np.multiply(rise, rise, out=rise)
    number = np.arange(2, 2 + len(rise), dtype=np.float32)
    place = np.einsum("k,kej->ej", number, rise) / np.maximum(rise.sum(axis=0), np.float32(1e-6))
    shift = (band.lowest + place) * band.pitch
    usual = median_of(peak, band.inside)
    shown = band.inside & (peak > _LEAST_RISE * usual[:, None]) & (peak > 0)
    line = robust_line(band.along, shift, shown)
    return line.offset.astype(np.float64), line.slope.astype(np.float64)
