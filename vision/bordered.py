"""Least squares with many small blocks of unknowns, bordered by a few that all frames share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
from scipy.special import ndtr

from vision.control import JobControl, Unattended
from vision.edges import Floats
from vision.errors import PoseError
from vision.nodes import Nodes

State = TypeVar("State")

_LEAST_GAIN = 0.01
"""Gain in half a chi-square below which a joint fit is at its end."""

_SETTLED = 1e-6
"""Steps of angles (rad) and positions (mm) below this end a fit of single frames."""


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
        Of the shared unknowns, scaled by ``noise_scale`` squared.
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
        First guess, K frames.
    nodes : Nodes
        Measurements of the same frames.
    job : JobControl, optional
        Asked once a step whether to stop.
    noise_scale : float, optional
        Spread of the residuals in stated standard deviations; estimated from them if left out.
    least_gain : float
        A step that lowers the cost (half a chi-square) by less ends the fit.

    Returns
    -------
    SharedFit

    Raises
    ------
    PoseError
        If the equations cannot be solved.
    """
    job = job or Unattended()
    state = start
    damping = 1e-3
    scale = noise_scale or _noise_scale(model, state, nodes)
    cost = fit_cost(model, state, nodes, scale)
    for _ in range(model.steps):
        job.check()
        system = _normal_equations(model, state, nodes, scale)
        improved = False
        for _ in range(8):
            shared, local = _step(system, damping)
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
        cost = fit_cost(model, state, nodes, scale)
        if settled:
            break
    system = _normal_equations(model, state, nodes, scale)
    reduced = _reduced(system, 0.0)[0]
    try:
        covariance = np.asarray(np.linalg.inv(reduced), np.float64)
    except np.linalg.LinAlgError as error:
        raise PoseError(
            "Camera and shafts cannot be told from this clip.", "Film the whole stroke with the card in view."
        ) from error
    return SharedFit(state, covariance, scale)


def fit_frames(
    model: BorderedModel[State], start: State, nodes: Nodes, scale: float, steps: int = 6
) -> State:
    """Fit the unknowns of every frame alone, the shared ones held.

    Parameters
    ----------
    model : BorderedModel
        The model.
    start : State
        Shared values, and first guesses for each of K frames.
    nodes : Nodes
        Measurements of the same frames.
    scale : float
        Noise scale of the joint fit.
    steps : int
        Gauss-Newton steps.

    Returns
    -------
    State
        Poses and angles mean nothing in frames where their markers were not seen.
    """
    state = start
    no_change = np.zeros(model.shared_size)
    for _ in range(steps):
        residual, _, local = model.linearise(state, nodes, with_shared=False)
        weighted = np.swapaxes(local * _huber_weight(residual / scale, model.huber)[..., None], 1, 2)
        normal = weighted @ local
        gradient = (weighted @ residual[..., None])[..., 0]
        _hold_unseen(normal, gradient)
        change = np.asarray(-np.linalg.solve(normal, gradient[..., None])[..., 0], np.float64)
        angles = change[:, model.angle_at :]
        np.clip(angles, -0.5, 0.5, out=angles)
        state = model.moved(state, no_change, change)
        if np.abs(change).max() < _SETTLED:
            break
    return state


def frame_covariances(
    model: BorderedModel[State], state: State, nodes: Nodes, scale: float
) -> tuple[Floats, Floats]:
    """Give the uncertainty of every angle, split by cause.

    Returns
    -------
    own : ndarray, shape (K, S)
        Variance from the noise of the frame itself.
    sensitivity : ndarray, shape (K, S, G)
        Change of each angle with the shared unknowns; their covariance gives the common part.
    """
    _, shared, local = model.linearise(state, nodes)
    turned = np.swapaxes(local, 1, 2)
    normal, cross = turned @ local, turned @ shared
    _hold_unseen(normal, np.zeros(normal.shape[:2]))
    inverse = np.linalg.inv(normal)
    own = scale**2 * np.diagonal(inverse, axis1=1, axis2=2)[:, model.angle_at :]
    sensitivity = -(inverse @ cross)[:, model.angle_at :]
    return own, sensitivity


@dataclass(slots=True)
class _System:
    local: Floats  # (K, L, L)
    cross: Floats  # (K, L, G)
    shared: Floats  # (G, G)
    local_gradient: Floats  # (K, L)
    shared_gradient: Floats  # (G,)


