"""What the last derivatives of every frame say, taken once for all who ask."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.bordered import frame_normals, frame_sensitivities
from strokecurve.vision.joint_fit.joint import POSE_PARAMETERS, JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.motion.shifts import Shifts, find_shifts

_LEAST_LEFT = 0.1
"""Where less than this share of a radial shift's variance shows in the residuals, nothing is made of it."""


@dataclass(frozen=True, slots=True)
class FrameSensitivities:
    """Uncertainty and departures of F frames and B mounted markers.

    Attributes
    ----------
    own : ndarray, shape (F, B, B)
        Covariance of the angles from the noise of their frame, pose free (in the hand).
    held : ndarray, shape (F, B)
        Variance of each angle if the pose were known; no two angles err alike then.
    by_pose : ndarray, shape (F, B, 6)
        Change of each angle with a turn (rad) and a shift (mm) of the card in the camera frame; 0 on a
        tripod.
    pose_information : ndarray, shape (F, 6, 6)
        Inverse covariance of such a turn and shift, angles free; 0 on a tripod.
    sensitivity : ndarray, shape (F, B, G + 2)
        Change of each angle with the shared unknowns, and with the readout along rows and columns.
    radial : ndarray, shape (F, B)
        How far each marker lies off its circle, in standard deviations; NaN where not measured.
    card : ndarray, shape (F, 8 C)
        Residuals of the card's nodes, in standard deviations of what the fit of the frame leaves of
        independent errors; NaN where not measured.
    shifts : Shifts
        Departures from rest.
    """

    own: Floats
    held: Floats
    by_pose: Floats
    pose_information: Floats
    sensitivity: Floats
    radial: Floats
    card: Floats
    shifts: Shifts

    @classmethod
    def joined(cls, parts: list[FrameSensitivities]) -> FrameSensitivities:
        """Put blocks of frames together."""
        arrays = {
            f.name: np.concatenate([getattr(p, f.name) for p in parts])
            for f in fields(cls)
            if f.name != "shifts"
        }
        shifts = Shifts(
            np.concatenate([p.shifts.shafts_mm for p in parts]),
            np.concatenate([p.shifts.twist_rad for p in parts]),
        )
        return cls(**arrays, shifts=shifts)


def sensitivities_of(
    model: JointModel, state: JointState, nodes: Nodes, refused: Bools, by_rows: Floats
) -> FrameSensitivities:
    """Take the derivatives of K frames and draw everything from them.

    Parameters
    ----------
    model : JointModel
    state : JointState
        As fitted to these frames.
    nodes : Nodes
        Measurements, those refused by the fit included.
    refused : ndarray of bool, shape (K, M)
        Markers that the fit did not believe.
    by_rows : ndarray, shape (K, 8 M, 2)
        Derivatives of the residuals by the readout along rows and columns.

    Returns
    -------
    FrameSensitivities
    """
    derivatives = model.linearise(state, nodes)
    shifts = find_shifts(model, state, nodes, derivatives)
    derivatives = (derivatives[0], np.concatenate([derivatives[1], by_rows], axis=2), derivatives[2])
    if refused.any():
        kept = np.repeat(~refused, 8, axis=1)
        derivatives = (
            derivatives[0] * kept,
            derivatives[1] * kept[..., None],
            derivatives[2] * kept[..., None],
        )
    residual, shared, local = derivatives
    at, card = model.angle_at, 8 * len(model.card_ids)
    covariance, sensitivity = frame_sensitivities(local, shared, at)
    held, by_pose, information = _by_pose(local, at)
    return FrameSensitivities(
        own=covariance[:, at:, at:],
        held=held,
        by_pose=by_pose,
        pose_information=information,
        sensitivity=sensitivity,
        radial=_radial(model, state, derivatives, covariance),
        card=_studentised(residual[:, :card], local[:, :card], covariance),
        shifts=shifts,
    )


def _studentised(residual: Floats, local: Floats, covariance: Floats) -> Floats:
    """Residuals (K, N) in standard deviations of what pose and angles of the frame leave of them."""
    left = 1.0 - ((local @ covariance) * local).sum(axis=2)
    measured = (local != 0).any(axis=2) & (left > _LEAST_LEFT)
    return np.where(measured, residual / np.sqrt(np.where(measured, left, 1.0)), np.nan)


def _by_pose(local: Floats, at: int) -> tuple[Floats, Floats, Floats]:
    """Variance of angles with the pose held, their change with it, and what a frame knows of the pose."""
    normal = frame_normals(local)
    angles = np.linalg.inv(normal[:, at:, at:])
    held = np.diagonal(angles, axis1=1, axis2=2)
    if not at:
        nothing = np.zeros((len(held), POSE_PARAMETERS, POSE_PARAMETERS))
        return held, np.zeros((*held.shape, POSE_PARAMETERS)), nothing
    by_pose = -angles @ normal[:, at:, :at]
    return held, by_pose, normal[:, :at, :at] + normal[:, :at, at:] @ by_pose


def _radial(
    model: JointModel, state: JointState, derivatives: tuple[Floats, Floats, Floats], covariance: Floats
) -> Floats:
    """How far each mounted marker lies off its circle, in standard deviations, (K, B); NaN if not measured.

    Pose and angles follow a part of such a shift, so it is stated against what is left of independent errors.
    """
    residual, shared, local = derivatives
    result = np.full((len(residual), len(model.mounted)), np.nan)
    for b in range(len(model.mounted)):
        rows, at = model.rows_of(b), model.offset_at[b]
        outward = state.mount_offset_mm[b, :2] / max(float(np.hypot(*state.mount_offset_mm[b, :2])), 1e-9)
        slope = shared[:, rows, at : at + 2] @ outward
        size = (slope**2).sum(axis=1)
        followed = np.einsum("ki,kil->kl", slope, local[:, rows])
        left = size - np.einsum("kl,klm,km->k", followed, covariance, followed)
        pull = (slope * residual[:, rows]).sum(axis=1)
        known = left > _LEAST_LEFT * size
        result[:, b] = np.where(known, pull / np.sqrt(np.where(known, left, 1.0)), np.nan)
    return result
