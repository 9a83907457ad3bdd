"""What one setting of a linkage would do: curve, margins, fit, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.adjust.model import Motion, Task, move
from strokecurve.kinematics.adjust.setting import LinkageSetting

Array = NDArray[np.float64]

_FINE_RAD = math.radians(0.25)
_STEP_RAD = math.radians(1.0)
_ROUNDING_RAD = 1e-12
_BAND = (2.5, 97.5)  # percentiles of the band: 95 % of the linkages sampled


@dataclass(frozen=True, slots=True)
class Margin:
    """Smallest angle between rod and one arm line over the stroke, 0 to 90 degrees.

    Parameters
    ----------
    value_rad, sd_rad : float
        The standard deviation is NaN where nothing is known of the geometry's uncertainty.
    at_driver_rad : float
        Driver travel where it is smallest.
    worst_rad : float
        Smallest over the linkages sampled; NaN without any.
    """

    value_rad: float
    sd_rad: float
    at_driver_rad: float
    worst_rad: float


@dataclass(frozen=True, slots=True)
class PredictedCurve:
    """Driven travel at even driver steps over the whole stroke, shape (N,) each.

    Parameters
    ----------
    driver_rad, driven_rad : ndarray
        Travel from low fire as found, positive toward open.
    sd_rad, low_rad, high_rad : ndarray
        Standard deviation and band (95 %) over the linkages sampled; NaN without any.
    """

    driver_rad: Array
    driven_rad: Array
    sd_rad: Array
    low_rad: Array
    high_rad: Array


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one setting does.

    Parameters
    ----------
    setting : LinkageSetting
    rod_mm, rod_sd_mm : float
        The rod that closes it at low fire, and how well that length is known.
    curve : PredictedCurve
    rms_rad, rms_sd_rad : float
        Root mean square of driven travel less intended, at even steps where both exist, and its spread.
    max_rad, max_sd_rad : float
        Where it is largest (in tolerances): with its sign, and the standard deviation of the curve there.
    max_at_driver_rad : float
        Driver travel of the setting there.
    misfit : float
        Root mean square in tolerances.
    largest : float
        Largest misfit in tolerances: at most 1 where the intended travel is reached.
    reached_share : float
        Share of the linkages sampled that stay within the tolerance; NaN without any.
    drive, transmission : Margin
        Angle between rod and drive arm, and rod and driven arm.
    broken : tuple of str
        Limits it breaks: "toggle", "over_travel", "stall", "driven_stops", "rod_mm".
    """

    setting: LinkageSetting
    rod_mm: float
    rod_sd_mm: float
    curve: PredictedCurve
    rms_rad: float
    rms_sd_rad: float
    max_rad: float
    max_sd_rad: float
    max_at_driver_rad: float
    misfit: float
    largest: float
    reached_share: float
    drive: Margin
    transmission: Margin
    broken: tuple[str, ...]

    @property
    def reached(self) -> bool:
        """Whether the intended travel is met within its tolerance everywhere."""
        return self.largest <= 1.0


@dataclass(frozen=True, slots=True)
class SampledOutcomes:
    """What the linkages sampled from the knowledge of the geometry do with the same changes made to each.

    Parameters
    ----------
    off_rad : ndarray, shape (K, P)
        Driven travel less intended at the positions of the fit.
    """

    curve_rad: Array
    off_rad: Array
    drive_rad: Array
    transmission_rad: Array
    rod_mm: Array


def outcome(task: Task, values: Array, samples: Array | None = None) -> Outcome:
    """What one setting does.

    Parameters
    ----------
    task : Task
    values : ndarray, shape (5,)
        Values of `DECISION_VARIABLES`.
    samples : ndarray, shape (K, 5), or None
        Linkages as found, sampled from what is known: both radii, spacing, both start angles.

    Returns
    -------
    Outcome

    Raises
    ------
    GeometryError
        If it cannot be assembled.
    """
    setting = setting_of(task, values)
    stroke = setting.stroke_rad
    at = _even(stroke)
    row = values[None, :]
    curve = task.motion(row, at / stroke).driven_rad[0]
    fine = np.linspace(0, 1, math.ceil(stroke / _FINE_RAD) + 1)
    moved = task.motion(row, fine)
    off = task.off(row)[0]
    misfits = np.abs(off) / task.tolerance_rad
    lost = np.isnan(misfits)
    worst = int(np.argmax(np.where(lost, np.inf, misfits)))
    sampled = None if samples is None or len(samples) == 0 else _sampled(task, values, samples, at / stroke)
    rms_sd, worst_sd, share = _fit_spread(task, sampled, worst)
    return Outcome(
        setting,
        float(moved.rod_mm[0]),
        math.nan if sampled is None else float(np.std(sampled.rod_mm)),
        _curve(at, curve, sampled),
        math.nan if lost.any() else float(np.sqrt(np.mean(off**2))),
        rms_sd,
        float(off[worst]),
        worst_sd,
        float(task.share()[worst] * stroke),
        math.inf if lost.any() else float(np.sqrt(np.mean(misfits**2))),
        math.inf if lost.any() else float(misfits[worst]),
        share,
        _margin(_angle(moved.drive_sine)[0], fine * stroke, None if sampled is None else sampled.drive_rad),
        _margin(
            _angle(moved.driven_sine)[0], fine * stroke, None if sampled is None else sampled.transmission_rad
        ),
        task.broken(values),
    )


