"""Small clips written with PyAV whose every frame can be told apart by its brightness."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

CLOCK = Fraction(1, 90_000)


def bright(number: int) -> int:
    """Grey level of the left half of a frame."""
    return 40 + 5 * (number % 40)


def picture(number: int, width: int = 160, height: int = 96, bits: int = 8) -> NDArray[Any]:
    """Luma: grey that tells the number on the left, black top right, white bottom right."""
    luma = np.full((height, width), bright(number), np.uint16)
    luma[: height // 2, width // 2 :] = 16
    luma[height // 2 :, width // 2 :] = 235
    return (luma << (bits - 8)).astype(np.uint8 if bits == 8 else np.uint16)


def write_clip(
    path: Path,
    times_s: NDArray[np.float64],
    *,
    codec: str = "libx264",
    bits: int = 8,
    rotation_deg: int = 0,
    gop: int = 12,
    full_range: bool = False,
    options: dict[str, str] | None = None,
) -> None:
    """Write a clip with frames shown at the times given."""
    with av.open(str(path), "w", options=options or {}) as container:
        stream: Any = container.add_stream(codec, rate=30)
        stream.width, stream.height = 160, 96
        stream.pix_fmt = "yuv420p" if bits == 8 else "yuv420p10le"
        context = stream.codec_context
        context.time_base, context.gop_size, context.thread_count = CLOCK, gop, 1
        context.color_range = 2 if full_range else 1
        stream.options = {"crf": "12", "preset": "veryfast"}
        if codec == "libx265":
            stream.options |= {"x265-params": f"log-level=error:pools=1:frame-threads=1:keyint={gop}"}
        if rotation_deg:
            stream.set_display_rotation(rotation_deg)
        for number, time_s in enumerate(times_s):
            container.mux(stream.encode(_frame(picture(number, bits=bits), stream.pix_fmt, time_s)))
        container.mux(stream.encode(None))


def _frame(luma: NDArray[Any], pixel_format: str, time_s: float) -> av.VideoFrame:
    frame = av.VideoFrame(luma.shape[1], luma.shape[0], pixel_format)
    grey = 128 if luma.itemsize == 1 else 512
    half = np.full((luma.shape[0] // 2, luma.shape[1] // 2), grey, luma.dtype)
    for plane, values in zip(frame.planes, (luma, half, half), strict=True):
        rows = np.zeros((values.shape[0], plane.line_size), np.uint8)
        rows[:, : values.shape[1] * values.itemsize] = values.view(np.uint8).reshape(values.shape[0], -1)
        plane.update(rows.tobytes())
    frame.pts, frame.time_base = round(time_s / CLOCK), CLOCK
    return frame


def phone_times(count: int) -> NDArray[np.float64]:
    """Times of a phone that slows down in the dark: 24 to 30 frames a second, one frame dropped."""
    step = np.where(np.arange(count) % 20 < 10, 1 / 30, 1 / 24)
    step[count // 2] *= 2
    return np.round((np.cumsum(step) - step[0]) * 90_000) / 90_000
