"""A second way from the truth document to pixels, by OpenCV's projection at each row's own pose.

Places of markers are worked out again from the document's plain values; of the renderer only the camera's
pose, the arms' directions and the steadied picture's turn and shift are taken, as numbers.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from sample_media.layers import INK, PAPER
from sample_media.render import Renderer

Document = dict[str, Any]
CARD_SIDE_MM = 40.0
CARD_CORNERS_MM = {0: (-70.0, 45.0), 1: (70.0, 45.0), 2: (70.0, -45.0), 3: (-70.0, -45.0)}
STEPS = 5  # each brings the row's time about a hundred times closer


def intrinsics(camera: Document) -> tuple[np.ndarray, np.ndarray]:
    """Camera matrix and distortion in OpenCV's form."""
    K = np.array([[camera["fx"], 0, camera["cx"]], [0, camera["fy"], camera["cy"]], [0, 0, 1]])
    return K, np.array([camera["k1"], camera["k2"], camera["p1"], camera["p2"]], float)


def _arm_markers(document: Document) -> dict[int, tuple[Document, Document]]:
    """Shaft and mounting of every arm marker by id."""
    return {
        marker["marker_id"]: (shaft, marker)
        for shaft in document["shafts"]
        for marker in (shaft, *shaft["second_markers"])
    }


def ids(document: Document) -> list[int]:
    """Every marker of the scene."""
    card = [k for k in CARD_CORNERS_MM if k not in document["card"]["missing_ids"]]
    return [*card, *_arm_markers(document), *(rod["marker_id"] for rod in document["rods"])]


def side_mm(document: Document, marker_id: int) -> float:
    """Side of a marker."""
    if marker_id in CARD_CORNERS_MM:
        return CARD_SIDE_MM
    if marker_id in _arm_markers(document):
        return _arm_markers(document)[marker_id][1]["marker_side_mm"]
    return next(rod["side_mm"] for rod in document["rods"] if rod["marker_id"] == marker_id)


def _axis(shaft: Document) -> tuple[np.ndarray, np.ndarray]:
    """Where a shaft passes z = 0, and its own axes as columns."""
    centre = np.array(shaft["centre_mm"])
    if "frame" not in shaft:
        return np.append(centre, 0.0), np.eye(3)
    return centre - shaft["marker_plane_offset_mm"] * np.array(shaft["axis"]), np.array(shaft["frame"])


def _point(shaft: Document, out_mm: float, left_mm: float, height_mm: float, arm_rad: float) -> np.ndarray:
    """World point from coordinates along and to the left of an arm, and up the shaft's axis."""
    base, frame = _axis(shaft)
    c, s = np.cos(arm_rad), np.sin(arm_rad)
    return base + frame @ [out_mm * c - left_mm * s, out_mm * s + left_mm * c, height_mm]


def _arm_rad(renderer: Renderer, linkage: int, end: str, time_s: float) -> float:
    """Direction of one arm at one time."""
    motion = renderer.mechanism
    rows = motion.drive_arm_rad if end == "drive" else motion.driven_arm_rad
    return float(np.interp(time_s, motion.time_s, rows[linkage]))


def pins_mm(renderer: Renderer, document: Document, linkage: int, time_s: float) -> np.ndarray:
    """Ball joints of a rod, (2, 3)."""
    known = document["linkages"][linkage]
    return np.array(
        [
            _point(
                document["shafts"][known[f"{end}_shaft"]],
                known[f"{end}_radius_mm"],
                0.0,
                height_mm,
                _arm_rad(renderer, linkage, end, time_s),
            )
            for end, height_mm in zip(("drive", "driven"), known["rod_end_heights_mm"], strict=True)
        ]
    )


