"""Linkages sampled from what is known of one: by film, with its correlations, or by tape measures."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.adjust.setting import ADJUST_DEFAULTS, AdjustSettings, LinkageSetting
from strokecurve.kinematics.covariance import principal_steps
from strokecurve.kinematics.linkage.closure import driven_curve

Array = NDArray[np.float64]

KNOWN = ("drive_radius_mm", "driven_radius_mm", "spacing_mm", "drive_start_rad", "driven_start_rad")
"""Order of the geometry's covariance and of the columns of linkages sampled."""
_STEPS = 31
_MORE = 4  # times as many are drawn, as some may not close over the stroke


def sample_linkages(
    found: LinkageSetting,
    covariance: ArrayLike,
    rng: np.random.Generator,
    settings: AdjustSettings = ADJUST_DEFAULTS,
) -> Array:
    """Linkages sampled from a normal distribution about the one found; those that jam in the stroke left out.

    Parameters
    ----------
    found : LinkageSetting
    covariance : array_like, shape (5, 5) or (5,)
        Of `KNOWN` (mm, rad), or only standard deviations: then they are taken as independent, which makes the
        predicted curve more uncertain than it is where a film has tied them together.
    rng : numpy Generator
    settings : AdjustSettings

    Returns
    -------
    ndarray, shape (K, 5)
        K at most `settings.sample_count`.

    Examples
    --------
    >>> found = LinkageSetting(60.0, 60.0, 200.0, 1.0, 1.0, 1.5, 1)
    >>> sample_linkages(found, [1, 1, 2, 0.01, 0.01], np.random.default_rng(1)).shape
    (200, 5)
    """
    spread = np.asarray(covariance, float)
    if spread.ndim == 1:
        spread = np.diag(spread**2)
    mean = np.array([getattr(found, name) for name in KNOWN])
    samples = mean + rng.standard_normal((_MORE * settings.sample_count, len(KNOWN))) @ principal_steps(
        spread
    )
    samples = samples[(samples[:, :3] > 0).all(axis=1)]
    travel = found.opening_sign * np.linspace(0, found.stroke_rad, _STEPS)
    with np.errstate(invalid="ignore", divide="ignore"):
        turned = driven_curve(travel, *(samples[:, k : k + 1] for k in range(len(KNOWN))))
    return np.asarray(samples[np.isfinite(turned).all(axis=1)][: settings.sample_count])
