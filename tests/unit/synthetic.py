"""Marker tracks with known truth, projected with OpenCV so that no code under test is used.

Card frame: x right, y up, z toward the camera, mm. A shaft turns its markers about an axis; an edge node is a
point a fixed share along a marker's edge. Only the container ``MarkerTracks`` is taken from the project.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from strokecurve.vision.edges.follow import MarkerTracks

Floats = NDArray[np.float64]

WH = (1920, 1080)
# Gauss-Legendre points (two of them) of the middle eight tenths of an edge.
SHARES = (0.5 - 0.4 / 3**0.5, 0.5 + 0.4 / 3**0.5)
CARD_SIDE_MM = 40.0
CARD_CENTRES_MM = {0: (-70.0, 45.0), 1: (70.0, 45.0), 2: (70.0, -45.0), 3: (-70.0, -45.0)}


@dataclass(frozen=True, slots=True)
class TrueMarker:
    """A marker on a shaft: tilt (rad, about x and y), spin (rad) and centre in the frame of the shaft."""

    marker_id: int
    side_mm: float = 30.0
    offset_mm: tuple[float, float, float] = (0.0, 40.0, 25.0)
    tilt_rad: tuple[float, float] = (0.0, 0.0)
    spin_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class TrueShaft:
    """A hinge: where its axis meets the card's plane, its lean (rad, about x and y), angles (K,)."""

    centre_mm: tuple[float, float]
    angle_rad: Floats
    markers: tuple[TrueMarker, ...]
    lean_rad: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class TrueFree:
    """A marker on a rod: its centre (K, 3) and direction (K,) in the card frame, tilt as above.

    ``turned``, shape (K, 3, 3), is how it stands in the card frame where that is not a turn in ``plane``.
    """

    marker_id: int
    centre_mm: Floats
    angle_rad: Floats
    side_mm: float = 30.0
    tilt_rad: tuple[float, float] = (0.0, 0.0)
    plane: Floats = field(default_factory=lambda: np.eye(3))
    turned: Floats | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that makes the picture of K frames."""

    time_s: Floats
    rotation: Floats
    translation: Floats
    shafts: tuple[TrueShaft, ...]
    rods: tuple[TrueFree, ...] = ()
    focal_px: float = 1478.0
    centre_px: tuple[float, float] = (959.5, 539.5)
    k1: float = 0.0
    k2: float = 0.0
    ink_spread: float = 0.4
    blur_px: float = 0.8
    card_ids: tuple[int, ...] = (0, 1, 2, 3)
    wh: tuple[int, int] = WH


def turn(vector_rad: Any) -> Floats:
    """Rotation matrix from a rotation vector (OpenCV)."""
    return np.asarray(cv2.Rodrigues(np.asarray(vector_rad, float).reshape(3, 1))[0], float)


def looking(
    frames: int,
    distance_mm: float = 650.0,
    lean_deg: tuple[float, float] = (4.0, -6.0),
    middle_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> tuple[Floats, Floats]:
    """Pose (K, 3, 3), (K, 3) of a camera on a tripod that looks at a point of the card's plane."""
    rotation = turn(np.deg2rad([*lean_deg, 0.0])) @ np.diag([1.0, -1.0, -1.0])
    translation = np.array([0.0, 0.0, distance_mm]) - rotation @ np.array(middle_mm)
    return np.repeat(rotation[None], frames, axis=0), np.repeat(translation[None], frames, axis=0)


def shaken(
    pose: tuple[Floats, Floats], rng: np.random.Generator, turn_deg: float = 0.4, shift_mm: float = 4.0
) -> tuple[Floats, Floats]:
    """The same poses in a hand: slow random sways of the stated size."""
    frames = len(pose[0])
    t = np.arange(frames) / max(frames, 1)
    sway = np.zeros((frames, 6))
    for harmonic in range(1, 6):
        phase = rng.uniform(0, 2 * np.pi, 6)
        sway += rng.normal(size=6) * np.sin(2 * np.pi * harmonic * t[:, None] + phase) / np.sqrt(2.5)
    turned = np.array([turn(np.deg2rad(turn_deg) * s) for s in sway[:, :3]]) @ pose[0]
    return turned, pose[1] + shift_mm * sway[:, 3:]


