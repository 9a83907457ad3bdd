"""What a dry flue gas analysis says: excess air, and what follows from it. Exact by element balance.

Shares are volume shares of the dry gas (0 to 1), excess air is a share of the air needed for complete
combustion. All functions take arrays and broadcast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.intended.fuels import OXYGEN_SHARE, Fuel

Array = NDArray[np.float64]


def excess_air(fuel: Fuel, o2_dry: ArrayLike, co_dry: ArrayLike = 0.0) -> Array:
    """Excess air; below 0 where there is less air than complete combustion needs.

    Parameters
    ----------
    fuel : Fuel
    o2_dry, co_dry : array_like, shapes that broadcast
        Shares of O2 and CO, the O2 below that of air.

    Returns
    -------
    ndarray, the broadcast shape
        Share of the air for complete combustion.

    Notes
    -----
    A carbon atom that left as CO spared half an O2: with m the share of CO, the O2 that excess air brought is
    y - m / 2, and the dry flue gas is (V + e A) / (1 - m / 2). Hydrogen and unburned fuel are not seen.

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> excess_air(NATURAL_GAS, [0.03, 0.05]).round(4).tolist()
    [0.1496, 0.2806]
    """
    spared = np.asarray(co_dry, float) / 2
    net = np.asarray(o2_dry, float) - spared
    return np.asarray(fuel.dry_flue * net / (fuel.air * (OXYGEN_SHARE * (1 - spared) - net)))


def excess_air_slope(fuel: Fuel, o2_dry: ArrayLike, co_dry: ArrayLike = 0.0) -> Array:
    """Derivative of the excess air by the share of O2.

    Parameters
    ----------
    fuel, o2_dry, co_dry
        As for `excess_air`.

    Returns
    -------
    ndarray, the broadcast shape

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> round(float(excess_air_slope(NATURAL_GAS, 0.03)), 2)  # a point of O2 is 5.8 points of excess air
    5.82
    """
    spared = np.asarray(co_dry, float) / 2
    net = np.asarray(o2_dry, float) - spared
    full = OXYGEN_SHARE * (1 - spared)
    return np.asarray(fuel.dry_flue * full / (fuel.air * (full - net) ** 2))


def o2_dry_of(fuel: Fuel, excess: ArrayLike) -> Array:
    """Share of O2 in the dry flue gas of complete combustion.

    Parameters
    ----------
    fuel : Fuel
    excess : array_like, any shape
        Excess air, 0 or more.

    Returns
    -------
    ndarray, same shape

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> round(float(o2_dry_of(NATURAL_GAS, 0.10)), 5)
    0.02105
    """
    e = np.asarray(excess, float)
    return np.asarray(OXYGEN_SHARE * e * fuel.air / (fuel.dry_flue + e * fuel.air))


def co2_dry_of(fuel: Fuel, o2_dry: ArrayLike) -> Array:
    """Share of CO2 that this fuel gives beside a share of O2.

    Parameters
    ----------
    fuel : Fuel
    o2_dry : array_like, any shape

    Returns
    -------
    ndarray, same shape

    Notes
    -----
    Air that leaks into the sample moves O2 and CO2 along this very line, so it cannot be told from excess
    air by them. A point off the line means another fuel or a wrong analyser.

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> round(float(co2_dry_of(NATURAL_GAS, 0.03)), 4)
    0.1003
    """
    return np.asarray(fuel.co2_max * (1 - np.asarray(o2_dry, float) / OXYGEN_SHARE))


def air_free(co_dry: ArrayLike, o2_dry: ArrayLike) -> Array:
    """CO as it would be without excess air, in the unit it was given in.

    Parameters
    ----------
    co_dry, o2_dry : array_like, shapes that broadcast
        O2 as a share, below that of air.

    Returns
    -------
    ndarray, the broadcast shape

    Examples
    --------
    >>> round(float(air_free(100.0, 0.03)), 1)
    116.7
    """
    return np.asarray(np.asarray(co_dry, float) * OXYGEN_SHARE / (OXYGEN_SHARE - np.asarray(o2_dry, float)))


@dataclass(frozen=True, slots=True)
class AirFlow:
    """Combustion air at each position against that at a reference position.

    Parameters
    ----------
    air : ndarray, shape (N,)
        Air flow, 1 at the reference.
    sigma_random : ndarray, shape (N,)
        Standard deviation from errors of single readings; 0 at the reference, whose own errors are in all
        others.
    sigma_common : ndarray, shape (N,)
        From an error that the analyser makes in all readings alike; most of it cancels against the reference.
    """

    air: Array
    sigma_random: Array
    sigma_common: Array


def relative_air(
    fuel: Fuel,
    fuel_rate: Array,
    o2_dry: Array,
    reference: int,
    sigma_fuel_rel: float | Array,
    sigma_o2: float | Array,
    sigma_o2_common: float,
    co_dry: ArrayLike = 0.0,
) -> AirFlow:
    """Air flow relative to a reference position: fuel x (1 + excess air).

    Parameters
    ----------
    fuel : Fuel
    fuel_rate : ndarray, shape (N,)
        Any unit, above 0.
    o2_dry : ndarray, shape (N,)
    reference : int
        Index of the reference position.
    sigma_fuel_rel : float or ndarray, shape (N,)
        Relative standard deviation of each fuel rate.
    sigma_o2 : float or ndarray, shape (N,)
        Standard deviation of each O2 reading by itself.
    sigma_o2_common : float
        Standard deviation of the analyser's calibration, the same error in all readings.
    co_dry : array_like, shape (N,), optional

    Returns
    -------
    AirFlow

    Notes
    -----
    To first order, with g = d ln(1 + e) / dy: the random variance of ln(air) is sigma_fuel^2 + (g
    sigma_o2)^2 of the position and of the reference, the common part is (g - g_reference) sigma_common.

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> rate, o2 = np.array([0.25, 0.5, 0.75, 1.0]), np.array([0.07, 0.05, 0.04, 0.03])
    >>> relative_air(NATURAL_GAS, rate, o2, 3, 0.01, 0.001, 0.002).air.round(4).tolist()
    [0.3152, 0.557, 0.7902, 1.0]
    """
    burned = 1 + excess_air(fuel, o2_dry, co_dry)
    air = fuel_rate * burned / (fuel_rate * burned)[reference]
    gain = excess_air_slope(fuel, o2_dry, co_dry) / burned
    variance = np.broadcast_to(np.square(sigma_fuel_rel) + np.square(gain * sigma_o2), air.shape)
    random = air * np.sqrt(variance + variance[reference])
    random[reference] = 0.0
    return AirFlow(air, random, air * np.abs(gain - gain[reference]) * sigma_o2_common)
