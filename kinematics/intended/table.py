"""Intended travel from a table of driver and driven angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.errors import KinematicsError

Array = NDArray[np.float64]

LEAST_STEP_RAD = 1e-6
"""Rows closer than this, far below what anybody can set, say nothing about a slope."""


@dataclass(frozen=True, slots=True)
class Intended:
    """Driven travel wanted at some driver travels; straight lines in between, nothing beyond.

    Parameters
    ----------
    driver_rad : ndarray, shape (N,)
        Driver travel from low fire, strictly ascending.
    driven_rad : ndarray, shape (N,)
        Driven travel from low fire, positive in its opening direction.
    tolerance_rad : ndarray, shape (N,)
        Allowed deviation; NaN where none was given.

    Raises
    ------
    KinematicsError
        If there are fewer than two rows, driver angles do not ascend, or a number is missing or out of range.
    """

    driver_rad: Array
    driven_rad: Array
    tolerance_rad: Array

    def __post_init__(self) -> None:
        hint = "Give at least two rows, driver angles ascending, in degrees from low fire."
        shapes = {self.driver_rad.shape, self.driven_rad.shape, self.tolerance_rad.shape}
        if len(shapes) != 1 or self.driver_rad.ndim != 1 or self.driver_rad.size < 2:
            raise KinematicsError("The intended travel needs two or more rows of equally many numbers.", hint)
        if not (np.all(np.isfinite(self.driver_rad)) and np.all(np.isfinite(self.driven_rad))):
            raise KinematicsError("A number is missing in the intended travel.", hint)
        falls = np.flatnonzero(np.diff(self.driver_rad) < LEAST_STEP_RAD)
        if falls.size:
            raise KinematicsError(
                f"In row {falls[0] + 2} of the intended travel the driver angle is not above the one before.",
                hint,
            )
        if np.max(np.abs([self.driver_rad, self.driven_rad])) > 2 * np.pi:
            raise KinematicsError("An angle of the intended travel is beyond 360 degrees.", hint)
        if np.any(self.tolerance_rad < 0):
            raise KinematicsError(
                "A tolerance of the intended travel is negative.", "Leave it empty or give degrees."
            )

    @classmethod
    def from_table(
        cls, driver_rad: ArrayLike, driven_rad: ArrayLike, tolerance_rad: ArrayLike | None = None
    ) -> Intended:
        """Build from columns of numbers.

        Parameters
        ----------
        driver_rad, driven_rad : array_like, shape (N,)
        tolerance_rad : array_like, shape (N,), or None
            NaN where no tolerance is given.

        Returns
        -------
        Intended

        Examples
        --------
        >>> Intended.from_table([0.0, 1.5], [0.0, 1.0]).driven_at([0.75, 1.6]).tolist()
        [0.5, nan]
        """
        driver, driven = np.asarray(driver_rad, float), np.asarray(driven_rad, float)
        tolerance = (
            np.full(driver.shape, np.nan) if tolerance_rad is None else np.asarray(tolerance_rad, float)
        )
        return cls(driver, driven, tolerance)

    def driven_at(self, driver_rad: ArrayLike) -> Array:
        """Intended driven travel; NaN outside the table.

        Parameters
        ----------
        driver_rad : array_like, any shape

        Returns
        -------
        ndarray, same shape
        """
        return self._at(driver_rad, self.driven_rad)

    def tolerance_at(self, driver_rad: ArrayLike) -> Array:
        """Tolerance; NaN outside the table and where none was given.

        Parameters
        ----------
        driver_rad : array_like, any shape

        Returns
        -------
        ndarray, same shape
        """
        return self._at(driver_rad, self.tolerance_rad)

    def _at(self, driver_rad: ArrayLike, values: Array) -> Array:
        at = np.asarray(driver_rad, float)
        # a rounding error beyond the last row is not outside the table
        edge = 1e-9
        inside = np.clip(at, self.driver_rad[0], self.driver_rad[-1])
        found = np.interp(inside, self.driver_rad, values)
        return np.where(np.abs(inside - at) <= edge, found, np.nan)
