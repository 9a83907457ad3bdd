"""Driven curve and lost motion of any linkage: a spline followed through a play operator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from kinematics.motion import Bins, noise_whitener
from kinematics.play import engage
from kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_KNOT_RAD = 10 * _DEG  # spline pieces: a four-bar curve is followed to a few thousandths of a degree
_ROUNDS = 12
_SETTLED_RAD = 1e-4 * _DEG


@dataclass(frozen=True, slots=True)
class DeadBand:
    """Result of `fit_dead_band`.

    Parameters
    ----------
    ideal_rad : ndarray, shape (B,)
        Driven angle without lost motion at each bin, closing side, positive in the driven opening direction.
    ratio : ndarray, shape (B,)
        Its slope against the driver.
    slack_rad, sd_rad : float
        Lost motion, of either sign as noise has it, and its standard deviation; NaN if both passes are not
        there.
    """

    ideal_rad: Array
    ratio: Array
    slack_rad: float
    sd_rad: float


def driven_sign(bins: Bins) -> int:
    """Way in which the driven shaft opens: +1 if it turns counter-clockwise from low to high fire.

    Parameters
    ----------
    bins : Bins

    Returns
    -------
    int

    Examples
    --------
    >>> n = np.zeros(3)
    >>> driven_sign(Bins(np.array([0, 1.0, 2.0]), np.array([0, -0.5, -1.0]), n, n, n, np.ones(3, int)))
    -1
    """
    order = np.argsort(bins.driver_rad)
    share = max(1, order.size // 10)
    rise = np.mean(bins.driven_rad[order[-share:]]) - np.mean(bins.driven_rad[order[:share]])
    return 1 if rise >= 0 else -1


def fit_dead_band(bins: Bins, settings: Settings = DEFAULTS) -> DeadBand:
    """Fit driven curve and lost motion together, assuming no kind of linkage.

    Parameters
    ----------
    bins : Bins
    settings : Settings

    Returns
    -------
    DeadBand

    Notes
    -----
    Least squares for spline and lost motion, with the engagement of the play from the round before, until
    settled.

    Examples
    --------
    >>> driver = np.concatenate([np.linspace(0, 1.5, 60), np.linspace(1.5, 0, 60)])
    >>> lag = engage(driver, 0.02)
    >>> var, path = np.full(120, 1e-8), np.abs(np.diff(driver, prepend=0.0)).cumsum()
    >>> bins = Bins(driver, driver[lag.source] - 0.02 * lag.opened, var, var, path, np.ones(120, int))
    >>> print(f"{fit_dead_band(bins).slack_rad:.4f}")
    0.0200
    """
    driven = driven_sign(bins) * bins.driven_rad
    basis, slope_basis = _spline(bins.driver_rad)
    coefficients, *_ = np.linalg.lstsq(basis, driven, rcond=None)
    ideal, slack, sd = basis @ coefficients, 0.0, math.nan
    ratio = np.clip(slope_basis @ coefficients, -5, 5)
    whiten = noise_whitener(bins, ratio, settings)
    white = whiten @ driven
    for _ in range(_ROUNDS):
        play = engage(ideal, slack)
        triangle, target = _reduced(whiten @ np.column_stack([basis[play.source], -play.opened]), white)
        if abs(triangle[-1, -1]) < 1e-6:  # one pass only: nothing tells the play
            return DeadBand(ideal, ratio, math.nan, math.nan)
        solution = np.linalg.lstsq(triangle, target, rcond=None)[0]
        before, slack, sd = slack, float(solution[-1]), 1 / abs(float(triangle[-1, -1]))
        ideal, ratio = basis @ solution[:-1], np.clip(slope_basis @ solution[:-1], -5, 5)
        if abs(slack - before) < _SETTLED_RAD:
            break
    return DeadBand(ideal, ratio, slack, sd)


def _reduced(design: Array, white: Array) -> tuple[Array, Array]:
    q, r = np.linalg.qr(design)
    return r, q.T @ white


def _spline(driver: Array) -> tuple[Array, Array]:
    """Cubic B-spline basis at the driver angles, and its derivative; pieces without data are left out."""
    low, high = float(driver.min()), float(driver.max())
    inner = np.linspace(low, high, max(2, round((high - low) / _KNOT_RAD)) + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    count = knots.size - 4
    inside = np.clip(driver, low, high)
    basis = BSpline.design_matrix(inside, knots, 3).toarray()
    slopes = BSpline(knots, np.eye(count), 3).derivative()(inside)
    used = np.any(basis != 0, axis=0)
    return np.asarray(basis[:, used]), np.asarray(slopes[:, used])
