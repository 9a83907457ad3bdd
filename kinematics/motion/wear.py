"""Where lost motion arises: the same angle everywhere, or play in a rod pin, which the linkage magnifies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.linkage.closure import driven_curve, driven_derivatives
from strokecurve.kinematics.motion.angles import Bins

Array = NDArray[np.float64]

_STEPS = 91  # of the stroke over which lost motion is averaged
_ROUNDS = 3  # the gap is not quite in proportion to the play near toggle
_LEAST_RAD = 1e-6  # lost motion of which the shape is taken where there is none


@dataclass(frozen=True, slots=True)
class Wear:
    """Shape of lost motion over the stroke.

    Parameters
    ----------
    profile : ndarray, shape (B,)
        Lost motion at each bin over its mean over the stroke.
    longer_by_slack : float
        How much longer the rod acts in opening than in closing for each radian of mean lost motion (mm/rad):
        the play of its pins, with a sign. 0 where the pins have none.
    """

    profile: Array
    longer_by_slack: float


def even_wear(bins: Bins) -> Wear:
    """Play between driven arm and shaft: the same angle everywhere.

    Parameters
    ----------
    bins : Bins

    Returns
    -------
    Wear

    Examples
    --------
    >>> z = np.zeros(2)
    >>> even_wear(Bins(z, z, z, z, z, np.ones(2, int))).profile.tolist()
    [1.0, 1.0]
    """
    return Wear(np.ones(bins.driver_rad.size), 0.0)


def pin_wear(
    bins: Bins, opening_sign: int, driven_sign: int, values: tuple[float, ...], slack_rad: float
) -> Wear | None:
    """Play in the rod's pins: pulled, the rod acts longer, pushed shorter.

    Parameters
    ----------
    bins : Bins
    opening_sign, driven_sign : int
        Way in which driver and driven shaft open, +1 counter-clockwise.
    values : tuple of float
        Both radii, spacing (mm) and both start angles (rad), as the linkage acts in closing.
    slack_rad : float
        Mean lost motion over the stroke.

    Returns
    -------
    Wear or None
        None where the linkage does not close over the stroke with that play.

    Notes
    -----
    Both pins act along the rod, so the motion does not tell one from the other. A small play delta turns the
    driven shaft by delta / (driven radius times sine of the transmission angle).

    Examples
    --------
    >>> driver, z = np.array([0.0, 1.5]), np.zeros(2)
    >>> bins = Bins(driver, z, z, z, z, np.ones(2, int))
    >>> wear = pin_wear(bins, 1, 1, (60.0, 60.0, 200.0, 1.0, 1.0), 1e-4)
    >>> [round(float(p), 3) for p in wear.profile], round(wear.longer_by_slack)
    ([1.042, 1.464], 53)
    """
    slack = max(slack_rad, _LEAST_RAD)
    travel = opening_sign * np.concatenate([bins.driver_rad, np.linspace(0, bins.driver_rad.max(), _STEPS)])
    closing = driven_curve(travel, *values)
    gain = driven_derivatives(travel, closing, *values).by_rod
    mean = float(np.mean(gain[-_STEPS:]))
    longer = -driven_sign * slack / mean if mean else np.nan  # opening, the driven shaft lags
    lag = np.full(travel.size, np.nan)
    for _ in range(_ROUNDS):
        lag = driven_sign * (closing - driven_curve(travel, *values, longer_mm=longer))
        longer *= slack / float(np.mean(lag[-_STEPS:]))
    if not np.all(np.isfinite(lag)):
        return None
    return Wear(lag[:-_STEPS] / np.mean(lag[-_STEPS:]), longer / slack)
