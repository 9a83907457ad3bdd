"""Rods: their motion in the plane of the linkage.

A rod moves parallel to the plane across the shafts: its marker keeps its height and its small tilt,
and in each frame only a position and a direction are free. Where it turns on the
arms is in ``vision.motion.pins``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.errors import DetectionError
from strokecurve.vision.joint_fit.belief import BeliefSettings, judged
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_frames, fit_shared
from strokecurve.vision.joint_fit.camera import Camera, meet_plane, square_nodes_mm
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path import SHORTEST_S
from strokecurve.vision.motion.shafts import ShaftMotion
from strokecurve.vision.rotations import least_turn_to, rotated, rotation_from_vector, turn_about_z


@dataclass(frozen=True, slots=True)
class RodSettings:
    """Priors and limits of the rod fit.

    Attributes
    ----------
    key_frames, least_frames : int
        Frames the shared unknowns are fitted over, and the least number that will do.
    tilt_sigma_rad, height_mean_mm, height_sigma_mm : float
        Marker from the plane of the linkage.
    floor_px : float
        Error of an edge node that its own scatter does not show.
    huber : float
        Residuals beyond this many standard deviations count less.
    steps : int
        Most steps.
    belief : BeliefSettings
        In which frames the marker is believed.
    least_turn_rad : float
        Turn of rod against arm below which the pin is not looked for.
    place_rad : float
        Turn of arm or rod within which all frames show the pin at the same place.
    """

    key_frames: int = 120
    least_frames: int = 20
    tilt_sigma_rad: float = np.deg2rad(6.0)
    height_mean_mm: float = 35.0
    height_sigma_mm: float = 60.0
    floor_px: float = 0.015
    huber: float = 2.5
    steps: int = 25
    belief: BeliefSettings = field(default_factory=BeliefSettings)
    least_turn_rad: float = np.deg2rad(12.0)
    place_rad: float = np.deg2rad(1.0)


@dataclass(frozen=True, slots=True)
class RodMotion:
    """Motion of one rod over F frames, in the plane across the shafts.

    Attributes
    ----------
    marker_id : int
        The rod's marker.
    position_mm : ndarray, shape (F, 2)
        Marker centre; NaN is a gap.
    angle_rad : ndarray, shape (F,)
        Direction of the marker's up side, unwrapped.
    height_mm : float
        Marker above the card's plane, along the common axis.
    plane : ndarray, shape (3, 3)
        Rotation that takes z to the mean axis of both shafts: coordinates here are ``plane.T @ card``.
    refused : ndarray of bool, shape (F,)
        Frames in which the marker was seen but not believed.
    """

    marker_id: int
    position_mm: Floats
    angle_rad: Floats
    height_mm: float
    plane: Floats
    refused: Bools

    def save(self, path: Path) -> None:
        """Write the motion to an ``.npz`` file."""
        np.savez_compressed(
            path,
            position_mm=self.position_mm,
            angle_rad=self.angle_rad,
            plane=self.plane,
            marker_id=np.int64(self.marker_id),
            height_mm=np.float64(self.height_mm),
            refused=self.refused,
        )

    @classmethod
    def load(cls, path: Path) -> RodMotion:
        """Read what ``save`` wrote."""
        with np.load(path, allow_pickle=False) as stored:
            angle = stored["angle_rad"]
            return cls(
                int(stored["marker_id"]),
                stored["position_mm"],
                angle,
                float(stored["height_mm"]),
                stored["plane"],
                # files of earlier versions do not say what was refused
                stored["refused"] if "refused" in stored else np.zeros(angle.shape, bool),
            )


@dataclass(frozen=True, slots=True)
class _RodState:
    tilt: Floats  # (3, 3) marker in the frame of the rod
    height_mm: float
    position_mm: Floats  # (K, 2)
    angle_rad: Floats  # (K,)


class _RodModel:
    """One marker that slides and turns in a plane; camera and card pose are known."""

    shared_size = 3
    local_size = 3
    angle_at = 2

    def __init__(
        self,
        camera: Camera,
        rotation: Floats,
        translation: Floats,
        plane: Floats,
        side_mm: float,
        settings: RodSettings,
    ) -> None:
        self.camera = camera
        self.plane = plane
        self.from_plane = rotation @ plane
        self.translation = translation
        self.settings = settings
        self.huber = settings.huber
        self.steps = settings.steps
        self._nodes = square_nodes_mm(side_mm)

    def frames(self, pick: NDArray[np.intp] | slice) -> _RodModel:
        other = object.__new__(_RodModel)
        other.__dict__.update(self.__dict__)
        other.from_plane = self.from_plane[pick]
        other.translation = self.translation[pick]
        return other

    def points(self, state: _RodState) -> Floats:
        """Nodes in the plane's own coordinates, (K, 8, 3)."""
        turned = (self._nodes @ state.tilt.T) @ np.swapaxes(turn_about_z(state.angle_rad), 1, 2)
        centre = np.concatenate([state.position_mm, np.full((len(turned), 1), state.height_mm)], axis=1)
        result: Floats = turned + centre[:, None]
        return result

    def residuals(self, state: _RodState, nodes: Nodes) -> Floats:
        cam = rotated(self.from_plane, self.points(state)) + self.translation[:, None]
        projected = self.camera.project(cam[:, None])
        return nodes.across(projected, self.camera.ink_spread) * nodes.inverse_sigma

    def linearise(
        self, state: _RodState, nodes: Nodes, with_shared: bool = True
    ) -> tuple[Floats, Floats, Floats]:
        points = self.points(state)
        cam = rotated(self.from_plane, points) + self.translation[:, None]
        normals, weight = nodes.normals[:, 0], nodes.inverse_sigma[:, 0]
        _, g_cam, _ = self.camera.project_with_slopes(cam, normals)
        g = rotated(np.swapaxes(self.from_plane, 1, 2), g_cam * weight[..., None])
        arm = points[..., :2] - state.position_mm[:, None]
        by_angle = arm[..., 0] * g[..., 1] - arm[..., 1] * g[..., 0]
        local = np.concatenate([g[..., :2], by_angle[..., None]], axis=-1)
        g_marker = g @ (turn_about_z(state.angle_rad) @ state.tilt)
        by_tilt = np.cross(np.broadcast_to(self._nodes, g_marker.shape), g_marker)[..., :2]
        shared = np.concatenate([by_tilt, g[..., 2:]], axis=-1)
        return self.residuals(state, nodes)[:, 0], shared, local

    def prior(self, state: _RodState) -> tuple[Floats, Floats]:
        p = self.settings
        deviation = np.array([-state.tilt[1, 2], state.tilt[0, 2], state.height_mm - p.height_mean_mm])
        sigma = np.array([p.tilt_sigma_rad, p.tilt_sigma_rad, p.height_sigma_mm])
        return deviation, np.diag(sigma**-2.0)

    def moved(self, state: _RodState, shared: Floats, local: Floats) -> _RodState:
        return _RodState(
            tilt=state.tilt @ rotation_from_vector(np.array([shared[0], shared[1], 0.0])),
            height_mm=state.height_mm + float(shared[2]),
            position_mm=state.position_mm + local[:, :2],
            angle_rad=state.angle_rad + local[:, 2],
        )


