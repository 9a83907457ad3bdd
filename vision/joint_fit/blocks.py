"""Long clips a block of frames at a time, so that derivatives fit into memory whatever the length."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from strokecurve.vision.joint_fit.bordered import fit_frames
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes

_FRAMES = 512


def frame_blocks(frames: int) -> Iterator[slice]:
    """Cut a clip into blocks of frames."""
    for first in range(0, frames, _FRAMES):
        yield slice(first, min(first + _FRAMES, frames))


def state_blocks(state: JointState, nodes: Nodes) -> Iterator[tuple[JointState, Nodes]]:
    """State and measurements of each block."""
    for pick in frame_blocks(len(state.rotation)):
        yield state.frames(pick), nodes.frames(pick)


def joined(states: list[JointState]) -> JointState:
    """Put the frames of states with the same shared values together."""
    return replace(
        states[0],
        rotation=np.concatenate([s.rotation for s in states]),
        translation=np.concatenate([s.translation for s in states]),
        angle_rad=np.concatenate([s.angle_rad for s in states]),
    )


def fit_in_blocks(
    model: JointModel, state: JointState, nodes: Nodes, scale: float, pose_held: bool = False
) -> JointState:
    """Fit every frame alone (``vision.joint_fit.bordered.fit_frames``), started from ``state``."""
    blocks = state_blocks(state, nodes)
    return joined([fit_frames(model, *block, scale, pose_held=pose_held) for block in blocks])