def marker_frame(
    renderer: Renderer, document: Document, marker_id: int, time_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Centre of a marker, and its right and up sides as columns (3, 2), world, at one time."""
    if marker_id in CARD_CORNERS_MM:
        turn = np.array(document["card"]["rotation"])
        return np.array(document["card"]["centre_mm"]) + turn[:, :2] @ CARD_CORNERS_MM[marker_id], turn[:, :2]
    if marker_id in _arm_markers(document):
        shaft, marker = _arm_markers(document)[marker_id]
        motion, on = renderer.mechanism, marker["on_arm"]
        if on is None:
            arm = float(np.interp(time_s, motion.time_s, motion.shaft_rad[shaft["shaft"]]))
        else:
            arm = _arm_rad(renderer, on["linkage"], on["end"], time_s)
        place = [marker[k] for k in ("centre_along_arm_mm", "centre_across_arm_mm", "marker_plane_offset_mm")]
        up = arm + np.deg2rad(marker["mount_angle_deg"])
        c, s = np.cos(up), np.sin(up)
        return _point(shaft, *place, arm), _axis(shaft)[1] @ np.array([[s, c], [-c, s], [0.0, 0.0]])
    rod = next(rod for rod in document["rods"] if rod["marker_id"] == marker_id)
    start, end = pins_mm(renderer, document, rod["rod"], time_s)
    along = (end - start) / np.linalg.norm(end - start)
    left = np.cross([0.0, 0.0, 1.0], along)
    left /= np.linalg.norm(left)
    top = np.cross(along, left)
    mount = np.deg2rad(rod["mount_angle_deg"])
    up = np.cos(mount) * along + np.sin(mount) * left
    centre = start + rod["centre_along_rod_mm"] * along + rod["height_above_rod_axis_mm"] * top
    return centre, np.stack([np.cross(up, top), up], axis=1)


def row_time_s(document: Document, sensor_px: np.ndarray) -> float:
    """Time from the frame's time at which a pixel of the upright sensor is exposed."""
    width, height = document["shown_size"]
    x, y = sensor_px
    row, column = {
        0: (y, x),
        90: (width - 1 - x, y),
        180: (height - 1 - y, width - 1 - x),
        270: (x, height - 1 - y),
    }[document["rotation_flag_deg_clockwise"]]
    columns, rows = document["stored_size"]
    share = row / rows if document["readout_along"] == "rows" else column / columns
    return (share - 0.5) * document["row_readout_s"]


def seen_px(
    renderer: Renderer, document: Document, marker_id: int, plane_mm: np.ndarray, time_s: float
) -> np.ndarray:
    """Shown pixels (P, 2) where points (P, 2) of a marker's face appear in the frame of one time."""
    K, distortion = intrinsics(document["camera"])
    place = renderer.shot(time_s).place
    c, s = np.cos(place.turn_rad), np.sin(place.turn_rad)
    seen = []
    for point in plane_mm:
        offset = 0.0
        for _ in range(STEPS):
            centre, sides = marker_frame(renderer, document, marker_id, time_s + offset)
            pose = renderer.path.pose(time_s + offset)
            K[0, 0] = K[1, 1] = pose.focal_px
            turn, _ = cv2.Rodrigues(pose.rotation)
            world = (centre + sides @ point).reshape(1, 3)
            sensor = cv2.projectPoints(world, turn, pose.translation_mm, K, distortion)[0].reshape(2)
            offset = row_time_s(document, sensor)
        seen.append(
            np.array([[c, -s], [s, c]]) @ (sensor - place.centre_px) + place.centre_px + place.shift_px
        )
    return np.array(seen)


def profile_errors(light: np.ndarray, edge_px: np.ndarray, outward: np.ndarray) -> np.ndarray:
    """Edge position by covered area minus truth, px, for each pixel row or column across one marker edge.

    The black share of a line of pixels across the edge is its position: no threshold, no model of blur.
    """
    axis = int(np.abs(outward[1]) > np.abs(outward[0]))
    lines = light.T if axis == 1 else light
    order = np.argsort(edge_px[:, 1 - axis])
    along, across = edge_px[order, 1 - axis], edge_px[order, axis]
    errors = []
    for line in range(int(np.ceil(along[0])) + 1, int(np.floor(along[-1])) - 1):
        truth = np.interp(line + np.linspace(-0.5, 0.5, 11), along, across).mean()
        middle = round(truth)
        black = np.sum((PAPER - lines[line, middle - 3 : middle + 4]) / (PAPER - INK))
        place = middle - 3.5 + black if outward[axis] > 0 else middle + 3.5 - black
        errors.append((place - truth) * np.sign(outward[axis]))
    return np.array(errors)
