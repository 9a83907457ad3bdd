"""What an adjusted linkage makes the shafts behind it do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.adjust.model import move
from strokecurve.kinematics.adjust.setting import LinkageSetting

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DownstreamShaft:
    """One shaft behind the adjusted linkage.

    Parameters
    ----------
    driven_rad, sd_rad : ndarray, shape (N,)
        Its travel from low fire, positive toward open, at the driver positions of the adjusted linkage; NaN
        where its linkage cannot close. The standard deviation is NaN where it is not known.
    min_toggle_rad : float
        Smallest angle between its rod and an arm line; 0 where it cannot close.
    """

    driven_rad: Array
    sd_rad: Array
    min_toggle_rad: float

    @property
    def jams(self) -> bool:
        """Whether its linkage cannot follow."""
        return bool(np.isnan(self.driven_rad).any())


def downstream_shafts(
    driver_rad: Array,
    sampled_rad: Array | None,
    linkages: Sequence[tuple[LinkageSetting, Array | None]],
) -> tuple[DownstreamShaft, ...]:
    """Travel of every shaft along a train, from that of the shaft that drives it.

    Parameters
    ----------
    driver_rad : ndarray, shape (N,)
        Travel of the first driver, positive toward open.
    sampled_rad : ndarray, shape (K, N), or None
        The same of linkages sampled, for the uncertainty.
    linkages : sequence of (LinkageSetting, ndarray of shape (L, 5) or None)
        One after the other, each as it is, with linkages sampled (`sample_linkages`).

    Returns
    -------
    tuple of DownstreamShaft, one for each linkage

    Examples
    --------
    >>> parallel = LinkageSetting(60.0, 60.0, 200.0, 1.0, 1.0, 1.0, 1)
    >>> downstream_shafts(np.array([0.0, 0.5]), None, [(parallel, None)])[0].driven_rad.round(9).tolist()
    [0.0, 0.5]
    """
    found = []
    for setting, samples in linkages:
        driver_rad, toggle = _through(setting, _own(setting), driver_rad[None, :])
        if sampled_rad is not None and samples is not None and len(samples):
            count = min(len(samples), len(sampled_rad))
            sampled_rad, _ = _through(setting, samples[:count], sampled_rad[:count])
        else:
            sampled_rad = None
        driver_rad = driver_rad[0]
        found.append(DownstreamShaft(driver_rad, _spread(sampled_rad, driver_rad.size), toggle))
    return tuple(found)


def _own(setting: LinkageSetting) -> Array:
    return np.array(
        [
            [
                setting.drive_radius_mm,
                setting.driven_radius_mm,
                setting.spacing_mm,
                setting.drive_start_rad,
                setting.driven_start_rad,
            ]
        ]
    )


def _through(setting: LinkageSetting, linkages: Array, driver_rad: Array) -> tuple[Array, float]:
    """Driven travel, positive toward open, shape (K, N), and the smallest angle to the in-line position."""
    sign = setting.driven_sign()
    a, c, d, drive, driven = (linkages[:, k : k + 1] for k in range(5))
    moved = move(
        a,
        c,
        d,
        drive,
        driven,
        setting.opening_sign * driver_rad,
        setting.four_bar().branch,
        sign * setting.opening_sign,
    )
    sine = np.nan_to_num(np.minimum(moved.drive_sine, moved.driven_sine), nan=0.0)
    return sign * moved.driven_rad, math.asin(float(np.clip(sine, 0, 1).min()))


def _spread(sampled_rad: Array | None, size: int) -> Array:
    closed = None if sampled_rad is None else sampled_rad[np.isfinite(sampled_rad).all(axis=1)]
    if closed is None or len(closed) < 2:
        return np.full(size, np.nan)
    return np.asarray(np.std(closed, axis=0))
