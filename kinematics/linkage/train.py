"""Linkages in series: from the motor to the last shaft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.linkage.fourbar import FourBar

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Train:
    """Linkages in which each drives the next one's driver.

    Parameters
    ----------
    linkages : tuple of FourBar
        From the motor on; at least one.
    drive_start_rad : tuple of float
        Direction of each linkage's drive arm at low fire, from that linkage's own line of centres.

    Raises
    ------
    ValueError
        If there is no linkage, or not one start angle for each.

    Notes
    -----
    On a shaft between two linkages both arms are clamped, so the second linkage's drive arm turns by just
    what the first one's driven arm turns. Lines of centres may point anywhere: each start angle is taken from
    its own.

    Examples
    --------
    >>> parallel = FourBar(60, 200, 60, 200, branch=-1)
    >>> train = Train((parallel, parallel), (0.6, 0.9))
    >>> train.travel(np.array([0.0, 0.5, 1.0])).round(9).tolist()
    [[0.0, 0.5, 1.0], [0.0, 0.5, 1.0]]
    """

    linkages: tuple[FourBar, ...]
    drive_start_rad: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.linkages or len(self.linkages) != len(self.drive_start_rad):
            raise ValueError(
                f"one start angle for each of one or more linkages expected, got "
                f"{len(self.linkages)} linkages and {len(self.drive_start_rad)} angles"
            )

    def travel(self, driver_rad: ArrayLike) -> Array:
        """Travel of every driven shaft, counter-clockwise positive.

        Parameters
        ----------
        driver_rad : array_like, shape (N,)
            Travel of the first driver from low fire, counter-clockwise positive.

        Returns
        -------
        ndarray, shape (number of linkages, N)
            The last row is the overall travel.

        Raises
        ------
        GeometryError
            If one of the linkages cannot close.
        """
        turned, rows = np.asarray(driver_rad, float), []
        for linkage, start in zip(self.linkages, self.drive_start_rad, strict=True):
            turned = linkage.driven_angle(start + turned) - linkage.driven_angle(start)
            rows.append(turned)
        return np.stack(rows)

    def velocity_ratio(self, driver_rad: ArrayLike) -> Array:
        """Degrees the last shaft turns for one degree of the first: the product along the train.

        Parameters
        ----------
        driver_rad : array_like, shape (N,)
            Travel of the first driver from low fire.

        Returns
        -------
        ndarray, shape (N,)

        Raises
        ------
        GeometryError
            If one of the linkages cannot close.
        """
        driver = np.asarray(driver_rad, float)
        shafts = [driver, *self.travel(driver)[:-1]]
        ratio = np.ones_like(driver)
        for linkage, start, turned in zip(self.linkages, self.drive_start_rad, shafts, strict=True):
            ratio = ratio * linkage.velocity_ratio(start + turned)
        return ratio
