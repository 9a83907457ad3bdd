"""Figures with their uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard deviation (rad); NaN where the film cannot give one."""

    value: float
    sd: float


UNKNOWN = Estimate(math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class Extreme:
    """Largest or smallest figure over the stroke, its sd, and the driver travel where it lies (rad)."""

    value: float
    sd: float
    at_driver_rad: float
