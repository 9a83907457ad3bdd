"""What is known of a scene: the angle of every shaft in every frame, and everything else as plain values."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_media.filming import ENCODERS
from sample_media.mechanism import Mechanism, frame_times, motion_length_s, solve, spacing_and_line
from sample_media.optics import CameraPath, principal_point
from sample_media.scene import ArmMarker, Card, Linkage, Scene, Slip
from sample_media.space import is_spatial, on_shaft, shaft_axes
from sample_media.staging import arm_directions, card_axes, rod_length_mm, rod_pins

WORLD = "x right, y up, z toward camera; arms rotate about z; mm, degrees, ccw positive seen by the camera"
WORLD_IN_SPACE = (
    "x right, y up, z toward camera; each arm rotates about its shaft's axis (shafts[].axis), ccw positive "
    "seen from where the axis points; angle 0 = the first column of shafts[].frame; mm, degrees; heights "
    "count along the shaft's axis from where it passes z = 0"
)
READOUT_NOTE = (
    "row r of H (column, if along columns) of the stored picture is exposed about "
    "(r / H - 1/2) * row_readout_s after the frame's time"
)
START_NOTE = "driven starts close the linkage at mid-play; at rest the arm stands half the play toward open"


def shaft_names(scene: Scene) -> list[str]:
    """Default names of the shafts: motor, shaft1, shaft2, ..."""
    return ["motor", *(f"shaft{k}" for k in range(1, len(scene.shafts)))]


def truth_angles(scene: Scene) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """True angle of every shaft in every frame.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    time_s : (F,) array
    angle_deg : (S, F) array
        From the first frame, counter-clockwise positive as seen by the camera.
    """
    time_s = frame_times(scene)
    angle = np.rad2deg(solve(scene).shafts_at(time_s))
    return time_s, angle - angle[:, :1]


def slipped_arms(scene: Scene) -> dict[tuple[int, str], str]:
    """Arms that slip on a shaft, (linkage, end), with the name of each in the truth table.

    ``arm1`` is the arm that slips on shaft1; if two of a shaft's arms slip, the second is ``arm1_2``.
    """
    names: dict[tuple[int, str], str] = {}
    for slip in scene.slips:
        if (slip.linkage, slip.end) in names:
            continue
        plain = f"arm{_slipping_shaft(scene, slip)}"
        taken = [name for name in names.values() if name.split("_")[0] == plain]
        names[slip.linkage, slip.end] = f"{plain}_{len(taken) + 1}" if taken else plain
    return names


def _slipping_shaft(scene: Scene, slip: Slip) -> int:
    """Number of the shaft on which an arm slips."""
    linkage = scene.linkages[slip.linkage]
    return linkage.driver if slip.end == "drive" else linkage.driven


def truth_table(scene: Scene) -> dict[str, NDArray[np.float64]]:
    """Columns of the truth table.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    dict
        ``time_s``, then ``motor_deg``, ``shaft1_deg``, ... as `truth_angles` gives them, then the angle of
        each arm that slips: ``arm1_deg`` for one that slips on shaft1; (F,) each.
    """
    time_s, angle = truth_angles(scene)
    table = {"time_s": time_s}
    table |= {f"{name}_deg": row for name, row in zip(shaft_names(scene), angle, strict=True)}
    mechanism = solve(scene)
    for arm, name in slipped_arms(scene).items():
        own = np.rad2deg(np.interp(time_s, mechanism.time_s, arm_directions(mechanism, arm)))
        table[f"{name}_deg"] = own - own[0]
    return table


def truth_document(scene: Scene, clip: Path | None = None) -> dict[str, Any]:
    """Everything known about a scene, as plain values (mm, degrees, s, px).

    ``..._arm_start_deg`` are world directions; ``drive_start_deg`` and ``driven_start_deg`` count from the
    line of centres.

    Parameters
    ----------
    scene : Scene
    clip : Path or None
        The clip, for its name and bit rate.

    Returns
    -------
    dict
    """
    mechanism = solve(scene)
    time_s, angle = truth_angles(scene)
    film, size = scene.film, list(scene.camera.size_wh)
    in_space = any(shaft.tilt_deg != 0 for shaft in scene.shafts)
    return {
        "clip": scene.name,
        "file": clip.name if clip else None,
        "frames": len(time_s),
        "duration_s": float(time_s[-1]),
        "fps": film.fps,
        "variable_frame_rate": film.jitter_s > 0,
        "stored_size": size[::-1] if film.rotation_deg_clockwise % 180 else size,
        "shown_size": size,
        "rotation_flag_deg_clockwise": film.rotation_deg_clockwise,
        "codec": ENCODERS[film.codec],
        "bits": film.bits,
        "target_bitrate": film.bitrate,
        "actual_bitrate": 8 * clip.stat().st_size / float(time_s[-1]) if clip else None,
        "exposure_s": scene.picture.exposure_s,
        "time_of_frame": "centre of exposure (of the middle row)",
        "row_readout_s": film.row_readout_s,
        "readout_along": film.readout_along,
        "readout_note": READOUT_NOTE,
        "steadied_share": scene.camera.steadied_share,
        "focus_breathing": scene.camera.breathing_share,
        "camera": _camera_truth(scene),
        "world": WORLD_IN_SPACE if in_space else WORLD,
        "card": _card_truth(scene.card),
        "shafts": [_shaft_truth(scene, number, angle[number], in_space) for number in range(len(angle))],
        "linkages": [_linkage_truth(scene, mechanism, k) for k in range(len(scene.linkages))],
        "rods": _rod_truth(scene),
        "slips": [_slip_truth(scene, slip) for slip in scene.slips],
    }


def _camera_truth(scene: Scene) -> dict[str, Any]:
    """Intrinsics and first pose."""
    camera = scene.camera
    cx, cy = principal_point(camera)
    pose = CameraPath(camera).pose(0.0)
    half_view = np.arctan(max(camera.size_wh) / 2 / camera.focal_px)
    return {
        "fx": camera.focal_px,
        "fy": camera.focal_px,
        "cx": cx,
        "cy": cy,
        "k1": camera.k1,
        "k2": camera.k2,
        "p1": 0,
        "p2": 0,
        "hfov_long_side_deg": float(np.rad2deg(2 * half_view)),
        "note": "intrinsics are for the SHOWN (upright) image; pixel centres at integers",
        "distance_mm": camera.distance_mm,
        "handheld_mm": camera.shake_mm,
        "handheld_deg": camera.shake_deg,
        "tremor_mm": camera.tremor_mm,
        "tremor_deg": camera.tremor_deg,
        "pans": [asdict(pan) for pan in camera.pans],
        "first_pose": {
            "centre_mm": pose.centre_mm.tolist(),
            "axes_columns_xright_ydown_zfwd": pose.rotation.T.tolist(),
        },
    }


def _card_truth(card: Card | None) -> dict[str, Any]:
    """Pose and completeness of the card."""
    if card is None:
        return {"present": False}
    return {
        "centre_mm": list(card.centre_mm),
        "rotation": card_axes(card).tolist(),
        "tilt_deg": card.tilt_deg,
        "tilt_axis_deg": card.tilt_axis_deg,
        "missing_ids": list(card.missing_ids),
        "present": True,
    }


def _marker_truth(marker: ArmMarker) -> dict[str, Any]:
    """Mounting of one marker of a shaft."""
    return {
        "marker_id": marker.marker_id,
        "marker_side_mm": marker.side_mm,
        "marker_plane_offset_mm": marker.height_mm,
        "mount_angle_deg": marker.mount_angle_deg,
        "centre_along_arm_mm": marker.along_mm,
        "centre_across_arm_mm": marker.across_mm,
        "on_arm": None if marker.arm is None else {"linkage": marker.arm[0], "end": marker.arm[1]},
    }


def _shaft_truth(scene: Scene, number: int, angle_deg: NDArray[np.float64], in_space: bool) -> dict[str, Any]:
    """Centre, markers and travel (largest departure from the first frame, signed).

    In space the centre is that of the main marker's plane, a world point; else x and y of the axis.
    """
    shaft = scene.shafts[number]
    markers = [_marker_truth(marker) for marker in shaft.markers]
    entry: dict[str, Any] = {"shaft": number, "centre_mm": list(shaft.centre_mm)}
    if in_space:
        height = shaft.markers[0].height_mm if shaft.markers else 0.0
        entry["centre_mm"] = on_shaft(shaft, 0.0, 0.0, height).tolist()
    entry |= markers[0] if markers else {}
    entry["second_markers"] = markers[1:]
    entry["travel_deg"] = float(angle_deg[np.argmax(np.abs(angle_deg))])
    if in_space:
        frame = shaft_axes(shaft)
        entry |= {"axis": frame[:, 2].tolist(), "frame": frame.tolist(), "tilt_deg": shaft.tilt_deg}
    return entry


def _slip_truth(scene: Scene, slip: Slip) -> dict[str, Any]:
    """One slip: which arm, which markers go with it and which stay true."""
    shaft, arm = _slipping_shaft(scene, slip), (slip.linkage, slip.end)
    markers = scene.shafts[shaft].markers
    return {
        "linkage": slip.linkage,
        "end": slip.end,
        "shaft": shaft,
        "time_s": slip.time_s,
        "duration_s": slip.duration_s,
        "angle_deg": slip.angle_deg,
        "arm_against_shaft_deg": slip.angle_deg if slip.end == "drive" else -slip.angle_deg,
        "column": f"{slipped_arms(scene)[arm]}_deg",
        "slipped_marker_ids": [m.marker_id for m in markers if m.arm == arm],
        "true_marker_ids": [m.marker_id for m in markers if m.arm != arm],
    }


def _acute(angle_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle between two lines from the difference of their directions, degrees, 0 to 90."""
    return np.rad2deg(np.arcsin(np.abs(np.sin(angle_rad))))


