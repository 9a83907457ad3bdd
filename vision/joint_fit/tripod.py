"""A film from a tripod: nothing moves but the arms, and only they tell the readout of the rows.

An arm that turns is seen bent: its upper edge was exposed sooner than its lower one. That is little, and what
the readout shifts most, the arm as a whole, is taken up by its angle. So the readout is known badly here, and
where it cannot be told from none, what phones usually have and how sure that is goes into the angles and
their deviations.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.control import JobControl
from strokecurve.vision.joint_fit.blocks import fit_in_blocks
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_shared, frame_normals
from strokecurve.vision.joint_fit.film import FilmFit, alone, unmoved
from strokecurve.vision.joint_fit.instant import Filmed, angle_rates
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.joint_fit.shutter import Shutter, ShutterSettings
from strokecurve.vision.joint_fit.sizing import NoiseSettings, with_noise_found
from strokecurve.vision.joint_fit.tied import tied_together
from strokecurve.vision.robust import huber_weight

_ROUGH = 1.0
"""Fits that only prepare the last ones end at this gain in half a chi-square."""

_LASTING = 0.25
"""Part of the error of edges that does not average out over the frames of a film from a tripod: many frames
tell no more than a few."""

_KNOWN_S = 1.0
"""A readout is surely shorter than this, also where nothing moves."""

_TURNS = 2
"""Turns after which readout, angles and what they share fit each other: the readout is all but linear."""


def find_on_tripod(
    model: JointModel,
    fit: SharedFit[JointState],
    scatter: Nodes,
    time_s: Floats,
    key: NDArray[np.intp],
    noise: NoiseSettings,
    settings: ShutterSettings,
    job: JobControl,
) -> FilmFit:
    """Find camera, axes and readout of a film whose camera stood still.

    Parameters
    ----------
    model : JointModel
        With a free camera.
    fit : SharedFit
        Of the key frames, their rows taken as exposed at once.
    scatter : Nodes
        All F frames, with the errors that scatter along edges shows; none where the card was not seen.
    time_s : ndarray, shape (F,)
    key : ndarray of int, shape (K,)
        Key frames.
    noise, settings, job
        Limits, and whom to ask whether to stop.

    Returns
    -------
    FilmFit
    """
    bare = scatter.frames(key)
    start = bare.floored(np.full(bare.seen.shape[1], noise.start_floor_px))
    model, fit, floor_px = with_noise_found(model, fit, bare, start, noise, job)
    nodes = scatter.floored(floor_px)
    state = alone(model, fit.state, nodes, time_s, time_s[key])
    tied = np.ones(len(time_s) - 1, bool)
    filmed = unmoved(state, nodes, time_s, tied, model.picture_wh_px)
    rows, covariance = _rows(model, filmed, state, nodes, key, settings)
    for _ in range(_TURNS if rows != RowTime() else 0):
        filmed = replace(filmed, row_time=rows)
        rate = angle_rates(model, state, nodes, filmed.path)
        instant = filmed.instant(model, state, nodes, rate).frames(key)
        # First the fit, then its noise: what the rows shifted so far would pass for noise of the nodes.
        fit = fit_shared(model, fit.state, instant, job, 1.0, _ROUGH)
        model, fit, floor_px = with_noise_found(model, fit, instant.with_weights(bare), instant, noise, job)
        nodes = scatter.floored(floor_px)
        state = _standing(fit.state, state.angle_rad)
        filmed = replace(unmoved(state, nodes, time_s, tied, model.picture_wh_px), row_time=rows)
        state = fit_in_blocks(model, state, filmed.instant(model, state, nodes, rate), 1.0)
        rows, covariance = _rows(model, filmed, state, nodes, key, settings)
    return FilmFit(model, fit, floor_px, state, filmed, Shutter(filmed.row_time, covariance, False))


def _standing(shared: JointState, angle_rad: Floats) -> JointState:
    """The shared values, the camera's pose among them, with the angles (F, S) of all frames."""
    return replace(shared.frames(np.zeros(len(angle_rad), np.intp)), angle_rad=angle_rad)


def follow_arms(film: FilmFit, nodes: Nodes) -> tuple[FilmFit, Nodes]:
    """Fit the angles of all frames, what they share held; give their nodes at an instant, too."""
    rate = angle_rates(film.model, film.state, nodes, film.filmed.path)
    instant = film.filmed.instant(film.model, film.state, nodes, rate)
    return replace(film, state=fit_in_blocks(film.model, film.state, instant, 1.0)), instant


