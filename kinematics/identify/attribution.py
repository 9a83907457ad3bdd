"""Which evidence carries a quantity, and which measurement would settle one that is open."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.identify.evidence import QUANTITIES
from strokecurve.kinematics.identify.spread import inverse

Array = NDArray[np.float64]

_CARRIES = 1.2  # a source carries a quantity if leaving it out makes the standard deviation this much larger
_ALONE = 2.0  # or, where several would each do, if alone it leaves at most this much more
# what a technician could measure, and how well
_REMEDIES = (
    ("drive_radius_mm", 1.0, "measure the drive radius to 1 mm"),
    ("driven_radius_mm", 1.0, "measure the driven radius to 1 mm"),
    ("spacing_mm", 2.0, "measure the distance between the shaft centres to 2 mm"),
    ("rod_mm", 1.0, "measure the rod, pin to pin, to 1 mm"),
    ("drive_start_rad", np.pi / 180, "measure the drive arm's angle at low fire to 1 degree"),
    ("driven_start_rad", np.pi / 180, "measure the driven arm's angle at low fire to 1 degree"),
)


def carriers(jacobian: Array, rows: list[str], by: Array) -> tuple[str, ...]:
    """Sources that carry one quantity.

    Parameters
    ----------
    jacobian : ndarray, shape (R, P)
        Of the residuals.
    rows : list of str
        Source of each row; "prior" is always kept and never named.
    by : ndarray, shape (P,)
        Derivative of the quantity by the parameters.

    Returns
    -------
    tuple of str
        Sources without which it would be clearly less certain; if there is none, those that alone would do.

    Examples
    --------
    >>> carriers(np.array([[10.0], [2.0], [0.1]]), ["pins", "tape", "prior"], np.array([1.0]))
    ('pins',)
    """
    source = np.array(rows)
    names = [n for n in dict.fromkeys(rows) if n != "prior"]

    def sd(keep: NDArray[np.bool_]) -> float:
        part = jacobian[keep]
        return float(np.sqrt(by @ inverse(part.T @ part) @ by))

    everything = sd(np.ones(source.size, dtype=np.bool_))
    needed = [n for n in names if sd(source != n) > _CARRIES * everything]
    if needed:
        return tuple(needed)
    return tuple(n for n in names if sd((source == n) | (source == "prior")) < _ALONE * everything)


def remedy(jacobian: Array, by: Array, wanted: int, limits: Array) -> str:
    """The one measurement that leaves the least uncertainty in the wanted quantity, then in all six.

    Parameters
    ----------
    jacobian : ndarray, shape (R, P)
    by : ndarray, shape (6, P)
        Derivatives of the six quantities by the parameters.
    wanted : int
        Position in `QUANTITIES` of the one to be settled.
    limits : ndarray, shape (6,)
        Standard deviations at which they count as determined.

    Returns
    -------
    str
        What to do, as an imperative.

    Examples
    --------
    >>> remedy(np.eye(6) * 1e-3, np.eye(6), 3, np.ones(6))
    'measure the distance between the shaft centres to 2 mm'
    """
    information = jacobian.T @ jacobian
    best, text = np.inf, ""
    for name, sigma, words in _REMEDIES:
        row = by[QUANTITIES.index(name)] / sigma
        after = inverse(information + np.outer(row, row))
        short = np.sqrt(np.einsum("qi,ij,qj->q", by, after, by)) / limits
        cost = len(QUANTITIES) * max(float(short[wanted]), 1.0) + float(np.sum(np.maximum(short, 1.0)))
        if cost < best:
            best, text = cost, words
    return text