def common_plane(shafts: ShaftMotion, joined: tuple[int, int]) -> Floats:
    """Rotation (3, 3) that takes z to the mean axis of the two shafts a rod joins, with the least turn."""
    return least_turn_to(shafts.axis[list(joined)].mean(axis=0))


def centre_in_plane(shafts: ShaftMotion, shaft: int, plane: Floats, height_mm: float) -> Floats:
    """Where a shaft's axis passes the height ``height_mm`` of a common plane, shape (2,), mm."""
    point = plane.T @ shafts.centre_mm[shaft]
    axis = plane.T @ shafts.axis[shaft]
    result: Floats = (point + axis * (height_mm - point[2]) / axis[2])[:2]
    return result


def find_rod(
    tracks: MarkerTracks,
    shafts: ShaftMotion,
    joined: tuple[int, int],
    marker_id: int,
    side_mm: float,
    job: JobControl | None = None,
    settings: RodSettings | None = None,
) -> RodMotion:
    """Follow a rod's marker in the plane of the linkage.

    That is a plane only between shafts that are parallel (``ShaftMotion.angle_between_axes``).

    Parameters
    ----------
    tracks : MarkerTracks
        Markers followed through the clip.
    shafts : ShaftMotion
        Camera, card poses and axes found before.
    joined : tuple of int
        Indices of the two shafts that the rod joins.
    marker_id : int
        The rod's marker.
    side_mm : float
        Its size.
    job : JobControl, optional
        Stop.
    settings : RodSettings, optional
        Limits.

    Returns
    -------
    RodMotion

    Raises
    ------
    DetectionError
        If the marker is in too few frames.
    """
    job = job or Unattended()
    settings = settings or RodSettings()
    nodes = Nodes.from_tracks(tracks, [marker_id], np.array([settings.floor_px]))
    usable = np.flatnonzero(nodes.seen[:, 0] & np.isfinite(shafts.translation[:, 0]))
    if len(usable) < settings.least_frames:
        raise DetectionError(
            f"The rod marker {marker_id} was seen in {len(usable)} frames, too few to use.",
            "Turn it toward the camera and keep it in view.",
        )
    plane = common_plane(shafts, joined)
    model = _RodModel(
        shafts.camera, shafts.rotation[usable], shafts.translation[usable], plane, side_mm, settings
    )
    corners = tracks.only([marker_id]).corners_px()[usable, 0]
    state = _initial_state(model, corners)
    # Late rows show the rod later: as the camera moves first of all, then as the rod itself does.
    for moving in (False, True):
        instant = _instant(model, state, nodes, shafts, usable, moving).frames(usable)
        state, scale = _fit(model, state, instant, settings, job)
    # here the noise of nodes is what the residuals show: they are believed in units of it
    noise = instant.scaled(1.0 / scale)
    rms = np.sqrt((model.residuals(state, noise) ** 2).mean(axis=2))
    good = ~judged(rms, noise, settings.belief).refused[:, 0]
    refused = np.zeros(len(tracks.time_s), bool)
    refused[usable[~good]] = True
    position = np.full((len(tracks.time_s), 2), np.nan)
    angle = np.full(len(tracks.time_s), np.nan)
    position[usable[good]] = state.position_mm[good]
    angle[usable[good]] = np.unwrap(state.angle_rad[good])
    return RodMotion(marker_id, position, angle, state.height_mm, plane, refused)


