"""Intended travel from combustion readings: what the readings say, and what the damper should do."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.intended.characteristic import Curve, Draws, Observed, draw
from strokecurve.kinematics.intended.combustion import (
    air_free,
    excess_air,
    excess_air_slope,
    o2_dry_of,
    relative_air,
)
from strokecurve.kinematics.intended.damper import PUBLISHED_DAMPERS
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.outcome import Burned, FlowBand, FromReadings, Wanted
from strokecurve.kinematics.intended.readings import BurnerReadings, check_readings
from strokecurve.kinematics.intended.remarks import make_remarks
from strokecurve.kinematics.intended.settings import READING_DEFAULTS, ReadingSettings
from strokecurve.kinematics.intended.stack import stack_loss

Array = NDArray[np.float64]


def row_positions(readings: BurnerReadings, settings: ReadingSettings = READING_DEFAULTS) -> Array:
    """Firing positions of the table: all that were read, and even steps between them.

    Parameters
    ----------
    readings : BurnerReadings
    settings : ReadingSettings

    Returns
    -------
    ndarray, shape (M,)
        Rising; a step close to a position read gives way to it.
    """
    return even_rows(readings.driver_rad, settings.grid_rad)


def even_rows(read_rad: Array, step_rad: float) -> Array:
    """Positions read and even steps between them; a step close to a position read gives way to it.

    Parameters
    ----------
    read_rad : ndarray, shape (N,)
        Driver travel of the positions read, rising.
    step_rad : float

    Returns
    -------
    ndarray, shape (M,)
        Driver travel (rad), rising.

    Examples
    --------
    >>> even_rows(np.array([0.0, 1.1, 2.5]), 1.0).tolist()
    [0.0, 1.1, 2.0, 2.5]
    """
    read_rad = np.unique(read_rad)
    first, last = math.ceil(read_rad[0] / step_rad), math.floor(read_rad[-1] / step_rad)
    even = step_rad * np.arange(first, last + 1)
    apart = np.abs(even[:, None] - read_rad[None]).min(1) > step_rad / 3
    return np.sort(np.concatenate([read_rad, even[apart]]))


def intended_from_readings(
    readings: BurnerReadings,
    fuel: Fuel,
    rows_rad: Array,
    rows_valve_rad: Array,
    rng: np.random.Generator,
    settings: ReadingSettings = READING_DEFAULTS,
) -> FromReadings:
    """Work out the intended damper travel.

    Parameters
    ----------
    readings : BurnerReadings
    fuel : Fuel
    rows_rad : ndarray, shape (M,)
        Firing positions of the table, from `row_positions`.
    rows_valve_rad : ndarray, shape (M,)
        Travel there that the fuel is metered by.
    rng : Generator
    settings : ReadingSettings

    Returns
    -------
    FromReadings

    Raises
    ------
    KinematicsError
        If the readings cannot be, or the air wanted lies outside what was measured at all positions but one.
    """
    check_readings(readings, fuel, settings)
    burned = combustion(readings, fuel, settings)
    draws = draw(fuel, _observed(readings, settings), PUBLISHED_DAMPERS, settings, rng)
    wanted = _wanted(readings, fuel, readings.driver_rad, readings.valve_rad, draws, settings)
    rows = _wanted(readings, fuel, rows_rad, rows_valve_rad, draws, settings)
    run = rows.inside()
    if run.stop - run.start < 2:
        least = float(np.nanmin(np.abs(wanted.air_off[wanted.outside != 0]), initial=math.inf))
        raise KinematicsError(
            "The air wanted lies outside the measured range at all firing positions but one at most "
            f"(by {100 * least:.2g} % at the nearest).",
            "Read further positions with the damper moved by hand toward that air, or give other targets.",
        )
    shares = tuple((d.name, s) for d, s in zip(PUBLISHED_DAMPERS, draws.shape_shares, strict=True))
    air_then = readings.fuel_rate * (1 + burned.excess)
    damper = _band(draws.ln_air, readings.damper_rad, max(air_then))
    valve = _band(draws.ln_fuel, readings.valve_rad, max(readings.fuel_rate))
    remarks = make_remarks(readings, fuel, burned, wanted, rows, draws.misfits, draws.chi_square, settings)
    return FromReadings(
        readings,
        fuel,
        burned,
        wanted,
        rows,
        damper,
        valve,
        shares,
        draws.misfits,
        draws.chi_square,
        remarks,
        settings,
    )


def combustion(readings: BurnerReadings, fuel: Fuel, settings: ReadingSettings = READING_DEFAULTS) -> Burned:
    """What the readings say of the combustion itself; needs no damper travel and no targets.

    Parameters
    ----------
    readings : BurnerReadings
    fuel : Fuel
    settings : ReadingSettings

    Returns
    -------
    Burned
    """
    slope = excess_air_slope(fuel, readings.o2_dry, readings.co_dry)
    flow = relative_air(
        fuel,
        readings.fuel_rate,
        readings.o2_dry,
        readings.high_fire,
        readings.sigma_fuel_rel,
        readings.sigma_o2,
        settings.sigma_o2_common,
        readings.co_dry,
    )
    return Burned(
        excess_air(fuel, readings.o2_dry, readings.co_dry),
        slope * readings.sigma_o2,
        slope * settings.sigma_o2_common,
        flow,
        air_free(readings.co_ppm, readings.o2_dry),
        stack_loss(
            fuel,
            readings.o2_dry,
            readings.stack_c,
            readings.ambient_c,
            readings.co_dry,
            np.hypot(readings.sigma_o2, settings.sigma_o2_common),
            settings.sigma_c,
        ),
    )


def _observed(readings: BurnerReadings, settings: ReadingSettings) -> Observed:
    return Observed(
        readings.damper_rad,
        readings.sigma_damper_rad,
        readings.half_gap_rad,
        readings.valve_rad,
        readings.sigma_valve_rad,
        readings.valve_half_gap_rad,
        np.log(readings.fuel_rate),
        readings.sigma_fuel_rel,
        readings.o2_dry,
        readings.sigma_o2,
        readings.co_dry,
        settings.sigma_o2_common,
    )


def _targets(readings: BurnerReadings, fuel: Fuel, driver_rad: Array, settings: ReadingSettings) -> Array:
    """O2 aimed at: straight lines between the targets given, never below the reserve; NaN beyond them."""
    given = np.isfinite(readings.target_o2_dry)
    between = np.interp(
        driver_rad, readings.driver_rad[given], readings.target_o2_dry[given], left=np.nan, right=np.nan
    )
    return np.maximum(between, o2_dry_of(fuel, settings.reserve))


def _wanted(
    readings: BurnerReadings,
    fuel: Fuel,
    driver_rad: Array,
    valve_rad: Array,
    draws: Draws,
    settings: ReadingSettings,
) -> Wanted:
    target = _targets(readings, fuel, driver_rad, settings)
    ln_wanted = draws.ln_fuel.at(valve_rad) + np.log1p(excess_air(fuel, target))
    travel = draws.ln_air.travel_of(np.nan_to_num(ln_wanted))
    outside, off = _outside(readings, draws, ln_wanted, settings)
    known = (outside == 0) & np.isfinite(target)
    error = draws.o2_error
    along = ((error - error.mean())[:, None] * travel).mean(0) / error.var()
    step = settings.knot_rad
    slope = (draws.ln_air.at(travel + step) - draws.ln_air.at(travel - step)) / (2 * step)
    gain = excess_air_slope(fuel, target) / (1 + excess_air(fuel, target))
    return Wanted(
        driver_rad,
        target,
        np.where(known, travel.mean(0), np.nan),
        np.where(known, travel.std(0), np.nan),
        np.where(known, np.abs(along) * settings.sigma_o2_common, np.nan),
        np.where(known, 0.01 * gain / np.median(slope, axis=0), np.nan),
        outside,
        off,
    )


def _outside(
    readings: BurnerReadings, draws: Draws, ln_wanted: Array, settings: ReadingSettings
) -> tuple[NDArray[np.int_], Array]:
    """Which positions want air beyond that of the outermost readings, and by how much."""
    at_readings = draws.ln_air.at(draws.damper_rad)
    side, off = np.zeros(ln_wanted.shape[1], dtype=int), np.zeros(ln_wanted.shape[1])
    ends = ((-1, int(np.argmin(readings.damper_rad))), (1, int(np.argmax(readings.damper_rad))))
    for sign, end in ends:
        beyond = ln_wanted - at_readings[:, [end]]
        out = sign * beyond.mean(0) > settings.margin_sigmas * beyond.std(0)
        side[out], off[out] = sign, np.expm1(beyond.mean(0))[out]
    return side, off


def _band(curve: Curve, measured_rad: Array, reference: float) -> FlowBand:
    """Mean and spread of a curve from the lowest to the highest travel measured."""
    travel = np.linspace(measured_rad.min(), measured_rad.max(), curve.knots_rad.size)
    values = curve.at(travel)
    return FlowBand(travel, np.exp(values.mean(0)) / reference, values.std(0))