def setting_of(task: Task, values: Array) -> LinkageSetting:
    """The linkage with these `DECISION_VARIABLES`, shape (5,), its driven arm where it stands at low fire."""
    moved = values.copy()
    moved[3] += task.driven_sign * task.limits.low_fire_rad
    return task.found.with_decisions(moved)


def sampled_misfits(task: Task, values: Array, samples: Array) -> Array:
    """Root mean square misfit in tolerances of every linkage sampled, shape (K,)."""
    off = _sampled(task, values, samples, np.zeros(1)).off_rad
    return np.asarray(np.sqrt(np.mean((off / task.tolerance_rad) ** 2, axis=1)))


def sampled_curves(task: Task, values: Array, samples: Array) -> Array:
    """Curve of every linkage sampled, shape (K, 5), with the same changes made: shape (K, N) (rad).

    Parameters
    ----------
    task : Task
    values : ndarray, shape (5,)
        Values of `DECISION_VARIABLES`.
    samples : ndarray, shape (K, 5)
        As for `outcome`.

    Returns
    -------
    ndarray, shape (K, N)
        At the steps of `Outcome.curve`.
    """
    return _sampled(task, values, samples, _even(float(values[4])) / float(values[4])).curve_rad


# ---- parts -----------------------------------------------------------------------------------------------


def _even(stroke_rad: float) -> Array:
    steps = math.floor(stroke_rad / _STEP_RAD + 1e-9)
    at = np.arange(steps + 1) * _STEP_RAD
    return np.asarray(np.append(at, stroke_rad) if stroke_rad - at[-1] > 1e-6 else at, dtype=np.float64)


def _sampled(task: Task, values: Array, samples: Array, share: Array) -> SampledOutcomes:
    """Make the same changes to every linkage sampled: radii moved by, arms turned by; the rod set last."""
    change = values - task.found.decisions()
    start = samples[:, 4] + change[3] + task.driven_sign * task.limits.low_fire_rad
    both = np.concatenate([share, task.share(), np.linspace(0, 1, 61)])
    moved: Motion = move(
        (samples[:, 0] + change[0])[:, None],
        (samples[:, 1] + change[1])[:, None],
        samples[:, 2:3],
        (samples[:, 3] + change[2])[:, None],
        start[:, None],
        task.found.opening_sign * values[4] * both,
        task.branch,
        task.driven_sign * task.found.opening_sign,
    )
    driven = task.driven_sign * moved.driven_rad + task.limits.low_fire_rad
    n, p = share.size, share.size + task.driver_rad.size
    return SampledOutcomes(
        driven[:, :n],
        driven[:, n:p] - task.wanted_rad,
        _angle(moved.drive_sine[:, p:]).min(axis=1),
        _angle(moved.driven_sine[:, p:]).min(axis=1),
        moved.rod_mm,
    )


def _angle(sine: Array) -> Array:
    """Angle to the in-line position; 0 where the linkage cannot close or is past it."""
    return np.asarray(np.arcsin(np.clip(np.nan_to_num(sine, nan=0.0), 0, 1)))


def _curve(at: Array, curve: Array, sampled: SampledOutcomes | None) -> PredictedCurve:
    if sampled is None:
        nothing = np.full(at.shape, np.nan)
        return PredictedCurve(at, curve, nothing, nothing, nothing)
    closed = sampled.curve_rad[np.isfinite(sampled.curve_rad).all(axis=1)]
    if len(closed) < 2:
        nothing = np.full(at.shape, np.nan)
        return PredictedCurve(at, curve, nothing, nothing, nothing)
    low, high = np.percentile(closed, _BAND, axis=0)
    sd = np.std(closed, axis=0)
    # low fire is set, whatever the linkage: what is left there is rounding
    return PredictedCurve(at, curve, np.where(sd < _ROUNDING_RAD, 0.0, sd), np.asarray(low), np.asarray(high))


def _fit_spread(task: Task, sampled: SampledOutcomes | None, worst: int) -> tuple[float, float, float]:
    """Spread of the RMS and of the largest misfit, and the share of samples within the tolerance."""
    if sampled is None:
        return math.nan, math.nan, math.nan
    off = sampled.off_rad[np.isfinite(sampled.off_rad).all(axis=1)]
    if len(off) < 2:
        return math.nan, math.nan, 0.0
    within = (np.abs(off) <= task.tolerance_rad).all(axis=1)
    rms = np.sqrt(np.mean(off**2, axis=1))
    return float(np.std(rms)), float(np.std(off[:, worst])), float(within.sum()) / len(sampled.off_rad)


def _margin(angle: Array, at: Array, samples: Array | None) -> Margin:
    k = int(np.argmin(angle))
    if samples is None:
        return Margin(float(angle[k]), math.nan, float(at[k]), math.nan)
    return Margin(float(angle[k]), float(np.std(samples)), float(at[k]), float(np.min(samples)))
