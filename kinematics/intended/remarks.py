"""What the person must know about readings and about the travel worked out from them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from strokecurve.kinematics.findings.statements import SEVERITIES, Severity
from strokecurve.kinematics.intended.combustion import co2_dry_of, o2_dry_of
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.outcome import Array, Burned, Remark, Wanted
from strokecurve.kinematics.intended.readings import BurnerReadings, at_position
from strokecurve.kinematics.intended.settings import ReadingSettings


@dataclass(frozen=True, slots=True)
class Seen:
    """All that a rule may look at; see `make_remarks`."""

    readings: BurnerReadings
    fuel: Fuel
    burned: Burned
    wanted: Wanted
    rows: Wanted
    misfits: Array
    chi_square: float
    settings: ReadingSettings


def make_remarks(
    readings: BurnerReadings,
    fuel: Fuel,
    burned: Burned,
    wanted: Wanted,
    rows: Wanted,
    misfits: Array,
    chi_square: float,
    settings: ReadingSettings,
) -> tuple[Remark, ...]:
    """All remarks, the gravest first.

    Parameters
    ----------
    readings : BurnerReadings
    fuel : Fuel
    burned : Burned
    wanted, rows : Wanted
        At the positions read, and at all rows of the table.
    misfits : ndarray, shape (3, N)
    chi_square : float
    settings : ReadingSettings

    Returns
    -------
    tuple of Remark
    """
    seen = Seen(readings, fuel, burned, wanted, rows, misfits, chi_square, settings)
    found = [remark for rule in RULES for remark in rule(seen)]
    return tuple(sorted(found, key=lambda remark: SEVERITIES.index(remark.severity)))


def _remark(
    code: str,
    severity: Severity,
    place: str,
    figures: tuple[float | None, float | None, str | None],
    text: str,
    advice: str,
) -> Remark:
    """A remark with value, limit and unit, without a standard deviation of its own."""
    value, limit, unit = figures
    return Remark(code, severity, place, value, None, limit, text, advice, unit)


def _place(readings: BurnerReadings, n: int) -> str:
    return f"firing position {at_position(readings, n)}"


def little_air_rule(seen: Seen) -> list[Remark]:
    """Less air than complete combustion needs, or than the reserve, as read."""
    found = []
    for n, excess in enumerate(seen.burned.excess):
        sigma = math.hypot(seen.burned.sigma_excess_random[n], seen.burned.sigma_excess_common[n])
        short = excess < sigma
        if not short and excess >= seen.settings.reserve:
            continue
        found.append(
            Remark(
                "little_air",
                "danger" if short else "caution",
                _place(seen.readings, n),
                100 * float(excess),
                100 * sigma,
                100 * seen.settings.reserve,
                f"Excess air is {100 * excess:.1f} % as read"
                + (": the fuel may not burn completely." if short else ", less than the reserve."),
                "Raise air here before anything else, and read CO.",
                "%",
            )
        )
    return found


def co_rule(seen: Seen) -> list[Remark]:
    """Carbon monoxide above its limits, or not read at all."""
    s, found = seen.settings, []
    for n, co in enumerate(seen.burned.co_air_free_ppm):
        if not co > s.co_caution_ppm:
            continue
        danger = co > s.co_danger_ppm
        limit = s.co_danger_ppm if danger else s.co_caution_ppm
        found.append(
            _remark(
                "co_high",
                "danger" if danger else "caution",
                _place(seen.readings, n),
                (float(co), limit, "ppm"),
                f"CO is {co:.0f} ppm air-free, above {limit:.0f} ppm.",
                ("Do not leave the burner firing like this: " if danger else "")
                + "find the cause (air, gas pressure, burner head, draught) before setting the linkage.",
            )
        )
    unread = np.flatnonzero(np.isnan(seen.readings.co_ppm))
    if unread.size:
        every = unread.size == seen.readings.co_ppm.size
        found.append(
            _remark(
                "co_not_read",
                "note",
                "all positions" if every else ", ".join(_place(seen.readings, int(n)) for n in unread),
                (None, None, None),
                "CO was not read: O2 alone does not show whether the fuel burns completely.",
                "Read CO at every firing position, before and after any change.",
            )
        )
    return found


def leak_rule(seen: Seen) -> list[Remark]:
    """O2 so high that air seems to get into the sample."""
    s, found = seen.settings, []
    for n, o2 in enumerate(seen.readings.o2_dry):
        limit = s.o2_leak if n == seen.readings.high_fire else s.o2_leak_any
        if o2 <= limit:
            continue
        found.append(
            _remark(
                "sample_leak",
                "caution",
                _place(seen.readings, n),
                (100 * float(o2), 100 * limit, "%"),
                f"O2 of {100 * o2:.1f} % is unusually high"
                + (" at the highest fire" if n == seen.readings.high_fire else "")
                + ": it looks like air in the sample.",
                "Check probe, hose, water trap and the breeching for air leaks, then read again.",
            )
        )
    return found


def co2_rule(seen: Seen) -> list[Remark]:
    """CO2 off the line of the fuel."""
    read, expected = seen.readings.co2_dry, co2_dry_of(seen.fuel, seen.readings.o2_dry)
    return [
        _remark(
            "wrong_fuel",
            "caution",
            _place(seen.readings, int(n)),
            (100 * float(read[n]), 100 * float(expected[n]), "%"),
            f"CO2 of {100 * read[n]:.1f} % beside {100 * seen.readings.o2_dry[n]:.1f} % O2 does not belong "
            f"to {seen.fuel.name}, which gives {100 * expected[n]:.1f} %.",
            "Check which fuel is burned and which one the analyser is set to, and its calibration. "
            "Many analysers only compute CO2 from O2.",
        )
        for n in np.flatnonzero(np.abs(read - expected) > seen.settings.co2_off)
    ]


def warm_rule(seen: Seen) -> list[Remark]:
    """Flue gas so hot that degrees Fahrenheit were probably meant."""
    hot = np.flatnonzero(seen.readings.stack_c > seen.settings.warm_c)
    return [
        _remark(
            "stack_hot",
            "caution",
            _place(seen.readings, int(n)),
            (float(seen.readings.stack_c[n]), seen.settings.warm_c, "degrees Celsius"),
            f"Flue gas of {seen.readings.stack_c[n]:.0f} degrees Celsius is unusually hot.",
            "Check that it is not degrees Fahrenheit.",
        )
        for n in hot
    ]


def few_positions_rule(seen: Seen) -> list[Remark]:
    """Too few positions for the readings to say how the damper acts in between."""
    count = seen.readings.driver_rad.size
    if count >= seen.settings.few_positions:
        return []
    return [
        _remark(
            "few_positions",
            "caution",
            "all positions",
            (float(count), float(seen.settings.few_positions), "positions"),
            f"Only {count} firing positions were read; between them the damper's characteristic is a guess "
            "from published shapes.",
            "Read five or more positions, evenly from low to high fire.",
        )
    ]


def reserve_rule(seen: Seen) -> list[Remark]:
    """Targets that were raised to the reserve."""
    least = float(o2_dry_of(seen.fuel, seen.settings.reserve))
    target = seen.readings.target_o2_dry
    return [
        _remark(
            "target_raised",
            "caution",
            _place(seen.readings, int(n)),
            (100 * float(target[n]), 100 * least, "%"),
            f"The target of {100 * target[n]:.2g} % O2 was raised to {100 * least:.2f} %, the reserve of "
            f"{100 * seen.settings.reserve:.3g} % excess air.",
            "Less air is never asked for; the reserve covers warmer air and the analyser.",
        )
        for n in np.flatnonzero(target < least)
    ]


def outside_rule(seen: Seen) -> list[Remark]:
    """Positions whose air was never measured."""
    found = []
    for n in np.flatnonzero(seen.wanted.outside):
        off, more = float(seen.wanted.air_off[n]), seen.wanted.outside[n] > 0
        found.append(
            _remark(
                "outside_range",
                "caution",
                _place(seen.readings, int(n)),
                (100 * off, None, "%"),
                f"The target needs {abs(100 * off):.2g} % "
                f"{'more air than the most' if more else 'less air than the least'} that was measured, so no "
                "travel is given here.",
                f"Read one more position with the damper {'further open' if more else 'less open'}, or set "
                "this position by the analyser.",
            )
        )
    left = int(np.count_nonzero(np.isfinite(seen.rows.damper_rad))) - _in_run(seen.rows)
    if left:
        found.append(
            _remark(
                "gap_in_range",
                "caution",
                "intended travel",
                (float(left), None, "rows"),
                "Positions in the middle lie outside the measured range, so "
                f"{left} rows beyond them are left out.",
                "Look at the targets there, or read further positions.",
            )
        )
    return found


def _in_run(rows: Wanted) -> int:
    run = rows.inside()
    return int(run.stop - run.start)


def no_target_rule(seen: Seen) -> list[Remark]:
    """Positions read without a target of their own."""
    aimed = np.isfinite(seen.readings.target_o2_dry)
    moved_by_hand = np.isin(seen.readings.driver_rad, seen.readings.driver_rad[aimed])
    lacking = np.flatnonzero(~aimed & ~moved_by_hand)
    if not lacking.size:
        return []
    return [
        _remark(
            "no_target",
            "note",
            ", ".join(_place(seen.readings, int(n)) for n in lacking),
            (None, None, None),
            "No target was given here: between two targets a straight line is taken, beyond them no travel "
            "is given.",
            "Give a target if one is wanted here.",
        )
    ]


def doubt_rule(seen: Seen) -> list[Remark]:
    """Readings that do not fit rising curves of a usual shape: those far off, or the farthest if all are."""
    words = ("damper travel", "fuel rate", "O2")
    limit, count = seen.settings.doubt_sigmas, seen.misfits.shape[1]
    off = np.abs(seen.misfits)
    doubtful = set(np.flatnonzero(off.max(0) > limit).tolist())
    # chi-square of 2 N readings has the mean 2 N and the variance 4 N
    if seen.chi_square > 2 * count + limit * 2 * math.sqrt(count):
        doubtful.add(int(np.argmax(np.square(off).sum(0))))
    return [
        _remark(
            "reading_doubtful",
            "caution",
            _place(seen.readings, n),
            (float(seen.misfits[np.argmax(off[:, n]), n]), limit, "standard deviations"),
            "The readings do not fit a curve of a usual shape, most of all the "
            f"{words[np.argmax(off[:, n])]} here.",
            "Read this position and its neighbours again once fire and analyser have settled.",
        )
        for n in sorted(doubtful)
    ]


def weak_rule(seen: Seen) -> list[Remark]:
    """Positions where the damper hardly steers the air any more."""
    target = seen.wanted.o2_dry
    with np.errstate(divide="ignore", invalid="ignore"):
        # ln(1 + e) changes by about 5 % for a point of O2 on any fuel near the targets in use
        weak = np.abs(seen.wanted.per_o2_rad) > 0.05 / seen.settings.weak_slope
    return [
        _remark(
            "damper_weak",
            "caution",
            _place(seen.readings, int(n)),
            (math.degrees(float(seen.wanted.per_o2_rad[n])), None, "deg"),
            f"Here a point of O2 takes {math.degrees(seen.wanted.per_o2_rad[n]):.0f} degrees of damper "
            f"(target {100 * target[n]:.1f} %): the damper hardly steers the air.",
            "Do not seek more air by the damper here; look at fan, filter and burner head.",
        )
        for n in np.flatnonzero(weak)
    ]


def unsure_rule(seen: Seen) -> list[Remark]:
    """Positions where the travel is so uncertain that its air may be too little for complete combustion."""
    wanted, found = seen.wanted, []
    k = seen.settings.expanded_k
    with np.errstate(invalid="ignore"):
        unsure = 0.01 * k * wanted.sigma_rad / wanted.per_o2_rad
    for n in np.flatnonzero(unsure > wanted.o2_dry):
        found.append(
            _remark(
                "air_unsure",
                "caution",
                _place(seen.readings, int(n)),
                (100 * float(unsure[n]), 100 * float(wanted.o2_dry[n]), "%"),
                f"The travel is uncertain by as much as {100 * unsure[n]:.1f} points of O2 ({k:g} standard "
                "deviations), more than the target: set so, the fire may lack air.",
                "Start further open and come down to the target by the analyser.",
            )
        )
    return found


def no_ambient_rule(seen: Seen) -> list[Remark]:
    """Stack temperatures without the air's: no loss can be given."""
    lacking = np.isfinite(seen.readings.stack_c) & np.isnan(seen.readings.ambient_c)
    if not lacking.any():
        return []
    return [
        _remark(
            "no_ambient",
            "note",
            ", ".join(_place(seen.readings, int(n)) for n in np.flatnonzero(lacking)),
            (None, None, None),
            "The temperature of the combustion air is missing, so no stack loss is given.",
            "Fill in ambient_c.",
        )
    ]


def falling_rule(seen: Seen) -> list[Remark]:
    """Intended travel that goes back while the fire rises."""
    rows = seen.rows
    run = rows.inside()
    travel, sigma = rows.damper_rad[run], rows.sigma_rad[run]
    back = np.flatnonzero(np.diff(travel) < -np.hypot(sigma[1:], sigma[:-1]))
    if not back.size:
        return []
    at = math.degrees(rows.driver_rad[run][back[0]])
    return [
        _remark(
            "travel_falls",
            "caution",
            f"firing position {at:.4g} degrees",
            (None, None, None),
            "From here on the intended travel closes the damper while the fire rises; no plain linkage does "
            "that.",
            "Look at the targets and readings on both sides.",
        )
    ]


RULES: tuple[Callable[[Seen], list[Remark]], ...] = (
    little_air_rule,
    co_rule,
    leak_rule,
    co2_rule,
    warm_rule,
    outside_rule,
    reserve_rule,
    few_positions_rule,
    doubt_rule,
    weak_rule,
    unsure_rule,
    falling_rule,
    no_ambient_rule,
    no_target_rule,
)
