"""Spread and weights that a few wrong values do not spoil."""

from __future__ import annotations

import math

import numpy as np

from strokecurve.vision.arrays import Floats


def huber_weight(standardised: Floats, limit: float) -> Floats:
    """Weight of residuals, of any shape, in standard deviations.

    1 up to ``limit``, and beyond it falling with their size.

    References
    ----------
    Huber, P. J., Robust estimation of a location parameter, Annals of Mathematical Statistics 35 (1964).
    """
    size = np.abs(standardised)
    return np.where(size <= limit, 1.0, limit / np.maximum(size, 1e-12))


def winsorised_variance(values: Floats, limit: float = 3.0) -> float:
    """Give the variance about zero with outliers counted as lying ``limit`` standard deviations off.

    Parameters
    ----------
    values : ndarray, any shape
        NaN is left out.
    limit : float
        In standard deviations.

    Returns
    -------
    float
        Equal to the variance of a normal distribution; 0 without values.

    Notes
    -----
    Errors of edges have longer tails than a normal distribution. Their median alone (a fully robust scale)
    would promise more than the fit can keep.
    """
    squares = values[np.isfinite(values)] ** 2
    if not squares.size:
        return 0.0
    kept = (
        1.0
        - 2.0 * limit * np.exp(-0.5 * limit**2) / np.sqrt(2 * np.pi)
        + 2 * (limit**2 - 1) * 0.5 * math.erfc(limit / math.sqrt(2))
    )
    variance = float(np.median(squares)) / 0.4549
    for _ in range(20):
        variance = float(np.minimum(squares, limit**2 * variance).mean() / kept)
    return variance
