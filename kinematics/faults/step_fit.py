"""Driven curve, lost motion and lasting steps fitted together, with no kind of linkage assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.linkage.play import Play, engage
from strokecurve.kinematics.motion.angles import Bins
from strokecurve.kinematics.motion.deadband import cubic_basis, fit_dead_band, start_side
from strokecurve.kinematics.motion.noise import SlowErrors, noise_whitener
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_KNOT_RAD = 5 * _DEG  # pieces of the driven curve: close to toggle it bends within some degrees
_BEND_RAD = 0.05  # weak prior on its bends: keeps it whole where nothing was measured
_ROOM_RAD = 12 * _DEG  # the curve reaches so far beyond the stroke, for a driver whose arm has slipped
_EVEN_RAD = 1e-4 * _DEG  # what is left of that where lost motion is taken to be even
_UNEVEN_RAD = 2 * _DEG  # prior on how unevenly lost motion is spread over the stroke
_FIRST_RAD = (0.0, 0.7 * _DEG, 2.5 * _DEG)  # estimates of lost motion to start from
_ZONES = (1, 3, 8)  # bins within which a step may happen: at once, or over some degrees of driver travel
_FREE = 4.0  # fall of chi-square that each bin left free must bring
_EDGE = 1e-9  # share of a candidate's own column that must be left beside the curve
_TRACE = 1e-9
_ROUNDS = 12
_SETTLED_RAD = 1e-4 * _DEG

ARMS = ("driven", "drive")


@dataclass(frozen=True, slots=True, order=True)
class LastingStep:
    """A lasting step along the bins: under way in bins `first` to `stop` - 1, complete from `stop` on."""

    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class StepFit:
    """One fit.

    Parameters
    ----------
    arm : str
        "driven": steps add to the driven angle; "drive": they shift the curve along the driver.
    steps : tuple of LastingStep
    sizes, sds : ndarray, shape (number of steps,)
        At the driven shaft or the driver, positive toward open.
    slack, slack_sd : float
    start_opened : float
        Where in the lost motion the film starts.
    chi_square, freedom : float, int
    curve : ndarray
        Coefficients of the spline.
    uneven : ndarray, shape (2,)
        Amounts by which lost motion changes over the stroke (Legendre polynomials 1 and 2).
    play : Play
    lag : ndarray, shape (B,)
        What the driven shaft is behind the curve by lost motion at each bin.
    """

    arm: str
    steps: tuple[LastingStep, ...]
    sizes: Array
    sds: Array
    slack: float
    slack_sd: float
    start_opened: float
    chi_square: float
    freedom: int
    curve: Array
    uneven: Array
    play: Play
    lag: Array

    @property
    def excess(self) -> float:
        """Reduced chi-square, where it exceeds one."""
        return max(1.0, self.chi_square / max(self.freedom, 1))


@dataclass(frozen=True, slots=True)
class StepProblem:
    """What is fitted to: bins, their noise, and where the film may start within the lost motion."""

    bins: Bins
    sign: int  # way in which the driven shaft opens
    knots: Array
    shapes: Array  # of lost motion over the stroke, (B, 3): even, and two that are zero on average
    known: Array  # of curve and lost motion beside the film, as rows of unit variance about zero
    whiten: Array
    slow: SlowErrors  # of driver and driven shaft, if nothing slipped
    starts: tuple[float, ...]

    @classmethod
    def of(cls, bins: Bins, folded: Bins, stroke: Stroke, settings: Settings = DEFAULTS) -> StepProblem:
        """Set up for the bins of a film, in the order of time, and the same with passes put together."""
        expected = start_side(stroke)
        band = fit_dead_band(folded, settings, expected)
        order = np.argsort(folded.driver_rad)
        ratio = np.interp(bins.driver_rad, folded.driver_rad[order], band.ratio[order])
        low, high = float(bins.driver_rad.min()) - _ROOM_RAD, float(bins.driver_rad.max()) + _ROOM_RAD
        inner = np.linspace(low, high, max(2, round((high - low) / _KNOT_RAD)) + 1)
        knots = np.concatenate([[low] * 3, inner, [high] * 3])
        pieces = knots.size - 4
        known = np.zeros((pieces, pieces + 3))
        known[: pieces - 2, :pieces] = np.diff(np.eye(pieces), 2, axis=0) / _BEND_RAD
        known[pieces - 2 :, pieces + 1 :] = np.eye(2) / _UNEVEN_RAD
        u = np.clip(2 * bins.driver_rad / max(float(bins.driver_rad.max()), 1e-9) - 1, -1, 1)
        return cls(
            bins,
            bins.driven_sign,
            knots,
            np.column_stack([np.ones_like(u), u, 1.5 * u**2 - 0.5]),
            known,
            noise_whitener(bins, ratio, settings=settings),
            band.slow,
            tuple(dict.fromkeys((expected, band.start_opened))),
        )

    def evenly(self) -> StepProblem:
        """The same with lost motion that is even over the stroke."""
        known = self.known.copy()
        known[-2:, -2:] = np.eye(2) / _EVEN_RAD
        return replace(self, known=known)

    @property
    def driven(self) -> Array:
        """Driven angle of each bin (rad), positive toward open, shape (B,)."""
        return np.asarray(self.sign * self.bins.driven_rad)

    def splines(self, at: Array) -> tuple[Array, Array]:
        """Values and slopes of the curve's splines, shape (N, S) each, at driver travels (N,) (rad)."""
        return cubic_basis(np.clip(at, self.knots[0], self.knots[-1]), self.knots)

    def fit(self, arm: str, steps: tuple[LastingStep, ...], like: StepFit | None = None) -> StepFit:
        """Best of the fits from several first estimates; given a fit alike, from it and from no slack."""
        if like is None:
            starts = [(slack, start) for start in self.starts for slack in _FIRST_RAD]
        else:
            starts = [(like.slack, like.start_opened), (0.0, self.starts[0])]
        return min((self._settle(arm, steps, *g, like) for g in starts), key=lambda f: f.chi_square)

    def _settle(
        self, arm: str, steps: tuple[LastingStep, ...], slack: float, start: float, like: StepFit | None
    ) -> StepFit:
        """Least squares, with engagement of the play and place on the curve from the round before."""
        after, dummies = self._after(arm, steps), self._dummies(steps)
        sizes = np.zeros(len(steps))
        if like is not None and like.arm == arm:
            sizes[: min(like.sizes.size, sizes.size)] = like.sizes[: sizes.size]
        curve = self._first_curve(slack) if like is None else like.curve
        amounts = np.array([slack, 0.0, 0.0]) if like is None else np.append(slack, like.uneven)
        width = self.known.shape[1] - 3
        for _ in range(_ROUNDS):
            basis, slopes = self.splines(self.bins.driver_rad + (arm == "drive") * (sizes @ after))
            play = engage(basis @ curve, self.shapes @ amounts, start)
            along = after if arm == "driven" else after[:, play.source] * (slopes @ curve)[play.source]
            lost = -play.opened[:, None] * self.shapes[play.source]
            design = self.whitened(np.column_stack([basis[play.source], lost, dummies, along.T]))
            known = along.T @ sizes if arm == "drive" else np.zeros(basis.shape[0])
            target = np.append(self.whiten @ (self.driven + known), np.zeros(self.known.shape[0]))
            solution = _solved(design, target)
            own = solution[width + 3 + dummies.shape[1] :]
            moved = np.concatenate([own - sizes, solution[width : width + 3] - amounts])
            curve, amounts = np.asarray(solution[:width]), np.asarray(solution[width : width + 3])
            sizes = np.asarray(np.clip(own, -_ROOM_RAD, _ROOM_RAD))
            if np.max(np.abs(moved)) < _SETTLED_RAD:
                break
        off = target - design @ solution
        sds = np.sqrt(np.maximum(np.diag(np.linalg.pinv(design.T @ design)), 0.0))
        ideal = basis @ curve
        return StepFit(
            arm,
            steps,
            sizes,
            sds[width + 3 + dummies.shape[1] :],
            float(amounts[0]),
            float(sds[width]),
            start,
            float(off @ off),
            self.driven.size - (width - 2) - 1 - dummies.shape[1] - len(steps),
            curve,
            amounts[1:],
            play,
            ideal - ideal[play.source] + (self.shapes @ amounts)[play.source] * play.opened,
        )

    def candidates(self, fit: StepFit, kept: int, play: Play) -> tuple[float, LastingStep]:
        """The place where one more step, beside the first `kept` of the fit, would lower chi-square most.

        Parameters
        ----------
        fit : StepFit
        kept : int
        play : Play
            Engagement to be assumed.

        Returns
        -------
        fall : float
            Of chi-square, by the step alone.
        step : LastingStep
        """
        steps, sizes = fit.steps[:kept], fit.sizes[:kept]
        after = self._after(fit.arm, steps)
        basis, slopes = self.splines(self.bins.driver_rad + (fit.arm == "drive") * (sizes @ after))
        slope = (slopes @ fit.curve)[play.source]
        along = after if fit.arm == "driven" else after[:, play.source] * slope
        known = along.T @ sizes if fit.arm == "drive" else 0.0
        lost = -play.opened[:, None] * self.shapes[play.source]
        q, _ = np.linalg.qr(
            self.whitened(np.column_stack([basis[play.source], lost, self._dummies(steps), along.T]))
        )
        rows = q.shape[0]
        target = np.append(self.whiten @ (self.driven + known), np.zeros(rows - self.driven.size))
        left = target - q @ (q.T @ target)
        single = _beside(q, self.whiten)
        found = []
        for weight in (np.ones_like(slope), slope):
            lasting = np.cumsum((self.whiten * weight)[:, ::-1], axis=1)[:, ::-1]
            found += [_scan(left, single, _beside(q, lasting), zone) for zone in _ZONES]
        return max(found)[1:]

    def whitened(self, columns: Array) -> Array:
        """Columns of the design, shape (B, C), in units of noise, above what is known beside the film."""
        prior = np.zeros((self.known.shape[0], columns.shape[1]))
        prior[:, : self.known.shape[1]] = self.known
        return np.vstack([self.whiten @ columns, prior])

    def _first_curve(self, slack: float) -> Array:
        basis, _ = self.splines(self.bins.driver_rad)
        bends = self.known[:-2, :-3]
        design = np.vstack([basis, 1e-3 * bends])
        target = np.append(self.driven + slack / 2, np.zeros(bends.shape[0]))
        return np.asarray(np.linalg.lstsq(design, target, rcond=None)[0])

    def _after(self, arm: str, steps: tuple[LastingStep, ...]) -> Array:
        """1 from each step on, shape (number of steps, B).

        The drive arm has slipped from the step's first bin on: lost motion that its slip takes up, and that
        the driver takes up again after it, so lies within the bins that count for nothing.
        """
        place = np.arange(self.driven.size)
        begins = [s.first if arm == "drive" else s.stop for s in steps]
        return np.array([place >= b for b in begins], float).reshape(len(steps), place.size)

    def _dummies(self, steps: tuple[LastingStep, ...]) -> Array:
        """One column for each bin within a step, which so counts for nothing."""
        within = sorted({k for s in steps for k in range(s.first, s.stop)})
        return np.eye(self.driven.size)[:, within]


