"""Upright colour pictures for people: one frame of a clip, or a whole clip drawn over."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.errors import VideoError
from strokecurve.vision.video.reader import SAFE_OPENING, ClipFacts, ClipReader

Rgb = NDArray[np.uint8]
_CLOCK = Fraction(1, 90_000)


@dataclass(frozen=True, slots=True)
class Purpose:
    """What a clip is written for.

    Attributes
    ----------
    longest_side_px : int
        Larger pictures are made smaller.
    options : mapping
        Of the encoder.
    stage : str
        What to call the work while it goes on.
    """

    longest_side_px: int
    options: Mapping[str, str]
    stage: str


WATCHING = Purpose(1920, MappingProxyType({"preset": "veryfast", "crf": "24"}), "drawing the overlay")
MOVING_ABOUT = Purpose(
    1280, MappingProxyType({"preset": "ultrafast", "crf": "23", "g": "8"}), "preparing the frames"
)
"""For going to any frame at once: no frame is more than eight pictures away from one that stands alone."""


@dataclass(frozen=True, slots=True)
class Picture:
    """One frame as shown to people.

    Attributes
    ----------
    time_s : float
        Presentation time.
    rgb : ndarray of uint8, shape (height, width, 3)
        Upright picture.
    """

    time_s: float
    rgb: Rgb


def upright(stored_px: Floats, facts: ClipFacts) -> Floats:
    """Map pixels of the stored picture to the upright one, shape (..., 2)."""
    width, height = facts.size_wh_px
    x, y = stored_px[..., 0], stored_px[..., 1]
    turned = ((x, y), (y, width - 1 - x), (width - 1 - x, height - 1 - y), (height - 1 - y, x))
    return np.stack(turned[facts.quarter_turns], axis=-1)


def picture_at(path: Path, time_s: float) -> Picture:
    """Give the frame shown at a moment.

    Parameters
    ----------
    path : Path
        The clip.
    time_s : float
        Presentation time; before the first frame gives the first, after the last the last.

    Returns
    -------
    Picture

    Raises
    ------
    VideoError
        If the file cannot be read.
    """
    with ClipReader(path) as reader:
        facts = reader.facts
    with av.open(str(path), options=dict(SAFE_OPENING), metadata_errors="ignore") as container:
        stream = container.streams.video[0]
        # Frame threads may hang when a partial read ends early; slices do not.
        stream.thread_type = "SLICE"
        best: Any = None
        try:
            if stream.time_base:
                container.seek(max(int(time_s / stream.time_base), 0), stream=stream)
            for frame in container.decode(stream):
                if frame.time is None or (best is not None and frame.time > time_s + 1e-6):
                    break
                best = frame
        except av.FFmpegError as error:
            if best is None:
                raise VideoError(
                    f"The frame at {time_s:.2f} s cannot be decoded.", "Choose another moment."
                ) from error
        if best is None:
            raise VideoError(f"There is no frame at {time_s:.2f} s.", "Choose a moment within the clip.")
        return Picture(float(best.time), _rgb(best, facts))


def pictures(path: Path) -> Iterator[Picture]:
    """Yield every frame of a clip, upright and in colour."""
    with ClipReader(path) as reader:
        facts = reader.facts
    for frame in _frames(path):
        yield Picture(float(frame.time), _rgb(frame, facts))


def _frames(path: Path) -> Iterator[Any]:
    """Yield every frame that can be decoded and has a time, as the decoder gives it."""
    with av.open(str(path), options=dict(SAFE_OPENING), metadata_errors="ignore") as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.FFmpegError:
                continue
            yield from (frame for frame in frames if frame.time is not None)


def write_drawn_clip(
    source: Path,
    target: Path,
    draw: Callable[[Picture], Rgb],
    total_frames: int,
    job: JobControl | None = None,
) -> None:
    """Write a clip with every frame drawn over, at the times of the source or a little before them.

    Parameters
    ----------
    source, target : Path
        Clip read, and MP4 file written.
    draw : callable
        Gives the picture to write, shape (height, width, 3), for each picture read.
    total_frames : int
        For progress.
    job : JobControl, optional
        Progress and stop.
    """
    shots = (
        (picture.time_s, _frame(_shrunk(draw(picture), WATCHING.longest_side_px)))
        for picture in pictures(source)
    )
    _write(shots, target, total_frames, job or Unattended(), WATCHING)


def write_copy(source: Path, target: Path, total_frames: int, job: JobControl | None = None) -> None:
    """Write a smaller copy of a clip, each frame of which is found at once; times as for a drawn clip.

    Parameters
    ----------
    source, target, total_frames, job
        As for ``write_drawn_clip``.
    """
    with ClipReader(source) as reader:
        facts = reader.facts

    def small(frame: Any) -> Any:
        width, height = _even_size(frame.width, frame.height, MOVING_ABOUT.longest_side_px)
        # The decoder's library makes it smaller before anything else is done with it.
        if not facts.quarter_turns:
            return frame.reformat(width, height, format="yuv420p", interpolation="AREA")
        return _frame(_rgb(frame.reformat(width, height, format="rgb24", interpolation="AREA"), facts))

    shots = ((float(frame.time), small(frame)) for frame in _frames(source))
    _write(shots, target, total_frames, job or Unattended(), MOVING_ABOUT)


def _write(
    shots: Iterator[tuple[float, Any]], target: Path, total_frames: int, job: JobControl, purpose: Purpose
) -> None:
    """Write frames, each with its time in seconds."""
    with av.open(str(target), mode="w", format="mp4") as container:
        stream: Any = None
        last = -1
        for number, (time_s, frame) in enumerate(shots):
            if stream is None:
                stream = container.add_stream("libx264", rate=30)
                stream.height, stream.width = frame.height, frame.width
                stream.pix_fmt = "yuv420p"
                stream.time_base = stream.codec_context.time_base = _CLOCK
                stream.options = dict(purpose.options)
            # Rounded down: whoever asks for the frame at its own time must not get the one before it.
            last = max(math.floor(time_s / _CLOCK), last + 1)
            frame.pts, frame.time_base = last, _CLOCK
            frame.pict_type = av.video.frame.PictureType.NONE  # the encoder decides, not the source
            for packet in stream.encode(frame):
                container.mux(packet)
            if number % 4 == 0:
                job.check()
                job.report(number, max(total_frames, number), purpose.stage)
        if stream is not None:
            for packet in stream.encode(None):
                container.mux(packet)


def _frame(rgb: Rgb) -> Any:
    return av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")


def _rgb(frame: Any, facts: ClipFacts) -> Rgb:
    rgb: Rgb = np.rot90(frame.to_ndarray(format="rgb24"), facts.quarter_turns)
    return np.ascontiguousarray(rgb)


def _even_size(width: int, height: int, longest_side_px: int) -> tuple[int, int]:
    """Width and height no larger than wanted, and even, as the codec wants them."""
    scale = min(1.0, longest_side_px / max(height, width))
    return int(width * scale) // 2 * 2, int(height * scale) // 2 * 2


def _shrunk(rgb: Rgb, longest_side_px: int) -> Rgb:
    """Picture no larger than wanted, with even sides."""
    height, width = rgb.shape[:2]
    size = _even_size(width, height, longest_side_px)
    if size == (width, height):
        return rgb
    result: Rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    return result
