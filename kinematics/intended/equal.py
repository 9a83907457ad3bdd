"""Equal travel: the driven shaft turns as far as its driver, or in proportion to it."""

from __future__ import annotations

import math

import numpy as np

from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.intended.table import Intended


def equal_travel(driver_travel_rad: float, driven_travel_rad: float | None = None) -> Intended:
    """Intended travel in equal steps.

    Parameters
    ----------
    driver_travel_rad : float
        Full driver travel, above 0.
    driven_travel_rad : float or None
        Full driven travel; as far as the driver if None.

    Returns
    -------
    Intended

    Raises
    ------
    KinematicsError
        If a travel is not above 0.

    Examples
    --------
    >>> float(equal_travel(1.5).driven_at(0.5))
    0.5
    """
    driven = driver_travel_rad if driven_travel_rad is None else driven_travel_rad
    for travel in (driver_travel_rad, driven):
        if not (math.isfinite(travel) and travel > 0):
            raise KinematicsError(
                "The travel must be more than 0 degrees.", "Give the full stroke in degrees."
            )
    return Intended.from_table(np.array([0.0, driver_travel_rad]), np.array([0.0, driven]))