def _solved(design: Array, target: Array) -> Array:
    """Least squares: by QR, several times faster than by singular values, where nothing is left open."""
    q, triangle = np.linalg.qr(design)
    size = np.abs(np.diag(triangle))
    if size.min() > 1e-10 * size.max():
        return np.asarray(np.linalg.solve(triangle, q.T @ target))
    return np.asarray(np.linalg.lstsq(design, target, rcond=1e-10)[0])


def _beside(q: Array, columns: Array) -> Array:
    """What is left of whitened columns beside the design."""
    full = np.vstack([columns, np.zeros((q.shape[0] - columns.shape[0], columns.shape[1]))])
    return np.asarray(full - q @ (q.T @ full))


def _scan(left: Array, single: Array, lasting: Array, zone: int) -> tuple[float, float, LastingStep]:
    """Best step whose `zone` bins before it are free: merit, fall of chi-square by the step alone, and place.

    Each step is freed of what the dummies of its own bins explain, by their small normal matrices. What the
    dummies explain counts for the merit of a place, as a step under way does not fit, but no more than the
    step itself, as bad frames do not either.
    """
    count = single.shape[1]
    first = np.arange(1, count - zone)
    stop = first + zone
    bins = first[:, None] + np.arange(zone)
    gram = single.T @ single
    # bins that are free already have nothing left: a trace keeps them solvable
    normal = gram[bins[:, :, None], bins[:, None, :]] + _TRACE * float(gram.diagonal().max()) * np.eye(zone)
    cross = (single.T @ lasting)[bins, stop[:, None]]
    alone = (single.T @ left)[bins]
    solved = np.linalg.solve(normal, np.stack([cross, alone], axis=-1))
    own = np.einsum("rk,rk->k", lasting, lasting)[stop]
    room = own - (cross * solved[..., 0]).sum(axis=1)
    pull = (lasting.T @ left)[stop] - (alone * solved[..., 0]).sum(axis=1)
    fall = np.where(room > _EDGE * own, pull**2 / np.maximum(room, _EDGE * own + 1e-300), 0.0)
    merit = fall + np.minimum((alone * solved[..., 1]).sum(axis=1) - _FREE * zone, fall)
    k = int(np.argmax(merit))
    return float(merit[k]), float(fall[k]), LastingStep(int(first[k]), int(stop[k]))
