"""How far a marker has moved since it was last seen, roughly: the start of an exact fit.

A hand shakes a camera by pixels from frame to frame, back and forth, so that the speed of a marker says
little about its next place. Its picture does: it is compared, reduced, with the surroundings of its last
place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.arrays import Floats

_REDUCED_SIDE = 14
"""Reduced pixels that a marker's side is brought down to, about: the code stays just visible."""

_REACH = 4
"""Reduced pixels that a marker may have moved."""


@dataclass(frozen=True, slots=True)
class Patch:
    """The reduced picture of one marker.

    Attributes
    ----------
    reduced : ndarray of float32, shape (h, w)
        Samples, interpolated.
    corner_px : tuple of int
        First column and row of the picture that went into it.
    ratio : int
        Pixels of the picture in a reduced pixel, along each axis.
    """

    reduced: NDArray[np.float32]
    corner_px: tuple[int, int]
    ratio: int

    @classmethod
    def of(cls, luma: NDArray[Any], quad_px: Floats) -> Patch | None:
        """Take the picture of a marker, or None where it lies too near the border.

        Parameters
        ----------
        luma : ndarray, shape (height, width)
            The picture.
        quad_px : ndarray, shape (4, 2)
            Corners.
        """
        side_px = 0.25 * float(np.abs(np.diff(quad_px, axis=0, append=quad_px[:1])).max(axis=1).sum())
        ratio = max(1, round(side_px / _REDUCED_SIDE))
        left, top = np.floor(quad_px.min(axis=0)).astype(int).tolist()
        right, bottom = np.ceil(quad_px.max(axis=0)).astype(int).tolist()
        size_wh = (-(-(right - left) // ratio), -(-(bottom - top) // ratio))
        reduced = _reduced(luma, left, top, size_wh, ratio)
        return None if reduced is None else cls(reduced, (left, top), ratio)

    def shift_in(self, luma: NDArray[Any]) -> Floats:
        """Tell how far the marker lies from where the patch was taken.

        Parameters
        ----------
        luma : ndarray, shape (height, width)
            Another picture.

        Returns
        -------
        ndarray, shape (2,)
            Right and down, good to about half a reduced pixel; 0 where it cannot be told.
        """
        margin = _REACH * self.ratio
        left, top = self.corner_px
        height, width = self.reduced.shape
        around = _reduced(
            luma, left - margin, top - margin, (width + 2 * _REACH, height + 2 * _REACH), self.ratio
        )
        if around is None:
            return np.zeros(2)
        likeness = cv2.matchTemplate(around, self.reduced, cv2.TM_CCOEFF_NORMED)
        row, column = divmod(int(likeness.argmax()), likeness.shape[1])
        x = column + _peak(likeness[row], column)
        y = row + _peak(likeness[:, column], row)
        return self.ratio * (np.array([x, y]) - _REACH)


def _reduced(
    luma: NDArray[Any], left: int, top: int, size_wh: tuple[int, int], ratio: int
) -> NDArray[np.float32] | None:
    """Samples of blocks of pixels, or None if they do not all lie in the picture."""
    right, bottom = left + size_wh[0] * ratio, top + size_wh[1] * ratio
    if left < 0 or top < 0 or right > luma.shape[1] or bottom > luma.shape[0]:
        return None
    # Means of all pixels would cost twice as much and place the marker no better.
    small = cv2.resize(luma[top:bottom, left:right], size_wh, interpolation=cv2.INTER_LINEAR)
    return np.asarray(small, np.float32)


def _peak(values: NDArray[Any], at: int) -> float:
    """Where a parabola through the largest of the values and its neighbours has its top, from ``at``."""
    if not 0 < at < len(values) - 1:
        return 0.0
    before, here, after = (float(v) for v in values[at - 1 : at + 2])
    bend = before - 2 * here + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0
