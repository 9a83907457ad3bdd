"""Write a scene to disk: the encoded clip and its truth."""

from __future__ import annotations

import csv
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from sample_media.mechanism import CLOCK_HZ, Mechanism, frame_times, motion_length_s, solve, spacing_and_line
from sample_media.optics import CameraPath, principal_point
from sample_media.render import Renderer, quantise
from sample_media.scene import Card, Film, Linkage, Scene
from sample_media.staging import card_axes, rod_length_mm

ENCODERS = {"h264": "libx264", "hevc": "libx265"}
QUIET_X265 = "log-level=error:pools=1:frame-threads=1"
WORLD = "x right, y up, z toward camera; arms rotate about z; mm, degrees, ccw positive seen by the camera"
START_NOTE = "driven starts close the linkage at mid-play; at rest the arm stands half the play toward open"
MPEG_RANGE, BT601 = 1, 6  # codes of H.273: narrow range, and the matrix of the panel's colours


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


def write_clip(scene: Scene, path: Path) -> None:
    """Render and encode a clip (MP4).

    Parameters
    ----------
    scene : Scene
    path : Path
        File to write; replaced if it exists.
    """
    renderer = Renderer(scene)
    film = scene.film
    turns = film.rotation_deg_clockwise // 90
    with av.open(str(path), "w", format="mp4", options={"video_track_timescale": str(CLOCK_HZ)}) as container:
        stream = _open_stream(container, scene)
        for number, time_s in enumerate(frame_times(scene)):
            luma = quantise(renderer.luma(float(time_s), number), film.bits)
            blue, red = (quantise(plane, film.bits) for plane in renderer.chroma(float(time_s)))
            planes = [np.ascontiguousarray(np.rot90(plane, turns)) for plane in (luma, blue, red)]
            frame = _frame(planes, "yuv420p" if film.bits == 8 else "yuv420p10le")
            frame.pts = round(time_s * CLOCK_HZ)
            frame.time_base = Fraction(1, CLOCK_HZ)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def _open_stream(container: Any, scene: Scene) -> Any:
    """Video stream with the film's settings."""
    film: Film = scene.film
    options = {"preset": film.preset}
    if film.bitrate is None:
        options["crf"] = f"{film.crf:g}"
    if film.codec == "hevc":
        options["x265-params"] = QUIET_X265
    rate = Fraction(film.fps).limit_denominator(1001)
    stream = container.add_stream(ENCODERS[film.codec], rate=rate, options=options)
    width, height = scene.camera.size_wh
    sideways = film.rotation_deg_clockwise % 180 != 0
    stream.width, stream.height = (height, width) if sideways else (width, height)
    stream.pix_fmt = "yuv420p" if film.bits == 8 else "yuv420p10le"
    context = stream.codec_context
    context.time_base = Fraction(1, CLOCK_HZ)
    context.thread_count = 1
    context.color_range, context.colorspace = MPEG_RANGE, BT601
    if film.bitrate is not None:
        stream.bit_rate = int(film.bitrate)
    if film.codec == "hevc":
        context.codec_tag = "hvc1"
    if film.rotation_deg_clockwise:
        # The flag counts counter-clockwise.
        stream.set_display_rotation(-film.rotation_deg_clockwise)
    return stream


def _frame(planes: list[NDArray[Any]], pixel_format: str) -> av.VideoFrame:
    """Frame from a luma and two chroma planes of uint8 or uint16."""
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, pixel_format)
    for target, plane in zip(frame.planes, planes, strict=True):
        row_bytes = plane.shape[1] * plane.itemsize
        rows = np.zeros((plane.shape[0], target.line_size), np.uint8)
        rows[:, :row_bytes] = plane.view(np.uint8).reshape(plane.shape[0], row_bytes)
        target.update(rows.tobytes())
    return frame


