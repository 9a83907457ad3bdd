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
_FIRST_RAD = (
    0.0,
    0.7 * _DEG,
    2.5 * _DEG,
)  # guesses of lost motion to start from; the best end counts
_BEND_RAD = 0.05  # weak prior on the spline's bends: keeps it whole where the driven shaft only stood still
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
    engaged : ndarray of bool, shape (B,)
        Where the driver moved the driven shaft. Elsewhere, within the lost motion, the curve is not seen.
    slack_rad, sd_rad : float
        Lost motion, of either sign as noise has it, and its standard deviation; NaN if both passes are not
        there.
    """

    ideal_rad: Array
    ratio: Array
    engaged: NDArray[np.bool_]
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
    mean = basis @ coefficients
    whiten = noise_whitener(bins, np.clip(slope_basis @ coefficients, -5, 5), settings)
    white = np.concatenate([whiten @ driven, np.zeros(basis.shape[1] - 2)])
    fits = [_follow(basis, slope_basis, whiten, white, mean + first / 2, first) for first in _FIRST_RAD]
    return min(fits, key=lambda fit: fit[0])[1]


def _follow(
    basis: Array,
    slope_basis: Array,
    whiten: Array,
    white: Array,
    ideal: Array,
    slack: float,
) -> tuple[float, DeadBand]:
    """Chi-square and fit from one first guess of curve and lost motion."""
    bend = np.diff(np.eye(basis.shape[1]), 2, axis=0) / _BEND_RAD
    smooth = np.column_stack([bend, np.zeros(bend.shape[0])])
    for _ in range(_ROUNDS):
        play = engage(ideal, slack)
        design = np.vstack([whiten @ np.column_stack([basis[play.source], -play.opened]), smooth])
        q, triangle = np.linalg.qr(design)
        # with one pass only nothing tells the play
        known = abs(triangle[-1, -1]) > 1e-6
        solution = np.linalg.lstsq(triangle, q.T @ white, rcond=None)[0]
        ideal, before, slack = basis @ solution[:-1], slack, float(solution[-1])
        if not known or abs(slack - before) < _SETTLED_RAD:
            break
    off = white - design @ solution
    engaged = play.source == np.arange(play.source.size)
    ratio = np.clip(slope_basis @ solution[:-1], -5, 5)
    sd = 1 / abs(float(triangle[-1, -1])) if known else math.nan
    return float(off @ off), DeadBand(ideal, ratio, engaged, slack if known else math.nan, sd)


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