def _margins(scene: Scene, mechanism: Mechanism, number: int) -> dict[str, NDArray[np.float64]]:
    """Angle of the rod to either arm's in-line position at every time without play, degrees, (N,).

    In a plane that is the angle between two lines; in space the arcsine of how far the rod points along the
    path of its ball joint.
    """
    linkage = scene.linkages[number]
    drive, end = mechanism.drive_arm_rad[number], mechanism.closed_rad[number]
    if is_spatial(scene, linkage):
        pins = rod_pins(scene, linkage, drive, end)
        rod = pins[:, 1] - pins[:, 0]
        rod /= np.linalg.norm(rod, axis=1, keepdims=True)
        ends = (("drive", linkage.driver, drive), ("driven", linkage.driven, end))
        return {name: _along_path(shaft_axes(scene.shafts[k]), arm, rod) for name, k, arm in ends}
    spacing, line = spacing_and_line(scene, linkage)
    across = np.array([spacing * np.cos(line), spacing * np.sin(line)])
    rod = (
        across[:, None]
        + linkage.driven_radius_mm * np.stack([np.cos(end), np.sin(end)])
        - linkage.drive_radius_mm * np.stack([np.cos(drive), np.sin(drive)])
    )
    rod_rad = np.arctan2(rod[1], rod[0])
    return {"drive": _acute(rod_rad - drive), "driven": _acute(rod_rad - end)}


