"""What follows from combustion readings, as it is handed on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.findings.statements import Severity
from strokecurve.kinematics.intended.combustion import AirFlow
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.readings import BurnerReadings
from strokecurve.kinematics.intended.settings import ReadingSettings
from strokecurve.kinematics.intended.stack import StackLoss

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Remark:
    """One statement about readings, or about the travel worked out from them.

    Parameters
    ----------
    code : str
        Stable name of the sort of remark.
    severity : "danger", "caution" or "note"
    where : str
        Firing position it is about.
    value, sd, limit : float or None
        Figure, standard deviation and limit; None where the remark has none.
    text, advice : str
        What is the case, and what to do.
    unit : str or None
        Of value, sd and limit; None where there is no figure.
    """

    code: str
    severity: Severity
    where: str
    value: float | None
    sd: float | None
    limit: float | None
    text: str
    advice: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Burned:
    """What the readings say of the combustion at each position, shape (N,) throughout.

    Parameters
    ----------
    excess : ndarray
        Excess air.
    sigma_excess_random, sigma_excess_common : ndarray
        Its standard deviations: of each O2 reading by itself, and of the analyser's calibration.
    flow : AirFlow
        Air relative to the position with the most fuel.
    co_air_free_ppm : ndarray
        NaN where no CO was read.
    loss : StackLoss
        NaN where a temperature is missing.
    """

    excess: Array
    sigma_excess_random: Array
    sigma_excess_common: Array
    flow: AirFlow
    co_air_free_ppm: Array
    loss: StackLoss


@dataclass(frozen=True, slots=True)
class Wanted:
    """Damper travel wanted at M firing positions, shape (M,) throughout.

    Parameters
    ----------
    driver_rad : ndarray
        Firing position, rising.
    o2_dry : ndarray
        O2 aimed at: the target, or what the reserve asks for where that is more; NaN where there is no
        target.
    damper_rad : ndarray
        Damper travel; NaN outside the measured range.
    sigma_rad : ndarray
        Its standard deviation, the analyser's calibration included.
    sigma_common_rad : ndarray
        The part of it that comes from the analyser's calibration, the same error at all positions.
    per_o2_rad : ndarray
        Damper travel for one percentage point more of O2.
    outside : ndarray of int
        -1 where less air is wanted than was ever measured, 1 where more, else 0.
    air_off : ndarray
        How much more (or, below 0, less) air is wanted than at the nearest end of what was measured, as a
        share; 0 inside.
    """

    driver_rad: Array
    o2_dry: Array
    damper_rad: Array
    sigma_rad: Array
    sigma_common_rad: Array
    per_o2_rad: Array
    outside: NDArray[np.int_]
    air_off: Array

    def inside(self) -> slice:
        """The longest run of positions with a travel; nothing bridges what lies outside."""
        best = (0, 0)
        start = 0
        for n, known in enumerate([*np.isfinite(self.damper_rad), False]):
            if not known:
                best = max(best, (start, n), key=lambda run: run[1] - run[0])
                start = n + 1
        return slice(*best)


@dataclass(frozen=True, slots=True)
class FlowBand:
    """A rising curve with its uncertainty, shape (K,) throughout.

    Parameters
    ----------
    travel_rad : ndarray
    flow : ndarray
        Relative to the reading at the position with the most fuel.
    sigma_rel : ndarray
        Relative standard deviation.
    """

    travel_rad: Array
    flow: Array
    sigma_rel: Array


@dataclass(frozen=True, slots=True)
class FromReadings:
    """All that follows from readings.

    Parameters
    ----------
    readings : BurnerReadings
    fuel : Fuel
    burned : Burned
    wanted : Wanted
        At each position read.
    rows : Wanted
        At even steps as well.
    damper, valve : FlowBand
        Characteristics of damper and fuel, over the travel measured.
    shape_shares : tuple of (str, float)
        How probable each published shape is.
    misfits : ndarray, shape (3, N)
        Damper travel, fuel and O2 of each reading less the best curve, in standard deviations.
    chi_square : float
        Sum of squares of readings and priors at the best curve; about 2 N if all is as it was thought.
    remarks : tuple of Remark
        The gravest first.
    settings : ReadingSettings
    """

    readings: BurnerReadings
    fuel: Fuel
    burned: Burned
    wanted: Wanted
    rows: Wanted
    damper: FlowBand
    valve: FlowBand
    shape_shares: tuple[tuple[str, float], ...]
    misfits: Array
    chi_square: float
    remarks: tuple[Remark, ...]
    settings: ReadingSettings
