"""Intended travel from a table of readings, with the damper's travel from the table or from a film."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.intended.damper_travel import ShaftTravel, last_linkage, path_to, shaft_travel
from strokecurve.app.intended.given import Row, checked_rows
from strokecurve.app.intended.readings import ReadingTable
from strokecurve.app.result.reading import FilmResult
from strokecurve.app.words.errors import InputError
from strokecurve.kinematics.findings.statements import SEVERITIES
from strokecurve.kinematics.intended.from_readings import intended_from_readings, row_positions
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.outcome import FromReadings, Remark
from strokecurve.kinematics.intended.readings import BurnerReadings
from strokecurve.kinematics.intended.settings import READING_DEFAULTS, ReadingSettings

Array = NDArray[np.float64]

SEED = 20240
"""Of the draws behind the uncertainties: the same readings give the same figures, always."""
_APART_SIGMAS = 3.0
"""Travel read by hand and travel from the film differ beyond error from here on."""
BY_HAND = "motor:damper"
"""What a linkage is called where no film names its shafts."""
_TRAVEL_HINT = (
    "Add a column driven_deg with the damper's travel, or name the film's result folder with --measured."
)


@dataclass(frozen=True, slots=True)
class Worked:
    """Intended travel worked out from readings.

    Attributes
    ----------
    linkage : str
        ``driver:driven`` that the table is for: its driver's travel against the damper's.
    motor : str
        Name of the shaft whose travel is the firing position.
    rows : tuple of (driver_deg, driven_deg, tolerance_deg)
        Of ``intended.csv``.
    found : FromReadings
    remarks : tuple of Remark
        The gravest first.
    """

    linkage: str
    motor: str
    rows: tuple[Row, ...]
    found: FromReadings
    remarks: tuple[Remark, ...]


def work_out(
    table: ReadingTable,
    fuel: Fuel,
    film: FilmResult | None = None,
    linkage: str | None = None,
    valve: str | None = None,
    approach: str = "either",
    settings: ReadingSettings = READING_DEFAULTS,
) -> Worked:
    """Work out the intended travel.

    Parameters
    ----------
    table : ReadingTable
        Its ``driver_deg`` is the firing position: travel of the motor, the first shaft of the train.
    fuel : Fuel
    film : FilmResult, optional
        Gives the damper's travel where the table does not.
    linkage : str, optional
        ``driver:driven``: the driven shaft carries the damper, and the table wanted is against the driver,
        which may be any shaft between motor and damper. The linkage that turns the last shaft if not given.
    valve : str, optional
        Shaft that meters the fuel; fuel is then followed along its travel instead of the motor's.
    approach : str
        ``opening``, ``closing`` or ``either``: from which side the positions were approached.
    settings : ReadingSettings

    Returns
    -------
    Worked

    Raises
    ------
    InputError, KinematicsError
        If table, film or names cannot be used.
    """
    if film is None and (valve or approach != "either"):
        raise InputError(
            "Only a film knows the fuel valve's shaft and the passes.", "Name it with --measured."
        )
    if film is None:
        return _by_hand(table, fuel, _named(linkage or BY_HAND), settings)
    name = linkage or last_linkage(film)
    driver, damper = _named(name).split(":")
    upstream = [one.split(":")[0] for one in path_to(film, damper)]
    if driver not in upstream:
        raise InputError(
            f"{driver} does not drive {damper} in this film.", f"The driver can be {' or '.join(upstream)}."
        )
    look_up = _LookUp(film, approach, settings)
    firing_deg = table.column("driver_deg")
    filmed = look_up.shaft(damper, firing_deg)
    valve_at = _without_error(firing_deg) if valve is None else look_up.known(valve, firing_deg)
    readings = _readings(table, _hand_or_film(table, filmed, damper, settings), valve_at, settings)
    rows_deg = np.degrees(row_positions(readings, settings))
    rows_valve_deg = rows_deg if valve is None else look_up.known(valve, rows_deg).travel_deg
    found = _intended(readings, fuel, rows_deg, rows_valve_deg, settings)
    remarks = (*found.remarks, *_apart(table, filmed, readings))
    rows = _rows(found, look_up.known(driver, rows_deg).travel_deg)
    return Worked(name, upstream[0], rows, found, _in_order(remarks))


def _by_hand(table: ReadingTable, fuel: Fuel, linkage: str, settings: ReadingSettings) -> Worked:
    """Without a film: the damper's travel is in the table, and the linkage's driver is the motor."""
    firing_deg = table.column("driver_deg")
    lacking = np.flatnonzero(np.isnan(table.column("driven_deg")))
    if lacking.size:
        raise InputError(
            f"The damper's travel at the firing position {firing_deg[lacking[0]]:g} degrees is not known.",
            _TRAVEL_HINT,
        )
    readings = _readings(table, _hand(table, settings), _without_error(firing_deg), settings)
    rows_deg = np.degrees(row_positions(readings, settings))
    found = _intended(readings, fuel, rows_deg, rows_deg, settings)
    return Worked(linkage, linkage.partition(":")[0], _rows(found, rows_deg), found, found.remarks)


def _named(linkage: str) -> str:
    parts = linkage.split(":")
    if len(parts) != 2 or not all(part.strip() for part in parts):
        raise InputError(
            f"The linkage {linkage[:80]!r} is not named as DRIVER:DRIVEN.", "For example motor:shaft1."
        )
    return linkage


@dataclass(frozen=True, slots=True)
class _LookUp:
    """Travel of any shaft at firing positions, from a film."""

    film: FilmResult
    approach: str
    settings: ReadingSettings

    def shaft(self, shaft: str, firing_deg: Array) -> ShaftTravel:
        """Travel; NaN where the film shows none."""
        return shaft_travel(
            self.film,
            shaft,
            firing_deg,
            self.approach,
            math.degrees(self.settings.sigma_driver_rad),
            math.degrees(self.settings.film_end_rad),
        )

    def known(self, shaft: str, firing_deg: Array) -> ShaftTravel:
        """Travel that must be known at every position."""
        found = self.shaft(shaft, firing_deg)
        _check_known(found.travel_deg, shaft, firing_deg)
        return found


def _check_known(travel_deg: Array, shaft: str, firing_deg: Array) -> None:
    lacking = np.flatnonzero(np.isnan(travel_deg))
    if lacking.size:
        raise InputError(
            f"The film shows no travel of {shaft} at the firing position {firing_deg[lacking[0]]:g} degrees.",
            "Check that driver_deg is travel of the motor from low fire, or film the whole stroke again.",
        )


def _without_error(travel_deg: Array) -> ShaftTravel:
    nothing = np.zeros(travel_deg.shape)
    return ShaftTravel(travel_deg, nothing, nothing)


def _hand(table: ReadingTable, settings: ReadingSettings) -> ShaftTravel:
    """The damper's travel as read by hand; NaN where it was not."""
    travel, sd = table.column("driven_deg"), table.column("driven_sd_deg")
    usual = math.degrees(settings.sigma_driven_rad)
    return ShaftTravel(travel, np.where(np.isfinite(sd), sd, usual), np.zeros(travel.shape))


