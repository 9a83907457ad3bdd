"""Least squares with many small blocks of unknowns, bordered by a few that all frames share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.robust import huber_weight

State = TypeVar("State")

_LEAST_GAIN = 0.01
"""Gain in half a chi-square below which a joint fit is at its end."""

_AHEAD = 0.1
"""Part of a step after which its curvature is looked at."""

_MOST_BEND = 1.5
"""Twice the largest share of a step that its bend may add."""

_SETTLED = 1e-3
"""A fit of single frames ends when no step is longer than the root of this, in standard deviations."""


class BorderedModel(Protocol[State]):
    """A model with unknowns shared by all frames and unknowns of each frame.

    Attributes
    ----------
    shared_size, local_size : int
        Number G of shared unknowns, and L of unknowns of each frame.
    angle_at : int
        Index of the first angle among the unknowns of a frame; the angles are the last ones.
    huber : float
        Residuals beyond this many standard deviations count less.
    steps : int
        Most steps.
    """

    shared_size: int
    local_size: int
    angle_at: int
    huber: float
    steps: int

    def residuals(self, state: State, nodes: Nodes) -> Floats:
        """Give residuals in standard deviations, shape (K, M, 8)."""
        ...

    def linearise(
        self, state: State, nodes: Nodes, with_shared: bool = True
    ) -> tuple[Floats, Floats, Floats]:
        """Give residuals (K, N) and their derivatives by shared (K, N, G) and local unknowns (K, N, L)."""
        ...

    def prior(self, state: State) -> tuple[Floats, Floats]:
        """Give deviation from what is expected (G,) and its inverse covariance (G, G)."""
        ...

    def moved(self, state: State, shared: Floats, local: Floats) -> State:
        """Give the state after a step of shared (G,) and local unknowns (K, L)."""
        ...


@dataclass(frozen=True, slots=True)
class SharedFit(Generic[State]):
    """Result of the joint fit over key frames.

    Attributes
    ----------
    state : State
        Best values.
    covariance : ndarray, shape (G, G)
        Of the shared unknowns: scaled by ``noise_scale`` squared, and larger by what neighbouring frames of
        the fit err alike.
    noise_scale : float
        Spread of the residuals in stated standard deviations (robust): 1 if those were right.
    """

    state: State
    covariance: Floats
    noise_scale: float


def fit_shared(
    model: BorderedModel[State],
    start: State,
    nodes: Nodes,
    job: JobControl | None = None,
    noise_scale: float | None = None,
    least_gain: float = _LEAST_GAIN,
) -> SharedFit[State]:
    """Fit all unknowns over the key frames by Levenberg-Marquardt with Huber weights.

    Parameters
    ----------
    model : BorderedModel
        The model.
    start : State
        First estimate, K frames.
    nodes : Nodes
        Measurements of the same frames.
    job : JobControl, optional
        Asked once a step whether to stop.
    noise_scale : float, optional
        Spread of the residuals in stated standard deviations; estimated from them if left out.
    least_gain : float
        A step that lowers the cost (half a chi-square) by less ends the fit. If it is larger than usual, the
        covariance is that of the state before the last step, which saves time.

    Returns
    -------
    SharedFit
    """
    job = job or Unattended()
    state = start
    damping = 1e-3
    scale = noise_scale or _noise_scale(model, state, nodes)
    cost = fit_cost(model, state, nodes, scale)
    for _ in range(model.steps):
        job.check()
        system = _linearised(model, state, nodes, scale)
        improved = False
        for _ in range(8):
            step = _solved(system, system.shared_gradient, system.local_gradient, damping)
            shared, local = _bent(model, state, nodes, system, step, damping)
            trial = model.moved(state, shared, local)
            trial_cost = fit_cost(model, trial, nodes, scale)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                improved = True
                break
            damping *= 10.0
        if not improved:
            break
        gain = cost - trial_cost
        state, damping = trial, max(damping * 0.1, 1e-9)
        # The scale is re-estimated while the fit settles; a cost is only compared under one scale.
        new_scale = noise_scale or _noise_scale(model, state, nodes)
        settled = gain < least_gain and abs(new_scale / scale - 1) < 0.01
        scale = new_scale
        cost = trial_cost if noise_scale else fit_cost(model, state, nodes, scale)
        if settled:
            break
    if least_gain <= _LEAST_GAIN:
        system = _linearised(model, state, nodes, scale)
    covariance = _likeness(system) * system.inverse * system.unit[:, None] * system.unit[None, :]
    return SharedFit(state, covariance, scale)


def fit_frames(
    model: BorderedModel[State],
    start: State,
    nodes: Nodes,
    scale: float,
    steps: int = 6,
    pose_held: bool = False,
) -> State:
    """Fit the unknowns of every frame alone, the shared ones held.

    Parameters
    ----------
    model : BorderedModel
        The model.
    start : State
        Shared values, and first estimates for each of K frames.
    nodes : Nodes
        Measurements of the same frames.
    scale : float
        Noise scale of the joint fit.
    steps : int
        Gauss-Newton steps.
    pose_held : bool
        Fit the angles only.

    Returns
    -------
    State
        Poses and angles mean nothing in frames where their markers were not seen.
    """
    state = start
    no_change = np.zeros(model.shared_size)
    first = model.angle_at if pose_held else 0
    for _ in range(steps):
        residual, _, local = model.linearise(state, nodes, with_shared=False)
        local = local[..., first:]
        weighted = np.swapaxes(local * huber_weight(residual / scale, model.huber)[..., None], 1, 2)
        normal = weighted @ local
        gradient = (weighted @ residual[..., None])[..., 0]
        _hold_unseen(normal, gradient)
        change = np.zeros((len(local), model.local_size))
        change[:, first:] = -np.linalg.solve(normal, gradient[..., None])[..., 0]
        angles = change[:, model.angle_at :]
        np.clip(angles, -0.5, 0.5, out=angles)
        state = model.moved(state, no_change, change)
        if -(gradient * change[:, first:]).sum(axis=1).min() < _SETTLED * scale**2:
            break
    return state


def frame_sensitivities(local: Floats, shared: Floats, angle_at: int) -> tuple[Floats, Floats]:
    """Give the uncertainty of every angle, split by cause.

    Parameters
    ----------
    local, shared : ndarray, shape (K, N, L) and (K, N, G)
        Derivatives of the residuals by the unknowns of each frame and by the shared ones.
    angle_at : int
        Index of the first angle among the unknowns of a frame.

    Returns
    -------
    covariance : ndarray, shape (K, L, L)
        Of the unknowns of each frame, from its own noise.
    sensitivity : ndarray, shape (K, S, G)
        Change of each angle with the shared unknowns; their covariance gives the common part.
    """
    covariance = np.linalg.inv(frame_normals(local))
    cross = np.swapaxes(local, 1, 2) @ shared
    return np.asarray(covariance, np.float64), -(covariance @ cross)[:, angle_at:]


@dataclass(slots=True)
class _System:
    """Linearised equations at a state, with those of each frame eliminated."""

    residual: Floats  # (K, N)
    by_shared: Floats  # (K, N, G)
    by_local: Floats  # (K, N, L)
    weighted_shared: Floats  # (K, N, G)
    weighted_local: Floats  # (K, L, N)
    local_inverse: Floats  # (K, L, L)
    cross: Floats  # (K, L, G)
    follow: Floats  # (K, L, G) what the unknowns of a frame do (negative) when shared ones move
    unit: Floats  # (G,) about one standard deviation if the others were known
    normal: Floats  # (G, G) in these units
    inverse: Floats  # (G, G) in these units
    shared_gradient: Floats  # (G,)
    local_gradient: Floats  # (K, L)


def _linearised(model: BorderedModel[State], state: State, nodes: Nodes, scale: float) -> _System:
    residual, shared, local = model.linearise(state, nodes)
    weight = huber_weight(residual / scale, model.huber) / scale**2
    weighted_local = np.swapaxes(local * weight[..., None], 1, 2)
    weighted_shared = shared * weight[..., None]
    deviation, information = model.prior(state)
    normal = weighted_local @ local
    gradient = (weighted_local @ residual[..., None])[..., 0]
    _hold_unseen(normal, gradient)
    cross = weighted_local @ shared
    inverse = np.asarray(np.linalg.inv(normal), np.float64)
    follow = inverse @ cross
    flat = (-1, shared.shape[-1])
    whole = weighted_shared.reshape(flat).T @ shared.reshape(flat) + information
    reduced = whole - cross.reshape(flat).T @ follow.reshape(flat)
    # Pixels, radians and distortion terms differ by orders of magnitude: scale before solving.
    unit = 1.0 / np.sqrt(np.maximum(np.diag(whole), 1e-300))
    reduced = 0.5 * (reduced + reduced.T) * unit[:, None] * unit[None, :]
    return _System(
        residual=residual,
        by_shared=shared,
        by_local=local,
        weighted_shared=weighted_shared,
        weighted_local=weighted_local,
        local_inverse=inverse,
        cross=cross,
        follow=follow,
        unit=unit,
        normal=reduced,
        inverse=_inverse(reduced),
        shared_gradient=weighted_shared.reshape(flat).T @ residual.reshape(-1) + information @ deviation,
        local_gradient=gradient,
    )


def _inverse(normal: Floats) -> Floats:
    """Inverse of a symmetric matrix; what is hardly determined gets a large variance, not a negative one."""
    value, vector = np.linalg.eigh(normal)
    inverse: Floats = (vector / np.maximum(value, 1e-15 * value[-1])) @ vector.T
    return inverse


def _likeness(system: _System) -> float:
    """Factor on the covariance of the shared unknowns for errors that frames have in common with the next.

    The pull of each frame on the shared unknowns, in units in which all directions count alike, is
    correlated from frame to frame. Their sum over lags, as far as they stay positive, makes the factor.
    """
    pull = (np.swapaxes(system.weighted_shared, 1, 2) @ system.residual[..., None])[..., 0]
    pull -= (np.swapaxes(system.follow, 1, 2) @ system.local_gradient[..., None])[..., 0]
    value, vector = np.linalg.eigh(system.inverse)
    pull = (pull * system.unit) @ (vector * np.sqrt(np.maximum(value, 0.0)))
    size = (pull**2).mean(axis=0).sum()
    factor = 1.0
    for lag in range(1, len(pull) // 4):
        alike = (pull[lag:] * pull[:-lag]).mean(axis=0).sum() / max(size, 1e-300)
        if alike <= 0:
            break
        factor += 2.0 * float(alike)
    return factor


def _solved(system: _System, shared: Floats, local: Floats, damping: float) -> tuple[Floats, Floats]:
    """Damped step of shared (G,) and local unknowns (K, L) against gradients of the same shapes.

    Each shared unknown is held with the information it has once all others may follow. Held with its own, as
    usual, it could not move along valleys (focal length and distance), where others undo nearly all it does.
    """
    held = damping / np.maximum(np.diag(system.inverse), 1e-300)
    alone = (system.local_inverse @ local[..., None])[..., 0]
    flat = system.cross.reshape(-1, system.cross.shape[-1])
    right = (shared - flat.T @ alone.reshape(-1)) * system.unit
    step = -system.unit * np.linalg.solve(system.normal + np.diag(held), right)
    return step, -alone - system.follow @ step


def _bent(
    model: BorderedModel[State],
    state: State,
    nodes: Nodes,
    system: _System,
    step: tuple[Floats, Floats],
    damping: float,
) -> tuple[Floats, Floats]:
    """Bend a step along the curve of the valley it follows.

    This is geodesic acceleration (Transtrum and Sethna, arXiv:1201.5885). The second derivative of the
    residuals along the step comes from one look a tenth of the way ahead.
    """
    shared, local = step
    ahead = model.residuals(model.moved(state, _AHEAD * shared, _AHEAD * local), nodes)
    straight = system.by_shared @ shared + (system.by_local @ local[..., None])[..., 0]
    bend = 2.0 / _AHEAD * ((ahead.reshape(straight.shape) - system.residual) / _AHEAD - straight)
    flat = system.weighted_shared.reshape(-1, len(shared))
    more_shared, more_local = _solved(
        system, flat.T @ bend.reshape(-1), (system.weighted_local @ bend[..., None])[..., 0], damping
    )
    # A bend as long as the step itself says that the curve is not followed by two terms.
    if np.abs(more_shared / system.unit).max() > _MOST_BEND * np.abs(shared / system.unit).max():
        return step
    return shared + 0.5 * more_shared, local + 0.5 * more_local


def frame_normals(local: Floats) -> Floats:
    """Normal matrix of the unknowns of each frame, (K, L, L), from their derivatives (K, N, L)."""
    normal = np.swapaxes(local, 1, 2) @ local
    _hold_unseen(normal, np.zeros(normal.shape[:2]))
    return np.asarray(normal, np.float64)


def _hold_unseen(normal: Floats, gradient: Floats) -> None:
    """Keep unknowns that a frame says nothing about where they are.

    A frame with an arm but no card leaves a combination of pose and angle open; a trace of ridge holds it.
    """
    places = np.arange(normal.shape[-1])
    normal[:, places, places] *= 1.0 + 1e-9
    frame, unknown = np.nonzero(normal[:, places, places] <= 0)
    normal[frame, unknown, unknown] = 1.0
    gradient[frame, unknown] = 0.0


def fit_cost(model: BorderedModel[State], state: State, nodes: Nodes, scale: float) -> float:
    """Give the robust cost of a state, priors included, under one noise scale."""
    limit = model.huber
    size = np.abs(model.residuals(state, nodes)) / scale
    loss = np.where(size <= limit, 0.5 * size**2, limit * (size - 0.5 * limit))
    deviation, information = model.prior(state)
    return float(loss.sum() + 0.5 * deviation @ information @ deviation)


def _noise_scale(model: BorderedModel[State], state: State, nodes: Nodes) -> float:
    """Spread of the residuals, corrected for the unknowns of each frame that they were fitted with."""
    residual = model.residuals(state, nodes)
    seen = nodes.inverse_sigma > 0
    measured = int(seen.sum())
    unknowns = model.shared_size + model.local_size * len(residual)
    freedom = max(measured - unknowns, 0.1 * measured)
    # For a normal distribution the median of the squared deviation is 0.4549 of its mean.
    spread = np.median(residual[seen] ** 2) / 0.4549
    return float(np.sqrt(max(spread * measured / freedom, 1e-12)))