def write_truth(scene: Scene, csv_path: Path, json_path: Path, clip: Path | None = None) -> None:
    """Write the truth table and the truth document.

    Parameters
    ----------
    scene : Scene
    csv_path, json_path : Path
        Files to write: angle table (``time_s``, ``motor_deg``, ...) and description.
    clip : Path or None
        The clip, for its name and bit rate.
    """
    time_s, angle = truth_angles(scene)
    with csv_path.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time_s", *(f"{name}_deg" for name in shaft_names(scene))])
        for row in np.column_stack([time_s, angle.T]) + 0.0:
            writer.writerow([f"{value:.6f}" for value in row])
    json_path.write_text(json.dumps(truth_document(scene, clip), indent=1) + "\n")


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
        "time_of_frame": "centre of exposure; no rolling shutter",
        "camera": _camera_truth(scene),
        "world": WORLD,
        "card": _card_truth(scene.card),
        "shafts": _shaft_truth(scene, angle),
        "linkages": [_linkage_truth(scene, mechanism, k) for k in range(len(scene.linkages))],
        "rods": _rod_truth(scene),
        "slips": [
            {"linkage": s.linkage, "end": s.end, "time_s": s.time_s, "angle_deg": s.angle_deg}
            for s in scene.slips
        ],
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


def _shaft_truth(scene: Scene, angle_deg: NDArray[np.float64]) -> list[dict[str, Any]]:
    """Centres, markers and travel (largest departure from the first frame, signed)."""
    shafts = []
    for number, shaft in enumerate(scene.shafts):
        row = angle_deg[number]
        entry: dict[str, Any] = {"shaft": number, "centre_mm": list(shaft.centre_mm)}
        markers = [
            {
                "marker_id": m.marker_id,
                "marker_side_mm": m.side_mm,
                "marker_plane_offset_mm": m.height_mm,
                "mount_angle_deg": m.mount_angle_deg,
                "centre_along_arm_mm": m.along_mm,
                "centre_across_arm_mm": m.across_mm,
            }
            for m in shaft.markers
        ]
        entry |= markers[0] if markers else {}
        entry["second_markers"] = markers[1:]
        entry["travel_deg"] = float(row[np.argmax(np.abs(row))])
        shafts.append(entry)
    return shafts


def _acute(angle_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle between two lines from the difference of their directions, degrees, 0 to 90."""
    return np.rad2deg(np.arcsin(np.abs(np.sin(angle_rad))))


def _linkage_truth(scene: Scene, mechanism: Mechanism, number: int) -> dict[str, Any]:
    """Geometry, play and toggle margins of one linkage."""
    linkage: Linkage = scene.linkages[number]
    spacing, line = spacing_and_line(scene, linkage)
    drive, end = mechanism.drive_arm_rad[number], mechanism.closed_rad[number]
    across = np.array([spacing * np.cos(line), spacing * np.sin(line)])
    rod = (
        across[:, None]
        + linkage.driven_radius_mm * np.stack([np.cos(end), np.sin(end)])
        - linkage.drive_radius_mm * np.stack([np.cos(drive), np.sin(drive)])
    )
    rod_rad = np.arctan2(rod[1], rod[0])
    motor_deg = np.rad2deg(mechanism.shaft_rad[0] - mechanism.shaft_rad[0, 0])
    shown = (mechanism.time_s >= 0) & (mechanism.time_s <= motion_length_s(scene))
    margins = {}
    for name, arm in (("drive", drive), ("driven", end)):
        margin = np.where(shown, _acute(rod_rad - arm), np.inf)
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
        "rod_length_mm": rod_length_mm(linkage),
        "rod_length_in_plane_mm": linkage.rod_mm,
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
                "centre_along_rod_mm": marker.along * rod_length_mm(linkage),
                "height_above_rod_axis_mm": marker.height_mm,
                "side_mm": marker.side_mm,
                "mount_note": "angle of the marker's up side from the rod direction drive pin -> driven pin",
            }
        )
    return rods
