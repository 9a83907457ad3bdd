"""Straight lines fitted to the light in bands along edges, by Gauss-Newton."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats, Singles
from strokecurve.vision.edges.bands import LEAST_LIGHT, Band, planes, soft_ink_and_paper
from strokecurve.vision.edges.edge_light import CodeGlow, blurred_step, exponential

_LONGEST_STEP = 0.7
"""A column is shifted by no more than this share of the band at once: further off its model is not linear."""

_ORDINARY_PX = 0.05
"""Columns no further off a line than this belong to it: where half of the few columns of a small marker agree
by chance to thousandths of a pixel, the rest would be thrown out."""

_ROOT_2PI = math.sqrt(2 * math.pi)

_LEAST_WEIGHT = 0.2
"""A column whose pixels say less of its shift than this (sum of squared slopes) takes no part."""


@dataclass(slots=True)
class Lines:
    """Lines of E edges against the reference lines of their bands, shape (E,) each.

    Attributes
    ----------
    offset, slope : ndarray
        Outward shift at the edge's middle (px), and its change along the edge.
    moved : ndarray
        Largest shift along the edge by the last step (px).
    inlier_share : ndarray
        Share of the columns that agree with the line.
    variance : ndarray
        Of one column's shift (px^2).
    columns, mean_along, spread_along : ndarray
        Number, mean place, and sum of squared distances from it, of the columns that agree.
    blur : ndarray
        Standard deviation of the blur after the last step (px).
    """

    offset: Floats
    slope: Floats
    moved: Floats
    inlier_share: Floats
    variance: Floats
    columns: Floats
    mean_along: Floats
    spread_along: Floats
    blur: Floats

    @classmethod
    def none(cls, count: int) -> Lines:
        """Lines yet to be filled in by `put`."""
        return cls(*(np.zeros(count) for _ in fields(cls)))

    def only(self, edges: NDArray[np.intp]) -> Lines:
        """Give some of the lines, by an index of shape (N,)."""
        return Lines(*(getattr(self, f.name)[edges] for f in fields(self)))

    def put(self, edges: NDArray[np.intp], others: Lines) -> None:
        """Replace the lines of some of the edges, by an index of shape (N,)."""
        for f in fields(self):
            getattr(self, f.name)[edges] = getattr(others, f.name)


@dataclass(frozen=True, slots=True)
class Profiles:
    """What bands along E edges show, and what it is compared with.

    Attributes
    ----------
    band : Band
    levels : tuple of ndarray, shape (E, J)
        Light of ink and paper.
    share : ndarray, shape (K, E, J)
        The light of each pixel on the way from ink (0) to paper (1).
    inner, outer : ndarray, shape (E, 1)
        Pixels further than this on the ink's and on the paper's side do not count (px).
    blur : ndarray, shape (E, 1)
        Standard deviation of the blur across each edge (px).
    length : ndarray, shape (E,)
        Of each edge (px).
    glow : CodeGlow or None
        Light from the code behind soft edges.
    """

    band: Band
    levels: tuple[Singles, Singles]
    share: Singles
    inner: Singles
    outer: Singles
    blur: Singles
    length: Floats
    glow: CodeGlow | None = None

    @classmethod
    def of(
        cls,
        band: Band,
        levels: tuple[Singles, Singles],
        inner: Floats,
        outer: Floats,
        blur: Floats,
        length: Floats,
        glow: CodeGlow | None = None,
    ) -> Profiles:
        """Compare bands with the light of ink and paper; arguments as the attributes, all of shape (E,)."""
        limits = planes(inner), planes(outer), planes(blur)
        return cls(band, levels, _share(band, levels), *limits, length, glow)

    def only(self, edges: NDArray[np.intp]) -> Profiles:
        """Give some of the edges, by an index of shape (N,)."""
        return Profiles(
            self.band.only(edges),
            (self.levels[0][edges], self.levels[1][edges]),
            self.share[:, edges],
            self.inner[edges],
            self.outer[edges],
            self.blur[edges],
            self.length[edges],
            None if self.glow is None else self.glow.only(edges),
        )

    def with_soft_levels(self, lines: Lines) -> Profiles:
        """Work out the light of ink and paper anew, from the whole step, where lines are known roughly."""
        z = self._distance_blurs(lines)
        share = blurred_step(z)
        if self.glow:
            self.glow.add_to(share, np.zeros_like(share), np.zeros_like(share), z)
        levels = soft_ink_and_paper(self.band, self.levels, share, self._used(z) & self.band.inside)
        return replace(self, levels=levels, share=_share(self.band, levels))

    def step(self, lines: Lines, taken: Singles | None = None) -> tuple[Lines, Singles]:
        """Do one Gauss-Newton step.

        Parameters
        ----------
        lines : Lines
            Where to start.
        taken : ndarray, shape (E, J), optional
            Columns to use (1) and not to use (0); chosen by how well they agree if not given.

        Returns
        -------
        lines : Lines
        taken : ndarray, shape (E, J)
            The columns that were used.
        """
        band, blur = self.band, self.blur[:, 0]
        z = self._distance_blurs(lines)
        share = blurred_step(z)
        gradient = z * z
        gradient *= np.float32(-0.5)
        gradient = exponential(gradient)
        used = self._used(z)
        if self.glow:
            widen = gradient * z
            self.glow.add_to(share, gradient, widen, z)
            gradient *= used
            widen *= used
        else:
            gradient *= used
            widen = np.multiply(gradient, z, out=z)
        residual = np.subtract(self.share, share, out=share)
        weight = np.einsum("kej,kej->ej", gradient, gradient)
        reach = np.float32(_LONGEST_STEP) * self.outer
        shift = np.einsum("kej,kej->ej", gradient, residual)
        shift *= np.float32(-_ROOT_2PI) * self.blur
        shift /= np.maximum(weight, np.float32(1e-6))
        np.minimum(shift, reach, out=shift)
        np.maximum(shift, -reach, out=shift)

        if taken is None:
            found = robust_line(band.along, shift, band.inside & (weight > _LEAST_WEIGHT))
        else:
            found = line_through(band.along, shift, taken)
        stretch = np.vecdot(np.einsum("kej,kej->ej", widen, widen), found.weight)
        change = np.vecdot(np.einsum("kej,kej->ej", widen, residual), found.weight)
        blur_change = -change / np.maximum(stretch, 1e-6) * (_ROOT_2PI * blur)
        columns = found.columns
        total = np.maximum(band.inside.sum(axis=1), 1)
        new = Lines(
            offset=lines.offset + found.offset,
            slope=lines.slope + found.slope,
            moved=np.abs(found.offset) + np.abs(found.slope) * 0.5 * self.length,
            inlier_share=np.where(columns >= 4, columns / total, 0.0),
            variance=found.variance.astype(np.float64),
            columns=np.maximum(columns, 1.0),
            mean_along=found.mean_along.astype(np.float64),
            spread_along=np.maximum(found.spread_along, 1e-6),
            blur=blur + np.minimum(np.maximum(blur_change, -0.3 * blur), 0.3 * blur),
        )
        return new, found.weight

    def _distance_blurs(self, lines: Lines) -> Singles:
        """Distance of each pixel from lines, in standard deviations of the blur, outward positive."""
        inverse = np.float32(1.0) / self.blur
        pitch = self.band.pitch * inverse
        first = self.band.lowest * pitch
        first -= planes(lines.offset) * inverse
        first -= (planes(lines.slope) * inverse) * self.band.along
        number = np.arange(len(self.share), dtype=np.float32)[:, None, None]
        return np.asarray(number * pitch + first)

    def _used(self, z: Singles) -> Bools:
        """Pixels that count, (K, E, J), by their distance from lines in standard deviations of the blur."""
        return np.asarray((z >= -self.inner / self.blur) & (z <= self.outer / self.blur))


def fit_lines(profiles: Profiles, steps: int, exact_px: float, start: Lines | None = None) -> Lines:
    """Fit lines, each with as many steps as it needs.

    Parameters
    ----------
    profiles : Profiles
    steps : int
        Most steps.
    exact_px : float
        A line that the last step moved less than this is done: what a short step leaves is of second order.
    start : Lines, optional
        Where to start, if not at the reference lines of the bands.
    """
    count = len(profiles.length)
    lines, taken = profiles.step(start or Lines.none(count))
    for turn in range(1, steps):
        edges = np.flatnonzero(~(lines.moved < exact_px))
        if not edges.size:
            break
        again = profiles if edges.size == count else profiles.only(edges)
        # Columns on the verge would come and go for ever, and the line with them.
        new, taken[edges] = again.step(lines.only(edges), taken[edges] if turn > 1 else None)
        lines.put(edges, new)
    return lines


def _share(band: Band, levels: tuple[Singles, Singles]) -> Singles:
    """Light of each pixel on the way from ink (0) to paper (1), (K, E, J)."""
    ink, paper = levels
    contrast = paper - ink
    contrast = np.where(np.abs(contrast) < LEAST_LIGHT, LEAST_LIGHT, contrast)
    share: Singles = band.levels - ink
    share *= np.float32(1.0) / contrast
    return share


@dataclass(frozen=True, slots=True)
class ColumnLines:
    """Straight lines through the shifts of the columns of E edges.

    Attributes
    ----------
    offset, slope : ndarray, shape (E,)
        At the edge's middle, and its change along the edge.
    weight : ndarray, shape (E, J)
        1 for columns that agree, else 0.
    off : ndarray, shape (E, J)
        How far each column lies off its line.
    variance : ndarray, shape (E,)
        Of one column.
    columns, mean_along, spread_along : ndarray, shape (E,)
        Number, mean place, and sum of squared distances from it, of the columns that agree.
    """

    offset: Singles
    slope: Singles
    weight: Singles
    off: Singles
    variance: Singles
    columns: Singles
    mean_along: Singles
    spread_along: Singles


def line_through(along: Singles, shift: Singles, weight: Singles) -> ColumnLines:
    """Fit lines to columns; ``along``, ``shift`` and ``weight`` (1 or 0) have shape (E, J)."""
    columns = weight.sum(axis=1)
    n = np.maximum(columns, np.float32(1.0))
    mean = np.vecdot(weight, along) / n
    level = np.vecdot(weight, shift) / n
    centred = along - mean[:, None]
    weighted = weight * centred
    spread = np.vecdot(weighted, centred)
    tilt = np.vecdot(weighted, shift) / np.maximum(spread, np.float32(1e-6))
    off = shift - level[:, None]
    off -= np.multiply(centred, tilt[:, None], out=centred)
    variance = np.vecdot(np.multiply(weight, off, out=weighted), off) / np.maximum(n - 2, 1)
    return ColumnLines(level - tilt * mean, tilt, weight, off, variance, columns, mean, spread)


def robust_line(along: Singles, shift: Singles, valid: Bools) -> ColumnLines:
    """Fit lines without columns that lie apart (three robust deviations).

    Parameters
    ----------
    along, shift : ndarray, shape (E, J)
        Place and shift of each column.
    valid : ndarray of bool, shape (E, J)
        Columns that take part.
    """
    line = line_through(along, shift, valid.astype(np.float32))
    for turn in range(2):
        off = np.abs(line.off)
        limit = np.float32(4.4478) * median_of(off, valid) if turn == 0 else 3.0 * np.sqrt(line.variance)
        keep = valid & (off <= np.maximum(limit, np.float32(_ORDINARY_PX))[:, None])
        line = line_through(along, shift, keep.astype(np.float32))
    return line


def median_of(values: Singles, valid: Bools) -> Singles:
    """Lower median of the valid entries of each row, (E,); 0 where there is none."""
    count = valid.sum(axis=1)
    ordered = np.sort(np.where(valid, values, np.float32(np.inf)), axis=1)
    middle = ordered[np.arange(len(values)), np.maximum(count - 1, 0) // 2]
    return np.where(count > 0, middle, np.float32(0.0))
