"""When each row of a picture was exposed.

A phone exposes one row after another. The time of a frame is that of its middle row; a point seen in row v of
H was exposed ``(v / H - 1/2) * readout`` later. Films that were turned on their side have their columns
exposed one after another instead, and the order may be either way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Floats


@dataclass(frozen=True, slots=True)
class RowTime:
    """Readout of a rolling shutter.

    Attributes
    ----------
    rows_s, columns_s : float
        Time from the exposure of the first row (column) to that of the last one; negative where they are
        exposed from last to first, 0 where all are exposed at once.
    """

    rows_s: float = 0.0
    columns_s: float = 0.0

    def delay_s(self, fractions: Floats) -> Floats:
        """Give how much later than the time of the frame points are exposed, s.

        ``fractions``, shape (..., 2), is where they are in the readout, as `row_fractions` gives it.
        """
        return np.asarray(fractions[..., 0] * self.rows_s + fractions[..., 1] * self.columns_s, np.float64)


def row_fractions(pixels: Floats, picture_wh_px: tuple[int, int]) -> Floats:
    """Give places in the readout, from -1/2 to 1/2: along rows and along columns.

    Parameters
    ----------
    pixels : ndarray, shape (..., 2)
        Where points are seen (x, y).
    picture_wh_px : tuple of int
        Size of the stored picture.

    Returns
    -------
    ndarray, shape (..., 2)
    """
    width, height = picture_wh_px
    return np.stack([pixels[..., 1] / height - 0.5, pixels[..., 0] / width - 0.5], axis=-1)