def there_and_back(frames: int, travel_deg: float, start_deg: float = 0.0) -> Floats:
    """Angle (K,) of a stroke with a hold at both ends, rad."""
    share = np.clip(1.4 - 2.0 * np.abs(np.linspace(-1, 1, frames)), -0.2, 1.0)
    share = np.clip((share + 0.2) / 1.2, 0.0, 1.0)
    return np.deg2rad(start_deg + travel_deg * (3 * share**2 - 2 * share**3))


def node_points_mm(side_mm: float) -> Floats:
    """Two nodes on each edge in turn, (8, 3), the corners clockwise from the top left as seen."""
    h = 0.5 * side_mm
    corner = np.array([[-h, h, 0.0], [h, h, 0.0], [h, -h, 0.0], [-h, -h, 0.0]])
    nodes = [(1 - share) * corner[i] + share * corner[(i + 1) % 4] for i in range(4) for share in SHARES]
    return np.array(nodes)


def points_in_card_frame(truth: Truth) -> dict[int, Floats]:
    """True nodes of every marker in the card frame, id -> (K, 8, 3)."""
    frames = len(truth.time_s)
    points = {}
    for marker_id in truth.card_ids:
        still = node_points_mm(CARD_SIDE_MM) + np.array([*CARD_CENTRES_MM[marker_id], 0.0])
        points[marker_id] = np.repeat(still[None], frames, axis=0)
    for shaft in truth.shafts:
        axis = turn([*shaft.lean_rad, 0.0])
        for marker in shaft.markers:
            mount = turn([0, 0, marker.spin_rad]) @ turn([*marker.tilt_rad, 0.0])
            body = node_points_mm(marker.side_mm) @ mount.T + marker.offset_mm
            points[marker.marker_id] = np.array(
                [body @ (axis @ turn([0, 0, a])).T + [*shaft.centre_mm, 0.0] for a in shaft.angle_rad]
            )
    for rod in truth.rods:
        body = node_points_mm(rod.side_mm) @ turn([*rod.tilt_rad, 0.0]).T
        turned = rod.turned
        if turned is None:
            turned = np.array([rod.plane @ turn([0, 0, a]) for a in rod.angle_rad])
        points[rod.marker_id] = body @ np.swapaxes(turned, 1, 2) + rod.centre_mm[:, None]
    return points


def project(truth: Truth, frame: int, points_mm: Floats) -> Floats:
    """Project points (N, 3) of the card frame into one frame with OpenCV, (N, 2)."""
    matrix = np.array(
        [[truth.focal_px, 0, truth.centre_px[0]], [0, truth.focal_px, truth.centre_px[1]], [0, 0, 1.0]]
    )
    vector = cv2.Rodrigues(truth.rotation[frame])[0]
    lens = np.array([truth.k1, truth.k2, 0.0, 0.0])
    return np.asarray(
        cv2.projectPoints(np.ascontiguousarray(points_mm), vector, truth.translation[frame], matrix, lens)[0]
    ).reshape(-1, 2)


def true_nodes(truth: Truth) -> tuple[NDArray[np.int64], Floats]:
    """Ids (M,) in rising order, and the nodes as an edge fit without noise finds them, (K, M, 4, 2, 2)."""
    points = points_in_card_frame(truth)
    ids = sorted(points)
    frames = len(truth.time_s)
    every = np.stack([points[i] for i in ids], axis=1)
    pixels = np.array([project(truth, k, every[k].reshape(-1, 3)) for k in range(frames)])
    nodes = pixels.reshape(frames, len(ids), 4, 2, 2)
    return np.array(ids, np.int64), nodes - truth.ink_spread * truth.blur_px * outward_of(nodes)[..., None, :]


