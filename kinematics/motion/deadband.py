"""Driven curve and lost motion of any linkage: a spline followed through a play operator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.linkage.play import Play, engage
from strokecurve.kinematics.motion.angles import Bins, LinkageMotion
from strokecurve.kinematics.motion.folding import fold
from strokecurve.kinematics.motion.noise import SlowErrors, noise_whitener
from strokecurve.kinematics.motion.noise_sizes import slow_error_sizes
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.wear import Wear, even_wear
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_KNOT_RAD = 10 * _DEG  # spline pieces: a four-bar curve is followed to a few thousandths of a degree
_FIRST_RAD = (
    0.0,
    0.7 * _DEG,
    2.5 * _DEG,
)  # estimates of lost motion to start from; the best end counts
_BEND_RAD = 0.05  # weak prior on the spline's bends: keeps it whole where the driven shaft only stood still
_UNEVEN_RAD = 2 * _DEG  # prior on how unevenly lost motion is spread over the stroke
_PLAIN_RAD = 0.15 * _DEG  # lost motion wide enough to tell where in it the film starts
_ELSEWHERE = 0.1  # share of it by which the film must start elsewhere than assumed
_CLEARLY = 0.3  # share by which a start must be off the expected side to be believed ...
_UNUSUAL = 25.0  # ... and fall of chi-square (five standard deviations) that it must bring
_ROUNDS = 16
LEAST_BINS = 20  # below, curve and lost motion cannot both be fitted
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
    start_opened : float
        Where in the lost motion the film starts: 0 on the closing, 1 on the opening side.
    slack_rad, sd_rad : float
        Lost motion, mean over the stroke, of either sign as noise has it, and its standard deviation; NaN if
        both passes are not there.
    slow : SlowErrors
        Slow errors of driver and driven shaft, as the film shows them or as they were given.
    """

    ideal_rad: Array
    ratio: Array
    engaged: NDArray[np.bool_]
    start_opened: float
    slack_rad: float
    sd_rad: float
    slow: SlowErrors


def start_side(stroke: Stroke) -> float:
    """Side of the lost motion on which a film is expected to start: as it came to rest, or is moving.

    Parameters
    ----------
    stroke : Stroke

    Returns
    -------
    float
        0 on the closing side, 1 on the opening side.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> driver = np.concatenate([np.zeros(20), np.linspace(0, 1.5, 50)])
    >>> start_side(find_stroke(np.arange(70) / 10, driver, 0.001))
    0.0
    """
    parts = [(s.start, 0.0) for s in (*stroke.low_holds, *stroke.closing)]
    parts += [(s.start, 1.0) for s in (*stroke.high_holds, *stroke.opening)]
    return min(parts)[1]


