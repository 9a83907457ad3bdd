"""How a film was made, and what an instant shutter would have shown instead.

A node seen in a late row shows camera and arms a little later than the frame's time. By how much its place
differs from that at the frame's time follows from path and rates; moved back by that much, across its line,
it is a node that belongs to the frame's time, and everything that fits single frames may use it as such.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.blocks import frame_blocks
from strokecurve.vision.joint_fit.camera import Camera
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path import CameraPath, turned_by
from strokecurve.vision.joint_fit.row_time import RowTime, row_fractions
from strokecurve.vision.rotations import rotated

_TRIED_S = 1e-4
"""Change of the readout from which derivatives are taken: residuals are all but linear in it."""


@dataclass(frozen=True, slots=True)
class Filmed:
    """How F frames were taken.

    Attributes
    ----------
    path : CameraPath
    row_time : RowTime
    picture_wh_px : tuple of int
        Size of the stored picture.
    shift_px : ndarray, shape (F, 2), or None
        By how much each picture as a whole was shifted after its rows were exposed; None where the phone did
        not steady it.
    """

    path: CameraPath
    row_time: RowTime
    picture_wh_px: tuple[int, int]
    shift_px: Floats | None = None

    def frames(self, pick: slice) -> Filmed:
        """Give some frames in a row."""
        path = self.path
        tied = path.tied[pick.start : pick.stop - 1]
        part = CameraPath(path.time_s[pick], path.reference, path.place[pick], path.speed[pick], tied)
        return Filmed(
            part, self.row_time, self.picture_wh_px, None if self.shift_px is None else self.shift_px[pick]
        )

    @classmethod
    def joined(cls, parts: list[Filmed], tied: Bools) -> Filmed:
        """Put parts of one film together, its F frames tied as they were, shape (F - 1,)."""
        first = parts[0]
        path = CameraPath(
            np.concatenate([p.path.time_s for p in parts]),
            first.path.reference,
            np.concatenate([p.path.place for p in parts]),
            np.concatenate([p.path.speed for p in parts]),
            tied,
        )
        shifts = [p.shift_px for p in parts if p.shift_px is not None]
        return cls(path, first.row_time, first.picture_wh_px, np.concatenate(shifts) if shifts else None)

    def fractions(self, nodes: Nodes) -> Floats:
        """Places of nodes in the readout, (F, M, 8, 2): where they were before the picture was shifted."""
        pixels = nodes.pixels if self.shift_px is None else nodes.pixels - self.shift_px[:, None, None]
        return row_fractions(pixels, self.picture_wh_px)

    def delay_s(self, nodes: Nodes) -> Floats:
        """Time of each node from that of its frame, (F, M, 8)."""
        return self.row_time.delay_s(self.fractions(nodes))

    def instant(
        self,
        model: JointModel,
        state: JointState,
        nodes: Nodes,
        rate_rad_s: Floats,
        moments: tuple[Floats, Floats] | None = None,
    ) -> Nodes:
        """Nodes as an instant shutter would have shown them at the frames' times.

        Parameters
        ----------
        model : JointModel
        state : JointState
            Angles, and shared values; poses are those of the path.
        nodes : Nodes
            As seen.
        rate_rad_s : ndarray, shape (F, B)
            Speed of every angle.
        moments : tuple of ndarray, optional
            Delays (F, M, 8) and weights of the path for them, where they are known already.
        """
        if moments is not None:
            points, speeds = model.points_card(state), model.speeds_card(state, rate_rad_s)
            return replace(nodes, pixels=self._moved_back(nodes, points, speeds, state.camera, *moments))

        def moving(pick: slice) -> tuple[Floats, Floats]:
            part = state.frames(pick)
            return model.points_card(part), model.speeds_card(part, rate_rad_s[pick])

        return self._in_blocks(nodes, state.camera, moving)

    def by_rows(self, model: JointModel, state: JointState, nodes: Nodes, rate_rad_s: Floats) -> Floats:
        """Derivative of the residuals by the readout along rows and columns, shape (F, 8 M, 2), 1/s.

        Arguments as for `instant`.
        """
        now = self.instant(model, state, nodes, rate_rad_s).pixels
        columns = []
        for more in (RowTime(_TRIED_S, 0.0), RowTime(0.0, _TRIED_S)):
            rows = RowTime(self.row_time.rows_s + more.rows_s, self.row_time.columns_s + more.columns_s)
            moved = replace(self, row_time=rows).instant(model, state, nodes, rate_rad_s).pixels
            off = ((now - moved) * nodes.normals).sum(axis=-1) * nodes.inverse_sigma
            columns.append(model.unpaired(off).reshape(len(off), -1) / _TRIED_S)
        return np.stack(columns, axis=-1)

    def instant_points(self, nodes: Nodes, camera: Camera, points: Floats, speeds: Floats) -> Nodes:
        """The same for nodes of any points (F, M, 8, 3) with their speeds, in the card frame, mm and mm/s."""
        return self._in_blocks(nodes, camera, lambda pick: (points[pick], speeds[pick]))

    def _in_blocks(
        self, nodes: Nodes, camera: Camera, moving: Callable[[slice], tuple[Floats, Floats]]
    ) -> Nodes:
        """Move nodes a block of frames at a time, the frames beside it for the path between them."""
        if self.row_time == RowTime() and self.shift_px is None:
            return nodes
        frames, pixels = len(nodes.seen), []
        for pick in frame_blocks(frames):
            around = slice(max(pick.start - 1, 0), min(pick.stop + 1, frames))
            near, seen = self.frames(around), nodes.frames(around)
            moved = near._moved_back(seen, *moving(around), camera, *near._moments(seen))
            pixels.append(moved[pick.start - around.start :][: pick.stop - pick.start])
        return replace(nodes, pixels=np.concatenate(pixels))

    def _moments(self, nodes: Nodes) -> tuple[Floats, Floats]:
        delay = self.delay_s(nodes)
        weights, _ = self.path.weights(delay.reshape(len(delay), -1))
        return delay, weights

    def _moved_back(
        self, nodes: Nodes, points: Floats, speeds: Floats, camera: Camera, delay: Floats, weights: Floats
    ) -> Floats:
        """Where nodes are at the times of their frames, (F, M, 8, 2)."""
        reference = self.path.reference
        place = self.path.at(weights).reshape(*delay.shape, -1)
        later = (points + speeds * delay[..., None]) @ reference.T + place[..., 3:]
        seen = camera.project(turned_by(place[..., :3], later))
        rotation, translation = self.path.poses()
        at_once = camera.project(rotated(rotation, points) + translation[:, None, None])
        off = ((seen - at_once) * nodes.normals).sum(axis=-1, keepdims=True)
        pixels = nodes.pixels - off * nodes.normals
        if self.shift_px is not None:
            pixels = pixels - self.shift_px[:, None, None]
        return np.asarray(pixels, np.float64)


def angle_rates(model: JointModel, state: JointState, nodes: Nodes, path: CameraPath) -> Floats:
    """Speed of every angle, (F, B), rad/s: by differences of neighbouring frames; 0 where none show it."""
    cards = len(model.card_ids)
    angle = state.angle_rad
    rate = np.zeros_like(angle)
    for b in range(angle.shape[1]):
        rate[:, b] = rates(path.time_s, angle[:, b], nodes.seen[:, cards + b], path.tied)
    return rate


def rates(time_s: Floats, values: Floats, shown: Bools, tied: Bools) -> Floats:
    """Change of ``values`` (F,) in a second, by differences to the frames around; 0 where none show them."""
    change = np.diff(values) / np.maximum(np.diff(time_s), 1e-4)
    both = shown[1:] & shown[:-1] & tied
    after, before = np.append(both, False), np.insert(both, 0, False)
    total = np.where(after, np.append(change, 0.0), 0.0) + np.where(before, np.insert(change, 0, 0.0), 0.0)
    return np.asarray(total / np.maximum(after.astype(int) + before, 1), np.float64)
