"""What a film tells of camera, axes and its own making, from the hand or from a tripod alike."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.blocks import frame_blocks, joined
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_frames
from strokecurve.vision.joint_fit.instant import Filmed
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path import camera_path
from strokecurve.vision.joint_fit.path_fit import PathSettings
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.joint_fit.shutter import Shutter
from strokecurve.vision.rotations import mean_rotation


@dataclass(frozen=True, slots=True)
class FilmFit:
    """Camera, axes, readout, and first or last values of all frames.

    Attributes
    ----------
    model : JointModel
    fit : SharedFit
        Of the key frames.
    floor_px : ndarray, shape (M,)
        Error of each marker's nodes that their own scatter does not show.
    state : JointState
        All frames: poses and angles.
    filmed : Filmed
        Path of the camera, readout, shifts of the pictures.
    shutter : Shutter
    path_settings : PathSettings
        What is known of readout and shifts, for fits of the path.
    strength : ndarray, shape (2,)
        Intensities of a hand's acceleration (logarithms), as in ``vision.joint_fit.path_fit``.
    """

    model: JointModel
    fit: SharedFit[JointState]
    floor_px: Floats
    state: JointState
    filmed: Filmed
    shutter: Shutter
    path_settings: PathSettings = field(default_factory=PathSettings)
    strength: Floats = field(default_factory=lambda: np.zeros(2))


def alone(model: JointModel, known: JointState, nodes: Nodes, time_s: Floats, known_s: Floats) -> JointState:
    """Every frame by itself, started from the known one nearest in time.

    Parameters
    ----------
    model : JointModel
    known : JointState
        Of K frames.
    nodes : Nodes
        Of all F frames.
    time_s : ndarray, shape (F,)
    known_s : ndarray, shape (K,)
        Times of the known frames.

    Returns
    -------
    JointState
        Of all F frames.
    """
    nearest = np.abs(time_s[:, None] - known_s[None, :]).argmin(axis=1)
    blocks = []
    for pick in frame_blocks(len(time_s)):
        blocks.append(fit_frames(model, known.frames(nearest[pick]), nodes.frames(pick), 1.0, steps=10))
    return joined(blocks)


def unmoved(
    state: JointState,
    nodes: Nodes,
    time_s: Floats,
    tied: Bools,
    picture_wh_px: tuple[int, int],
    steadied: bool = False,
) -> Filmed:
    """A path through single poses, all rows exposed at once, pictures not shifted.

    Parameters
    ----------
    state : JointState
        Every frame by itself.
    nodes : Nodes
        What it was fitted to.
    time_s : ndarray, shape (F,)
    tied : ndarray of bool, shape (F - 1,)
        As in ``vision.joint_fit.path.CameraPath``.
    picture_wh_px : tuple of int
    steadied : bool
        Whether later fits may shift the pictures.
    """
    known = nodes.measured
    reference = mean_rotation(state.rotation[known])
    path = camera_path(time_s, reference, state.rotation, state.translation, known, tied)
    return Filmed(path, RowTime(), picture_wh_px, np.zeros((len(time_s), 2)) if steadied else None)


def with_shared(frames: JointState, shared: JointState) -> JointState:
    """Poses and angles of some frames with the shared values of another state."""
    return replace(
        shared, rotation=frames.rotation, translation=frames.translation, angle_rad=frames.angle_rad
    )
