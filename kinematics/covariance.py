"""One way to carry a covariance to figures that follow from what it is the covariance of."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def principal_steps(covariance: Array) -> Array:
    """Steps of one standard deviation along the principal axes of a covariance.

    Parameters
    ----------
    covariance : ndarray, shape (P, P)
        Symmetric; rounding may have left it a little negative along an axis.

    Returns
    -------
    ndarray, shape (P, P)
        One step a row, in the units of the quantities: independent of each other, and the covariance is the
        sum of their outer products.

    Examples
    --------
    >>> steps = principal_steps(np.array([[4.0, 1.0], [1.0, 9.0]]))
    >>> (steps.T @ steps).round(9).tolist()
    [[4.0, 1.0], [1.0, 9.0]]
    """
    size, axes = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray((axes * np.sqrt(np.maximum(size, 0.0))).T)


def propagate(figures: Callable[[Array], Array], at: Array, covariance: Array) -> Array:
    """Covariance of figures that follow from quantities known with a covariance.

    Parameters
    ----------
    figures : callable
        Figures, shape (F,), of quantities, shape (P,). They may bend, and they may have a corner at `at`,
        as the smallest of several angles has.
    at : ndarray, shape (P,)
        The quantities as reported.
    covariance : ndarray, shape (P, P)

    Returns
    -------
    ndarray, shape (F, F)
        In the units of the figures; NaN where the covariance is not known, or where a figure cannot be had
        within one standard deviation.

    Notes ----- Each figure's change along each principal axis, over one standard deviation either way,
    counts as half the difference of both ends: for figures that are nearly linear this is the usual J C
    J^T. At the top or bottom of a bend that difference vanishes although the figure moves; there the
    smaller of both moves counts in the figure's own variance, which so is never too small. For figures that
    bend strongly the answer depends on the units of the quantities, as the axes do: give them in units in
    which a step of one matters alike.

    Examples
    --------
    >>> known = np.diag([0.01, 0.04])
    >>> propagate(lambda q: np.array([q[0] + q[1], q[0] ** 2]), np.zeros(2), known).round(9).tolist()
    [[0.05, 0.0], [0.0, 0.0001]]
    """
    own = figures(at)
    if not np.isfinite(covariance).all():
        return np.full((own.size, own.size), np.nan)
    total = np.zeros((own.size, own.size))
    for step in principal_steps(covariance):
        up, down = figures(at + step), figures(at - step)
        half = (up - down) / 2
        bent = np.minimum(np.abs(up - own), np.abs(down - own))
        total += np.outer(half, half) + np.diag(np.maximum(bent**2 - half**2, 0.0))
    return total