def rolled_nodes(
    truth: Truth, rows_s: float, columns_s: float = 0.0, shift_px: Floats | None = None
) -> tuple[NDArray[np.int64], Floats]:
    """Ids and nodes as `true_nodes` gives them, of a film whose rows (columns) are exposed one after another.

    Poses and angles between the frames lie on cubic splines through those of the frames. With ``shift_px``,
    shape (K, 2), each whole picture is shifted after it was exposed.
    """
    ids, nodes = true_nodes(truth)
    instant = nodes + truth.ink_spread * truth.blur_px * outward_of(nodes)[..., None, :]
    turns = Rotation.from_matrix(truth.rotation @ truth.rotation[0].T).as_rotvec()
    pose = CubicSpline(truth.time_s, np.concatenate([turns, truth.translation], axis=1))
    width, height = truth.wh
    seen = instant.copy()
    for _ in range(3):
        late = rows_s * (seen[..., 1] / height - 0.5) + columns_s * (seen[..., 0] / width - 0.5)
        for m, marker_id in enumerate(ids.tolist()):
            moments = (truth.time_s[:, None, None] + late[:, m]).reshape(len(truth.time_s), 8)
            seen[:, m] = _seen_at(truth, pose, moments, marker_id).reshape(-1, 4, 2, 2)
    seen = seen + nodes - instant
    return ids, seen if shift_px is None else seen + shift_px[:, None, None, None]


def _seen_at(truth: Truth, pose: CubicSpline, moments: Floats, marker_id: int) -> Floats:
    """Where the eight nodes of a marker on card or shaft are seen, each at its own moment, (K, 8, 2)."""
    now = pose(moments.reshape(-1))
    rotation = Rotation.from_rotvec(now[:, :3]).as_matrix() @ truth.rotation[0]
    if marker_id in CARD_CENTRES_MM:
        body = node_points_mm(CARD_SIDE_MM) + np.array([*CARD_CENTRES_MM[marker_id], 0.0])
        points = np.tile(body, (len(moments), 1))
    else:
        shaft, marker = next((s, m) for s in truth.shafts for m in s.markers if m.marker_id == marker_id)
        mount = turn([0, 0, marker.spin_rad]) @ turn([*marker.tilt_rad, 0.0])
        body = node_points_mm(marker.side_mm) @ mount.T + marker.offset_mm
        angle = CubicSpline(truth.time_s, shaft.angle_rad)(moments.reshape(-1))
        about = Rotation.from_rotvec(angle[:, None] * np.array([0.0, 0.0, 1.0])).as_matrix()
        turned = (turn([*shaft.lean_rad, 0.0]) @ about @ np.tile(body, (len(moments), 1))[..., None])[..., 0]
        points = turned + np.array([*shaft.centre_mm, 0.0])
    x, y, z = ((rotation @ points[..., None])[..., 0] + now[:, 3:]).T
    r2 = (x / z) ** 2 + (y / z) ** 2
    stretch = truth.focal_px * (1 + truth.k1 * r2 + truth.k2 * r2 * r2)
    seen = np.stack([stretch * x / z + truth.centre_px[0], stretch * y / z + truth.centre_px[1]], axis=1)
    return seen.reshape(*moments.shape, 2)


def outward_of(nodes_px: Floats) -> Floats:
    """Unit normals of the lines through pairs of nodes, away from the marker, (..., 2)."""
    along = nodes_px[..., 1, :] - nodes_px[..., 0, :]
    along = along / np.linalg.norm(along, axis=-1, keepdims=True)
    return np.stack([along[..., 1], -along[..., 0]], axis=-1)


