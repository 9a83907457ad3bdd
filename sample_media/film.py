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

from sample_media.develop import quantise
from sample_media.filming import ENCODERS, Film
from sample_media.mechanism import CLOCK_HZ, frame_times
from sample_media.render import Renderer
from sample_media.scene import Scene
from sample_media.truth import truth_document, truth_table

QUIET_X265 = "log-level=error:pools=1:frame-threads=1"
MPEG_RANGE, BT601 = 1, 6  # codes of H.273: narrow range, and the matrix of the panel's colours


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
            upright = [quantise(plane, film.bits) for plane in renderer.frame(float(time_s), number)]
            planes = [np.ascontiguousarray(np.rot90(plane, turns)) for plane in upright]
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
    asked = {"bframes": film.b_frames, "keyint": film.keyframe_gap}
    settings = [f"{name}={value}" for name, value in asked.items() if value is not None]
    if film.codec == "hevc":
        settings.append(QUIET_X265)
    if settings:
        options["x265-params" if film.codec == "hevc" else "x264-params"] = ":".join(settings)
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
        Files to write: angle table (see `truth_table`) and description.
    clip : Path or None
        The clip, for its name and bit rate.
    """
    table = truth_table(scene)
    with csv_path.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(table)
        for row in np.column_stack(list(table.values())) + 0.0:
            writer.writerow([f"{value:.6f}" for value in row])
    json_path.write_text(json.dumps(truth_document(scene, clip), indent=1) + "\n")
