"""Minima of the posterior from many starts, with lost motion of either shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.identify.posterior import PARAMETERS, SLACK, Posterior, linkage_of, wrap
from strokecurve.kinematics.identify.spread import modes
from strokecurve.kinematics.least_squares import minimise
from strokecurve.kinematics.motion.wear import Wear, pin_wear

Array = NDArray[np.float64]

_STEPS = 80  # of the search from each start
_FAR_RAD = 10 * np.pi / 180  # change of the drive arm's start from which the valley is looked at
_HELD_RAD = 0.005  # how tightly the start angle is held for that
_AS_WELL = 9.0  # rise of chi-square (three standard deviations) up to which a place counts
_OTHER_SLACK = (0.9, 1.1)  # times the lost motion found, from which the search is tried again
_SAME = 0.3  # standard deviations between solutions that are one ...
_NEAR, _RISE = 4.0, 1.0  # ... and standard deviations and rise of chi-square from which a search ends in one
_PATIENCE, _HOPELESS = 12, 60.0  # steps after which a search must be within so much of the least chi-square


@dataclass(frozen=True, slots=True, eq=False)
class Minimum:
    """Where a search ended: parameters, derivatives of the residuals there, and chi-square."""

    posterior: Posterior
    parameters: Array
    slope: Array
    chi_square: float

    def near(self, parameters: Array, chi_square: float) -> bool:
        """Whether a search that has come to these parameters, shape (7,), ends here."""
        off = np.linalg.norm(self.slope @ difference(parameters, self.parameters))
        return bool(off < _SAME or (off < _NEAR and chi_square < self.chi_square + _RISE))


def _passed(posterior: Posterior, start: Array, solution: Array, chi_square: float) -> Minimum | None:
    """Best fit with the drive arm starting where a long search started, if that explains the film as well.

    Of nearly parallel arms every start angle gives nearly the same curve. The fit then slides along a flat
    valley into whatever corner noise prefers, and the corner's own small room says nothing of the valley's.
    """
    if abs(float(wrap(start[3] - solution[3]))) < _FAR_RAD:
        return None
    row = np.eye(len(PARAMETERS))[3] / _HELD_RAD

    def residuals(parameters: Array) -> Array:
        return np.append(posterior.residuals(parameters), row @ (parameters - start))

    def jacobian(parameters: Array) -> Array:
        return np.vstack([posterior.jacobian(parameters), row])

    place, _ = minimise(residuals, jacobian, start, _STEPS)
    off = posterior.residuals(place)
    level = float(off @ off)
    if not level < chi_square + _AS_WELL:
        return None
    return Minimum(posterior, place, posterior.jacobian(place), level)


def polish(
    posterior: Posterior, starts: list[Array], found: list[Minimum] | None = None, least: float = np.inf
) -> list[Minimum]:
    """Minimise from each start.

    Parameters
    ----------
    posterior : Posterior
    starts : list of ndarray, shape (7,)
    found : list of Minimum, optional
        What is known already; the list is added to.
    least : float
        Chi-square reached by other means: a search that stays far above it is given up.

    Returns
    -------
    list of Minimum
        All different ones, the best first.
    """
    found = [] if found is None else found

    def known(parameters: Array, chi_square: float) -> bool:
        return any(m.near(parameters, chi_square) for m in found)

    for start in starts:
        if not np.all(np.isfinite(posterior.residuals(start))):
            continue
        best = min([least, *(m.chi_square for m in found if np.isfinite(m.chi_square))])
        # many starts lead to the same solution, some along a valley that need not be walked to its end again
        ends = _Ends(known, best + _HOPELESS)
        solution, chi_square = minimise(posterior.residuals, posterior.jacobian, start, _STEPS, ends)
        solution[3:5] = wrap(solution[3:5])
        if not known(solution, chi_square):
            found.append(Minimum(posterior, solution, posterior.jacobian(solution), chi_square))
        if chi_square < best + _HOPELESS:
            passed = _passed(posterior, start, solution, chi_square)
            if passed is not None and not known(passed.parameters, passed.chi_square):
                found.append(passed)
    return sorted(found, key=lambda m: m.chi_square)


class _Ends:
    """Whether a search may end: it is at a known solution, or after some steps still far from any."""

    def __init__(self, known: Callable[[Array, float], bool], hopeless: float) -> None:
        self.known, self.hopeless, self.steps = known, hopeless, 0

    def __call__(self, parameters: Array, chi_square: float) -> bool:
        self.steps += 1
        lost = self.steps >= _PATIENCE and chi_square > self.hopeless
        return lost or self.known(parameters, chi_square)


def difference(one: Array, other: Array) -> Array:
    """Parameters less others, shape (7,) each, the angles within half a turn."""
    off = one - other
    off[3:5] = wrap(off[3:5])
    return off


def beside(candidates: list[tuple[Posterior, Array]]) -> list[tuple[Posterior, Array]]:
    """Other minima around the best: where the play engages changes by steps, on which a search can halt.

    Parameters
    ----------
    candidates : list of (Posterior, ndarray of shape (7,))
        At least one.

    Returns
    -------
    list of (Posterior, ndarray of shape (7,))
        New ones.
    """
    best = modes(candidates)[0].parameters
    posterior = next(p for p, s in candidates if s is best)
    known = [Minimum(p, s, p.jacobian(s), -np.inf) for p, s in candidates if p is posterior]
    starts = []
    for factor in _OTHER_SLACK:
        start = best.copy()
        start[SLACK] *= factor
        starts.append(start)
    return [(posterior, m.parameters) for m in polish(posterior, starts, known.copy()) if m not in known]


def with_worn_pins(
    posterior: Posterior, starts: list[Array], least: float = np.inf
) -> list[tuple[Posterior, Array]]:
    """Solutions with play in the pins; its shape follows from the linkage, so each has its own.

    Parameters
    ----------
    posterior : Posterior
        With lost motion of any shape.
    starts : list of ndarray, shape (7,)
    least : float
        As for `polish`.

    Returns
    -------
    list of (Posterior, ndarray of shape (7,))
    """
    solved: list[Minimum] = []
    for start in starts:
        _polish_worn(posterior, start, solved, least)
    settled: list[Minimum] = []
    for mode in modes([(m.posterior, m.parameters) for m in solved]):
        start = mode.parameters.copy()
        start[SLACK] = mode.values[-1]  # the same play, whatever shape it was counted in
        _polish_worn(posterior, start, settled, least)
    return [(m.posterior, m.parameters) for m in settled]


def _polish_worn(posterior: Posterior, start: Array, found: list[Minimum], least: float) -> None:
    wear = wear_of_pins(posterior, start)
    if wear is not None:
        polish(replace(posterior, wear=wear), [start], found, least)


def wear_of_pins(posterior: Posterior, parameters: Array) -> Wear | None:
    """Shape of lost motion if it is play in the pins of the linkage given.

    Parameters
    ----------
    posterior : Posterior
    parameters : ndarray, shape (7,)

    Returns
    -------
    Wear or None
        None where the linkage would jam.
    """
    values = tuple(float(v) for v in linkage_of(parameters))
    return pin_wear(
        posterior.bins, posterior.opening_sign, posterior.driven_sign, values, float(parameters[SLACK])
    )
