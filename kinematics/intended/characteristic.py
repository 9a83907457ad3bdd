"""Air against damper travel and fuel against valve travel, both rising, fitted together to all readings.

Both curves are logarithms whose slope is that of an expected shape times exp(bend), so every curve that can
come out rises. Unknowns are whitened: each is 0 with standard deviation 1 before any reading is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.intended.combustion import excess_air, excess_air_slope
from strokecurve.kinematics.intended.damper import OPEN_RAD, PublishedDamper, installed_flow
from strokecurve.kinematics.intended.fuels import Fuel
from strokecurve.kinematics.intended.settings import ReadingSettings

Array = NDArray[np.float64]

_LEVEL_SD = 2.0
"""Prior of ln(air) and ln(fuel) about the mean of the readings: wide enough never to matter."""
_STEP = 1e-5
"""Step of the derivatives, in prior standard deviations."""
_KEPT_VARIANCE = 0.995
_ITERATIONS = 30
_FIRST_DAMPING, _LESS_DAMPING, _MORE_DAMPING = 0.1, 0.3, 4.0
_AHEAD, _LARGEST_TURN = 0.1, 0.75
"""Geodesic acceleration: where along a step its bend is looked at, and the largest correction of a step for
it (M. K. Transtrum, J. P. Sethna, arXiv:1201.5885, from memory)."""
_LONGEST_STEP = 2.0
"""Longest step of an unknown in one iteration, in prior standard deviations."""
_ENOUGH = 1e-2
"""A fall of chi-square below this ends a fit: it changes nothing that is stated."""
_MOST_DAMPING = 1e3
"""A fit that finds no better state with steps a thousandth of the prior ends."""
_RECTANGULAR = 1 / math.sqrt(3)
"""Standard deviation of a rectangular distribution of half width 1 (GUM 4.3.7)."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What was read, as the fit sees it; N positions.

    Parameters
    ----------
    damper_rad, sigma_damper_rad : ndarray, shape (N,)
        Damper travel and the standard deviation of each by itself.
    half_gap_rad : ndarray, shape (N,)
        Half the lost motion there: the damper stood up to this far to one side, the same side at all
        positions.
    valve_rad, sigma_valve_rad, valve_half_gap_rad : ndarray, shape (N,)
        The same of the travel that the fuel is metered by; lost motion puts both to the same side.
    ln_fuel, sigma_ln_fuel : ndarray, shape (N,)
    o2_dry, sigma_o2, co_dry : ndarray, shape (N,)
        Shares.
    sigma_o2_common : float
    """

    damper_rad: Array
    sigma_damper_rad: Array
    half_gap_rad: Array
    valve_rad: Array
    sigma_valve_rad: Array
    valve_half_gap_rad: Array
    ln_fuel: Array
    sigma_ln_fuel: Array
    o2_dry: Array
    sigma_o2: Array
    co_dry: Array
    sigma_o2_common: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Rising curves on even knots, many at once.

    Parameters
    ----------
    knots_rad : ndarray, shape (K,)
    values : ndarray, shape (..., K)
    """

    knots_rad: Array
    values: Array

    def at(self, travel_rad: Array) -> Array:
        """Values at travels; straight lines between knots, the end's line beyond.

        Parameters
        ----------
        travel_rad : ndarray, shape (..., n)
            Leading dimensions as those of the values, or none.

        Returns
        -------
        ndarray, shape (..., n)
        """
        lead = self.values.shape[:-1]
        travel = np.broadcast_to(travel_rad, (*lead, travel_rad.shape[-1]))
        place = (travel - self.knots_rad[0]) / (self.knots_rad[1] - self.knots_rad[0])
        low = np.clip(np.floor(place).astype(np.intp), 0, self.knots_rad.size - 2)
        left = np.take_along_axis(self.values, low, axis=-1)
        right = np.take_along_axis(self.values, low + 1, axis=-1)
        return np.asarray(left + (place - low) * (right - left))

    def travel_of(self, wanted: Array) -> Array:
        """Travel at which the curve has a value: its inverse.

        Parameters
        ----------
        wanted : ndarray, shape (..., n)
            Leading dimensions as those of the values.

        Returns
        -------
        ndarray, shape (..., n)
        """
        below = (self.values[..., None, :] <= wanted[..., None]).sum(-1)
        low = np.clip(below - 1, 0, self.knots_rad.size - 2)
        left = np.take_along_axis(self.values, low, axis=-1)
        right = np.take_along_axis(self.values, low + 1, axis=-1)
        step = self.knots_rad[1] - self.knots_rad[0]
        return np.asarray(self.knots_rad[low] + step * (wanted - left) / (right - left))


