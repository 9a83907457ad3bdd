"""Whole pixels in a band along each edge of a marker, and the light of ink and paper on either side.

The pixels are taken column by column (row by row on steep edges) as they are, without interpolation, so that
the noise of each is its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.arrays import Bools, Floats, Singles
from vision.edge_light import CodeGlow, blurred_step
from vision.pixels import Pictures

EDGE_SPAN = (0.1, 0.9)
"""Part of an edge that is used: its ends are rounded by blur and belong to the neighbour too."""

_PLATEAU = 1.6
"""Pixels further from an edge than this many standard deviations of its blur tell ink and paper."""

LEAST_LIGHT = np.float32(1e-3)
"""Smallest contrast that residuals are divided by."""


@dataclass(slots=True)
class Band:
    """Pixels around E edges: light and position relative to a reference line of each edge.

    The K pixels of a column come first, so that sums over a column add whole planes.
    """

    levels: Singles  # (K, E, J)
    across: Singles  # (K, E, J) px from the reference line, outward positive
    along: Singles  # (E, J) px from the edge's middle
    inside: Bools  # (E, J) columns that exist
    skew: Floats  # (E,) px further along the edge for each px that a pixel of a column lies across it


@dataclass(frozen=True, slots=True)
class Light:
    """The light that pixels of E edges stand for."""

    pictures: Pictures
    picture: NDArray[np.int64]  # (E,) which one shows the edge, rising
    of_sample: Singles

    def at(self, place: NDArray[np.intp]) -> Singles:
        """Light at places (K, E, J) in the pictures."""
        return self.of_sample.take(self.pictures.samples(place, self.picture, axis=1))


def frames_of(start: Floats, end: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Middle, unit vector along, unit vector outward, length of each edge."""
    span = end - start
    length = np.maximum(np.hypot(span[:, 0], span[:, 1]), 1e-6)
    along = span / length[:, None]
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return 0.5 * (start + end), along, outward, length


def gather(seen: Light, start: Floats, end: Floats, half_band: Floats, most_columns: int) -> Band:
    """Collect whole pixels in a band along each edge, column by column (rows on steep edges)."""
    (height, width), stride = seen.pictures.shape, seen.pictures.stride
    middle, along, outward, length = frames_of(start, end)
    steep = np.abs(along[:, 1]) > np.abs(along[:, 0])
    rows, major = np.arange(len(start)), steep.astype(int)
    along_major, along_minor = along[rows, major], along[rows, 1 - major]
    middle_major, middle_minor = middle[rows, major], middle[rows, 1 - major]
    outward_minor = outward[rows, 1 - major]

    # The far pixels of a column on a slanting edge face a point further along it, which must still be edge.
    slant = half_band * np.abs(along_minor / along_major)
    inset = np.maximum(EDGE_SPAN[0] * length, slant + 1.0)
    reach = np.maximum(0.5 * length - inset, 0.0) * np.abs(along_major)
    first = np.ceil(middle_major - reach)
    columns = np.maximum(np.floor(middle_major + reach) - first + 1, 0)
    most = int(min(max(columns.max(initial=1), 1), most_columns))
    step = np.maximum(columns / most, 1.0)
    column = np.arange(most) * step[:, None]
    u = first[:, None] + np.floor(column)
    s = (u - middle_major[:, None]) / along_major[:, None]
    centre = middle_minor[:, None] + s * along_minor[:, None]
    nearest = np.rint(centre)
    depth = int(np.ceil(np.max(half_band / np.abs(outward_minor), initial=1.0)))

    inside = column < columns[:, None]
    across_limit = np.asarray(np.where(steep, width, height))[:, None]
    along_limit = np.asarray(np.where(steep, height, width))[:, None]
    inside &= (nearest >= depth) & (nearest < across_limit - depth) & (u >= 0) & (u < along_limit)
    by_major = np.asarray(np.where(steep, stride, 1))[:, None]
    by_minor = np.asarray(np.where(steep, 1, stride))[:, None]
    origin = np.where(inside, u * by_major + (nearest - depth) * by_minor, 0).astype(np.intp)
    k = np.arange(2 * depth + 1)[:, None, None]
    place = origin + k * np.where(inside, by_minor, 0)
    # The distance of a pixel from the line runs along the minor axis only in part; its position along the
    # line changes accordingly. The remainder is second order in the slope of the correction, hence left out.
    lowest = (nearest - depth - centre) * outward_minor[:, None]
    across = lowest.astype(np.float32) + k.astype(np.float32) * planes(outward_minor)
    return Band(
        levels=seen.at(place),
        across=across,
        along=s.astype(np.float32),
        inside=inside,
        skew=along_minor / outward_minor,
    )


