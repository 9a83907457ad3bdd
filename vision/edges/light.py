"""From the numbers in a video back to the light that fell on the sensor.

A lens blurs light, and the camera then stores roughly its square root. An edge that is fitted in the
stored numbers therefore seems to lie toward the dark side, by an amount that depends on blur and
brightness. Undoing the transfer curve before any fit removes most of that; what is left is an unknown
of the joint model.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray


@cache
def light_of_levels(bit_depth: int, full_range: bool) -> NDArray[np.float64]:
    """Give the relative light for each number that a luma sample can hold.

    Parameters
    ----------
    bit_depth : int
        Bits of a sample.
    full_range : bool
        True if 0 is black and the largest number white; else video levels (16 to 235 at 8 bits).

    Returns
    -------
    ndarray, shape (2 ** bit_depth,)
        Rising from 0 (black) to 1 (white) and a little beyond; read-only.

    References
    ----------
    .. [1] Recommendation ITU-R BT.709-6: opto-electronic transfer characteristics, and quantisation levels
       (item numbers not checked).
    """
    unit = 2.0 ** (bit_depth - 8)
    codes = np.arange(2**bit_depth)
    black, white = (0.0, 2.0**bit_depth - 1) if full_range else (16 * unit, 235 * unit)
    stored = np.clip((codes - black) / (white - black), 0.0, None)
    light: NDArray[np.float64] = np.where(
        stored < 0.081, stored / 4.5, ((stored + 0.099) / 1.099) ** (1 / 0.45)
    )
    light.flags.writeable = False
    return light