def _normal_equations(model: BorderedModel[State], state: State, nodes: Nodes, scale: float) -> _System:
    residual, shared, local = model.linearise(state, nodes)
    weight = _huber_weight(residual / scale, model.huber) / scale**2
    weighted_local = local * weight[..., None]
    weighted_shared = shared * weight[..., None]
    deviation, information = model.prior(state)
    normal = np.swapaxes(weighted_local, 1, 2) @ local
    gradient = (np.swapaxes(weighted_local, 1, 2) @ residual[..., None])[..., 0]
    _hold_unseen(normal, gradient)
    flat = shared.reshape(-1, shared.shape[-1])
    return _System(
        local=normal,
        cross=np.swapaxes(weighted_local, 1, 2) @ shared,
        shared=weighted_shared.reshape(flat.shape).T @ flat + information,
        local_gradient=gradient,
        shared_gradient=weighted_shared.reshape(flat.shape).T @ residual.reshape(-1)
        + information @ deviation,
    )


def _reduced(system: _System, damping: float) -> tuple[Floats, Floats, Floats, Floats]:
    local = system.local.copy()
    diagonal = np.arange(local.shape[-1])
    local[:, diagonal, diagonal] *= 1.0 + damping
    solved = np.linalg.solve(local, np.concatenate([system.cross, system.local_gradient[..., None]], axis=2))
    by_shared, by_gradient = solved[..., :-1], solved[..., -1]
    reduced = system.shared + damping * np.diag(np.diag(system.shared))
    cross = system.cross.reshape(-1, system.cross.shape[-1])
    reduced = reduced - cross.T @ by_shared.reshape(cross.shape)
    gradient = system.shared_gradient - cross.T @ by_gradient.reshape(-1)
    return 0.5 * (reduced + reduced.T), gradient, by_shared, by_gradient


def _step(system: _System, damping: float) -> tuple[Floats, Floats]:
    reduced, gradient, by_shared, by_gradient = _reduced(system, damping)
    # Pixels, radians and distortion terms differ by orders of magnitude: scale before solving.
    unit = 1.0 / np.sqrt(np.maximum(np.diag(system.shared), 1e-300))
    shared = -unit * np.linalg.lstsq(reduced * unit[:, None] * unit[None, :], gradient * unit, rcond=1e-15)[0]
    local = -by_gradient - by_shared @ shared
    return shared, local


def _hold_unseen(normal: Floats, gradient: Floats) -> None:
    """Keep unknowns that a frame says nothing about where they are.

    A frame with an arm but no card leaves a combination of pose and angle open; a trace of ridge holds it.
    """
    places = np.arange(normal.shape[-1])
    normal[:, places, places] *= 1.0 + 1e-9
    frame, unknown = np.nonzero(normal[:, places, places] <= 0)
    normal[frame, unknown, unknown] = 1.0
    gradient[frame, unknown] = 0.0


def _huber_weight(standardised: Floats, limit: float) -> Floats:
    size = np.abs(standardised)
    return np.where(size <= limit, 1.0, limit / np.maximum(size, 1e-12))


def fit_cost(model: BorderedModel[State], state: State, nodes: Nodes, scale: float) -> float:
    """Give the robust cost of a state, priors included, under one noise scale."""
    limit = model.huber
    size = np.abs(model.residuals(state, nodes)) / scale
    loss = np.where(size <= limit, 0.5 * size**2, limit * (size - 0.5 * limit))
    deviation, information = model.prior(state)
    return float(loss.sum() + 0.5 * deviation @ information @ deviation)


def winsorised_variance(values: Floats, limit: float = 3.0) -> float:
    """Give the variance about zero with outliers counted as lying ``limit`` standard deviations off.

    Parameters
    ----------
    values : ndarray, any shape
        NaN is left out.
    limit : float
        In standard deviations.

    Returns
    -------
    float
        Equal to the variance of a normal distribution; 0 without values.

    Notes
    -----
    Errors of edges have longer tails than a normal distribution. Their median alone (a fully robust scale)
    would promise more than the fit can keep.
    """
    squares = values[np.isfinite(values)] ** 2
    if not squares.size:
        return 0.0
    kept = (
        1.0 - 2.0 * limit * np.exp(-0.5 * limit**2) / np.sqrt(2 * np.pi) + 2 * (limit**2 - 1) * ndtr(-limit)
    )
    variance = float(np.median(squares)) / 0.4549
    for _ in range(20):
        variance = float(np.minimum(squares, limit**2 * variance).mean() / kept)
    return variance


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
