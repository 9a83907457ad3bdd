"""Where the joint fit starts: key frames, the card's pose by itself, and shafts as circles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.errors import DetectionError, PoseError
from strokecurve.vision.joint_fit.camera import Camera, card_pose, meet_plane
from strokecurve.vision.joint_fit.joint import JointModel, JointSettings, JointState, card_ids_in
from strokecurve.vision.joint_fit.nodes import Nodes


def key_frames(nodes: Nodes, cards: int, most: int, least: int) -> NDArray[np.intp]:
    """Pick frames spread evenly along the path of the markers, the fullest ones first.

    Frames of a hold on a tripod repeat the same pixels with the same errors, so time alone would mislead.

    Parameters
    ----------
    nodes : Nodes
        Card markers first.
    cards : int
        How many of the markers are on the card.
    most, least : int
        How many frames at most, and how many there must be to pick from.

    Returns
    -------
    ndarray of int, shape (K,)
        Rising.

    Raises
    ------
    DetectionError
        If card and arms are seldom seen together.
    """
    seen = nodes.seen
    card_seen = seen[:, :cards].sum(axis=1)
    useful = np.flatnonzero((card_seen >= 1) & seen[:, cards:].any(axis=1))
    if len(useful) < least:
        raise DetectionError(
            f"The reference card and a marked arm are in the picture together in only {len(useful)} frames.",
            "Keep the whole card and all arm markers in view over the whole stroke.",
        )
    full = useful[seen[useful].sum(axis=1) >= np.quantile(seen[useful].sum(axis=1), 0.5)]
    pool = full if len(full) >= most // 2 else useful
    step = np.diff(nodes.pixels[pool, :, 0], axis=0)
    both = seen[pool][1:] & seen[pool][:-1]
    path = np.where(both, np.hypot(step[..., 0], step[..., 1]), 0.0).sum(axis=1) / np.maximum(
        both.sum(axis=1), 1
    )
    # A tenth of the key frames is spread over time alone, so that a clip without motion has some too.
    travelled = np.concatenate([[0.0], np.cumsum(path + 0.1 * path.mean() + 1e-9)])
    at = np.linspace(0.0, travelled[-1], min(most, len(pool)))
    chosen: NDArray[np.intp] = pool[np.unique(np.searchsorted(travelled, at).clip(0, len(pool) - 1))]
    return chosen


def initial_state(
    model: JointModel, tracks: MarkerTracks, ids: list[int], key: NDArray[np.intp]
) -> tuple[JointState, NDArray[np.intp]]:
    """Card pose by itself in each key frame, then shafts from circles in the plane of the arms.

    Parameters
    ----------
    model : JointModel
    tracks : MarkerTracks
    ids : list of int
        Markers of the model, those of the card first.
    key : ndarray of int, shape (K,)
        Frames to start with.

    Returns
    -------
    state : JointState
    kept : ndarray of int, shape (at most K,)
        Which of the key frames it holds for.

    Raises
    ------
    PoseError
        If the card cannot be placed in the key frames.
    """
    camera = _expected_camera(model.picture_wh_px, model.settings)
    column = {int(i): m for m, i in enumerate(tracks.ids)}
    corners = tracks.corners_px()[key][:, [column[i] for i in ids]]
    cards = len(model.card_ids)
    kept, rotation, translation = _card_poses(camera, model.card_ids, corners[:, :cards])
    height_mm = model.settings.height_mean_mm
    planes = [
        meet_plane(camera, rotation, translation, corners[kept, cards + b], height_mm)
        for b in range(len(model.mounted))
    ]
    angle, centre, mount_offset = _from_circles(model, planes)
    state = JointState(
        camera=camera,
        rotation=rotation,
        translation=translation,
        axis=np.repeat(np.eye(3)[None], model.shafts, axis=0),
        centre_mm=centre,
        mount_rotation=np.repeat(np.eye(3)[None], len(model.mounted), axis=0),
        mount_offset_mm=mount_offset,
        angle_rad=np.nan_to_num(angle),
    )
    return state, key[kept]


def _expected_camera(picture_wh_px: tuple[int, int], settings: JointSettings) -> Camera:
    """Give the camera that a phone most likely has."""
    width, height = picture_wh_px
    return Camera(settings.focal_per_width * max(width, height), (0.5 * (width - 1), 0.5 * (height - 1)))


def _card_poses(
    camera: Camera, card_ids: list[int], corners_px: Floats
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Frames in which the card can be made out, and its pose there: (K,), (K, 3, 3) and (K, 3)."""
    ids = np.array(card_ids, np.int64)
    kept, rotations, translations = [], [], []
    for k, corners in enumerate(corners_px):
        seen = np.isfinite(corners[:, 0, 0])
        pose = card_pose(camera, ids[seen], corners[seen])
        if pose is not None:
            kept.append(k)
            rotations.append(pose[0])
            translations.append(pose[1])
    if len(kept) < 3:
        raise PoseError(
            "The reference card cannot be made out.",
            "Fix it flat, roughly parallel to the arms, in full view.",
        )
    return np.array(kept, np.intp), np.array(rotations), np.array(translations)


