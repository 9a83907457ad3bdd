"""Combustion readings at firing positions, and what readings cannot be."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.intended.combustion import excess_air, excess_air_slope
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.settings import ReadingSettings

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BurnerReadings:
    """What was read at N firing positions; NaN where something was not.

    Parameters
    ----------
    driver_rad : ndarray, shape (N,)
        Firing position: travel of the motor from low fire, rising. It may come again without a target, where
        the damper was moved by hand to see what air that gives.
    fuel_rate : ndarray, shape (N,)
        Any unit.
    o2_dry : ndarray, shape (N,)
        Share of O2 in the dry flue gas.
    target_o2_dry : ndarray, shape (N,)
        Wanted share of O2; NaN at a position that only helps to find the damper's characteristic.
    damper_rad : ndarray, shape (N,)
        Damper travel from low fire, positive in its opening direction.
    sigma_damper_rad : ndarray, shape (N,)
    half_gap_rad : ndarray, shape (N,)
        Half the lost motion that leaves the damper's place open; 0 where it was read by hand.
    valve_rad, sigma_valve_rad, valve_half_gap_rad : ndarray, shape (N,)
        The same of the travel that the fuel is metered by; the firing position itself, without error, where
        nothing better is known.
    sigma_o2 : ndarray, shape (N,)
        Standard deviation of each O2 reading by itself.
    sigma_fuel_rel : ndarray, shape (N,)
    co_ppm, co2_dry, stack_c, ambient_c : ndarray, shape (N,)

    Raises
    ------
    ValueError
        If the arrays differ in shape.
    """

    driver_rad: Array
    fuel_rate: Array
    o2_dry: Array
    target_o2_dry: Array
    damper_rad: Array
    sigma_damper_rad: Array
    half_gap_rad: Array
    valve_rad: Array
    sigma_valve_rad: Array
    valve_half_gap_rad: Array
    sigma_o2: Array
    sigma_fuel_rel: Array
    co_ppm: Array
    co2_dry: Array
    stack_c: Array
    ambient_c: Array

    def __post_init__(self) -> None:
        for field in fields(self):
            shape = getattr(self, field.name).shape
            if shape != self.driver_rad.shape or len(shape) != 1:
                raise ValueError(f"{field.name} has shape {shape}: expected {self.driver_rad.shape}")

    @property
    def co_dry(self) -> Array:
        """Share of CO, shape (N,); 0 where it was not read."""
        return np.nan_to_num(self.co_ppm) * 1e-6

    @property
    def high_fire(self) -> int:
        """Index of the position with the most fuel."""
        return int(np.argmax(self.fuel_rate))


def check_readings(readings: BurnerReadings, fuel: Fuel, settings: ReadingSettings) -> None:
    """Refuse readings that cannot be.

    Parameters
    ----------
    readings : BurnerReadings
    fuel : Fuel
    settings : ReadingSettings

    Raises
    ------
    KinematicsError
        Says at which firing position what is wrong, and what to do.
    """
    if readings.driver_rad.size < 2:
        raise KinematicsError(
            f"There are readings of {readings.driver_rad.size} firing position only.",
            "Read two or more, better five, from low to high fire.",
        )
    _check_positions(readings)
    _check_gas(readings, settings)
    _check_temperatures(readings)
    if np.count_nonzero(np.isfinite(readings.target_o2_dry)) < 2:
        raise KinematicsError(
            "Fewer than two positions have an O2 target.", "Give a target at low and at high fire at least."
        )
    _check_fuel_rises(readings, settings)
    _check_air_rises(readings, fuel, settings)


def at_position(readings: BurnerReadings, n: int) -> str:
    """A firing position in words."""
    return f"{math.degrees(readings.driver_rad[n]):.4g} degrees"


def _check_positions(readings: BurnerReadings) -> None:
    steps = np.diff(readings.driver_rad)
    aimed = np.isfinite(readings.target_o2_dry)
    twice = (steps == 0) & aimed[1:] & aimed[:-1]
    if np.any(twice):
        raise KinematicsError(
            f"The firing position {at_position(readings, int(np.argmax(twice)))} comes twice.",
            "Give each driver position once; leave the target empty where the damper was moved by hand.",
        )
    if np.any(steps < 0):
        raise KinematicsError(
            f"The driver positions go back after {at_position(readings, int(np.argmax(steps < 0)))}.",
            "List them in order, from low to high fire or from high to low.",
        )


def _check_gas(readings: BurnerReadings, settings: ReadingSettings) -> None:
    for values, words in ((readings.o2_dry, "O2"), (readings.target_o2_dry, "O2 target")):
        known = values[np.isfinite(values)]
        if known.size and 0 < np.max(known) < settings.o2_share_limit / 100:
            raise KinematicsError(
                f"Every {words} is below {settings.o2_share_limit:g} %: it looks like a share of 1.",
                "Give O2 in percent, for example 3.5.",
            )
    for n in range(readings.driver_rad.size):
        where = f"At the firing position {at_position(readings, n)}"
        if not readings.fuel_rate[n] > 0 or math.isinf(readings.fuel_rate[n]):
            raise KinematicsError(
                f"{where} the fuel rate is {readings.fuel_rate[n]:g}.",
                "Give a rate above 0 at every position, in any one unit.",
            )
        for value, words in ((readings.o2_dry[n], "O2"), (readings.target_o2_dry[n], "O2 target")):
            if value < 0:
                raise KinematicsError(
                    f"{where} the {words} is {100 * value:.3g} %: below 0 cannot be.",
                    "Zero the analyser in fresh air and read again.",
                )
            if value >= settings.o2_limit:
                raise KinematicsError(
                    f"{where} the {words} is {100 * value:.3g} %: that is air, not flue gas.",
                    "Look for a leak in probe and hose, make sure that the flame is on, and read again.",
                )
        if readings.co_ppm[n] < 0 or readings.co_ppm[n] > 1e5:
            raise KinematicsError(
                f"{where} CO is {readings.co_ppm[n]:g} ppm, which cannot be.",
                "Give CO in ppm of the dry gas.",
            )
        if readings.co2_dry[n] < 0 or readings.co2_dry[n] > 0.25:
            raise KinematicsError(
                f"{where} CO2 is {100 * readings.co2_dry[n]:.3g} %, which cannot be.", "Give CO2 in percent."
            )


def _check_temperatures(readings: BurnerReadings) -> None:
    for n in np.flatnonzero(readings.stack_c < readings.ambient_c):
        raise KinematicsError(
            f"At the firing position {at_position(readings, int(n))} the flue gas is colder than the air "
            f"around ({readings.stack_c[n]:g} and {readings.ambient_c[n]:g} degrees Celsius).",
            "Check that the two columns are not swapped.",
        )
    for values, words, most in ((readings.stack_c, "stack", 900.0), (readings.ambient_c, "ambient", 60.0)):
        for n in np.flatnonzero((values < -40) | (values > most)):
            raise KinematicsError(
                f"At the firing position {at_position(readings, int(n))} the {words} temperature is "
                f"{values[n]:g} degrees Celsius.",
                "Give degrees Celsius, not Fahrenheit.",
            )


def _check_fuel_rises(readings: BurnerReadings, settings: ReadingSettings) -> None:
    """The most that fuel may fall from one position to a higher one is what its errors explain."""
    ln_fuel, sigma = np.log(readings.fuel_rate), readings.sigma_fuel_rel
    order = np.argsort(readings.valve_rad)
    for low, high in _pairs(order):
        if readings.valve_rad[high] == readings.valve_rad[low]:
            continue
        fall = ln_fuel[low] - ln_fuel[high]
        if fall > settings.refuse_sigmas * math.hypot(sigma[low], sigma[high]):
            raise KinematicsError(
                f"Fuel falls from {readings.fuel_rate[low]:.4g} at {at_position(readings, low)} to "
                f"{readings.fuel_rate[high]:.4g} at {at_position(readings, high)}, though the valve opens.",
                "Check the fuel rates and that driver travel is counted from low fire.",
            )


def _check_air_rises(readings: BurnerReadings, fuel: Fuel, settings: ReadingSettings) -> None:
    """Air that falls while the damper opens contradicts itself, at equal fuel all the more."""
    burned = 1 + excess_air(fuel, readings.o2_dry, readings.co_dry)
    air = readings.fuel_rate * burned
    gain = excess_air_slope(fuel, readings.o2_dry, readings.co_dry) / burned * readings.sigma_o2
    order = np.argsort(readings.damper_rad)
    for low, high in _pairs(order):
        opened = readings.damper_rad[high] - readings.damper_rad[low]
        unsure = math.hypot(readings.sigma_damper_rad[low], readings.sigma_damper_rad[high])
        if opened <= settings.refuse_sigmas * unsure:
            continue
        rates = readings.fuel_rate[[low, high]]
        equal = abs(rates[1] / rates[0] - 1) < settings.equal_fuel_rel
        errors = [gain[low], gain[high]]
        errors += [] if equal else [readings.sigma_fuel_rel[low], readings.sigma_fuel_rel[high]]
        if math.log(air[low] / air[high]) > settings.refuse_sigmas * math.hypot(*errors):
            o2 = 100 * readings.o2_dry
            at_equal = " at equal fuel" if equal else ""
            raise KinematicsError(
                f"From the firing position {at_position(readings, low)} to {at_position(readings, high)} the "
                f"damper opens by {math.degrees(opened):.3g} degrees, but by the readings air falls by "
                f"{100 * (1 - air[high] / air[low]):.2g} % (O2 from {o2[low]:.3g} to {o2[high]:.3g} %"
                f"{at_equal}).",
                "Check fuel rate, O2 and damper travel at both, and that travel is positive toward open.",
            )


def _pairs(order: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Every earlier one with every later one."""
    ranked = [int(n) for n in order]
    return [(low, high) for k, low in enumerate(ranked) for high in ranked[k + 1 :]]
