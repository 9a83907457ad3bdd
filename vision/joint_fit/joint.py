"""One model of camera, card and shafts, fitted to the edge nodes of all markers at once.

Shared over the clip: focal length, principal point, two distortion terms, and for each shaft the
direction of its axis, the point where it meets the card's plane, and how each marker is mounted.
Free in every frame: the pose of the card (or shared too, on a tripod) and the angle of every marker on a
shaft. The normal equations have one small block for each frame, bordered by the shared unknowns; the
blocks are eliminated (Schur complement), so the cost grows with the number of frames only linearly.

Markers of one shaft share its axis and nothing else. That they turn together is not assumed, as an arm may
slip: each has an angle of its own, its direction, and so no spin on the shaft (``vision.joint_fit.rigid``
puts the angles together).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.edges.markers import CARD_IDS
from strokecurve.vision.joint_fit.camera import CAMERA_PARAMETERS, Camera, card_nodes_mm, square_nodes_mm
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.rotations import rotated, rotation_from_vector, turn_about_z

POSE_PARAMETERS = 6


@dataclass(frozen=True, slots=True)
class MountedMarker:
    """A marker fixed to a turning shaft.

    Attributes
    ----------
    marker_id : int
        Its id.
    side_mm : float
        Its size.
    shaft : int
        Index of the shaft it turns about.
    """

    marker_id: int
    side_mm: float
    shaft: int


@dataclass(frozen=True, slots=True)
class JointSettings:
    """Standard deviations of what is known beforehand, and limits of the fit.

    Attributes
    ----------
    focal_per_width, focal_log_sigma : float
        Usual focal length of a phone in picture widths (long side), and its spread (log).
    centre_sigma_per_width : float
        Principal point from the middle of the picture, in picture widths.
    k1_sigma, k2_sigma : float
        Radial distortion of phone pictures.
    ink_spread_mean, ink_spread_sigma : float
        Spread of paper over ink, in standard deviations of the blur.
    axis_common_sigma_rad, axis_own_sigma_rad : float
        Axes from the card's normal: shared by all, and each on its own (shafts of one linkage are
        nearly parallel).
    free_axes, axis_free_sigma_rad : tuple of int, float
        Shafts whose axes the film shows to stand askew, and how far those lean on their own.
    mount_tilt_sigma_rad : float
        A marker lies nearly flat across its axis.
    offset_sigma_mm, height_mean_mm, height_sigma_mm : float
        Marker from its axis, and above the card's plane.
    huber : float
        Residuals beyond this many standard deviations count less.
    steps : int
        Most Gauss-Newton steps.
    """

    focal_per_width: float = 0.77
    focal_log_sigma: float = 0.25
    centre_sigma_per_width: float = 0.005
    k1_sigma: float = 0.08
    k2_sigma: float = 0.04
    ink_spread_mean: float = 0.4
    ink_spread_sigma: float = 0.4
    axis_common_sigma_rad: float = np.deg2rad(8.0)
    axis_own_sigma_rad: float = np.deg2rad(1.5)
    free_axes: tuple[int, ...] = ()
    axis_free_sigma_rad: float = np.deg2rad(30.0)
    mount_tilt_sigma_rad: float = np.deg2rad(3.0)
    offset_sigma_mm: float = 300.0
    height_mean_mm: float = 30.0
    height_sigma_mm: float = 60.0
    huber: float = 2.5
    steps: int = 25


@dataclass(frozen=True, slots=True)
class JointState:
    """Values of all unknowns for K frames, S shafts and B mounted markers.

    Attributes
    ----------
    camera : Camera
        Intrinsics.
    rotation, translation : ndarray, shape (K, 3, 3) and (K, 3)
        Pose of the card in each frame, card to camera.
    axis : ndarray, shape (S, 3, 3)
        Rotation that takes z to the axis of each shaft, in the card frame.
    centre_mm : ndarray, shape (S, 2)
        Where each axis meets the card's plane.
    mount_rotation, mount_offset_mm : ndarray, shape (B, 3, 3) and (B, 3)
        Marker in the frame of its shaft at angle 0.
    angle_rad : ndarray, shape (K, B)
        Angle of each mounted marker about the axis of its shaft.
    """

    camera: Camera
    rotation: Floats
    translation: Floats
    axis: Floats
    centre_mm: Floats
    mount_rotation: Floats
    mount_offset_mm: Floats
    angle_rad: Floats

    def frames(self, pick: NDArray[np.intp] | slice) -> JointState:
        """Give the same shared values with some of the frames, by a slice or an index of shape (N,)."""
        return replace(
            self,
            rotation=self.rotation[pick],
            translation=self.translation[pick],
            angle_rad=self.angle_rad[pick],
        )


class JointModel:
    """Residuals and derivatives of the model.

    Parameters
    ----------
    card_ids : list of int
        Card markers used.
    mounted : list of MountedMarker
        Markers on shafts; those of one shaft next to each other.
    steady : bool
        True if the camera stands on a tripod: one pose for all frames.
    picture_wh_px : tuple of int
        Size of the picture.
    settings : JointSettings
        Priors.
    pair_correlation : ndarray, shape (M,), optional
        Correlation of the errors of the two nodes of an edge, for card and mounted markers; 0 if left out.
        Residuals and derivatives are freed of it.
    """

    def __init__(
        self,
        card_ids: list[int],
        mounted: list[MountedMarker],
        steady: bool,
        picture_wh_px: tuple[int, int],
        settings: JointSettings,
        pair_correlation: Floats | None = None,
    ) -> None:
        self.card_ids = card_ids
        self.mounted = mounted
        self.steady = steady
        self.picture_wh_px = picture_wh_px
        self.settings = settings
        self.huber = settings.huber
        self.steps = settings.steps
        self.shafts = 1 + max(m.shaft for m in mounted)
        markers = len(card_ids) + len(mounted)
        self.pair_correlation = np.zeros(markers) if pair_correlation is None else pair_correlation
        self._card_nodes = np.stack([card_nodes_mm(i) for i in card_ids]) if card_ids else np.zeros((0, 8, 3))
        self._marker_nodes = np.stack([square_nodes_mm(m.side_mm) for m in mounted])
        self._shaft_of = np.array([m.shaft for m in mounted])
        self._layout()

    def _layout(self) -> None:
        at = CAMERA_PARAMETERS
        self.pose_at = at
        at += POSE_PARAMETERS if self.steady else 0
        self.axis_at = [at + 4 * s for s in range(self.shafts)]
        at += 4 * self.shafts
        self.mount_at = []
        self.offset_at = []
        for _ in self.mounted:
            self.mount_at.append(at)
            # The spin of a marker is no unknown: it has two turns before the offset.
            self.offset_at.append(at + 2)
            at = self.offset_at[-1] + 3
        self.shared_size = at
        self.angle_at = 0 if self.steady else POSE_PARAMETERS
        self.local_size = self.angle_at + len(self.mounted)

    def with_steady(self, steady: bool) -> JointModel:
        """Give the same model with a fixed or a free camera."""
        return JointModel(
            self.card_ids, self.mounted, steady, self.picture_wh_px, self.settings, self.pair_correlation
        )

    def with_settings(self, settings: JointSettings) -> JointModel:
        """Give the same model with other priors."""
        return JointModel(
            self.card_ids, self.mounted, self.steady, self.picture_wh_px, settings, self.pair_correlation
        )

    def with_pairs(self, correlation: Floats | None) -> JointModel:
        """Give the same model with another correlation in each edge, shape (M,); None for none."""
        return JointModel(
            self.card_ids, self.mounted, self.steady, self.picture_wh_px, self.settings, correlation
        )

    def mount_tilt_rad(self, state: JointState, marker: int) -> Floats:
        """Give the lean of a mounted marker about its x and y axes, shape (2,)."""
        return _tilt(state.mount_rotation[marker])

    def with_mount_tilt(self, state: JointState, marker: int, tilt_rad: Floats) -> JointState:
        """Give the state with another lean of one mounted marker, ``tilt_rad`` of shape (2,)."""
        rotation = state.mount_rotation.copy()
        rotation[marker] = rotation_from_vector(_flat(tilt_rad))
        return replace(state, mount_rotation=rotation)

    def points_card(self, state: JointState) -> Floats:
        """Nodes of every marker in the card frame, shape (K, M, 8, 3)."""
        y = self._points_shaft(state)
        axis = state.axis[self._shaft_of]
        centre = np.zeros((len(self.mounted), 3))
        centre[:, :2] = state.centre_mm[self._shaft_of]
        moving = y @ np.swapaxes(axis, 1, 2) + centre[:, None]
        still = np.broadcast_to(self._card_nodes, (len(y), *self._card_nodes.shape))
        return np.concatenate([still, moving], axis=1)

    def speeds_card(self, state: JointState, rate_rad_s: Floats) -> Floats:
        """Speed of the nodes of every marker in the card frame, shape (K, M, 8, 3), mm/s.

        ``rate_rad_s``, shape (K, B), is how fast the angles change.
        """
        y = self._points_shaft(state)
        rate = rate_rad_s[..., None]
        across = np.stack([-y[..., 1] * rate, y[..., 0] * rate, np.zeros(y.shape[:-1])], axis=-1)
        speeds = np.zeros((len(y), len(self.card_ids) + len(self.mounted), 8, 3))
        speeds[:, len(self.card_ids) :] = across @ np.swapaxes(state.axis[self._shaft_of], 1, 2)
        return speeds

    def _points_shaft(self, state: JointState) -> Floats:
        """Nodes of mounted markers relative to their shafts, turned by the angle, shape (K, B, 8, 3)."""
        z = self._marker_nodes @ np.swapaxes(state.mount_rotation, 1, 2) + state.mount_offset_mm[:, None]
        turn = turn_about_z(state.angle_rad)
        return np.asarray(z @ np.swapaxes(turn, 2, 3), np.float64)

    def residuals(self, state: JointState, nodes: Nodes) -> Floats:
        """Distances of projected from measured nodes across the lines, in standard deviations, (K, M, 8)."""
        cam = rotated(state.rotation, self.points_card(state)) + state.translation[:, None, None]
        off = nodes.across(state.camera.project(cam), state.camera.ink_spread) * nodes.inverse_sigma
        return self.unpaired(off)

    def unpaired(self, rows: Floats) -> Floats:
        """Free rows, shape (K, M, 8, ...), of the correlation c in each edge.

        They are multiplied by (1 + c E)^(-1/2), where E swaps the two nodes of an edge.
        """
        if not self.pair_correlation.any():
            return rows
        shape = (-1, *[1] * (rows.ndim - 2))
        sums = (0.5 / np.sqrt(1.0 + self.pair_correlation)).reshape(shape)
        differences = (0.5 / np.sqrt(1.0 - self.pair_correlation)).reshape(shape)
        first, second = rows[:, :, 0::2], rows[:, :, 1::2]
        total, change = (first + second) * sums, (first - second) * differences
        result = np.empty_like(rows)
        result[:, :, 0::2] = total + change
        result[:, :, 1::2] = total - change
        return result

    def linearise(
        self, state: JointState, nodes: Nodes, with_shared: bool = True
    ) -> tuple[Floats, Floats, Floats]:
        """Give residuals and their derivatives; those by the shared unknowns only if asked for.

        Returns
        -------
        residuals : ndarray, shape (K, N)
            N = 8 M.
        by_shared : ndarray, shape (K, N, G)
        by_local : ndarray, shape (K, N, L)
        """
        frames, markers = nodes.inverse_sigma.shape[:2]
        cards = len(self.card_ids)
        card_points = self.points_card(state)
        turned = rotated(state.rotation, card_points)
        pixels, g_cam, by_camera = state.camera.project_with_slopes(
            turned + state.translation[:, None, None], nodes.normals
        )
        weight = nodes.inverse_sigma
        residual = nodes.across(pixels, state.camera.ink_spread) * weight
        g_cam = g_cam * weight[..., None]
        by_pose = np.concatenate([np.cross(turned, g_cam), g_cam], axis=-1)

        shape = (frames, markers, 8)
        shared = np.zeros((*shape, self.shared_size if with_shared else 0))
        local = np.zeros((*shape, self.local_size))
        if with_shared:
            shared[..., : CAMERA_PARAMETERS - 1] = by_camera * weight[..., None]
            # Focal length and distance are nearly the same thing. A longer focal length therefore takes the
            # card away with it, which straightens the valley that the fit has to walk along.
            shared[..., 0] += by_pose[..., 5] * state.translation[:, None, None, 2]
            shared[..., CAMERA_PARAMETERS - 1] = -nodes.blur_px * weight
        if self.steady and with_shared:
            shared[..., self.pose_at : self.pose_at + POSE_PARAMETERS] = by_pose
        if not self.steady:
            local[..., :POSE_PARAMETERS] = by_pose

        g_card = rotated(np.swapaxes(state.rotation, 1, 2), g_cam[:, cards:])
        y = self._points_shaft(state)
        for b, marker in enumerate(self.mounted):
            m, s = cards + b, marker.shaft
            g_y = g_card[:, b] @ state.axis[s]
            g_z = rotated(turn_about_z(-state.angle_rad[:, b]), g_y)
            z = self._marker_nodes[b] @ state.mount_rotation[b].T + state.mount_offset_mm[b]
            local[:, m, :, self.angle_at + b] = z[:, 0] * g_z[..., 1] - z[:, 1] * g_z[..., 0]
            if not with_shared:
                continue
            at = self.axis_at[s]
            shared[:, m, :, at : at + 2] = np.cross(y[:, b], g_y)[..., :2]
            shared[:, m, :, at + 2 : at + 4] = g_card[:, b, :, :2]
            g_m = g_z @ state.mount_rotation[b]
            at, offset_at = self.mount_at[b], self.offset_at[b]
            shared[:, m, :, at:offset_at] = np.cross(self._marker_nodes[b], g_m)[..., :2]
            shared[:, m, :, offset_at : offset_at + 3] = g_z
        size = markers * 8
        return (
            self.unpaired(residual).reshape(frames, size),
            (self.unpaired(shared) if with_shared else shared).reshape(frames, size, -1),
            self.unpaired(local).reshape(frames, size, -1),
        )

    def rows_of(self, marker: int) -> slice:
        """Rows of a mounted marker in the residuals of a frame."""
        first = 8 * (len(self.card_ids) + marker)
        return slice(first, first + 8)

    def prior(self, state: JointState) -> tuple[Floats, Floats]:
        """What is known beforehand about the shared unknowns.

        Returns
        -------
        deviation : ndarray, shape (G,)
            Present value less expected value.
        information : ndarray, shape (G, G)
            Inverse covariance.
        """
        p = self.settings
        width, height = self.picture_wh_px
        longest = max(width, height)
        deviation = np.zeros(self.shared_size)
        information = np.zeros((self.shared_size, self.shared_size))
        camera = state.camera
        deviation[:CAMERA_PARAMETERS] = (
            np.log(camera.focal_px / (p.focal_per_width * longest)),
            camera.centre_px[0] - 0.5 * (width - 1),
            camera.centre_px[1] - 0.5 * (height - 1),
            camera.k1,
            camera.k2,
            camera.ink_spread - p.ink_spread_mean,
        )
        centre_sigma = p.centre_sigma_per_width * longest
        sigma = np.full(self.shared_size, np.inf)
        sigma[:CAMERA_PARAMETERS] = (
            p.focal_log_sigma,
            centre_sigma,
            centre_sigma,
            p.k1_sigma,
            p.k2_sigma,
            p.ink_spread_sigma,
        )
        for b in range(len(self.mounted)):
            at = self.mount_at[b]
            deviation[at : at + 2] = _tilt(state.mount_rotation[b])
            sigma[at : at + 2] = p.mount_tilt_sigma_rad
            at = self.offset_at[b]
            deviation[at : at + 2] = state.mount_offset_mm[b, :2]
            sigma[at : at + 2] = p.offset_sigma_mm
            deviation[at + 2] = state.mount_offset_mm[b, 2] - p.height_mean_mm
            sigma[at + 2] = p.height_sigma_mm
        np.fill_diagonal(information, 1.0 / sigma**2)
        # Axes lean together and apart: covariance common + own, inverted for each of the two directions.
        covariance = np.full((self.shafts, self.shafts), p.axis_common_sigma_rad**2)
        own = np.full(self.shafts, p.axis_own_sigma_rad)
        own[list(p.free_axes)] = p.axis_free_sigma_rad
        covariance += np.diag(own**2)
        block = np.linalg.inv(covariance)
        for i in range(2):
            columns = [a + i for a in self.axis_at]
            information[np.ix_(columns, columns)] = block
            deviation[columns] = [_tilt(state.axis[s])[i] for s in range(self.shafts)]
        return deviation, information

    def moved(self, state: JointState, shared: Floats, local: Floats) -> JointState:
        """Give the state after a step; ``shared`` has shape (G,), ``local`` (K, L)."""
        if self.steady:
            pose = np.broadcast_to(shared[self.pose_at : self.pose_at + POSE_PARAMETERS], (len(local), 6))
        else:
            pose = local[:, :POSE_PARAMETERS]
        axis = np.array(
            [
                state.axis[s] @ rotation_from_vector(_flat(shared[a : a + 2]))
                for s, a in enumerate(self.axis_at)
            ]
        )
        centre = state.centre_mm + np.array([shared[a + 2 : a + 4] for a in self.axis_at])
        mount_rotation = state.mount_rotation.copy()
        mount_offset = state.mount_offset_mm.copy()
        for b, at in enumerate(self.offset_at):
            mount_rotation[b] = mount_rotation[b] @ rotation_from_vector(_flat(shared[self.mount_at[b] : at]))
            mount_offset[b] += shared[at : at + 3]
        carried = state.translation * np.array([1.0, 1.0, np.exp(shared[0])])
        return replace(
            state,
            camera=state.camera.moved(shared[:CAMERA_PARAMETERS]),
            rotation=rotation_from_vector(pose[:, :3]) @ state.rotation,
            translation=carried + pose[:, 3:],
            axis=axis,
            centre_mm=centre,
            mount_rotation=mount_rotation,
            mount_offset_mm=mount_offset,
            angle_rad=state.angle_rad + local[:, self.angle_at :],
        )


def card_ids_in(tracks: MarkerTracks) -> list[int]:
    """Card markers that were seen, in rising order."""
    return [int(i) for i in tracks.ids if int(i) in CARD_IDS]


def _flat(pair: Floats) -> Floats:
    return np.array([pair[0], pair[1], 0.0])


def _tilt(rotation: Floats) -> Floats:
    """Small rotations about x and y that lean the z axis as ``rotation`` does."""
    return np.array([-rotation[1, 2], rotation[0, 2]])
