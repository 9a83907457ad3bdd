"""Heat that leaves with the flue gas."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.intended.combustion import excess_air
from strokecurve.kinematics.intended.fuels import LATENT_KJ_MOL, OXYGEN_SHARE, Fuel

Array = NDArray[np.float64]

ZERO_K = 273.15
_CO_MJ_KMOL = 282.98
"""Heat that a kmol of CO would still give."""

_SHOMATE: Mapping[str, tuple[tuple[float, tuple[float, float, float, float, float]], ...]] = MappingProxyType(
    {
        "N2": (
            (500.0, (28.98641, 1.853978, -9.647459, 16.63537, 0.000117)),
            (2000.0, (19.50583, 19.88705, -8.598535, 1.369784, 0.527601)),
        ),
        "O2": (
            (700.0, (31.32234, -20.23531, 57.86644, -36.50624, -0.007374)),
            (2000.0, (30.03235, 8.772972, -3.988133, 0.788313, -0.741599)),
        ),
        "CO2": ((1200.0, (24.99735, 55.18696, -33.69137, 7.948387, -0.136638)),),
        "SO2": ((1200.0, (21.43049, 74.35094, -57.75217, 16.35534, 0.086731)),),
        "H2O": ((1700.0, (30.092, 6.832514, 6.793435, -2.53448, 0.082139)),),
    }
)
"""Shomate coefficients A to E of the NIST Chemistry WebBook (as held by the open library ``chemicals``),
each with the temperature (K) up to which it holds; cp = A + B t + C t^2 + D t^3 + E / t^2 in J/(mol K), t =
T / 1000 K."""


@dataclass(frozen=True, slots=True)
class StackLoss:
    """Heat leaving with the flue gas as shares of the heating value.

    Parameters
    ----------
    dry : ndarray
        Warm dry flue gas, share of the gross heating value.
    water : ndarray
        Water vapour: its warmth and the heat it would give up by condensing, share of the gross heating
        value.
    co : ndarray
        CO that could still burn, share of the gross heating value; 0 where none was read.
    gross : ndarray
        All of these: loss on the gross heating value.
    net : ndarray
        Loss on the net heating value: without the heat of condensation, share of the net heating value.
    sigma_gross, sigma_net : ndarray
        Standard deviations from those of O2 and temperatures.
    """

    dry: Array
    water: Array
    co: Array
    gross: Array
    net: Array
    sigma_gross: Array
    sigma_net: Array


def warmth(gas: str, from_c: ArrayLike, to_c: ArrayLike) -> Array:
    """Heat that warms a gas, MJ/kmol.

    Parameters
    ----------
    gas : str
        N2, O2, CO2, SO2 or H2O (vapour).
    from_c, to_c : array_like, shapes that broadcast
        Temperatures, -30 to 900 degrees Celsius.

    Returns
    -------
    ndarray, the broadcast shape

    Examples
    --------
    >>> round(float(warmth("N2", 25.0, 225.0)), 2)
    5.86
    """
    low, high = np.broadcast_arrays(np.asarray(from_c, float) + ZERO_K, np.asarray(to_c, float) + ZERO_K)
    total, start = np.zeros(low.shape), -np.inf
    for end, coefficients in _SHOMATE[gas]:
        total = total + _integral(np.clip(high, start, end), coefficients)
        total = total - _integral(np.clip(low, start, end), coefficients)
        start = end
    return total


def _integral(kelvin: Array, coefficients: tuple[float, float, float, float, float]) -> Array:
    """Antiderivative of the heat capacity, kJ/mol."""
    a, b, c, d, e = coefficients
    t = kelvin / 1000
    return np.asarray(a * t + b * t**2 / 2 + c * t**3 / 3 + d * t**4 / 4 - e / t)


def stack_loss(
    fuel: Fuel,
    o2_dry: ArrayLike,
    stack_c: ArrayLike,
    ambient_c: ArrayLike,
    co_dry: ArrayLike = 0.0,
    sigma_o2: ArrayLike = 0.0,
    sigma_c: float = 0.0,
) -> StackLoss:
    """Stack loss by first principles.

    Parameters
    ----------
    fuel : Fuel
        With its heating value; otherwise all losses are NaN.
    o2_dry, co_dry : array_like, shapes that broadcast
        Shares of the dry flue gas.
    stack_c, ambient_c : array_like, shapes that broadcast
        Flue gas and combustion air, degrees Celsius.
    sigma_o2 : array_like, shape that broadcasts
        Standard deviation of each O2, the analyser's calibration included.
    sigma_c : float
        Standard deviation of each temperature.

    Returns
    -------
    StackLoss

    Notes
    -----
    Air is taken as dry and as warm as the surroundings. Losses of the surface, of blow-down and of unburned
    fuel other than CO are not in it. The standard deviation follows from central differences, as the formula
    is smooth.

    Examples
    --------
    >>> from strokecurve.kinematics.intended.fuels import NATURAL_GAS
    >>> loss = stack_loss(NATURAL_GAS, 0.03, 175.0, 25.0)
    >>> round(100 * float(loss.gross), 1), round(100 * float(loss.net), 1)
    (16.1, 6.9)
    """
    o2, stack, ambient, co = (
        np.asarray(a, float) for a in np.broadcast_arrays(o2_dry, stack_c, ambient_c, co_dry)
    )
    dry, water, lost_co, gross, net = _losses(fuel, o2, stack, ambient, co)
    steps = ((np.asarray(sigma_o2, float), 0.0, 0.0), (0.0, sigma_c, 0.0), (0.0, 0.0, sigma_c))
    variance = np.zeros((2, *gross.shape))
    for by_o2, by_stack, by_ambient in steps:
        up = _losses(fuel, o2 + by_o2, stack + by_stack, ambient + by_ambient, co)
        down = _losses(fuel, o2 - by_o2, stack - by_stack, ambient - by_ambient, co)
        variance += np.square(np.stack([up[3] - down[3], up[4] - down[4]]) / 2)
    return StackLoss(dry, water, lost_co, gross, net, *np.sqrt(variance))


def _losses(fuel: Fuel, o2: Array, stack: Array, ambient: Array, co: Array) -> tuple[Array, ...]:
    """Shares lost: dry, water, CO and all on gross; all on net."""
    air = fuel.air * (1 + excess_air(fuel, o2, co))
    flue = (fuel.dry_flue + air - fuel.air) / (1 - co / 2)
    carbon_monoxide = co * flue
    dry_mj = (
        (fuel.carbon - carbon_monoxide) * warmth("CO2", ambient, stack)
        + fuel.sulfur * warmth("SO2", ambient, stack)
        # CO is warmed like N2 within 1 %
        + ((1 - OXYGEN_SHARE) * air + fuel.nitrogen / 2 + carbon_monoxide) * warmth("N2", ambient, stack)
        + o2 * flue * warmth("O2", ambient, stack)
    )
    vapour_mj = fuel.water * warmth("H2O", ambient, stack)
    co_mj = carbon_monoxide * _CO_MJ_KMOL
    dry, co_share = dry_mj / fuel.gross_mj, co_mj / fuel.gross_mj
    water = (vapour_mj + fuel.water * LATENT_KJ_MOL) / fuel.gross_mj
    net = (dry_mj + vapour_mj + co_mj) / fuel.net_mj
    return dry, water, co_share, dry + water + co_share, net
