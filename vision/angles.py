"""Angles of all frames and their standard deviations, from what the last derivatives say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.arrays import Bools, Floats
from vision.blocks import fit_in_blocks, state_blocks
from vision.bordered import SharedFit
from vision.final import FrameFacts
from vision.guess import unwrapped
from vision.joint import JointModel, JointState
from vision.nodes import Nodes
from vision.noise import frame_correlation
from vision.robust import winsorised_variance
from vision.smoothing import smooth_poses

_MOST_LAGS = 30
"""Frames over which errors are looked at for likeness: longer than any smoothing of a hand's motion."""


def with_smooth_poses(
    model: JointModel,
    state: JointState,
    nodes: Nodes,
    facts: FrameFacts,
    posed: Bools,
    time_s: Floats,
    knock: float,
) -> tuple[JointState, Floats]:
    """Smooth the camera's path, and take the angles again from it; ``knock`` as for ``smooth_poses``.

    Returns
    -------
    state : JointState
    posing : ndarray, shape (F, S)
        Variance of each angle from that of the pose.
    """
    # The floors of the noise are those of key frames, spread along the path; all frames may be noisier.
    noise = max(1.0, winsorised_variance(facts.card))
    information = np.where(posed[:, None, None], facts.pose_information / noise, 0.0)
    smooth = smooth_poses(time_s, state.rotation, state.translation, information, knock)
    if smooth is None:
        return state, facts.own - facts.held
    state = replace(state, rotation=smooth.rotation, translation=smooth.translation)
    state = fit_in_blocks(model, state, nodes, 1.0, pose_held=True)
    alone = noise * (facts.own - facts.held)
    together = np.einsum("ksi,kij,ksj->ks", facts.by_pose, smooth.covariance, facts.by_pose)
    share = np.clip(together / np.maximum(alone, 1e-300), 1e-3, 1.0)
    cards = slice(0, len(model.card_ids))
    residuals = [model.residuals(*block)[:, cards] for block in state_blocks(state, nodes)]
    alike = frame_correlation(np.concatenate(residuals), nodes.seen[:, cards], _MOST_LAGS)
    return state, alone * share * np.minimum(_slower(alike, share), 1.0 / share)


def _slower(alike: Floats, share: Floats) -> Floats:
    """How much more the mean of frames varies than that of independent ones.

    ``share`` is the variance of the mean of independent frames in that of one, so 1 / share were averaged.
    """
    number = 1.0 / share[..., None]
    lag = np.arange(1, len(alike) + 1)
    return np.asarray(1.0 + 2.0 * (np.maximum(1.0 - lag / number, 0.0) * alike).sum(axis=-1), np.float64)


def angles_with_sigma(
    model: JointModel,
    fit: SharedFit[JointState],
    state: JointState,
    nodes: Nodes,
    facts: FrameFacts,
    posing: Floats,
    posed: Bools,
) -> tuple[Floats, Floats]:
    """Angle of each shaft with its standard deviation, (F, S) each; NaN where no marker was accepted."""
    cards = len(model.card_ids)
    angle, sigma = state.angle_rad.copy(), np.zeros_like(state.angle_rad)
    for s in range(model.shafts):
        mine = [b for b, m in enumerate(model.mounted) if m.shaft == s]
        gap = ~(nodes.seen[:, [cards + b for b in mine]].any(axis=1) & posed)
        angle[gap, s] = np.nan
        # A constant error of the direction cancels in every difference: only departures from the mean count.
        sensitivity = facts.sensitivity[:, s]
        change = sensitivity - sensitivity[~gap].mean(axis=0) if (~gap).any() else sensitivity
        common = np.einsum("kg,gh,kh->k", change, fit.covariance, change)
        # Edges of one marker err together more than edges taken alone show. A shaft can follow a false shift
        # of its marker along the circle, but not one toward its axis: that one tells how large they are.
        excess = _excess(facts.radial[:, mine])
        variance = excess * facts.held[:, s] + posing[:, s] + np.maximum(common, 0.0)
        sigma[:, s] = np.where(gap, np.nan, np.sqrt(variance))
        angle[:, s] = unwrapped(angle[:, s])
    return angle, sigma


def _excess(radial: Floats) -> float:
    """Factor on the variance of a shaft's angle, from how its markers (F, B) leave their circles.

    Errors that stay while an arm rests or creeps are few samples, however many frames show them. So the
    factor is taken one standard deviation of its own above its best value: along the path, where nothing
    tells, a codec is rather further off than across it.
    """
    known = np.isfinite(radial)
    if not known.any():
        return 1.0
    off = np.where(known, radial, 0.0)
    size = float((off**2).sum() / known.sum())
    longer = 1.0
    for lag in range(1, min(_MOST_LAGS, len(off))):
        pairs = int((known[lag:] & known[:-lag]).sum())
        alike = float((off[lag:] * off[:-lag]).sum()) / max(pairs, 1) / max(size, 1e-300)
        if alike <= 0:
            break
        longer += 2.0 * alike
    independent = max(float(known.sum()) / longer, 2.0)
    return max(1.0, winsorised_variance(radial)) * (1.0 + float(np.sqrt(2.0 / independent)))
