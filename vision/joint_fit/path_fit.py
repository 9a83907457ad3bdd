"""Path of a hand-held camera, readout of its rows and angles of all arms, fitted to nodes of all frames.

Camera, axes and mounts are held. Unknown are place and speed of the camera at every frame, the angles there,
the readout, and on a steadied film a shift of each whole picture. The path is tied from frame to frame by
white acceleration, one intensity for the turns and one for the places, as likely as the film itself makes
them. Angles are never tied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.joint_fit.chain import REACH, STATE, Chain
from strokecurve.vision.joint_fit.instant import Filmed, angle_rates
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path import POSE, SHORTEST_S, CameraPath, places_of
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.robust import huber_weight

_SIDES = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, -1.0], [1.0, 0.0], [0.0, 1.0]])
"""Changes of both intensities (logarithms) that are looked at: parabolas lead to the likeliest."""

_STRENGTH_TURNS = 3
"""Steps after which the intensities are what they are."""

_LONGEST = 3.0
"""Longest step of an intensity (natural logarithm)."""

_SETTLED = 0.3
"""Steps of an intensity below this change nothing that counts: the path hardly depends on it."""

_LEAST_GAIN = 0.5
"""A step that lowers half a chi-square by less ends the fit."""

_WILD = 6.0
"""Where the acceleration is so many times (squared) what is usual in the film, the camera was knocked or
swung: there it may be as large as it is."""


@dataclass(frozen=True, slots=True)
class PathSettings:
    """What is known of shutters and steadied pictures beforehand.

    Attributes
    ----------
    rows_s, rows_sigma_s : float
        Readout along the rows. Phones take 10 to 30 ms from the first row to the last one.
    columns_sigma_s : float
        Readout along the columns, of films that were turned on their side.
    shift_sigma_px : float
        Shift of a whole picture by the phone that steadies it.
    steps : int
        Most steps of a fit.
    """

    rows_s: float = 0.0
    rows_sigma_s: float = 0.03
    columns_sigma_s: float = 0.03
    shift_sigma_px: float = 60.0
    steps: int = 8


@dataclass(frozen=True, slots=True)
class PathFit:
    """A camera's path with all that was fitted along with it, over F frames.

    Attributes
    ----------
    state : JointState
        Poses at the frames' times, angles, and the shared values that were held.
    filmed : Filmed
        Path, readout, and shifts of the pictures.
    row_covariance_s2 : ndarray, shape (2, 2)
        Of the readout along rows and columns, as the residuals alone state it; as known beforehand where it
        was not fitted.
    strength : ndarray, shape (2,)
        Logarithms of the intensities of acceleration, of turns (rad^2/s^3) and places (mm^2/s^3).
    cost : float
        Half of chi-square (robust), priors included.
    """

    state: JointState
    filmed: Filmed
    row_covariance_s2: Floats
    strength: Floats
    cost: float


def fit_path(
    model: JointModel,
    state: JointState,
    filmed: Filmed,
    nodes: Nodes,
    settings: PathSettings,
    job: JobControl | None = None,
    strength: Floats | None = None,
    with_rows: bool = True,
) -> PathFit:
    """Fit path, angles, readout and (if ``filmed`` has shifts) shifts of pictures.

    Parameters
    ----------
    model : JointModel
        With a free camera.
    state : JointState
        Shared values, which are held, and first estimates of the angles.
    filmed : Filmed
        First estimates of path, readout and shifts.
    nodes : Nodes
        As seen; frames without the card must hold no nodes.
    settings : PathSettings
    job : JobControl, optional
        Asked once a step whether to stop.
    strength : ndarray, shape (2,), optional
        Intensities of acceleration; found from the film if left out.
    with_rows : bool
        Whether the readout is fitted, too.
    """
    job = job or Unattended()
    problem = _Problem(model, nodes, settings, filmed.path, with_rows)
    held = strength is not None
    values = _Values(filmed, state)
    strength = problem.initial_strength(filmed.path) if strength is None else strength
    here = problem.linearised(values)
    for turn in range(settings.steps):
        job.check()
        if not held and turn < _STRENGTH_TURNS:
            strength = problem.likeliest(here, strength)
        if turn == 2:
            problem.loosen(here, strength)
        step = problem.step(here, strength, with_rows)
        if step.gain < _LEAST_GAIN and turn > 2 - held:
            # So short a step need not prove itself.
            values = values.moved(step, 1.0)
            break
        cost = problem.cost(here, strength)
        for share in (1.0, 0.4, 0.16, 0.064):
            there = problem.linearised(values.moved(step, share))
            after = problem.cost(there, strength)
            if np.isfinite(after) and after <= cost:
                break
        else:
            break
        values, here = there.values, there
        if cost - after < _LEAST_GAIN and share == 1.0 and (held or turn > 2):
            break
    return PathFit(
        values.posed(),
        values.filmed,
        problem.row_covariance(here, strength),
        strength,
        problem.cost(here, strength),
    )


def pose_covariance(
    model: JointModel,
    state: JointState,
    filmed: Filmed,
    nodes: Nodes,
    settings: PathSettings,
    strength: Floats,
) -> Floats:
    """Covariance of each frame's pose: of a turn (rad) and a shift (mm) of the card in the camera frame.

    Arguments as for `fit_path`, after the fit; shape (F, 6, 6).
    """
    problem = _Problem(model, nodes, settings, filmed.path, with_rows=False)
    here = problem.linearised(_Values(filmed, state))
    problem.loosen(here, strength)
    places = problem.place_covariance(here, strength)
    _, by_step = places_of(filmed.path.reference, state.rotation, state.translation)
    back = np.linalg.inv(by_step)
    return np.asarray(back @ places @ np.swapaxes(back, 1, 2), np.float64)


@dataclass(frozen=True, slots=True)
class _Step:
    going: Floats  # (F, 12) place and speed
    rows: Floats  # (2,)
    local: Floats  # (F, B) angles, and (F, B + 2) with shifts
    gain: float  # by how much it should lower the cost


@dataclass(frozen=True, slots=True)
class _Values:
    """All that is fitted, and the shared values that are held."""

    filmed: Filmed
    state: JointState

    def posed(self) -> JointState:
        rotation, translation = self.filmed.path.poses()
        return replace(self.state, rotation=rotation, translation=translation)

    def moved(self, step: _Step, share: float) -> _Values:
        path, rows, shift = self.filmed.path, self.filmed.row_time, self.filmed.shift_px
        angles = self.state.angle_rad.shape[1]
        turn = np.clip(share * step.local[:, :angles], -0.5, 0.5)
        place = path.place + share * step.going[:, :POSE]
        speed = path.speed + share * step.going[:, POSE:]
        along, sideways = (share * step.rows).tolist()
        filmed = replace(
            self.filmed,
            path=replace(path, place=place, speed=speed),
            row_time=RowTime(rows.rows_s + along, rows.columns_s + sideways),
            shift_px=None if shift is None else shift + share * step.local[:, angles:],
        )
        return _Values(filmed, replace(self.state, angle_rad=self.state.angle_rad + turn))


@dataclass(frozen=True, slots=True)
class _Linearised:
    """Normal equations at some values, with what belongs to single frames eliminated."""

    values: _Values
    chain: Chain
    reduced: Floats  # (F, C, C), C = 36 + 2 + 1: path, readout, residual
    follow: Floats  # (F, L, C) what angles and shifts of a frame do (negative) when the others move
    data_cost: float
    going: Floats  # (F, 12) place and speed
    local_gain: float  # by how much the cost is lower once what belongs to single frames follows


@dataclass(frozen=True, slots=True)
class _Moments:
    """When N nodes of each of F frames were exposed."""

    delay: Floats  # (F, M, 8)
    weights: Floats  # (F, N, 3, 2)
    slopes: Floats  # (F, N, 3, 2)
    fractions: Floats  # (F, N, 2)


class _Problem:
    """The measurements with what does not change from step to step."""

    def __init__(
        self,
        model: JointModel,
        nodes: Nodes,
        settings: PathSettings,
        path: CameraPath,
        with_rows: bool = True,
    ) -> None:
        self.model, self.nodes, self.settings, self.with_rows = model, nodes, settings, with_rows
        self._known_moments: _Moments | None = None
        self._step = np.maximum(np.diff(path.time_s), SHORTEST_S)
        self._tied = path.tied
        self._law = _laws(self._step, self._tied)
        self._law_bands: list[Floats] = []

    def initial_strength(self, path: CameraPath) -> Floats:
        """Intensities (log) from the size of the second differences of the path."""
        both = self._tied[1:] & self._tied[:-1]
        speed = np.diff(path.place, axis=0) / self._step[:, None]
        change = np.diff(speed, axis=0)[both] ** 2
        span = 0.5 * (self._step[1:] + self._step[:-1])[both]
        size = np.median(change / span[:, None], axis=0) if both.any() else np.ones(POSE)
        return np.asarray(np.log(np.maximum(size.reshape(2, 3).mean(axis=1), 1e-12)), np.float64)

    def linearised(self, values: _Values) -> _Linearised:
        model, state, filmed = self.model, values.posed(), values.filmed
        path, nodes = filmed.path, self.nodes
        rate = angle_rates(model, state, nodes, path)
        moments = self._moments(filmed)
        moved = filmed.instant(model, state, nodes, rate, (moments.delay, moments.weights))
        residual, _, local = model.linearise(state, moved, with_shared=False)
        _, by_step = places_of(path.reference, state.rotation, state.translation)
        limit = model.huber
        absolute = np.abs(residual)
        cost = float(np.where(absolute <= limit, 0.5 * residual**2, limit * (absolute - 0.5 * limit)).sum())
        weight = np.sqrt(huber_weight(residual, limit))
        local *= weight[..., None]
        by_place = local[..., :POSE] @ np.linalg.inv(by_step)
        by_angle = local[..., POSE:]
        frames, size, angles = by_angle.shape
        alone = angles + (0 if filmed.shift_px is None else 2)
        rows = np.empty((frames, size, alone + REACH + 3))
        rows[..., :angles] = by_angle
        if filmed.shift_px is not None:
            by_shift = (nodes.normals * nodes.inverse_sigma[..., None]).reshape(frames, size, 2)
            rows[..., angles:alone] = by_shift * weight[..., None]
        # Both nodes of an edge, freed of what they err alike, are exposed at nearly the same time.
        by_state = rows[..., alone : alone + REACH].reshape(frames, size, 3, 2, POSE)
        np.multiply(moments.weights[..., None], by_place[:, :, None, None, :], out=by_state)
        if self.with_rows:
            sweep = (by_place * path.at(moments.slopes)).sum(axis=-1) + (by_angle @ rate[..., None])[..., 0]
            rows[..., -3:-1] = sweep[..., None] * moments.fractions
        else:
            rows[..., -3:-1] = 0.0
        rows[..., -1] = residual * weight
        normal = np.swapaxes(rows, 1, 2) @ rows
        return self._reduced(values, normal, alone, angles, cost)

    def _moments(self, filmed: Filmed) -> _Moments:
        """When each node was exposed, and how the path leads there; the same while the readout is held."""
        if self._known_moments is not None and filmed.shift_px is None and not self.with_rows:
            return self._known_moments
        fractions = filmed.fractions(self.nodes)
        delay = filmed.row_time.delay_s(fractions)
        frames = len(delay)
        weights, slopes = filmed.path.weights(delay.reshape(frames, -1))
        self._known_moments = _Moments(delay, weights, slopes, fractions.reshape(frames, -1, 2))
        return self._known_moments

    def _reduced(self, values: _Values, normal: Floats, alone: int, angles: int, cost: float) -> _Linearised:
        own, cross = normal[:, :alone, :alone], normal[:, :alone, alone:]
        shift = values.filmed.shift_px
        if shift is not None:
            # The shift's own prior: pictures are steadied by so many pixels.
            precision = self.settings.shift_sigma_px**-2.0
            own[:, range(angles, alone), range(angles, alone)] += precision
            cross[:, angles:, -1] += precision * shift
            cost += 0.5 * precision * float((shift**2).sum())
        places = np.arange(alone)
        own[:, places, places] *= 1.0 + 1e-9
        empty = own[:, places, places] <= 0
        own[:, places, places] += empty
        follow = np.linalg.solve(own, cross)
        reduced = normal[:, alone:, alone:] - np.swapaxes(cross, 1, 2) @ follow
        pulls = np.ascontiguousarray(reduced[:, :REACH, [REACH + 2, REACH, REACH + 1]])
        chain = Chain(reduced[:, :REACH, :REACH], pulls)
        path = values.filmed.path
        going = np.concatenate([path.place, path.speed], axis=1)
        local_gain = 0.5 * float((cross[..., -1] * follow[..., -1]).sum())
        return _Linearised(values, chain, np.asarray(reduced), np.asarray(follow), cost, going, local_gain)

    def _bands(self, here: _Linearised) -> list[Floats]:
        """Bands of the law of turns and of places, for intensities of 1."""
        if not self._law_bands:
            self._law_bands = [here.chain.law_band(law) for law in self._law]
        return self._law_bands

    def _law_terms(self, here: _Linearised) -> tuple[list[Floats], Floats]:
        """What the law of turns and that of places pull at some values, and their parts of chi-square."""
        pulls = [here.chain.law_pull(law, here.going) for law in self._law]
        return pulls, np.array([(pull[1:-1] * here.going).sum() for pull in pulls])

    def _solved(
        self, here: _Linearised, strength: Floats, pulls: list[Floats]
    ) -> tuple[Floats, Floats, float]:
        turns, places = np.exp(-strength)
        band = turns * self._bands(here)[0] + places * self._bands(here)[1]
        return here.chain.solved(band, turns * pulls[0] + places * pulls[1])

    def cost(self, here: _Linearised, strength: Floats) -> float:
        """Half of chi-square, priors included."""
        off, precision = self._row_prior(here)
        law = np.exp(-strength) @ self._law_terms(here)[1]
        return here.data_cost + 0.5 * float(law) + 0.5 * float(precision @ off**2)

    def _row_prior(self, here: _Linearised) -> tuple[Floats, Floats]:
        rows, known = here.values.filmed.row_time, self.settings
        off = np.array([rows.rows_s - known.rows_s, rows.columns_s])
        return off, np.array([known.rows_sigma_s, known.columns_sigma_s]) ** -2.0

    def _rows_system(self, here: _Linearised, strength: Floats) -> tuple[Floats, Floats, Floats, float]:
        """Solution of the chain, and normal matrix and right side of the readout once the chain follows.

        At last by how much the cost is lower once path, angles and shifts follow.
        """
        solution, right, _ = self._solved(here, strength, self._law_terms(here)[0])
        off, precision = self._row_prior(here)
        picked = slice(REACH, REACH + 2)
        ties = right[..., 1:].reshape(-1, 2)
        normal = here.reduced[:, picked, picked].sum(axis=0) + np.diag(precision)
        normal = normal - ties.T @ solution[..., 1:].reshape(-1, 2)
        pull = here.reduced[:, picked, -1].sum(axis=0) + precision * off
        pull = pull - ties.T @ solution[..., 0].reshape(-1)
        gain = here.local_gain + 0.5 * float((solution[..., 0] * right[..., 0]).sum())
        return solution, normal, pull, gain

    def step(self, here: _Linearised, strength: Floats, with_rows: bool) -> _Step:
        """Gauss-Newton step."""
        solution, normal, pull, gain = self._rows_system(here, strength)
        rows = np.zeros(2)
        if with_rows:
            rows -= np.linalg.solve(normal, pull)
            gain -= 0.5 * float(pull @ rows)
        change = -solution[..., 0] - solution[..., 1:] @ rows
        around = np.zeros((len(change) + 2, STATE))
        around[1:-1] = change
        number = len(change)
        others = [np.broadcast_to(rows, (number, 2)), np.ones((number, 1))]
        whole = np.concatenate([around[:-2], around[1:-1], around[2:], *others], axis=1)
        return _Step(change, rows, -(here.follow @ whole[..., None])[..., 0], gain)

    def row_covariance(self, here: _Linearised, strength: Floats) -> Floats:
        """Covariance of the readout along rows and columns, shape (2, 2), s^2."""
        _, normal, _, _ = self._rows_system(here, strength)
        return np.asarray(np.linalg.inv(normal), np.float64)

    def likeliest(self, here: _Linearised, start: Floats) -> Floats:
        """Likeliest intensities of acceleration (log), with path and angles integrated out."""
        best = start
        ties = int(self._tied.sum())
        pulls, sizes = self._law_terms(here)
        for _ in range(2):
            values = []
            for side in _SIDES:
                strength = best + side
                solution, right, volume = self._solved(here, strength, pulls)
                explained = float((solution[..., 0] * right[..., 0]).sum())
                law = float(np.exp(-strength) @ sizes)
                values.append(volume + POSE * ties * float(strength.sum()) + law - explained)
            middle, *around = values
            less, more = np.array(around).reshape(2, 2)
            bend, slope = less - 2.0 * middle + more, 0.5 * (more - less)
            # Where the parabola has no bottom, go a long step downhill.
            move = np.where(bend > 0, -slope / np.where(bend > 0, bend, 1.0), -np.sign(slope) * _LONGEST)
            best = best + np.clip(move, -_LONGEST, _LONGEST)
            if np.abs(move).max() < _SETTLED:
                break
        return best

    def loosen(self, here: _Linearised, strength: Floats) -> None:
        """Let the speed change as it does where the camera was knocked or swung."""
        both = np.concatenate([here.going[:-1], here.going[1:]], axis=1)
        turns, places = ((both * (law @ both[..., None])[..., 0]).sum(axis=1) for law in self._law)
        size = np.exp(-strength[0]) * turns + np.exp(-strength[1]) * places
        # Of twelve standard normal numbers for each step.
        factor = np.maximum(size / (2 * POSE) / _WILD, 1.0)
        self._law = [law / factor[:, None, None] for law in self._law]
        self._law_bands = []

    def place_covariance(self, here: _Linearised, strength: Floats) -> Floats:
        """Covariance of each frame's place, shape (F, 6, 6), readout held."""
        turns, places = np.exp(-strength)
        band = turns * self._bands(here)[0] + places * self._bands(here)[1]
        return here.chain.variances(band)[:, :POSE, :POSE]


def _laws(step: Floats, tied: Bools) -> list[Floats]:
    """Information of white acceleration of unit intensity on each frame and the next, (F - 1, 24, 24).

    For turns and for places.
    """
    precision = np.empty((len(step), 2, 2))
    precision[:, 0, 0], precision[:, 1, 1] = 12.0 / step**3, 4.0 / step
    precision[:, 0, 1] = precision[:, 1, 0] = -6.0 / step**2
    off = np.zeros((len(step), 2, 4))
    off[:, 0, 0] = off[:, 1, 1] = 1.0
    off[:, 0, 1] = step
    off[:, 0, 2] = off[:, 1, 3] = -1.0
    each = np.swapaxes(off, 1, 2) @ (precision * tied[:, None, None]) @ off
    laws = np.zeros((2, len(step), 4, POSE, 4, POSE))
    for axis in range(POSE):
        laws[axis // 3, :, :, axis, :, axis] = each
    return [law.reshape(len(step), 2 * STATE, 2 * STATE) for law in laws]