def _hand_or_film(
    table: ReadingTable, filmed: ShaftTravel, damper: str, settings: ReadingSettings
) -> ShaftTravel:
    """The damper's travel as read by hand where it was, otherwise as filmed."""
    hand, firing_deg = _hand(table, settings), table.column("driver_deg")
    by_film = np.isnan(hand.travel_deg)
    at_film, lines = np.unique(firing_deg[by_film], return_counts=True)
    if np.any(lines > 1):
        raise InputError(
            f"The firing position {at_film[np.argmax(lines > 1)]:g} degrees comes twice, "
            "and the film knows one travel for it.",
            "Give driven_deg where the damper was moved by hand, or leave one line out.",
        )
    _check_known(np.where(by_film, filmed.travel_deg, 0.0), damper, firing_deg)
    return ShaftTravel(
        np.where(by_film, filmed.travel_deg, hand.travel_deg),
        np.where(by_film, filmed.sd_deg, hand.sd_deg),
        np.where(by_film, filmed.half_gap_deg, hand.half_gap_deg),
    )


def _apart(table: ReadingTable, seen: ShaftTravel, readings: BurnerReadings) -> tuple[Remark, ...]:
    """Travel read by hand that the film contradicts; positions with the damper moved on purpose excepted."""
    off = table.column("driven_deg") - seen.travel_deg
    sd = np.hypot(np.degrees(readings.sigma_damper_rad), np.hypot(seen.sd_deg, seen.half_gap_deg))
    aimed = np.isfinite(readings.target_o2_dry)
    return tuple(
        Remark(
            "hand_against_film",
            "caution",
            f"firing position {table.column('driver_deg')[n]:.4g} degrees",
            float(off[n]),
            float(sd[n]),
            _APART_SIGMAS * float(sd[n]),
            f"The damper's travel read by hand is {off[n]:+.1f} degrees from the film's; the hand's is used.",
            "Check which one holds: has the linkage been changed since the film?",
            "deg",
        )
        for n in np.flatnonzero(aimed & (np.abs(off) > _APART_SIGMAS * sd))
    )


