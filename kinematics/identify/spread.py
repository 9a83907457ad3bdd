"""How far the identified linkage may be off: several solutions, and valleys that are not straight.

The inverse of the Jacobian's normal matrix is the covariance of one solution as long as the problem is nearly
linear around it. Two things can make it too small: another solution that explains the film about as well, and
a long curved valley of nearly equal linkages. Both are looked for here and only ever widen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.covariance import propagate
from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES
from strokecurve.kinematics.identify.posterior import Posterior, wrap
from strokecurve.kinematics.least_squares import minimise

Array = NDArray[np.float64]

_WALK = (
    1.5,
    3.0,
    6.0,
)  # along a valley, in standard deviations, until the fit is clearly worse
_CLEARLY_WORSE = 1.0  # rise of chi-square that ends the walk
_STEPS = 30
_PIN = 0.02  # how tightly the walk's coordinate is held, in standard deviations
_DOUBT = 2.0  # how fast trust in chi-square falls as the slow errors are enlarged
_COUNTS = 1e-3  # solutions with less than this share of the probability are left out
_ROUNDING = 1e-14  # relative error of the eigenvalues of a matrix
_IS_ANGLE = np.array([*(q in ANGLES for q in QUANTITIES), False])


@dataclass(frozen=True, slots=True)
class Mode:
    """One solution.

    Parameters
    ----------
    parameters, covariance : ndarray, shapes (7,), (7, 7)
        As named in `posterior.PARAMETERS`; covariance by the Jacobian.
    values : ndarray, shape (7,)
        The six quantities and lost motion.
    chi_square : float
    share : float
        Of the probability.
    worn_pins : bool
        Whether lost motion has the shape of play in the rod's pins; else it is the same angle everywhere.
    """

    parameters: Array
    covariance: Array
    values: Array
    chi_square: float
    share: float
    worn_pins: bool


def modes(candidates: list[tuple[Posterior, Array]], widened: float = 1.0) -> list[Mode]:
    """Solutions by their share of the probability, the largest first.

    Parameters
    ----------
    candidates : list of (Posterior, ndarray of shape (7,))
        Minima found, each with what it is the minimum of; all must weigh the motion alike.
    widened : float
        Factor by which the slow errors were enlarged to cover an error of the model. As that error's shape is
        not known, chi-square then tells less between solutions.

    Returns
    -------
    list of Mode
        Empty if no minimum has a proper covariance.

    Notes
    -----
    Share after Laplace: exp(-chi_square / 2) times the square root of the covariance's determinant. A minimum
    in a corner just before the linkage jams can be deeper by a little, but has next to no room around it.
    """
    kept: list[tuple[float, Mode]] = []
    for posterior, solution in candidates:
        jacobian, residuals = posterior.jacobian(solution), posterior.residuals(solution)
        if not np.all(np.isfinite(jacobian)):
            continue
        covariance = inverse(jacobian.T @ jacobian)
        _, log_room = np.linalg.slogdet(covariance)
        chi_square = float(residuals @ residuals)
        log_share = float(log_room / 2 - chi_square / (2 * (1 + _DOUBT * (widened - 1))))
        values, worn = _values(posterior, solution), posterior.wear.longer_by_slack != 0
        kept.append((log_share, Mode(solution, covariance, values, chi_square, 0.0, worn)))
    top = max((k[0] for k in kept), default=0.0)
    weights = np.exp(np.array([k[0] for k in kept]) - top)
    shares = weights / weights.sum()
    found = [replace(m, share=float(s)) for (_, m), s in zip(kept, shares, strict=True) if s > _COUNTS]
    return sorted(found, key=lambda mode: -mode.share)


def spread(posterior: Posterior, found: list[Mode], by: Array) -> Array:
    """Standard deviations of the six quantities and of lost motion.

    Parameters
    ----------
    posterior : Posterior
        Of the first mode.
    found : list of Mode
        At least one; the first is the one reported.
    by : ndarray, shape (7, 7)
        Derivatives of quantities and lost motion by the parameters at the first mode.

    Returns
    -------
    ndarray, shape (7,)
        Largest of: the Jacobian's, the walk's along the valley, and the scatter over all modes.
    """
    best = found[0]
    linear = np.sqrt(np.einsum("qi,ij,qj->q", by, best.covariance, by))
    widened = np.maximum(linear, _valley(posterior, best))
    variance = np.zeros_like(linear)
    for mode in found:
        variance += mode.share * (widened**2 + _off(mode.values, best.values) ** 2)
    return np.asarray(np.sqrt(variance))


def figures_variance(found: Sequence[Mode], reported: Array, figures: Callable[[Array], Array]) -> Array:
    """Variance of figures that follow from the linkage, over the whole posterior.

    Parameters
    ----------
    found : sequence of Mode
        All solutions, by their share of the probability.
    reported : ndarray, shape (F,)
        The figures as reported.
    figures : callable
        Figures, shape (F,), of parameters, shape (7,), as named in `posterior.PARAMETERS`.

    Returns
    -------
    ndarray, shape (F,)
        Every solution counts by its share: its own variance (`propagate`) and how far its figures lie off
        those reported.
    """
    variance = np.zeros(reported.shape)
    for mode in found:
        within = np.diagonal(propagate(figures, mode.parameters, mode.covariance))
        variance += mode.share * (within + (figures(mode.parameters) - reported) ** 2)
    return variance


def _valley(posterior: Posterior, best: Mode) -> Array:
    """Standard deviations as profile likelihood gives them along the least certain direction."""
    scale = np.sqrt(np.diag(best.covariance))
    size, axes = np.linalg.eigh(best.covariance / np.outer(_UNITS, _UNITS))
    axis, sd = axes[:, -1] / _UNITS, float(np.sqrt(size[-1]))
    widest = np.zeros(len(_IS_ANGLE))
    if sd < 1.0 or not np.all(np.isfinite(scale)):
        return widest  # everything is determined: near enough to linear
    for way in (1.0, -1.0):
        place = best.parameters
        for reach in _WALK:
            place, rise = _held(posterior, place, best, axis, sd, way * reach)
            if not np.isfinite(rise):
                break
            # on a straight valley chi-square rises by reach^2, and this is the Jacobian's standard deviation
            deviation = np.abs(_off(_values(posterior, place), best.values)) / np.sqrt(
                max(rise, _CLEARLY_WORSE / 4)
            )
            widest = np.maximum(widest, deviation)
            if rise > _CLEARLY_WORSE:
                break
    return widest


# a change of each parameter that would matter: 3 % of a length, 1.5 degrees, lost motion 0.5 degrees
_UNITS = np.array([0.03, 0.03, 0.03, 0.026, 0.026, 0.0087, 0.0087])


def _held(
    posterior: Posterior, start: Array, best: Mode, axis: Array, sd: float, reach: float
) -> tuple[Array, float]:
    """Best fit with one coordinate held off the solution, and the rise of chi-square there."""
    row = axis / (sd * _PIN)

    def residuals(parameters: Array) -> Array:
        held = row @ (parameters - best.parameters) - reach / _PIN
        return np.append(posterior.residuals(parameters), held)

    def jacobian(parameters: Array) -> Array:
        return np.vstack([posterior.jacobian(parameters), row])

    first = start + best.covariance @ axis / (sd**2) * sd * (reach - axis @ (start - best.parameters) / sd)
    for begin in (first, start):
        if np.all(np.isfinite(residuals(begin))):
            place, _ = minimise(residuals, jacobian, begin, _STEPS)
            off = posterior.residuals(place)
            return place, float(off @ off) - best.chi_square
    return start, np.nan


def inverse(information: Array) -> Array:
    """Inverse of a normal matrix, scaled to a unit diagonal first.

    Parameters
    ----------
    information : ndarray, shape (P, P)

    Returns
    -------
    ndarray, shape (P, P)
    """
    scale = np.sqrt(np.diag(information))
    size, axes = np.linalg.eigh(information / np.outer(scale, scale))
    # rounding must not turn a direction of which next to nothing is known into an impossible one
    size = np.maximum(size, _ROUNDING * size[-1])
    return np.asarray((axes / size) @ axes.T / np.outer(scale, scale))


def _values(posterior: Posterior, parameters: Array) -> Array:
    return np.append(posterior.quantities(parameters), posterior.lost_motion(parameters))


def _off(one: Array, other: Array) -> Array:
    off = one - other
    return np.where(_IS_ANGLE, wrap(off), off)
