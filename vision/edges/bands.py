"""Whole pixels in a band along each edge of a marker, and the light of ink and paper on either side.

The pixels are taken column by column (row by row on steep edges) as they are, without interpolation, so that
the noise of each is its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats, Singles
from strokecurve.vision.edges.pixels import Pictures

EDGE_SPAN = (0.1, 0.9)
"""Part of an edge that is used: its ends are rounded by blur and belong to the neighbour too."""

_PLATEAU = 1.6
"""Pixels further from an edge than this many standard deviations of its blur tell ink and paper."""

LEAST_LIGHT = np.float32(1e-3)
"""Smallest contrast that residuals are divided by."""

_TURNED = np.array([1.0, -1.0])
"""Turns a direction along an edge (y, x) outward."""

_BYTE = 256
"""Numbers that a sample of 8 bits can hold."""


@dataclass(frozen=True, slots=True)
class Band:
    """Pixels around E edges: light and position relative to a reference line of each edge.

    A column's K pixels run outward, from the ink to the paper, and come first, so that sums over a column add
    whole planes.
    """

    levels: Singles  # (K, E, J)
    lowest: Singles  # (E, J) of each column's first pixel, in pixels of the column from the reference line
    pitch: Singles  # (E, 1) px from one pixel of a column to the next, outward
    along: Singles  # (E, J) px from the edge's middle
    inside: Bools  # (E, J) columns that exist
    skew: Singles  # (E, 1) px further along the edge for each px that a pixel of a column lies across it

    def across(self) -> Singles:
        """Distance of each pixel from the reference line, outward positive, (K, E, J) px."""
        number = np.arange(len(self.levels), dtype=np.float32)[:, None, None]
        return np.asarray((number + self.lowest) * self.pitch)

    def rank(self, limit_px: Singles) -> NDArray[np.int8]:
        """How many pixels of each column lie before a distance from the reference line, (E, J)."""
        first = limit_px / self.pitch - self.lowest
        np.ceil(first, out=first)
        np.maximum(first, np.float32(0), out=first)
        np.minimum(first, np.float32(len(self.levels)), out=first)
        return first.astype(np.int8)

    def only(self, edges: NDArray[np.intp]) -> Band:
        """Give some of the edges, by an index of shape (N,)."""
        return Band(
            self.levels[:, edges],
            self.lowest[edges],
            self.pitch[edges],
            self.along[edges],
            self.inside[edges],
            self.skew[edges],
        )


@dataclass(frozen=True, slots=True)
class Light:
    """The light that pixels of E edges stand for."""

    pictures: Pictures
    picture: NDArray[np.int64]  # (E,) which one shows the edge, rising
    of_sample: Singles

    def columns(self, first: NDArray[np.intp], step: NDArray[np.intp], count: int) -> Singles:
        """Light of columns of pixels, (K, E, J): ``count`` from places (E, J) on, ``step`` (E,) apart."""
        samples = np.empty((count, *first.shape), self.pictures.flats[0].dtype)
        steps = np.arange(count)[:, None, None] * step[:, None]
        for flat, part in self.pictures.parts(self.picture):
            # Columns that do not exist may reach out of the picture.
            samples[:, part] = flat.take(first[part] + steps[:, part], mode="clip")
        if not samples.size or len(self.of_sample) != _BYTE:
            return self.of_sample.take(samples)
        # Looks numbers of 8 bits up several times faster than numpy.
        return np.asarray(cv2.LUT(samples.reshape(1, -1), self.of_sample), np.float32).reshape(samples.shape)


def frames_of(start: Floats, end: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Middle (E, 2), unit vectors along and outward (E, 2), and length (E,) of each edge, in px.

    The edges run from ``start`` to ``end``, shape (E, 2) each.
    """
    span = end - start
    length = np.maximum(np.hypot(span[:, 0], span[:, 1]), 1e-6)
    along = span / length[:, None]
    outward = along[:, ::-1] * _TURNED
    return 0.5 * (start + end), along, outward, length