def _readings(
    table: ReadingTable, damper: ShaftTravel, valve: ShaftTravel, settings: ReadingSettings
) -> BurnerReadings:
    """The table in the units of the computation, with usual errors where none are given."""
    rate = table.column("fuel_rate")

    def given(name: str, usual: float, unit: float | Array) -> Array:
        value = table.column(name) * unit
        return np.where(np.isfinite(value), value, usual)

    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        fuel_rel = given("fuel_rate_sd", settings.sigma_fuel_rel, 1 / rate)
    return BurnerReadings(
        driver_rad=np.radians(table.column("driver_deg")),
        fuel_rate=rate,
        o2_dry=table.column("o2_dry_pct") / 100,
        target_o2_dry=table.column("target_o2_dry_pct") / 100,
        damper_rad=np.radians(damper.travel_deg),
        sigma_damper_rad=np.radians(damper.sd_deg),
        half_gap_rad=np.radians(damper.half_gap_deg),
        valve_rad=np.radians(valve.travel_deg),
        sigma_valve_rad=np.radians(valve.sd_deg),
        valve_half_gap_rad=np.radians(valve.half_gap_deg),
        sigma_o2=given("o2_sd_pct", settings.sigma_o2, 0.01),
        sigma_fuel_rel=fuel_rel,
        co_ppm=table.column("co_ppm"),
        co2_dry=table.column("co2_dry_pct") / 100,
        stack_c=table.column("stack_c"),
        ambient_c=table.column("ambient_c"),
    )


def _intended(
    readings: BurnerReadings, fuel: Fuel, rows_deg: Array, valve_deg: Array, settings: ReadingSettings
) -> FromReadings:
    rng = np.random.default_rng(SEED)
    return intended_from_readings(readings, fuel, np.radians(rows_deg), np.radians(valve_deg), rng, settings)


def _rows(found: FromReadings, driver_deg: Array) -> tuple[Row, ...]:
    """Rows of ``intended.csv``: the tolerance is what the readings leave open, and never asks for more."""
    run = found.rows.inside()
    travel, sigma = (np.degrees(a[run]) for a in (found.rows.damper_rad, found.rows.sigma_rad))
    tolerance = found.settings.expanded_k * sigma
    columns = (a.round(4).tolist() for a in (driver_deg[run], travel, tolerance))
    return checked_rows(zip(*columns, strict=True))


def _in_order(remarks: tuple[Remark, ...]) -> tuple[Remark, ...]:
    return tuple(sorted(remarks, key=lambda remark: SEVERITIES.index(remark.severity)))
