"""Limits, priors and reading errors of the intended travel from combustion readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

_DEG = math.pi / 180


@dataclass(frozen=True, slots=True)
class ReadingSettings:
    """Every number that can be tuned, each with the reason for its size; shares are of 1, angles in radians.

    Parameters
    ----------
    reserve : float
        Least excess air that is ever asked for. Air that is 20 K warmer than on the day of the readings
        brings 6.4 % less oxygen at the same damper (293 K against 313 K), which takes 6.8 % excess air to
        make good; the rest covers the analyser. It stays below the 2 % O2 (9.4 % excess air on gas) of an
        efficient burner in published guidance.
    sigma_o2 : float
        Standard deviation of one O2 reading by itself: last digit, flame that flickers, not quite at rest.
    sigma_o2_common : float
        Standard deviation of the analyser's calibration, one error in all readings: common practice (from
        memory) is +-0.2 % O2 after calibration, taken as rectangular.
    sigma_fuel_rel : float
        Relative standard deviation of a metered fuel rate, clocked over a minute or two.
    sigma_driven_rad : float
        Standard deviation of damper travel read by hand from a protractor.
    sigma_driver_rad : float
        Standard deviation of the driver travel at a firing position; it counts where the damper's travel is
        looked up in a film.
    sigma_c : float
        Standard deviation of a temperature, K.
    o2_limit : float
        Readings and targets from here on are air, not flue gas.
    o2_share_limit : float
        If all O2 values are below this many percent, they were given as shares of 1.
    co_caution_ppm, co_danger_ppm : float
        Limits of air-free CO: 100 ppm is where common practice looks for the cause, 400 ppm where it shuts
        down (both from memory, not a quotation of any code).
    o2_leak : float
        O2 above this at the highest fire looks like air in the sample: linked burners run at 3 to 4 % there
        (common practice, from memory).
    o2_leak_any : float
        The same at any position; linked burners run at 5 to 8 % at low fire.
    co2_off : float
        CO2 this far (share of the dry gas) off the fuel's line is another fuel or a wrong analyser. Pipeline
        gases lie within 0.35 points of methane, light oils within 0.2 of the one used here; the rest are
        both analysers.
    warm_c : float
        Flue gas above this looks like degrees Fahrenheit.
    few_positions : int
        With fewer positions the prior shape says more than the readings.
    refuse_sigmas : float
        Air that falls while the damper opens is refused beyond so many standard deviations of the fall.
    equal_fuel_rel : float
        Fuel rates closer than this are the same rate, so its error cancels between them.
    doubt_sigmas : float
        A reading this far from the curve is named, and chi-square this far above its mean is doubt in all of
        them: noise alone seldom does either.
    authority_median, authority_log_odds_sd : float
        Prior of the damper's share of the pressure drop when open; low, as the burner head's resistance
        dominates: 95 % between 0.03 and 0.8.
    opening_rad, opening_log_sd : float
        Prior of the blade's opening at the low-fire hold: 95 % between 2.5 and 40 degrees.
    bend_level_sd, bend_sd, bend_length_rad : float
        How far the slope of ln(air) may differ from the published shape: spread of its logarithm all over,
        spread of what varies along the travel, and the travel over which that forgets itself.
    fuel_level_sd, fuel_bend_sd, fuel_length_rad : float
        The same of ln(fuel) against a straight line of fuel from the lowest to the highest reading.
    least_slope : float
        Slope of ln(air) by travel (1/rad) that is left even beyond open, so that the curve can be inverted.
    weak_slope : float
        Below this slope (1/rad) the damper hardly steers the air: 0.5 % for a degree.
    margin_sigmas : float
        Air beyond that of the outermost reading by no more than so many standard deviations counts as
        measured.
    beyond_rad : float
        How far the curve is computed beyond the outermost readings, for the band at these.
    knot_rad : float
        Step of the curves.
    film_end_rad : float
        A firing position this far beyond the end of a film's curve is still taken from it.
    expanded_k : float
        Tolerance of the intended travel in standard deviations: within about 95 % nothing better is known.
    grid_rad : float
        Step of the rows between the positions read.
    draws : int
        Draws from the posterior: two standard deviations come out within about 6 %.
    """

    reserve: float = 0.08
    sigma_o2: float = 0.001
    sigma_o2_common: float = 0.002 / math.sqrt(3)
    sigma_fuel_rel: float = 0.01
    sigma_driven_rad: float = 0.5 * _DEG
    sigma_driver_rad: float = 0.3 * _DEG
    sigma_c: float = 2.0
    o2_limit: float = 0.209
    o2_share_limit: float = 0.21
    co_caution_ppm: float = 100.0
    co_danger_ppm: float = 400.0
    o2_leak: float = 0.08
    o2_leak_any: float = 0.14
    co2_off: float = 0.008
    warm_c: float = 450.0
    few_positions: int = 3
    refuse_sigmas: float = 3.0
    equal_fuel_rel: float = 0.001
    doubt_sigmas: float = 3.0
    authority_median: float = 0.27
    authority_log_odds_sd: float = 1.2
    opening_rad: float = 10 * _DEG
    opening_log_sd: float = 0.7
    bend_level_sd: float = 0.3
    bend_sd: float = 0.4
    bend_length_rad: float = 15 * _DEG
    fuel_level_sd: float = 0.3
    fuel_bend_sd: float = 0.6
    fuel_length_rad: float = 20 * _DEG
    least_slope: float = 0.05
    weak_slope: float = 0.005 / _DEG
    margin_sigmas: float = 1.0
    beyond_rad: float = 12 * _DEG
    knot_rad: float = 2 * _DEG
    film_end_rad: float = 2 * _DEG
    expanded_k: float = 2.0
    grid_rad: float = 5 * _DEG
    draws: int = 600

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{field.name} must be a positive number, got {value!r}")


READING_DEFAULTS = ReadingSettings()
