"""Levenberg-Marquardt for a handful of parameters whose residuals have unit variance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SETTLED = 1e-4  # fall of chi-square that ends the search: worth a hundredth of a standard deviation
_STUCK = 1e8  # damping beyond which no step helps


def minimise(
    residuals: Callable[[Array], Array],
    jacobian: Callable[[Array], Array],
    start: Array,
    steps: int,
    reached: Callable[[Array, float], bool] | None = None,
) -> tuple[Array, float]:
    """Parameters of least chi-square near a start, and that chi-square.

    Parameters
    ----------
    residuals : callable
        Residuals, shape (R,), of parameters, shape (P,); each divided by its standard deviation; NaN where
        a trial leaves the possible, which is then not taken.
    jacobian : callable
        Their derivatives, shape (R, P).
    start : ndarray, shape (P,)
        Residuals must be finite here.
    steps : int
        Trials at most.
    reached : callable, optional
        Whether parameters, shape (P,), with their chi-square are near enough to what is known already to
        stop there.

    Returns
    -------
    parameters : ndarray, shape (P,)
    chi_square : float

    Notes
    -----
    With seven parameters the normal equations are as good as a decomposition of the whole Jacobian and
    several times faster, and chi-square being in natural units gives a stopping rule that needs no tuning.

    Examples
    --------
    >>> found, chi_square = minimise(lambda p: p**2 - 4, lambda p: np.diag(2 * p), np.array([1.0]), 50)
    >>> found.round(3).tolist()
    [2.0]
    """
    best, off = start, residuals(start)
    chi_square, damping = float(off @ off), 1e-3
    slope = jacobian(best)
    for _ in range(steps):
        normal, gradient = slope.T @ slope, slope.T @ off
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        trial_off = residuals(best - step)
        trial = float(trial_off @ trial_off)
        if trial <= chi_square:  # False for NaN
            best, off, fall, chi_square = (
                best - step,
                trial_off,
                chi_square - trial,
                trial,
            )
            if fall < _SETTLED or (reached is not None and reached(best, chi_square)):
                break
            slope, damping = jacobian(best), damping / 5
        elif damping > _STUCK:
            break
        else:
            damping *= 5
    return best, chi_square