def fit_dead_band(
    bins: Bins,
    settings: Settings = DEFAULTS,
    start_opened: float = 0.0,
    slow: SlowErrors | None = None,
    wear: Wear | None = None,
) -> DeadBand:
    """Fit driven curve and lost motion together, assuming no kind of linkage.

    Parameters
    ----------
    bins : Bins
    settings : Settings
    start_opened : float
        Side of the lost motion on which the film is expected to start; where the film plainly starts
        elsewhere, as after a push by hand, it is taken from the film.
    slow : SlowErrors, optional
        Slow errors of driver and driven shaft; left out, the film's scatter about the curve tells.
    wear : Wear, optional
        Shape of lost motion over the stroke, even if left out.

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
    driven = bins.driven_sign * bins.driven_rad
    u = np.clip(2 * bins.driver_rad / bins.driver_rad.max() - 1, -1, 1)
    uneven = np.column_stack([u, 1.5 * u**2 - 0.5])  # Legendre's
    profile = (even_wear(bins) if wear is None else wear).profile
    curve = _Curve(*_spline(bins.driver_rad), profile, uneven, bins.restarts)
    coefficients, *_ = np.linalg.lstsq(curve.basis, driven, rcond=None)
    ratio = curve.ratio(np.asarray(coefficients))
    mean = curve.basis @ coefficients
    expected = SlowErrors.expected(settings) if slow is None else slow
    first = _best(curve, driven, mean, ratio, bins, settings, start_opened, expected)
    if slow is not None:
        return first
    slack = first.slack_rad if math.isfinite(first.slack_rad) else 0.0
    play = curve.engaged(first.ideal_rad, slack * curve.even, first.start_opened)
    design, known = curve.design(play)
    shown = slow_error_sizes(bins, first.ratio, driven, design, known, settings)
    whiten = noise_whitener(bins, first.ratio, shown, settings)
    elsewhere = first.start_opened != start_opened
    return _follow(curve, whiten, driven, first.ideal_rad, slack, first.start_opened, elsewhere, shown)[1]


def slow_errors(stroke: Stroke, motion: LinkageMotion, settings: Settings = DEFAULTS) -> SlowErrors:
    """Slow errors of driver and driven shaft, as their film shows them.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    settings : Settings
        Size expected before the film is seen.

    Returns
    -------
    SlowErrors
        From the scatter about a curve with lost motion that any linkage follows; as expected where there are
        too few frames for one.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> wavy = driver + np.radians(0.2) * np.sin(time_s * 2.5)
    >>> exact, wrong = (slow_errors(stroke, LinkageMotion.of(driver, a, 1e-4, 1e-4)) for a in (driver, wavy))
    >>> bool(wrong.size_rad[1] > 5 * exact.size_rad[1])
    True
    """
    bins = fold(motion, stroke)
    if bins.driver_rad.size < LEAST_BINS:
        return SlowErrors.expected(settings)
    return fit_dead_band(bins, settings, start_side(stroke)).slow


@dataclass(frozen=True, slots=True)
class _Curve:
    """Cubic spline over the driver's range, and the shapes of lost motion along the bins.

    Lost motion is its mean over the stroke times `even`, plus amounts of `uneven`, which are zero on average:
    play in a pin makes more of it where the rod comes nearer the line of the arm.
    """

    basis: Array
    slopes: Array
    even: Array
    uneven: Array
    restarts: NDArray[np.bool_] | None

    def engaged(self, ideal: Array, lag: Array, start_opened: float) -> Play:
        return engage(ideal, lag, start_opened, self.restarts)

    def ratio(self, coefficients: Array) -> Array:
        return np.clip(self.slopes @ coefficients, -5, 5)

    def lag(self, amounts: Array) -> Array:
        """Lost motion at each bin, of the amounts of `uneven` and the mean."""
        return np.column_stack([self.uneven, self.even]) @ amounts

    def design(self, play: Play) -> tuple[Array, Array]:
        """Derivatives of the driven angle by spline and lost motion, its mean last; what is known besides.

        That keeps the spline whole where nothing is seen, and the unevenness finite.
        """
        pieces, shapes = self.basis.shape[1], self.uneven.shape[1]
        known = np.zeros((pieces - 2 + shapes, pieces + shapes + 1))
        known[: pieces - 2, :pieces] = np.diff(np.eye(pieces), 2, axis=0) / _BEND_RAD
        known[pieces - 2 :, pieces:-1] = np.eye(shapes) / _UNEVEN_RAD
        lag = np.column_stack([self.uneven, self.even])[play.source] * play.opened[:, None]
        return np.column_stack([self.basis[play.source], -lag]), known


def _best(
    curve: _Curve,
    driven: Array,
    middle: Array,
    ratio: Array,
    bins: Bins,
    settings: Settings,
    start_opened: float,
    slow: SlowErrors,
) -> DeadBand:
    """The best of several first estimates of lost motion and of where in it the film starts."""
    whiten = noise_whitener(bins, ratio, slow, settings)
    fits = []
    for start in (start_opened, 0.5, 1 - start_opened):
        for slack in _FIRST_RAD:
            chi_square, fit = _follow(
                curve, whiten, driven, middle + slack / 2, slack, start, start != start_opened, slow
            )
            off_side = abs(fit.start_opened - start_opened)
            if off_side == 0 or off_side > _CLEARLY:
                fits.append((chi_square + _UNUSUAL * (off_side > 0), fit))
    return min(fits, key=lambda pair: pair[0])[1]


def _follow(
    curve: _Curve,
    whiten: Array,
    driven: Array,
    ideal: Array,
    slack: float,
    start_opened: float,
    free_start: bool,
    slow: SlowErrors,
) -> tuple[float, DeadBand]:
    """Chi-square and fit from one first estimate of curve, lost motion and start within it."""
    whitened, pieces = whiten @ driven, curve.basis.shape[1]
    amounts = np.append(np.zeros(curve.uneven.shape[1]), slack)
    for _ in range(_ROUNDS):
        lag = curve.lag(amounts)
        play = curve.engaged(ideal, lag, start_opened)
        part, known_rows = curve.design(play)
        design = np.vstack([whiten @ part, known_rows])
        white = np.concatenate([whitened, np.zeros(known_rows.shape[0])])
        q, triangle = np.linalg.qr(design)
        # with one pass only nothing tells the play
        known = abs(triangle[-1, -1]) > 1e-6
        solution = np.linalg.lstsq(triangle, q.T @ white, rcond=None)[0]
        ideal, amounts = curve.basis @ solution[:pieces], solution[pieces:]
        before, slack = slack, float(amounts[-1])
        moved = 0.0
        if known and free_start and slack > _PLAIN_RAD:
            moved = float(np.clip((ideal[0] - driven[0]) / max(lag[0], _PLAIN_RAD), 0, 1)) - start_opened
            moved = moved if abs(moved) > _ELSEWHERE else 0.0
            start_opened += moved
        if not known or (abs(slack - before) < _SETTLED_RAD and not moved):
            break
    off = white - design @ solution
    engaged = play.source == np.arange(play.source.size)
    sd = 1 / abs(float(triangle[-1, -1])) if known else math.nan
    slack = slack if known else math.nan
    ratio = curve.ratio(solution[:pieces])
    return float(off @ off), DeadBand(ideal, ratio, engaged, start_opened, slack, sd, slow)


def _spline(driver: Array) -> tuple[Array, Array]:
    """Cubic B-spline basis at the driver angles, and its derivative; pieces without data are left out."""
    low, high = float(driver.min()), float(driver.max())
    inner = np.linspace(low, high, max(2, round((high - low) / _KNOT_RAD)) + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    basis, slopes = cubic_basis(np.clip(driver, low, high), knots)
    used = np.any(basis != 0, axis=0)
    return np.asarray(basis[:, used]), np.asarray(slopes[:, used])


def cubic_basis(at: Array, knots: Array) -> tuple[Array, Array]:
    """Cubic B-splines and their slopes.

    Parameters
    ----------
    at : ndarray, shape (N,)
        Places from the first knot to the last.
    knots : ndarray, shape (K,)
        Rising, each end four times.

    Returns
    -------
    values, slopes : ndarray, shape (N, K - 4)

    Notes
    -----
    Loading the library that has them takes longer than all fits to a linkage.

    References
    ----------
    Recurrence of de Boor, J. Approx. Theory 6 (1972) 50-62, doi:10.1016/0021-9045(72)90080-9 (from memory).

    Examples
    --------
    >>> values, slopes = cubic_basis(np.array([0.5]), np.array([0, 0, 0, 0, 1, 1, 1, 1.0]))
    >>> values
    array([[0.125, 0.375, 0.375, 0.125]])
    """
    piece = np.clip(np.searchsorted(knots, at, side="right"), 4, knots.size - 4) - 1
    values = (np.arange(knots.size - 1) == piece[:, None]).astype(float)
    lower = values
    for degree in (1, 2, 3):
        lower = values
        span = knots[degree:] - knots[:-degree]
        inverse = np.divide(1.0, span, out=np.zeros_like(span), where=span > 0)
        rising = (at[:, None] - knots[None, : -degree - 1]) * inverse[:-1] * lower[:, :-1]
        falling = (knots[None, degree + 1 :] - at[:, None]) * inverse[1:] * lower[:, 1:]
        values = rising + falling
    slopes = 3 * (lower[:, :-1] * inverse[:-1] - lower[:, 1:] * inverse[1:])
    return values, slopes