def _from_circles(model: JointModel, planes: list[Floats]) -> tuple[Floats, Floats, Floats]:
    """Angles (K, B), centres (S, 2), offsets of B markers (B, 3), from corners (K, 4, 2) of each.

    The corners are in mm, in the plane of the arms.
    """
    centre = np.full((model.shafts, 2), np.nan)
    angle = np.zeros((len(planes[0]), len(model.mounted)))
    mount_offset = np.zeros((len(model.mounted), 3))
    mount_offset[:, 2] = model.settings.height_mean_mm
    for b, (marker, plane) in enumerate(zip(model.mounted, planes, strict=True)):
        up = plane[:, 0] + plane[:, 1] - plane[:, 2] - plane[:, 3]
        angle[:, b], middle = unwrapped(np.arctan2(-up[:, 0], up[:, 1])), plane.mean(axis=1)
        s = marker.shaft
        if np.isnan(centre[s]).any():  # the first marker of the shaft
            centre[s], mount_offset[b, :2] = _circle(angle[:, b], middle)
            continue
        c, sn = np.cos(angle[:, b]), np.sin(angle[:, b])
        off = middle - centre[s]
        turned_back = [c * off[:, 0] + sn * off[:, 1], c * off[:, 1] - sn * off[:, 0]]
        mount_offset[b, :2] = np.nanmean(np.stack(turned_back, 1), 0)
    return angle, centre, mount_offset


def _circle(angle_rad: Floats, middle_mm: Floats) -> tuple[Floats, Floats]:
    """Centre and offset of a marker that turns by known angles, from its positions (linear)."""
    good = np.isfinite(angle_rad) & np.isfinite(middle_mm).all(axis=1)
    c, s = np.cos(angle_rad[good]), np.sin(angle_rad[good])
    one, zero = np.ones_like(c), np.zeros_like(c)
    rows = np.concatenate([np.stack([one, zero, c, -s], 1), np.stack([zero, one, s, c], 1)])
    right = np.concatenate([middle_mm[good, 0], middle_mm[good, 1]])
    # Without turning, centre and offset cannot be told apart; a trace of ridge then keeps both finite.
    ridge = np.diag([0.0, 0.0, 1e-4, 1e-4]) * len(c)
    solution = np.linalg.solve(rows.T @ rows + ridge + 1e-9 * np.eye(4), rows.T @ right)
    return solution[:2], solution[2:]


def unwrapped(angle_rad: Floats) -> Floats:
    """Unwrap angles (rad), shape (F,), over the frames that have a value."""
    result = angle_rad.copy()
    good = np.isfinite(angle_rad)
    result[good] = np.unwrap(angle_rad[good])
    return result


def marker_sides(
    tracks: MarkerTracks, ids: list[int], candidates_mm: tuple[float, ...], picture_wh_px: tuple[int, int]
) -> dict[int, float]:
    """Tell the size of markers on arms and rods from the reference card.

    Parameters
    ----------
    tracks : MarkerTracks
        Markers followed through the clip.
    ids : list of int
        Markers whose size is asked for.
    candidates_mm : tuple of float
        Sizes that are printed.
    picture_wh_px : tuple of int
        Size of the stored picture.

    Returns
    -------
    dict of int to float
        The candidate nearest to the size each marker would have in a plane a little above the card; the first
        candidate where the card and the marker are never seen together.

    Notes
    -----
    A marker of 30 mm taken for one of 20 mm would have to float half way to the camera, so the choice is safe
    although the arm's height above the card is unknown.
    """
    settings = JointSettings()
    camera = _expected_camera(picture_wh_px, settings)
    corners = tracks.corners_px()
    column = {int(i): m for m, i in enumerate(tracks.ids)}
    cards = card_ids_in(tracks)
    sizes: dict[int, float] = {}
    for marker_id in ids:
        together = np.isfinite(corners[:, column[marker_id], 0, 0])
        together &= np.isfinite(corners[:, [column[c] for c in cards], 0, 0]).any(axis=1)
        measured = []
        for k in np.flatnonzero(together)[:: max(1, int(together.sum()) // 9)]:
            seen = [c for c in cards if np.isfinite(corners[k, column[c], 0, 0])]
            pose = card_pose(camera, np.array(seen, np.int64), corners[k, [column[c] for c in seen]])
            if pose is not None:
                quad = corners[k : k + 1, column[marker_id]]
                plane = meet_plane(camera, pose[0][None], pose[1][None], quad, settings.height_mean_mm)[0]
                measured.append(np.linalg.norm(np.roll(plane, -1, axis=0) - plane, axis=1).mean())
        size = float(np.median(measured)) if measured else candidates_mm[0]
        sizes[marker_id] = min(candidates_mm, key=lambda c: abs(np.log(c / size)))
    return sizes