def gather(seen: Light, start: Floats, end: Floats, half_band: Floats, most_columns: int) -> Band:
    """Collect whole pixels in a band along each edge, column by column (rows on steep edges).

    Parameters
    ----------
    seen : Light
    start, end : ndarray, shape (E, 2)
        Ends of each edge, px.
    half_band : ndarray, shape (E,)
        How far the band reaches to either side, px.
    most_columns : int
        At most so many columns are taken of an edge.

    Returns
    -------
    Band
    """
    (height, width), stride = seen.pictures.shape, seen.pictures.stride
    middle, along, outward, length = frames_of(start, end)
    steep = np.abs(along[:, 1]) > np.abs(along[:, 0])
    # Of each pair the first is counted along the columns' row, the second along each column.
    pairs = np.where(steep, [along[:, ::-1].T, middle[:, ::-1].T], [along.T, middle.T])
    (along_major, along_minor), (middle_major, middle_minor) = pairs
    outward_minor = np.where(steep, outward[:, 0], outward[:, 1])
    pitch = np.abs(outward_minor)
    depth = int(np.ceil(np.max(half_band / pitch, initial=1.0)))

    # The far pixels of a column on a slanting edge face a point further along it, which must still be edge.
    slope = along_minor / along_major
    inset = np.maximum(EDGE_SPAN[0] * length, half_band * np.abs(slope) + 1.0)
    reach = np.maximum(0.5 * length - inset, 0.0) * np.abs(along_major)
    # Places are counted from a whole pixel near the edge's middle, so that single precision is plenty.
    whole_major, whole_minor = np.rint(middle_major), np.rint(middle_minor)
    from_major, from_minor = middle_major - whole_major, middle_minor - whole_minor
    first = np.ceil(from_major - reach)
    columns = np.maximum(np.floor(from_major + reach) - first + 1, 0)
    most = int(min(max(columns.max(initial=1), 1), most_columns))
    step = np.maximum(columns / most, 1.0)
    limit_major, limit_minor = np.where(steep, [[height], [width]], [[width], [height]])
    step_major, step_minor = np.where(steep, [[stride], [1]], [[1], [stride]])
    sign = np.sign(outward_minor)
    each = np.array(
        [
            *(first, step, columns, from_major, from_minor, slope, along_major, step_major, step_minor, sign),
            *(-whole_major, limit_major - whole_major),
            *(depth - whole_minor, limit_minor - whole_minor - depth),
            *(pitch, along_minor / outward_minor),
        ],
        np.float32,
    )[:, :, None]
    first, step, columns, from_major, from_minor, slope, along_major, step_u, step_v, sign = each[:10]
    low_u, high_u, low_v, high_v, pitch, skew = each[10:]

    column = np.arange(most, dtype=np.float32) * step
    u = np.floor(column)
    u += first
    from_middle = u - from_major
    centre = from_middle * slope
    centre += from_minor
    nearest = np.rint(centre)
    inside = column < columns
    for value, low, high in ((u, low_u, high_u), (nearest, low_v, high_v)):
        inside &= value >= low
        inside &= value < high
    outward_step = (step_minor * np.where(outward_minor < 0, -1, 1)).astype(np.intp)
    origin = (whole_major * step_major + whole_minor * step_minor).astype(np.intp) - depth * outward_step
    place = (u * step_u + nearest * step_v).astype(np.intp)
    place += origin[:, None]
    # The distance of a pixel from the line runs along the minor axis only in part; its position along the
    # line changes accordingly. The remainder is second order in the slope of the correction, hence left out.
    lowest = np.subtract(nearest, centre, out=nearest)
    lowest *= sign
    lowest -= np.float32(depth)
    return Band(
        levels=seen.columns(place, outward_step, 2 * depth + 1),
        lowest=lowest,
        pitch=pitch,
        along=np.divide(from_middle, along_major, out=from_middle),
        inside=inside,
        skew=skew,
    )


def planes(per_edge: Floats) -> Singles:
    """Values of each edge, shaped to go with (K, E, J)."""
    return per_edge.astype(np.float32)[:, None]


def within(band: Band, low_px: Singles, high_px: Singles) -> Bools:
    """Pixels whose distance from the reference line lies between two, (K, E, J)."""
    number = _numbers(band)
    return np.asarray((number >= band.rank(low_px)) & (number < band.rank(high_px)))


def ink_and_paper(band: Band, inner: Floats, outer: Floats, blur: Floats) -> tuple[Singles, Singles]:
    """Light of ink and paper along each edge, (E, J) each: a straight line, because light is seldom even."""
    first, ink_end, paper_start, last = (
        band.rank(planes(limit)) for limit in (-inner, -_PLATEAU * blur, _PLATEAU * blur, outer)
    )
    return (
        _level_line(band, first, np.maximum(ink_end, first)),
        _level_line(band, np.minimum(paper_start, last), last),
    )


def _level_line(band: Band, first: NDArray[np.int8], last: NDArray[np.int8]) -> Singles:
    """Straight line through the light of the pixels from number ``first`` up to ``last`` of each column."""
    number = _numbers(band)
    used = ((number >= first) & (number < last)).astype(np.float32)
    total = np.einsum("kej,kej->ej", used, band.levels)
    total *= band.inside
    count = ((last - first) * band.inside).astype(np.float32)
    s = band.along
    n = np.maximum(count.sum(axis=1), 1)
    mean_s = np.vecdot(count, s) / n
    mean = total.sum(axis=1) / n
    centred = s - mean_s[:, None]
    sxx = np.maximum(np.vecdot(count * centred, centred), 1e-6)
    tilt = (np.vecdot(centred, total) - mean * np.vecdot(centred, count)) / sxx
    return np.asarray(mean[:, None] + tilt[:, None] * centred)


def _numbers(band: Band) -> NDArray[np.int8]:
    """Number of each pixel in its column, shaped to go with (K, E, J)."""
    return np.arange(len(band.levels), dtype=np.int8)[:, None, None]


def soft_ink_and_paper(
    band: Band, levels: tuple[Singles, Singles], share: Singles, used: Bools
) -> tuple[Singles, Singles]:
    """Light of ink and paper where an edge is soft for its size.

    On small or blurred markers the blur of the edge and that of the code's white cells leave no place that is
    only ink. There both levels come from a linear fit of the blurred step to all pixels of the band.

    Parameters
    ----------
    band : Band
    levels : tuple of ndarray, shape (E, J)
        Ink and paper as far as known.
    share : ndarray, shape (K, E, J)
        Share of the paper's light at each pixel.
    used : ndarray of bool, shape (K, E, J)
        Pixels that count.

    Returns
    -------
    ink, paper : ndarray, shape (E, J)
    """
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
    return ink * uneven, paper * uneven