@dataclass(frozen=True, slots=True)
class State:
    """Burner, damper and analyser in any number of possible states (leading dimensions).

    Parameters
    ----------
    ln_air, ln_fuel : Curve
        Logarithms of air against damper travel and of fuel against valve travel.
    damper_rad, valve_rad : ndarray, shape (..., N)
        Travels at the readings.
    o2_error : ndarray, shape (...)
        Calibration error of the analyser, share of O2.
    """

    ln_air: Curve
    ln_fuel: Curve
    damper_rad: Array
    valve_rad: Array
    o2_error: Array


@dataclass(frozen=True, slots=True)
class Draws:
    """Equally likely states of burner, damper and analyser; D of them.

    Parameters
    ----------
    ln_air : Curve
        Logarithm of air against damper travel, values of shape (D, K).
    ln_fuel : Curve
        Logarithm of fuel against valve travel.
    damper_rad : ndarray, shape (D, N)
        Damper travel at the readings.
    o2_error : ndarray, shape (D,)
        Calibration error of the analyser, share of O2.
    shape_shares : tuple of float
        Probability of each published shape.
    misfits : ndarray, shape (3, N)
        Damper travel, fuel and O2 of each reading less the best curve, in standard deviations.
    chi_square : float
        Sum of squares of readings and priors at the best curve; about 2 N if all is as it was thought.
    """

    ln_air: Curve
    ln_fuel: Curve
    damper_rad: Array
    o2_error: Array
    shape_shares: tuple[float, ...]
    misfits: Array
    chi_square: float


def bend_basis(knots_rad: Array, level_sd: float, bend_sd: float, length_rad: float) -> Array:
    """Columns whose random sums bend a curve: a constant, and what varies smoothly along the travel.

    Parameters
    ----------
    knots_rad : ndarray, shape (K,)
    level_sd, bend_sd : float
        Standard deviations of both parts.
    length_rad : float
        Travel over which the bend forgets itself.

    Returns
    -------
    ndarray, shape (K - 1, B)
        One row for each step between knots, columns by falling weight.

    Examples
    --------
    >>> basis = bend_basis(np.linspace(0, 1, 30), 0.3, 0.4, 0.35)
    >>> np.allclose((basis**2).sum(1), 0.3**2 + 0.4**2, rtol=0.02)
    True
    """
    middle = (knots_rad[1:] + knots_rad[:-1]) / 2
    apart = (middle[:, None] - middle[None]) / length_rad
    values, vectors = np.linalg.eigh(level_sd**2 + bend_sd**2 * np.exp(-(apart**2) / 2))
    values, vectors = np.maximum(values[::-1], 0.0), vectors[:, ::-1]
    kept = int(np.searchsorted(np.cumsum(values) / values.sum(), _KEPT_VARIANCE)) + 1
    return np.asarray(vectors[:, :kept] * np.sqrt(values[:kept]))