def _along_path(
    axes: NDArray[np.float64], arm_rad: NDArray[np.float64], rod: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Arcsine, degrees, of a rod's unit vectors (N, 3) along the way of a ball joint on an arm (N,)."""
    tangent = np.multiply.outer(np.cos(arm_rad), axes[:, 1]) - np.multiply.outer(np.sin(arm_rad), axes[:, 0])
    return np.rad2deg(np.arcsin(np.abs(np.sum(rod * tangent, axis=1))))


def _space_truth(scene: Scene, linkage: Linkage) -> dict[str, Any]:
    """How the shafts of a linkage in space stand to each other."""
    driver, driven = scene.shafts[linkage.driver], scene.shafts[linkage.driven]
    a, b = shaft_axes(driver)[:, 2], shaft_axes(driven)[:, 2]
    normal = np.cross(a, b)
    between = np.subtract([*driven.centre_mm, 0.0], [*driver.centre_mm, 0.0])
    size = float(np.linalg.norm(normal))
    apart = abs(between @ normal) / size if size > 0 else np.linalg.norm(np.cross(between, a))
    return {
        "spatial": True,
        "axis_angle_deg": float(np.rad2deg(np.arctan2(size, a @ b))),
        "axis_distance_mm": float(apart),
        "drive_ball_circle_centre_mm": on_shaft(driver, 0.0, 0.0, linkage.drive_pin_height_mm).tolist(),
        "driven_ball_circle_centre_mm": on_shaft(driven, 0.0, 0.0, linkage.driven_pin_height_mm).tolist(),
    }


def _linkage_truth(scene: Scene, mechanism: Mechanism, number: int) -> dict[str, Any]:
    """Geometry, play and toggle margins of one linkage."""
    linkage: Linkage = scene.linkages[number]
    in_space = is_spatial(scene, linkage)
    spacing, line = spacing_and_line(scene, linkage)
    drive, end = mechanism.drive_arm_rad[number], mechanism.closed_rad[number]
    motor_deg = np.rad2deg(mechanism.shaft_rad[0] - mechanism.shaft_rad[0, 0])
    shown = (mechanism.time_s >= 0) & (mechanism.time_s <= motion_length_s(scene))
    margins = {}
    for name, angle in _margins(scene, mechanism, number).items():
        margin = np.where(shown, angle, np.inf)
        at = int(np.argmin(margin))
        margins[f"toggle_margin_{name}_arm_deg"] = float(margin[at])
        margins[f"toggle_margin_{name}_arm_at_motor_deg"] = float(motor_deg[at])
    heights = [linkage.drive_pin_height_mm, linkage.driven_pin_height_mm]
    lost = np.deg2rad(linkage.lost_motion_deg)
    travel = np.rad2deg(end - end[0])
    return {
        "linkage": number,
        "drive_shaft": linkage.driver,
        "driven_shaft": linkage.driven,
        "drive_radius_mm": linkage.drive_radius_mm,
        "driven_radius_mm": linkage.driven_radius_mm,
        "rod_length_mm": rod_length_mm(scene, linkage),
        "rod_length_in_plane_mm": None if in_space else linkage.rod_mm,
        "shaft_distance_mm": spacing,
        "ground_line_deg": float(np.rad2deg(line)),
        "drive_arm_start_deg": float(np.rad2deg(drive[0])),
        "driven_arm_start_deg": float(np.rad2deg(end[0])),
        "drive_start_deg": float(np.rad2deg(drive[0] - line)),
        "driven_start_deg": float(np.rad2deg(end[0] - line)),
        "driven_start_at_rest_deg": float(np.rad2deg(mechanism.driven_arm_rad[number, 0] - line)),
        "start_note": START_NOTE,
        "branch": linkage.branch,
        "drive_arm_plane_offset_mm": linkage.drive_arm_height_mm,
        "driven_arm_plane_offset_mm": linkage.driven_arm_height_mm,
        "rod_end_heights_mm": heights,
        "lost_motion_deg_at_driven": linkage.lost_motion_deg,
        "lost_motion_mm_at_driven_pin": float(linkage.driven_radius_mm * lost),
        **margins,
        "ideal_driven_travel_deg": float(travel[np.argmax(np.abs(travel))]),
        **(_space_truth(scene, linkage) if in_space else {}),
    }


def _rod_truth(scene: Scene) -> list[dict[str, Any]]:
    """Rods that carry a marker."""
    rods = []
    for number, linkage in enumerate(scene.linkages):
        marker = linkage.rod_marker
        if marker is None:
            continue
        rods.append(
            {
                "rod": number,
                "marker_id": marker.marker_id,
                "mount_angle_deg": marker.mount_angle_deg,
                "centre_along_rod_mm": marker.along * rod_length_mm(scene, linkage),
                "height_above_rod_axis_mm": marker.height_mm,
                "side_mm": marker.side_mm,
                "mount_note": "angle of the marker's up side from the rod direction drive pin -> driven pin",
            }
        )
    return rods
