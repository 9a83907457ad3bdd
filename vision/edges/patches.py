"""How far markers have moved since they were last seen, roughly: the start of an exact fit.

A hand shakes a camera by pixels from frame to frame, back and forth, so that the speed of a marker says
little about its next place. Its picture does: it is compared, reduced, with the surroundings of its last
place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats, Singles

_REDUCED_SIDE = 12
"""Reduced pixels that a marker's side is brought down to, about: the code stays just visible."""

_SIZE = 14
"""Reduced pixels along each side of what is compared: the marker, and where it is upright its outline."""

_REACH = 4
"""Reduced pixels that a marker may have moved."""


@dataclass(frozen=True, slots=True)
class Patches:
    """The reduced pictures of M markers.

    Attributes
    ----------
    reduced : tuple of M ndarrays of shape (14, 14)
        Samples, or None where a marker lies too near the border of the picture.
    around : tuple of M pairs of slices
        Where each is looked for: rows and columns of the picture.
    ratio : ndarray of int, shape (M,)
        Pixels of the picture in a reduced pixel, along each axis.
    """

    reduced: tuple[NDArray[Any] | None, ...]
    around: tuple[tuple[slice, slice], ...]
    ratio: NDArray[np.int64]

    @classmethod
    def none(cls) -> Patches:
        """Give no patches."""
        return cls((), (), np.zeros(0, np.int64))

    @classmethod
    def of(cls, luma: NDArray[Any], quads_px: Floats) -> Patches:
        """Take the pictures of markers.

        Parameters
        ----------
        luma : ndarray, shape (height, width)
            The picture.
        quads_px : ndarray, shape (M, 4, 2)
            Corners.
        """
        following = np.roll(quads_px, -1, axis=1)
        side_px = np.abs(following - quads_px).max(axis=2).mean(axis=1)
        ratio = np.maximum(np.rint(side_px / _REDUCED_SIDE), 1).astype(np.int64)
        middle = np.rint(quads_px.mean(axis=1)).astype(np.int64)
        first = middle - ratio[:, None] * (_SIZE // 2 + _REACH)
        last = first + ratio[:, None] * (_SIZE + 2 * _REACH)
        whole = (first >= 0).all(axis=1) & (last[:, 0] <= luma.shape[1]) & (last[:, 1] <= luma.shape[0])
        reduced: list[NDArray[Any] | None] = []
        around = []
        for (left, top), (right, bottom), by, known in zip(
            first.tolist(), last.tolist(), ratio.tolist(), whole.tolist(), strict=True
        ):
            # Three lines of pixels in a reduced one tell it well enough.
            place = (slice(top, bottom, max(by // 3, 1)), slice(left, right))
            inner = slice(_REACH, _REACH + _SIZE)
            reduced.append(np.ascontiguousarray(_reduced(luma[place])[inner, inner]) if known else None)
            around.append(place)
        return cls(tuple(reduced), tuple(around), ratio)

    def shifts_in(self, lumas: Sequence[NDArray[Any]]) -> Floats:
        """Tell how far the markers lie from where the patches were taken, in each of several pictures.

        Parameters
        ----------
        lumas : sequence of F ndarrays, shape (height, width)
            Other pictures.

        Returns
        -------
        ndarray, shape (F, M, 2)
            Right and down, good to about half a reduced pixel; 0 where it cannot be told.
        """
        side = 2 * _REACH + 1
        likeness = np.zeros((len(lumas), len(self.reduced), side, side), np.float32)
        for luma, likes in zip(lumas, likeness, strict=True):
            for like, reduced, place in zip(likes, self.reduced, self.around, strict=True):
                if reduced is not None:
                    like[:] = cv2.matchTemplate(_reduced(luma[place]), reduced, cv2.TM_CCOEFF_NORMED)
        shift = _peaks(likeness.reshape(-1, side, side)).reshape(len(lumas), len(self.reduced), 2)
        known = np.array([reduced is not None for reduced in self.reduced], bool)
        return np.asarray(np.where(known[:, None], self.ratio[:, None] * (shift - _REACH), 0.0))


def _reduced(samples: NDArray[Any]) -> NDArray[Any]:
    """Means of blocks of pixels, in a type that OpenCV compares."""
    side = _SIZE + 2 * _REACH
    small = cv2.resize(samples, (side, side), interpolation=cv2.INTER_AREA)
    return small if small.dtype == np.uint8 else small.astype(np.float32)


def _peaks(maps: Singles) -> Floats:
    """Column and row of the largest value of each map, between the pixels by parabolas, (N, 2)."""
    count, side, _ = maps.shape
    row, column = np.divmod(maps.reshape(count, side * side).argmax(axis=1), side)
    number = np.arange(count)
    along_x, along_y = maps[number, row], maps[number, :, column]
    return np.stack([column + _top(along_x, column), row + _top(along_y, row)], axis=1)


def _top(values: Singles, at: NDArray[np.intp]) -> Floats:
    """Top of a parabola through the value at ``at`` of each row and its neighbours, from there, (N,)."""
    number, last = np.arange(len(values)), values.shape[1] - 1
    before, here, after = (
        values[number, np.clip(at + step, 0, last)].astype(np.float64) for step in (-1, 0, 1)
    )
    bend = before - 2 * here + after
    known = (at > 0) & (at < last) & (bend < 0)
    return np.asarray(np.where(known, 0.5 * (before - after) / np.where(known, bend, 1.0), 0.0))
