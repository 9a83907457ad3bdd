"""Which side of its play a joint rests on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.motion.stroke import Stroke

Array = NDArray[np.float64]


def contact_side(stroke: Stroke, driven_rad: Array, least_rad: float) -> NDArray[np.int64]:
    """Side of the play that carries the driven shaft in each frame.

    Parameters
    ----------
    stroke : Stroke
        Passes of the driver.
    driven_rad : ndarray, shape (N,)
        Angle of the driven shaft, NaN in gaps.
    least_rad : float
        How far the driven shaft must have followed since the pass began before the joint is surely in
        contact.

    Returns
    -------
    ndarray of int, shape (N,)
        +1 in contact as in the opening pass, -1 as in the closing pass, 0 where that is not sure: holds, gaps
        and the take-up after each reversal.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> side = contact_side(find_stroke(time_s, driver, 0.0005), driver, np.radians(1))
    >>> side[time_s < 1].any(), side[80], side[180]
    (np.False_, np.int64(1), np.int64(-1))
    """
    side = np.zeros(len(driven_rad), np.int64)
    for passes, way in ((stroke.opening, 1), (stroke.closing, -1)):
        for part in passes:
            turned = driven_rad[part]
            known = turned[np.isfinite(turned)]
            if known.size:
                with np.errstate(invalid="ignore"):
                    side[part] = np.where(np.abs(turned - np.median(known[:3])) > least_rad, way, 0)
    return side
