"""Published characteristics of dampers, and what the rest of the air path makes of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]

OPEN_RAD = math.pi / 2
"""Opening of a blade that stands along the flow; 0 is shut."""
_DEG = math.pi / 180


@dataclass(frozen=True, slots=True)
class PublishedDamper:
    """Loss coefficients of a damper against its blade's opening.

    Parameters
    ----------
    name : str
    source : str
        Where the numbers come from.
    opening_rad : ndarray, shape (N,)
        Rising; the last is fully open.
    loss : ndarray, shape (N,)
        Loss coefficient (pressure drop over dynamic pressure), falling.
    """

    name: str
    source: str
    opening_rad: Array
    loss: Array

    @classmethod
    def from_table(cls, name: str, source: str, from_open_deg: ArrayLike, loss: ArrayLike) -> PublishedDamper:
        """From a table against the angle that the blade is turned away from open, as handbooks print it.

        Parameters
        ----------
        name, source : str
        from_open_deg, loss : array_like, shape (N,)
            Rising, from 0.

        Returns
        -------
        PublishedDamper
        """
        angle = np.asarray(from_open_deg, float)
        return cls(name, source, OPEN_RAD - np.radians(angle[::-1]), np.asarray(loss, float)[::-1].copy())

    @classmethod
    def exponential(
        cls, name: str, source: str, per_deg: float, upper: float, open_loss: float = 0.45
    ) -> PublishedDamper:
        """The exponential model with quadratic ends: ln(loss) is a straight line over the middle.

        Parameters
        ----------
        name, source : str
        per_deg : float
            Slope of ln(loss) for a degree toward shut.
        upper : float
            Opening, as a share of 90 degrees, at which the straight part ends; it begins at a sixth.
        open_loss : float
            Loss coefficient fully open.

        Returns
        -------
        PublishedDamper
        """
        level, slope, lower, shut_loss = -1.51, per_deg * 90, 15 / 90, 1e6
        share = np.linspace(0.0, 1.0, 91)
        middle = level + slope * (1 - share)
        ln_loss = np.where(
            share < lower,
            _quadratic_end(share, lower, level + slope * (1 - lower), -slope, 0.0, math.log(shut_loss)),
            np.where(
                share > upper,
                _quadratic_end(share, upper, level + slope * (1 - upper), -slope, 1.0, math.log(open_loss)),
                middle,
            ),
        )
        return cls(name, source, share * OPEN_RAD, np.exp(ln_loss))

    def flow(self, opening_rad: ArrayLike) -> Array:
        """Flow against that fully open, at the same pressure drop: the inherent characteristic.

        Parameters
        ----------
        opening_rad : array_like, any shape
            From shut.

        Returns
        -------
        ndarray, same shape
            Between the published points monotone, beyond the last one toward shut with its last slope, as no
            damper seals; open beyond open.

        Examples
        --------
        >>> ROUND_PLATE.flow(np.radians([20, 60, 90])).round(3).tolist()
        [0.016, 0.226, 1.0]
        """
        ln_loss = np.log(self.loss)
        curve = PchipInterpolator(self.opening_rad, ln_loss)
        at = np.asarray(opening_rad, float)
        first, last = self.opening_rad[[0, -1]]
        slope = (ln_loss[1] - ln_loss[0]) / (self.opening_rad[1] - first)
        inside = curve(np.clip(at, first, last))
        return np.asarray(np.exp(-(inside + slope * np.minimum(at - first, 0.0) - ln_loss[-1]) / 2))


def _quadratic_end(
    share: Array, joint: float, value: float, slope: float, end: float, end_value: float
) -> Array:
    """A parabola that goes on from a straight line and ends at a given value."""
    bend = (end_value - value - slope * (end - joint)) / (end - joint) ** 2
    step = share - joint
    return np.asarray(value + slope * step + bend * step**2)


def installed_flow(inherent: ArrayLike, authority: ArrayLike) -> Array:
    """Flow against that fully open with the rest of the air path in series.

    Parameters
    ----------
    inherent : array_like, shape that broadcasts
        Flow share at constant pressure drop, above 0.
    authority : array_like, shape that broadcasts
        Share of the whole pressure drop that falls across the open damper, 0 to 1.

    Returns
    -------
    ndarray, the broadcast shape

    Notes
    -----
    The damper's share of the resistance is N / p^2 against 1 - N of the rest, at a constant total pressure.

    Examples
    --------
    >>> installed_flow([0.05, 0.2, 0.5, 0.8], 0.1).round(4).tolist()
    [0.1564, 0.5423, 0.8771, 0.973]
    """
    p, n = np.asarray(inherent, float), np.asarray(authority, float)
    return np.asarray(1 / np.sqrt(1 - n + n / p**2))


_SHARED = "read in a public transcription of "
ROUND_PLATE = PublishedDamper.from_table(
    "round butterfly, thin plate",
    _SHARED + "ASHRAE fitting CD9-1; Weisbach's values",
    [0, 10, 20, 30, 40, 50, 60, 70],
    [0.20, 0.52, 1.54, 3.91, 10.8, 32.6, 118, 751],
)
ROUND_BUTTERFLY = PublishedDamper.from_table(
    "round butterfly",
    _SHARED + "ASHRAE fitting CD9-1, later table",
    [0, 10, 20, 30, 40, 50, 60, 70, 75],
    [0.60, 0.85, 1.70, 4.0, 9.4, 24, 67, 215, 400],
)
RECTANGULAR = PublishedDamper.from_table(
    "rectangular, one blade",
    _SHARED + "ASHRAE fitting CR9-1",
    [0, 10, 20, 30, 40, 50, 60, 65, 70],
    [0.04, 0.30, 1.10, 3.0, 8.0, 23, 60, 100, 190],
)
PARALLEL_BLADES = PublishedDamper.from_table(
    "parallel blades",
    _SHARED + "Idelchik 1986, diagram 9-5",
    [0, 10, 20, 30, 40, 50, 60, 70],
    [0.52, 1.0, 1.6, 2.6, 5.4, 10, 24, 65],
)
_TYPICAL = (
    "typical figures of ASHRAE 825-RP, read in the documentation of an open building-simulation library"
)
OPPOSED_BLADES = PublishedDamper.exponential("opposed blades", _TYPICAL, 0.105, 55 / 90)
SINGLE_BLADE = PublishedDamper.exponential("one blade, exponential", _TYPICAL, 0.0842, 65 / 90)

PUBLISHED_DAMPERS = (
    ROUND_PLATE,
    ROUND_BUTTERFLY,
    RECTANGULAR,
    PARALLEL_BLADES,
    OPPOSED_BLADES,
    SINGLE_BLADE,
)
"""Shapes that a burner's damper may resemble. None is trusted: readings decide, and bend the shape where
they must."""
