"""Angles of all markers in all frames and their covariances, from what the last derivatives say."""

from __future__ import annotations

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.blocks import state_blocks
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.noise import frame_correlation
from strokecurve.vision.joint_fit.rigid import MarkerAngles
from strokecurve.vision.motion.sensitivities import FrameSensitivities
from strokecurve.vision.robust import winsorised_variance

_MOST_LAGS = 30
"""Frames over which errors are looked at for likeness: longer than any smoothing of a hand's motion."""


def posing_covariance(
    model: JointModel,
    state: JointState,
    nodes: Nodes,
    sensitivities: FrameSensitivities,
    pose_covariance: Floats,
) -> Floats:
    """Covariance of the angles from that of a smooth path's poses, (F, B, B).

    Parameters
    ----------
    model : JointModel
    state : JointState
        Of all frames, on the path.
    nodes : Nodes
        At an instant, without those refused.
    sensitivities : FrameSensitivities
    pose_covariance : ndarray, shape (F, 6, 6)
        Of each pose of the path, as if frames erred independently.
    """
    # The floors of the noise are those of key frames, spread along the path; all frames may be noisier.
    noise = max(1.0, winsorised_variance(sensitivities.card))
    alone = noise * (np.diagonal(sensitivities.own, axis1=1, axis2=2) - sensitivities.held)
    together = sensitivities.by_pose @ pose_covariance @ np.swapaxes(sensitivities.by_pose, 1, 2)
    known = np.maximum(np.diagonal(together, axis1=1, axis2=2), 1e-300)
    share = np.clip(noise * known / np.maximum(alone, 1e-300), 1e-3, 1.0)
    cards = slice(0, len(model.card_ids))
    residuals = [model.residuals(*block)[:, cards] for block in state_blocks(state, nodes)]
    alike = frame_correlation(np.concatenate(residuals), nodes.seen[:, cards], _MOST_LAGS)
    # Angles err alike as the pose of the path makes them, each by as much as is left to it.
    left = np.sqrt(alone * share * np.minimum(_slower(alike, share), 1.0 / share) / known)
    return np.asarray(together * left[:, :, None] * left[:, None, :], np.float64)


def _slower(alike: Floats, share: Floats) -> Floats:
    """How much more the mean of frames varies than that of independent ones.

    ``share`` is the variance of the mean of independent frames in that of one, so 1 / share were averaged.
    """
    number = 1.0 / share[..., None]
    lag = np.arange(1, len(alike) + 1)
    return np.asarray(1.0 + 2.0 * (np.maximum(1.0 - lag / number, 0.0) * alike).sum(axis=-1), np.float64)


_LASTING, _LASTING_ROLLING = 0.25, 0.7
"""Part of the error of an arm's edges by which its marker is off against the card for long: a codec repeats
what it drew, and lens and edge fit err alike wherever an arm passes again. Where card and arm are exposed at
different times in a hand, the path between them errs, too. Rendered films with known truth show this much."""


def lasting_covariance(model: JointModel, state: JointState, floor_px: Floats, rolling: bool) -> Floats:
    """Covariance of the angles from errors that last over many frames, shape (F, B, B).

    ``floor_px``, shape (M,), is the error of each marker's edges beside their own scatter; ``rolling`` says
    whether rows were exposed one after another. A path that errs shifts all markers of a shaft alike, so
    that those on opposite sides of the axis turn in opposite directions, and their mean hardly turns.
    """
    depth_mm = float(np.median(state.translation[:, 2]))
    off_mm = np.hypot(state.mount_offset_mm[:, 0], state.mount_offset_mm[:, 1])
    sides = np.array([m.side_mm for m in model.mounted])
    # A marker on the axis itself shows no way along a circle, but its edges still err across its width.
    reach_px = np.maximum(off_mm, sides / 2) * state.camera.focal_px / depth_mm
    size = floor_px[len(model.card_ids) :] / reach_px
    own = np.diag((_LASTING * size) ** 2)
    if not rolling or model.steady:
        return np.broadcast_to(own, (len(state.angle_rad), *own.shape))
    bearing = state.angle_rad + np.arctan2(state.mount_offset_mm[:, 1], state.mount_offset_mm[:, 0])
    alike = np.cos(bearing[:, :, None] - bearing[:, None, :])
    path = (_LASTING_ROLLING**2 - _LASTING**2) * np.outer(size, size) * alike
    return np.asarray(own + path, np.float64)


def marker_angles(
    model: JointModel,
    covariance: Floats,
    state: JointState,
    nodes: Nodes,
    sensitivities: FrameSensitivities,
    posing: Floats,
    lasting: Floats,
    posed: Bools,
) -> MarkerAngles:
    """Angle of each mounted marker, and how their errors hang together.

    ``covariance``, shape (G + 2, G + 2), is that of shared unknowns and readout, ``posing`` (F, B, B) the
    covariance from the pose, ``lasting`` (F, B, B) that of errors that last, ``posed`` (F,) says where there
    is a pose.
    """
    angle = np.where(nodes.seen[:, len(model.card_ids) :] & posed[:, None], state.angle_rad, np.nan)
    known = np.isfinite(angle)
    # A constant error of the direction cancels in every difference: only departures from the mean count.
    number = np.maximum(known.sum(axis=0), 1)[:, None]
    mean = np.where(known[..., None], sensitivities.sensitivity, 0.0).sum(axis=0) / number
    change = sensitivities.sensitivity - mean
    shared = change @ covariance @ np.swapaxes(change, 1, 2) + lasting
    # Edges of one marker err together more than edges taken alone show. An angle can follow a false shift of
    # the marker along its circle, but not one toward the axis: that one tells how large they are.
    excess = np.array([_excess(sensitivities.radial[:, b]) for b in range(angle.shape[1])])
    places = np.arange(angle.shape[1])
    total = posing + shared
    total[:, places, places] += excess * sensitivities.held
    shaft_of = tuple(m.shaft for m in model.mounted)
    return MarkerAngles(angle, total, shared, sensitivities.shifts.twist_rad, shaft_of)


def _excess(radial: Floats) -> float:
    """Factor on the variance of a marker's angle, from how it leaves its circle (F,).

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