def _fit(
    model: _RodModel, start: _RodState, nodes: Nodes, settings: RodSettings, job: JobControl
) -> tuple[_RodState, float]:
    """State in all frames, and the spread of the residuals in stated standard deviations."""
    frames = len(start.angle_rad)
    key = np.unique(np.linspace(0, frames - 1, settings.key_frames).round().astype(np.intp))
    key_start = replace(start, position_mm=start.position_mm[key], angle_rad=start.angle_rad[key])
    fit: SharedFit[_RodState] = fit_shared(model.frames(key), key_start, nodes.frames(key), job)
    state = replace(start, tilt=fit.state.tilt, height_mm=fit.state.height_mm)
    return fit_frames(model, state, nodes, fit.noise_scale, steps=10), fit.noise_scale


def _instant(
    model: _RodModel,
    state: _RodState,
    nodes: Nodes,
    shafts: ShaftMotion,
    usable: NDArray[np.intp],
    moving: bool,
) -> Nodes:
    """Nodes of all frames as an instant shutter would have shown them."""
    filmed = shafts.filmed
    frames = len(filmed.path.time_s)
    points, speeds = np.zeros((2, frames, 1, 8, 3))
    points[usable, 0] = model.points(state) @ model.plane.T
    if moving:
        apart = np.maximum(np.diff(filmed.path.time_s[usable]), SHORTEST_S)
        near = np.diff(usable) == 1
        change = np.where(near[:, None, None], np.diff(points[usable, 0], axis=0) / apart[:, None, None], 0.0)
        sides = np.append(near, False).astype(int) + np.insert(near, 0, False)
        none = np.zeros((1, 8, 3))
        total = np.concatenate([change, none]) + np.concatenate([none, change])
        speeds[usable, 0] = total / np.maximum(sides, 1)[:, None, None]
    return filmed.instant_points(nodes, shafts.camera, points, speeds)


def _initial_state(model: _RodModel, corners_px: Floats) -> _RodState:
    height = model.settings.height_mean_mm
    points = meet_plane(model.camera, model.from_plane, model.translation, corners_px, height)
    up = points[:, 0] + points[:, 1] - points[:, 2] - points[:, 3]
    return _RodState(np.eye(3), height, points.mean(axis=1), np.unwrap(np.arctan2(-up[:, 0], up[:, 1])))
