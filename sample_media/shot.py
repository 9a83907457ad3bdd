"""How one frame is taken: where the camera and every part are at the time each row is exposed.

Poses and parts are worked out at nodes of time, a quarter of a millisecond apart over the readout and the
exposure; in between, what maps a ray into a part's plane is linear in time. A tremor of 10 Hz and 5 px moves
an edge by less than 0.0002 px off that line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.layers import Layer
from sample_media.mechanism import Mechanism
from sample_media.optics import CameraPath, Pose, project
from sample_media.scene import Scene
from sample_media.shutter import placement, sensor_shutter
from sample_media.staging import layers_at

FloatArray = NDArray[np.float64]
Matrices = NDArray[np.float32]

MOMENTS = 4  # of the exposure
NODE_S = 0.00025
SEEN_STEPS = 6  # fixed-point steps; each is about a hundred times closer


@dataclass(frozen=True, slots=True)
class Moment:
    """Camera and layers at one time."""

    pose: Pose
    layers: list[Layer]


def plane_from_ray(pose: Pose, layer: Layer) -> Matrices:
    """Matrices (..., 3, 3) from normalised x, y, 1 to homogeneous coordinates in a layer's plane."""
    axes = np.stack(
        np.broadcast_arrays(layer.u_axis, layer.v_axis, layer.origin_mm - pose.centre_mm), axis=-1
    )
    return np.linalg.inv(pose.rotation @ axes).astype(np.float32)


class Shot:
    """Camera and layers over the time one frame takes.

    Parameters
    ----------
    scene : Scene
    mechanism : Mechanism
    path : CameraPath
    time_s : float
        Time of the frame: the middle of the exposure of its middle row.

    Attributes
    ----------
    moments_s : (M,) array
        Times of the exposure's moments from the time of each row.
    place : Placement
        Where the steadied picture shows the sensor's pixels.
    shutter : Shutter
        Time of each shown pixel.
    node_s : (N,) array
        Times of the nodes from the time of the frame.
    pose : Pose
        At the nodes.
    layers : list of Layer
        At the nodes, back to front.
    """

    def __init__(self, scene: Scene, mechanism: Mechanism, path: CameraPath, time_s: float) -> None:
        self.camera, self.time_s = scene.camera, time_s
        self.place = placement(path, time_s)
        self.shutter = sensor_shutter(scene.film, scene.camera.size_wh).shown(self.place)
        span = scene.picture.exposure_s
        self.moments_s = ((np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5) * span if span > 0 else np.zeros(1)
        self.node_s = self._nodes()
        self.pose = path.pose(time_s + self.node_s)
        self.layers = layers_at(scene, mechanism, time_s + self.node_s)
        self._matrices: dict[int, Matrices] = {}

    def _nodes(self) -> FloatArray:
        """Times that cover every moment of every pixel."""
        width, height = self.camera.size_wh
        corners = np.array([[x, y] for x in (0, width - 1) for y in (0, height - 1)], float)
        offsets = self.shutter.offset_s(corners)
        first, last = offsets.min() + self.moments_s[0], offsets.max() + self.moments_s[-1]
        if not np.any(self.shutter.slope_s):
            return np.unique([*self.moments_s, 0.0, NODE_S])
        return np.linspace(first, last, int(np.ceil((last - first) / NODE_S)) + 2)

    def place_between(self, offset_s: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Node before each time (...) and the share of the way to the next."""
        position = np.interp(offset_s, self.node_s, np.arange(len(self.node_s)))
        before = np.minimum(position.astype(np.intp), len(self.node_s) - 2)
        return before, position - before

    def matrices(self, layer: Layer) -> Matrices:
        """`plane_from_ray` at the nodes, (N, 3, 3)."""
        if id(layer) not in self._matrices:
            self._matrices[id(layer)] = plane_from_ray(self.pose, layer)
        return self._matrices[id(layer)]

    def matrices_at(self, layer: Layer, between: tuple[NDArray[np.intp], FloatArray]) -> Matrices:
        """`plane_from_ray` at times (...) given by `place_between`, (..., 3, 3)."""
        H = self.matrices(layer)
        before, share = between
        start = H[before]
        return start + share.astype(np.float32)[..., None, None] * (H[before + 1] - start)

    def pixels(self, layer: Layer, plane_mm: FloatArray) -> FloatArray:
        """Shown pixels (N, P, 2) of points (P, 2) of a layer's plane as they stand at each node."""
        return self.place.shown(project(self.camera, self.pose, layer.points_mm(plane_mm)))

    def seen_px(self, layer: Layer, plane_mm: FloatArray) -> FloatArray:
        """Shown pixels (P, 2) where points of a layer's plane appear: each at the time of its own row.

        Parameters
        ----------
        layer : Layer
            One of `layers`.
        plane_mm : (P, 2) array
            Points in its plane.

        Returns
        -------
        (P, 2) array
        """
        at_nodes = self.pixels(layer, plane_mm)
        points = np.arange(len(plane_mm))
        offset = np.zeros(len(plane_mm))
        for _ in range(SEEN_STEPS):
            before, share = self.place_between(offset)
            start = at_nodes[before, points]
            seen = start + share[:, None] * (at_nodes[before + 1, points] - start)
            offset = self.shutter.offset_s(seen)
        return seen
