"""What is known of a linkage besides its motion: measured lengths and angles with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUANTITIES = (
    "drive_radius_mm",
    "driven_radius_mm",
    "rod_mm",
    "spacing_mm",
    "drive_start_rad",
    "driven_start_rad",
)
ANGLES = frozenset({"drive_start_rad", "driven_start_rad"})


@dataclass(frozen=True, slots=True)
class Evidence:
    """One measured quantity of a linkage.

    Parameters
    ----------
    quantity : str
        One of `QUANTITIES`; start angles are taken from the line of centres at the low-fire hold.
    value, sigma : float
        Value and standard deviation, mm or rad.
    source : str
        Where it comes from, in a word the reader knows: "pins", "hinges", "tape".

    Raises
    ------
    ValueError
        If the quantity is unknown, the value not finite (a length: not positive) or sigma not positive.

    Examples
    --------
    >>> Evidence("spacing_mm", 176.2, 0.5, "hinges").value
    176.2
    """

    quantity: str
    value: float
    sigma: float
    source: str

    def __post_init__(self) -> None:
        _check(self.quantity, self.value)
        if not (math.isfinite(self.sigma) and self.sigma > 0):
            raise ValueError(f"{self.quantity}: sigma must be a positive number, got {self.sigma!r}")


@dataclass(frozen=True, slots=True)
class JointEvidence:
    """Several quantities measured together, their errors correlated.

    Parameters
    ----------
    quantities : tuple of str
        Names out of `QUANTITIES`, no two alike.
    values : ndarray, shape (Q,)
        Values in mm or rad.
    covariance : ndarray, shape (Q, Q)
        Symmetric, positive semi-definite: quantities that follow from one another make it singular, which is
        allowed.
    source : str
        As for `Evidence`.

    Raises
    ------
    ValueError
        If a name is unknown or repeated, or shapes and values do not fit.

    Examples
    --------
    >>> JointEvidence(("rod_mm", "spacing_mm"), np.array([150.0, 176.0]), np.diag([0.1, 0.2]), "pins").source
    'pins'
    """

    quantities: tuple[str, ...]
    values: Array
    covariance: Array
    source: str

    def __post_init__(self) -> None:
        count = len(self.quantities)
        if len(set(self.quantities)) != count or self.values.shape != (count,):
            raise ValueError(
                f"{count} different quantities and values expected, got {self.quantities}, {self.values}"
            )
        if self.covariance.shape != (count, count) or not np.all(np.isfinite(self.covariance)):
            raise ValueError(
                f"a finite covariance of shape {(count, count)} expected, got {self.covariance.shape}"
            )
        if not np.all(np.diag(self.covariance) > 0):
            raise ValueError("every quantity must have a positive variance")
        for quantity, value in zip(self.quantities, self.values, strict=True):
            _check(quantity, float(value))


@dataclass(frozen=True, slots=True)
class WhitenedEvidence:
    """Evidence made ready for least squares: `whiten @ (model - values)` has unit variance.

    Parameters
    ----------
    columns : ndarray of int, shape (Q,)
        Positions in `QUANTITIES`.
    values : ndarray, shape (Q,)
    whiten : ndarray, shape (Q, Q)
    source : str
    """

    columns: NDArray[np.int64]
    values: Array
    whiten: Array
    source: str


def whitened(evidence: Sequence[Evidence | JointEvidence]) -> list[WhitenedEvidence]:
    """Whiten each piece of evidence.

    Parameters
    ----------
    evidence : sequence of Evidence or JointEvidence

    Returns
    -------
    list of WhitenedEvidence

    Examples
    --------
    >>> whitened([Evidence("rod_mm", 150.0, 0.5, "tape")])[0].whiten.tolist()
    [[2.0]]
    """
    return [_statement(e) for e in evidence]


def _statement(evidence: Evidence | JointEvidence) -> WhitenedEvidence:
    if isinstance(evidence, Evidence):
        column = np.array([QUANTITIES.index(evidence.quantity)])
        return WhitenedEvidence(
            column, np.array([evidence.value]), np.array([[1 / evidence.sigma]]), evidence.source
        )
    columns = np.array([QUANTITIES.index(q) for q in evidence.quantities])
    scale = np.sqrt(np.diag(evidence.covariance))
    size, axes = np.linalg.eigh(evidence.covariance / np.outer(scale, scale))
    # a combination known exactly only because one quantity follows from the others must not outweigh the rest
    size = np.maximum(size, 1e-4)
    return WhitenedEvidence(columns, evidence.values, (axes / np.sqrt(size)).T / scale, evidence.source)


def _check(quantity: str, value: float) -> None:
    if quantity not in QUANTITIES:
        raise ValueError(f"unknown quantity {quantity!r}; known are {', '.join(QUANTITIES)}")
    if not math.isfinite(value) or (quantity not in ANGLES and value <= 0):
        raise ValueError(f"{quantity} must be a finite number (a length: above 0), got {value!r}")