def planes(per_edge: Floats) -> Singles:
    """Values of each edge, shaped to go with (K, E, J)."""
    return per_edge.astype(np.float32)[:, None]


def line_of(band: Band, offset: Floats, slope: Floats) -> Singles:
    """Distance of each line from the band's reference line at each column, (E, J)."""
    line: Singles = offset.astype(np.float32)[:, None] + slope.astype(np.float32)[:, None] * band.along
    return line


def used_pixels(band: Band, across: Singles, inner: Floats, outer: Floats) -> Singles:
    """1 for pixels of the band between the limits on the ink's and the paper's side, else 0."""
    inside = (across >= -planes(inner)) & (across <= planes(outer)) & band.inside
    return inside.astype(np.float32)


def ink_and_paper(band: Band, inner: Floats, outer: Floats, blur: Floats) -> tuple[Singles, Singles]:
    """Light of ink and paper along each edge, (E, J) each: a straight line, because light is seldom even."""
    plateau = planes(_PLATEAU * blur)
    used = used_pixels(band, band.across, inner, outer)
    return (
        _level_line(band, used * (band.across < -plateau)),
        _level_line(band, used * (band.across > plateau)),
    )


def _level_line(band: Band, weight: Singles) -> Singles:
    count = weight.sum(axis=0)
    total = np.einsum("kej,kej->ej", weight, band.levels)
    s = band.along
    n = np.maximum(count.sum(axis=1), 1)
    mean_s = (count * s).sum(axis=1) / n
    mean = total.sum(axis=1) / n
    centred = s - mean_s[:, None]
    sxx = np.maximum((count * centred**2).sum(axis=1), 1e-6)
    tilt = (centred * (total - count * mean[:, None])).sum(axis=1) / sxx
    result: Singles = mean[:, None] + tilt[:, None] * centred
    return result


def soft_ink_and_paper(
    band: Band,
    levels: tuple[Singles, Singles],
    z: Singles,
    used: Singles,
    soft: Bools,
    glow: CodeGlow | None,
) -> tuple[Singles, Singles]:
    """Replace the light of ink and paper where an edge is soft for its size.

    On small or blurred markers the blur of the edge and that of the code's white cells leave no place that is
    only ink. There both levels come from a linear fit of the blurred step to all pixels of the band.
    """
    share = blurred_step(z)
    if glow:
        glow.add_to(share, np.zeros_like(share), np.zeros_like(share), z)
    paper_share = share * used
    ink_share = used - paper_share
    ink2 = np.einsum("kej,kej->e", ink_share, ink_share)
    both = np.einsum("kej,kej->e", ink_share, paper_share)
    paper2 = np.einsum("kej,kej->e", paper_share, paper_share)
    ink1 = np.einsum("kej,kej->e", ink_share, band.levels)
    paper1 = np.einsum("kej,kej->e", paper_share, band.levels)
    determinant = np.maximum(ink2 * paper2 - both**2, 1e-9)
    ink = ((paper2 * ink1 - both * paper1) / determinant)[:, None]
    paper = ((ink2 * paper1 - both * ink1) / determinant)[:, None]
    # Uneven light falls on ink and paper alike, and only the paper's own is free of the code's.
    bright = levels[1].mean(axis=1, keepdims=True)
    uneven = levels[1] / np.where(np.abs(bright) < LEAST_LIGHT, LEAST_LIGHT, bright)
    pick = soft[:, None]
    return np.where(pick, ink * uneven, levels[0]), np.where(pick, paper * uneven, levels[1])