class Model:
    """All readings, given the unknowns, for one published shape of the damper.

    Parameters
    ----------
    fuel : Fuel
    observed : Observed
    shape : PublishedDamper
    settings : ReadingSettings
    """

    def __init__(
        self, fuel: Fuel, observed: Observed, shape: PublishedDamper, settings: ReadingSettings
    ) -> None:
        self.observed, self.settings = observed, settings
        self._fuel = fuel
        self._opening_rad = np.linspace(-1.0, 2.2 * OPEN_RAD, 500)
        self._ln_inherent = np.log(shape.flow(self._opening_rad))
        self.damper_knots = _knots(observed.damper_rad, settings)
        self.valve_knots = _knots(observed.valve_rad, settings)
        self._bend = bend_basis(
            self.damper_knots, settings.bend_level_sd, settings.bend_sd, settings.bend_length_rad
        )
        self._fuel_bend = bend_basis(
            self.valve_knots, settings.fuel_level_sd, settings.fuel_bend_sd, settings.fuel_length_rad
        )
        self._fuel_slope = self._straight_fuel_slope()
        gain = excess_air_slope(fuel, observed.o2_dry, observed.co_dry)
        burned = 1 + excess_air(fuel, observed.o2_dry, observed.co_dry)
        self._sigma_ln_burned = gain / burned * observed.sigma_o2
        self._ln_air_level = float(np.mean(observed.ln_fuel + np.log(burned)))
        count = observed.damper_rad.size
        valves = count if np.any(observed.sigma_valve_rad > 0) else 0
        sizes = (3, self._bend.shape[1], 1, self._fuel_bend.shape[1], count, valves, 1, 1)
        self._cuts = np.cumsum(sizes)[:-1]
        self.size = int(sum(sizes))

    def _straight_fuel_slope(self) -> Array:
        """Slope of ln(fuel) where fuel is a straight line from the lowest to the highest reading."""
        valve, ln_fuel = self.observed.valve_rad, self.observed.ln_fuel
        low, high = int(np.argmin(valve)), int(np.argmax(valve))
        rates = np.exp(ln_fuel[[low, high]])
        slope = max(rates[1] - rates[0], 0.02 * rates[1]) / max(valve[high] - valve[low], 1e-3)
        middle = (self.valve_knots[1:] + self.valve_knots[:-1]) / 2
        line = rates[0] + slope * (middle - valve[low])
        return np.asarray(slope / np.maximum(line, rates[0] / 2))

    def parts(self, z: Array) -> State:
        """What whitened unknowns of shape (..., size) stand for."""
        air, bend, level, fuel_bend, travel, valve_travel, error, side = np.split(z, self._cuts, axis=-1)
        seen = self.observed
        damper = seen.damper_rad + seen.sigma_damper_rad * travel + _RECTANGULAR * side * seen.half_gap_rad
        valve = seen.valve_rad + _RECTANGULAR * side * seen.valve_half_gap_rad
        if valve_travel.shape[-1]:
            valve = valve + seen.sigma_valve_rad * valve_travel
        slopes = (self._shape_slope(air[..., 1], air[..., 2]) + self.settings.least_slope) * np.exp(
            bend @ self._bend.T
        )
        ln_air = _rising(self.damper_knots, slopes, float(np.mean(seen.damper_rad)))
        ln_air = Curve(ln_air.knots_rad, ln_air.values + self._ln_air_level + _LEVEL_SD * air[..., :1])
        fuel_slopes = self._fuel_slope * np.exp(fuel_bend @ self._fuel_bend.T)
        ln_fuel = _rising(self.valve_knots, fuel_slopes, float(np.mean(seen.valve_rad)))
        mean = float(np.mean(seen.ln_fuel))
        ln_fuel = Curve(ln_fuel.knots_rad, ln_fuel.values + mean + _LEVEL_SD * level)
        return State(ln_air, ln_fuel, damper, valve, seen.sigma_o2_common * error[..., 0])

    def _shape_slope(self, authority: Array, opening: Array) -> Array:
        """Mean slope of ln(air) between knots for the published shape as installed."""
        s = self.settings
        odds = math.log(s.authority_median / (1 - s.authority_median)) + s.authority_log_odds_sd * authority
        share = 1 / (1 + np.exp(-odds[..., None]))
        shut = s.opening_rad * np.exp(s.opening_log_sd * opening[..., None])
        inherent = np.exp(np.interp(shut + self.damper_knots, self._opening_rad, self._ln_inherent))
        ln_flow = np.log(installed_flow(inherent, share))
        return np.asarray(np.diff(ln_flow, axis=-1) / np.diff(self.damper_knots))

    def misfits(self, z: Array) -> Array:
        """Fuel and O2 as read less the curves, in standard deviations, shape (..., 2 N)."""
        state, seen = self.parts(z), self.observed
        fuel_then = state.ln_fuel.at(state.valve_rad)
        burned = np.log1p(excess_air(self._fuel, seen.o2_dry - state.o2_error[..., None], seen.co_dry))
        o2 = (burned - (state.ln_air.at(state.damper_rad) - fuel_then)) / self._sigma_ln_burned
        return np.concatenate([(seen.ln_fuel - fuel_then) / seen.sigma_ln_fuel, o2], axis=-1)

    def residuals(self, z: Array) -> Array:
        """Misfits and, as the prior, the unknowns themselves, shape (..., 2 N + size)."""
        return np.concatenate([self.misfits(z), z], axis=-1)

    def jacobian(self, z: Array) -> Array:
        """Derivatives of the residuals, shape (..., 2 N + size, size), by differences, all at once."""
        moved = z[..., None, :] + _STEP * np.eye(self.size)
        change = (self.misfits(moved) - self.misfits(z)[..., None, :]) / _STEP
        prior = np.broadcast_to(np.eye(self.size), (*z.shape[:-1], self.size, self.size))
        return np.asarray(np.concatenate([np.swapaxes(change, -1, -2), prior], axis=-2))

    def best(self, start: Array) -> Array:
        """The most probable state, shape (size,), found from another of that shape."""
        shifts = np.zeros((1, 2 * self.observed.damper_rad.size + self.size))
        return np.asarray(self.refitted(start, shifts)[0])

    def refitted(self, start: Array, shifts: Array) -> Array:
        """States whose residuals come closest to given ones: Levenberg-Marquardt for many at once.

        Parameters
        ----------
        start : ndarray, shape (size,)
        shifts : ndarray, shape (D, 2 N + size)

        Returns
        -------
        ndarray, shape (D, size)
        """
        z = np.tile(start, (shifts.shape[0], 1))
        damping = np.full(shifts.shape[0], _FIRST_DAMPING)
        off = self.residuals(z) - shifts
        active = np.arange(shifts.shape[0])
        for _ in range(_ITERATIONS):
            if active.size == 0:
                break
            step = self._step(z[active], off[active], shifts[active], damping[active])
            tried = z[active] + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
            off_then = self.residuals(tried) - shifts[active]
            fall = np.square(off[active]).sum(-1) - np.square(off_then).sum(-1)
            better = fall > 0
            z[active[better]], off[active[better]] = tried[better], off_then[better]
            damping[active] *= np.where(better, _LESS_DAMPING, _MORE_DAMPING)
            active = active[(fall > _ENOUGH) | ~better & (damping[active] < _MOST_DAMPING)]
        return z

    def _step(self, z: Array, off: Array, shifts: Array, damping: Array) -> Array:
        """A damped step and what bends it along the valley (geodesic acceleration)."""
        jacobian = self.jacobian(z)
        square = np.swapaxes(jacobian, -1, -2) @ jacobian + damping[:, None, None] * np.eye(self.size)
        step = -np.linalg.solve(square, np.einsum("dij,di->dj", jacobian, off)[..., None])[..., 0]
        ahead = (self.residuals(z + _AHEAD * step) - shifts - off) / _AHEAD
        bend = 2 / _AHEAD * (ahead - np.einsum("dij,dj->di", jacobian, step))
        turn = -np.linalg.solve(square, np.einsum("dij,di->dj", jacobian, bend)[..., None])[..., 0] / 2
        ratio = 2 * np.linalg.norm(turn, axis=-1) / np.maximum(np.linalg.norm(step, axis=-1), 1e-12)
        shorter = np.minimum(1.0, _LARGEST_TURN / np.maximum(ratio, 1e-12))
        return np.asarray(step + turn * shorter[:, None])

    def damper_misfits(self, z: Array) -> Array:
        """Damper travel as read less that of the curve, in its standard deviations.

        Shape (..., N), of residuals of shape (..., 2 N + size).
        """
        return np.asarray(-np.split(z, self._cuts, axis=-1)[4])