def tracks_of(
    truth: Truth,
    rng: np.random.Generator | None = None,
    sigma_px: float = 0.03,
    fixed_px: float = 0.0,
    stated_px: float | None = None,
    memory_frames: float = 0.0,
    seen: tuple[NDArray[np.int64], Floats] | None = None,
) -> MarkerTracks:
    """Tracks of a clip: noise across each line, and for card markers an error that all frames share.

    ``stated_px`` is what the tracks say of their noise; the true figure if left out. With ``memory_frames``
    the noise of a line forgets itself over so many frames (first-order Markov), as a codec's does.
    ``seen`` are ids and nodes without noise, those of an instant shutter if left out.
    """
    ids, nodes = seen or true_nodes(truth)
    if rng is not None:
        outward = outward_of(nodes)[..., None, :]
        error = sigma_px * rng.normal(size=nodes.shape[:-1])
        keep = np.exp(-1.0 / memory_frames) if memory_frames else 0.0
        for k in range(1, len(error)):
            error[k] = keep * error[k - 1] + np.sqrt(1.0 - keep**2) * error[k]
        cards = np.isin(ids, list(CARD_CENTRES_MM))
        error[:, cards] += fixed_px * rng.normal(size=(int(cards.sum()), 4, 2))
        nodes = nodes + error[..., None] * outward
    return MarkerTracks(
        time_s=truth.time_s,
        ids=ids,
        nodes_px=nodes,
        sigma_px=np.full(nodes.shape[:-1], sigma_px if stated_px is None else stated_px),
        blur_px=np.full(nodes.shape[:-2], truth.blur_px),
    )


def without(tracks: MarkerTracks, marker_id: int, frames: slice | NDArray[np.bool_]) -> MarkerTracks:
    """The same tracks with a marker covered in some frames."""
    nodes = tracks.nodes_px.copy()
    nodes[frames, int(np.flatnonzero(tracks.ids == marker_id)[0])] = np.nan
    gone = np.isnan(nodes[..., 0])
    return replace(
        tracks,
        nodes_px=nodes,
        sigma_px=np.where(gone, np.nan, tracks.sigma_px),
        blur_px=np.where(gone[..., 0], np.nan, tracks.blur_px),
    )


def two_shafts(frames: int = 90, *, handheld: np.random.Generator | None = None, **changes: Any) -> Truth:
    """A motor and a shaft that turn 90 and 70 degrees, beside and above the card."""
    pose = looking(frames, middle_mm=(0.0, 60.0, 0.0))
    if handheld is not None:
        pose = shaken(pose, handheld)
    shafts = (
        TrueShaft(
            (-110.0, 130.0),
            there_and_back(frames, 90.0, 20.0),
            (TrueMarker(10, offset_mm=(2.0, 45.0, 28.0), tilt_rad=(0.01, -0.02)),),
            lean_rad=(0.015, -0.02),
        ),
        TrueShaft(
            (120.0, 140.0),
            there_and_back(frames, 70.0, -30.0),
            (TrueMarker(11, offset_mm=(-1.0, 55.0, 32.0), tilt_rad=(-0.015, 0.005)),),
            lean_rad=(0.02, 0.0),
        ),
    )
    # A phone's clock: the rate wanders.
    step = (1 / 30) * (1 + 0.1 * np.sin(np.arange(frames)))
    truth = Truth(time_s=np.cumsum(step), rotation=pose[0], translation=pose[1], shafts=shafts)
    return replace(truth, **changes)


def three_shafts(frames: int = 90, *, handheld: np.random.Generator | None = None, **changes: Any) -> Truth:
    """The same with a third shaft below the card."""
    truth = two_shafts(frames, handheld=handheld)
    third = TrueShaft(
        (40.0, -120.0),
        there_and_back(frames, -60.0, 100.0),
        (TrueMarker(12, offset_mm=(1.5, 42.0, 20.0)),),
        lean_rad=(0.01, -0.01),
    )
    return replace(truth, shafts=(*truth.shafts, third), **changes)


def departures_deg(found_rad: Floats, true_rad: Floats) -> Floats:
    """Differences of angles over a clip, less their mean (an angle's zero is free), wrapped, degrees."""
    off = np.angle(np.exp(1j * (found_rad - true_rad)))
    middle = np.angle(np.nanmean(np.exp(1j * off)))
    off = np.angle(np.exp(1j * (off - middle)))
    return np.rad2deg(off - np.nanmean(off))