def _rows(
    model: JointModel,
    filmed: Filmed,
    state: JointState,
    nodes: Nodes,
    key: NDArray[np.intp],
    settings: ShutterSettings,
) -> tuple[RowTime, Floats]:
    """Readout and its covariance, with what is usual where the film says too little."""
    rate = angle_rates(model, state, nodes, filmed.path)
    instant = filmed.instant(model, state, nodes, rate).frames(key)
    fractions = filmed.fractions(nodes)[key]
    when = filmed.path.time_s[key]
    information, pull = _row_equations(model, when, state.frames(key), instant, rate[key], fractions)
    information = information + np.eye(2) / _KNOWN_S**2
    now = np.array([filmed.row_time.rows_s, filmed.row_time.columns_s])
    both = np.linalg.inv(information)
    measured, sigma, lasting = now - both @ pull, np.sqrt(np.diag(both)), 1.0 + len(key) * _LASTING**2
    rows, _ = _decided(measured, sigma, lasting, settings)
    # Where it is none along columns, the other one is the better known, and the other way about.
    for one, other, there in ((0, 1, rows.columns_s == 0), (1, 0, rows.rows_s == 0)):
        if there:
            measured[one] = (
                now[one] - (pull[one] - information[one, other] * now[other]) / information[one, one]
            )
            sigma[one] = information[one, one] ** -0.5
    return _decided(measured, sigma, lasting, settings)


def _decided(
    measured_s: Floats, by_film_s: Floats, lasting: float, settings: ShutterSettings
) -> tuple[RowTime, Floats]:
    """Weigh readouts of rows and columns (measured by the film alone, with their deviations) against none.

    Either there is none, or one of the usual size. Each is as likely as it explains what was measured, times
    how usual it is; the likelier one is taken, and the other one widens the variance by as much as it may be
    true after all. A readout that is there is less sure than independent errors of the frames would make it:
    ``lasting`` is the factor on its variance.
    """
    usual = np.array([settings.usual_s, 0.0])
    spread = np.array([settings.usual_sigma_s, settings.sideways_sigma_s])
    odds = np.array([settings.usual_odds, 1.0 / settings.usual_odds])
    variance = by_film_s**2
    with_one = np.exp(-0.5 * (measured_s - usual) ** 2 / (variance + spread**2)) / np.hypot(by_film_s, spread)
    without = np.exp(-0.5 * measured_s**2 / variance) / by_film_s
    share = odds * with_one / np.maximum(odds * with_one + without, 1e-300)
    taken = share > 0.5
    variance = np.where(taken, lasting, 1.0) * variance
    left = variance * spread**2 / (variance + spread**2)
    mean = left * (measured_s / variance + usual / spread**2)
    left = left + np.where(taken, settings.tripod_sigma_s**2, 0.0)
    value = np.where(taken, mean, 0.0)
    off = np.where(taken, (1.0 - share) * mean**2, share * mean**2)
    return RowTime(float(value[0]), float(value[1])), np.diag(share * left + off)


def _row_equations(
    model: JointModel, time_s: Floats, state: JointState, nodes: Nodes, rate_rad_s: Floats, fractions: Floats
) -> tuple[Floats, Floats]:
    """Information on the readout along rows and columns (2, 2), and its pull (2,), all else following."""
    plain = model.with_pairs(None)
    residual, shared, local = plain.linearise(state, nodes)
    going = (local[..., model.angle_at :] @ rate_rad_s[..., None]) * fractions.reshape(*residual.shape, 2)
    angles, apart, shift = tied_together(model, time_s, state, nodes, local)
    columns = np.concatenate([angles, shared, apart, going, (residual + shift)[..., None]], axis=2)
    columns = model.unpaired(columns.reshape(*nodes.inverse_sigma.shape, -1)).reshape(columns.shape)
    columns *= np.sqrt(huber_weight(columns[..., -1], model.huber))[..., None]
    own = model.shafts
    alone_normal = frame_normals(columns[..., :own])
    rest = columns[..., own:]
    cross = np.swapaxes(columns[..., :own], 1, 2) @ rest
    whole = np.swapaxes(rest, 1, 2) @ rest - np.swapaxes(cross, 1, 2) @ np.linalg.solve(alone_normal, cross)
    normal = whole.sum(axis=0)
    _, known = model.prior(state)
    size = model.shared_size + apart.shape[2]
    inner = normal[:size, :size]
    inner[: model.shared_size, : model.shared_size] += known
    unit = 1.0 / np.sqrt(np.maximum(np.diag(inner), 1e-300))
    inner = inner * unit[:, None] * unit
    # What is shared is at its best already: its own pull is 0 but for rounding.
    tie = normal[:size, size:] * unit[:, None]
    left = normal[size:, size:] - tie.T @ np.linalg.solve(inner + 1e-12 * np.eye(size), tie)
    return np.asarray(left[:2, :2], np.float64), np.asarray(left[:2, 2], np.float64)
