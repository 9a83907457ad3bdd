"""A linkage as it is set, and what may be changed of it: what the adjustment search works on."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.linkage.closure import driven_curve
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.settings import DEFAULTS

Array = NDArray[np.float64]

DECISION_VARIABLES = (
    "drive_radius_mm",
    "driven_radius_mm",
    "drive_start_rad",
    "driven_start_rad",
    "stroke_rad",
)
"""What a technician can change, each of them one thing touched; the rod follows."""
_DEG = math.pi / 180
_STEPS = 181  # of the stroke, to see that it closes and which way the driven shaft opens


@dataclass(frozen=True, slots=True)
class LinkageSetting:
    """One linkage as it is set.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm, spacing_mm : float
    drive_start_rad, driven_start_rad : float
        Directions from shaft centre to rod pin at low fire, from the line of centres; the rod joins the pins.
    stroke_rad : float
        Driver travel from low to high fire.
    opening_sign : int
        +1 if the driver opens counter-clockwise, -1 if clockwise.

    Raises
    ------
    GeometryError
        If it cannot be assembled.

    Examples
    --------
    >>> found = LinkageSetting(60.0, 60.0, 200.0, 1.0, 1.0, 1.5, 1)
    >>> found.four_bar().rod_mm, found.driven_sign()
    (200.0, 1)
    """

    drive_radius_mm: float
    driven_radius_mm: float
    spacing_mm: float
    drive_start_rad: float
    driven_start_rad: float
    stroke_rad: float
    opening_sign: int

    def __post_init__(self) -> None:
        if self.opening_sign not in (-1, 1):
            raise ValueError(f"opening_sign must be +1 or -1, got {self.opening_sign!r}")
        if not (math.isfinite(self.stroke_rad) and 0 < self.stroke_rad <= 2 * math.pi):
            raise GeometryError(
                f"A stroke of {math.degrees(self.stroke_rad):g} degrees is none.", "Give it in degrees."
            )
        self.four_bar()

    def four_bar(self) -> FourBar:
        """The linkage with the rod that joins its pins at low fire."""
        return FourBar.from_start_angles(
            self.drive_radius_mm,
            self.driven_radius_mm,
            self.spacing_mm,
            self.drive_start_rad,
            self.driven_start_rad,
        )

    def decisions(self) -> Array:
        """Values of `DECISION_VARIABLES`, shape (5,)."""
        return np.array([getattr(self, name) for name in DECISION_VARIABLES])

    def with_decisions(self, values: Array) -> LinkageSetting:
        """The same linkage with other values of `DECISION_VARIABLES`, shape (5,) (mm, rad)."""
        a, c, drive, driven, stroke = (float(v) for v in values)
        return LinkageSetting(a, c, self.spacing_mm, drive, driven, stroke, self.opening_sign)

    def turned(self, travel_rad: Array) -> Array:
        """Driven arm turned since low fire, counter-clockwise positive; NaN where it cannot close.

        Parameters
        ----------
        travel_rad : ndarray, shape (N,)
            Driver travel from low fire, positive toward high fire.

        Returns
        -------
        ndarray, shape (N,)
        """
        return driven_curve(
            self.opening_sign * travel_rad,
            self.drive_radius_mm,
            self.driven_radius_mm,
            self.spacing_mm,
            self.drive_start_rad,
            self.driven_start_rad,
        )

    def driven_sign(self) -> int:
        """Way in which the driven shaft opens, +1 counter-clockwise.

        Raises
        ------
        GeometryError
            If the linkage does not close over its stroke, or its driven shaft hardly turns.
        """
        turned = self.turned(np.linspace(0, self.stroke_rad, _STEPS))
        if np.isnan(turned).any():
            stroke = math.degrees(self.stroke_rad)
            jams = stroke * float(np.argmax(np.isnan(turned))) / (_STEPS - 1)
            raise GeometryError(
                f"The linkage cannot close over its stroke: it jams after {jams:.0f} of "
                f"{stroke:.0f} degrees.",
                "Check radii, spacing, start angles, stroke and the way the driver opens.",
            )
        far = float(turned[np.argmax(np.abs(turned))])
        if abs(far) < _DEG:
            raise GeometryError(
                "The driven shaft of this linkage hardly turns.", "Check the start angles and the radii."
            )
        return 1 if far > 0 else -1


@dataclass(frozen=True, slots=True)
class Range:
    """Values that one quantity may take.

    Parameters
    ----------
    low, high : float
        Ends (mm or rad).
    holes : tuple of float
        The only values that exist; empty where every value of the range will do.
    """

    low: float
    high: float
    holes: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise ValueError(f"a range needs finite ends in rising order, got {self.low!r} and {self.high!r}")
        if any(not self.low <= hole <= self.high for hole in self.holes):
            raise ValueError(f"holes {self.holes} must lie within {self.low:g} to {self.high:g}")


@dataclass(frozen=True, slots=True)
class Adjustable:
    """What may be changed of a linkage; None is not to be touched.

    Parameters
    ----------
    drive_radius_mm, driven_radius_mm : Range or None
        Ranges or holes.
    drive_start_rad, driven_start_rad : Range or None
        How an arm may be clamped: its direction at low fire.
    stroke_rad : Range or None
        Stroke of the driver. Its positions keep their meaning as shares of the stroke.
    rod_mm : Range or None
        Lengths the rod can be set to; None for any.
    """

    drive_radius_mm: Range | None = None
    driven_radius_mm: Range | None = None
    drive_start_rad: Range | None = None
    driven_start_rad: Range | None = None
    stroke_rad: Range | None = None
    rod_mm: Range | None = None

    def ranges(self) -> tuple[Range | None, ...]:
        """In the order of `DECISION_VARIABLES`."""
        return tuple(getattr(self, name) for name in DECISION_VARIABLES)


@dataclass(frozen=True, slots=True)
class AdjustLimits:
    """What no proposal may go beyond.

    Parameters
    ----------
    min_toggle_rad : float
        Smallest angle between rod and either arm line over the stroke.
    over_travel_rad : float
        How far beyond either end of the stroke the driver may run (an end switch that moved or sticks) ...
    over_travel_toggle_rad : float
        ... and the smallest angle between rod and arm line there; never more than `min_toggle_rad`.
    driven_low_rad, driven_high_rad : float
        Stops of the driven shaft, travel from low fire as found; infinite where there are none.
    stall_ratio : float
        The driven shaft turns at least this share of its driver, forward, over the whole stroke.
    low_fire_rad : float
        Where the driven shaft stands at low fire, from low fire as found: 0 keeps it. The rod sets it.
    """

    min_toggle_rad: float = DEFAULTS.toggle_caution_rad
    over_travel_rad: float = DEFAULTS.over_travel_rad
    over_travel_toggle_rad: float = DEFAULTS.toggle_danger_rad
    driven_low_rad: float = -math.inf
    driven_high_rad: float = math.inf
    stall_ratio: float = DEFAULTS.stall_ratio
    low_fire_rad: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.min_toggle_rad < math.pi / 2:
            raise ValueError(f"min_toggle_rad must be from 0 to below pi/2, got {self.min_toggle_rad!r}")
        if self.over_travel_rad < 0 or self.over_travel_toggle_rad < 0 or self.stall_ratio < 0:
            raise ValueError("over-travel, its angle and the stall ratio must not be negative")
        if not self.driven_low_rad < self.driven_high_rad:
            raise ValueError("the stops of the driven shaft must be in rising order")

    @property
    def beyond_toggle_rad(self) -> float:
        """Angle to hold beyond the ends of the stroke."""
        return min(self.min_toggle_rad, self.over_travel_toggle_rad)


@dataclass(frozen=True, slots=True)
class AdjustSettings:
    """Sizes of the search, each with its reason.

    Parameters
    ----------
    tolerance_rad : float
        Tolerance where the intended travel gives none: twice a careful reading of a protractor.
    least_tolerance_rad : float
        No smaller tolerance is aimed at: what a hand can set and a film can tell.
    smooth_rows, smooth_gap_rad : int, float
        A table of intended travel of so many rows or more, no gap between them wider than this, is taken as
        points of a smooth curve: people read firing positions at such steps.
    usual_variables : int
        So many things are touched at most ...
    most_variables : int
        ... and so many where nothing else reaches the intended travel.
    better_share, better_rad : float
        One more thing touched must make the fit better by this share and by this much (the size of what a
        film can tell, see docs/validation.md) ...
    good_rad : float
        ... and, where fewer already come this close (root mean square), by more than the knowledge of the
        geometry leaves open.
    shown : int
        Proposals kept for each number of things touched.
    same_hole_mm : float
        A hole nearer to the present radius is the one in use.
    screened : int
        Scrambled Sobol points tried for each set of decision variables (a power of two) ...
    started : int
        ... of which so many are followed ...
    polished : int
        ... and so many to the end.
    hole_sets : int
        Combinations of holes followed for each set of decision variables.
    sample_count : int
        Linkages sampled from what is known of the geometry.
    """

    tolerance_rad: float = 1.0 * _DEG
    least_tolerance_rad: float = 0.1 * _DEG
    smooth_rows: int = 4
    smooth_gap_rad: float = 30.01 * _DEG
    usual_variables: int = 3
    most_variables: int = 5
    better_share: float = 0.1
    better_rad: float = 0.05 * _DEG
    good_rad: float = 0.2 * _DEG
    shown: int = 3
    same_hole_mm: float = 1.0
    screened: int = 256
    started: int = 14
    polished: int = 3
    hole_sets: int = 24
    sample_count: int = 200

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{field.name} must be a positive number, got {value!r}")


ADJUST_DEFAULTS = AdjustSettings()