def _knots(travel_rad: Array, settings: ReadingSettings) -> Array:
    low, high = float(np.min(travel_rad)), float(np.max(travel_rad))
    beyond = settings.beyond_rad
    steps = math.ceil((high - low + 2 * beyond) / settings.knot_rad)
    return np.linspace(low - beyond, high + beyond, steps + 1)


def _rising(knots_rad: Array, slopes: Array, zero_at_rad: float) -> Curve:
    """The curve with these slopes that is 0 at a travel."""
    rise = np.cumsum(slopes * np.diff(knots_rad), axis=-1)
    curve = Curve(knots_rad, np.concatenate([np.zeros_like(rise[..., :1]), rise], axis=-1))
    return Curve(knots_rad, curve.values - curve.at(np.array([zero_at_rad])))


def draw(
    fuel: Fuel,
    observed: Observed,
    shapes: tuple[PublishedDamper, ...],
    settings: ReadingSettings,
    rng: np.random.Generator,
) -> Draws:
    """Draw from the posterior over all published shapes.

    Parameters
    ----------
    fuel : Fuel
    observed : Observed
    shapes : tuple of PublishedDamper
        Equally likely before any reading.
    settings : ReadingSettings
    rng : Generator

    Returns
    -------
    Draws

    Notes
    -----
    For each draw every reading and every prior is shifted by an error of its own size and the curves are
    fitted again (randomised maximum likelihood). For straight models that is exact; here it follows the bent
    valleys that exp(bend) makes, where a Gaussian about the best fit does not. How many draws each shape
    gets is its probability after Laplace.

    References
    ----------
    D. S. Oliver, N. He, A. C. Reynolds, Conditioning permeability fields to pressure data, ECMOR V (1996),
    doi:10.3997/2214-4609.201406884 (quoted from memory).
    """
    models = [Model(fuel, observed, shape, settings) for shape in shapes]
    found = [model.best(np.zeros(model.size)) for model in models]
    log_evidence = np.array([_log_evidence(m, z) for m, z in zip(models, found, strict=True)])
    shares = np.exp(log_evidence - log_evidence.max())
    shares /= shares.sum()
    marks = (np.arange(settings.draws) + rng.random()) / settings.draws
    counts = np.bincount(np.searchsorted(np.cumsum(shares)[:-1], marks), minlength=len(models))
    states = [
        model.refitted(z, rng.standard_normal((count, 2 * observed.damper_rad.size + model.size)))
        for model, z, count in zip(models, found, counts, strict=True)
    ]
    return _collect(models, states, found, shares)


def _log_evidence(model: Model, z: Array) -> float:
    """Logarithm of the probability of the readings under a shape, after Laplace, up to a constant."""
    jacobian = model.jacobian(z)
    _, log_det = np.linalg.slogdet(jacobian.T @ jacobian)
    return float(-np.square(model.residuals(z)).sum() / 2 - log_det / 2)


def _collect(models: list[Model], states: list[Array], found: list[Array], shares: Array) -> Draws:
    parts = [model.parts(state) for model, state in zip(models, states, strict=True)]
    top = int(np.argmax(shares))
    model, z = models[top], found[top]
    return Draws(
        Curve(model.damper_knots, np.concatenate([part.ln_air.values for part in parts])),
        Curve(model.valve_knots, np.concatenate([part.ln_fuel.values for part in parts])),
        np.concatenate([part.damper_rad for part in parts]),
        np.concatenate([part.o2_error for part in parts]),
        tuple(float(share) for share in shares),
        np.stack([model.damper_misfits(z), *np.split(model.misfits(z), 2)]),
        float(np.square(model.residuals(z)).sum()),
    )
