"""Frames of a clip as luma planes with their presentation time.

The clock is the presentation time of each frame, never a frame count divided by a rate: phones
record at a varying rate. The luma plane is handed out as the decoder left it, without colour
conversion and without turning it upright: everything measured here is independent of how the
phone was held, so only pictures shown to people need ``ClipFacts.quarter_turns``.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.errors import VideoError
from strokecurve.vision.video.prefetch import Prefetch

logger = logging.getLogger(__name__)

SAFE_OPENING = {
    "format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,h264,hevc",
    "protocol_whitelist": "file",
}
"""Containers that cameras write, and nothing but the file itself: a play list must not open other files."""

_COMPLETE_SHARE = 0.97
"""A file that holds less than this share of the frames its index lists, and does not hide, was cut off."""

_JPEG_RANGE = 2
_AHEAD_BYTES = 64_000_000
"""Memory for pictures decoded ahead: what a decoder makes in the time that a program takes to load."""

_LEAST_AHEAD = 3
_READ_AGAIN = "Copy it from the phone again, or film again."


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What the file says about itself.

    Attributes
    ----------
    codec : str
        Name of the video codec.
    size_wh_px : tuple of int
        Width and height of the stored picture, before it is turned upright.
    quarter_turns : int
        Counter-clockwise quarter turns (0 to 3) that show the picture upright (``np.rot90``).
    bit_depth : int
        Bits of one luma sample.
    duration_s : float or None
        Length according to the container.
    declared_frames : int or None
        Frames according to the container's index.
    bits_per_pixel : float or None
        Size of the coded pictures per pixel and frame; None where length or rate are not known.
    """

    codec: str
    size_wh_px: tuple[int, int]
    quarter_turns: int
    bit_depth: int
    duration_s: float | None
    declared_frames: int | None
    bits_per_pixel: float | None = None


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture.

    Attributes
    ----------
    index : int
        Counts the frames handed out, from 0.
    time_s : float
        Presentation time.
    luma : ndarray, shape (height, width), uint8 or uint16
        Luma plane as stored, read-only. Pixel (0, 0) is the centre of the top-left pixel.
    bit_depth : int
        Bits used in ``luma``.
    full_range : bool
        True if the samples use all numbers, false if only video levels.
    """

    index: int
    time_s: float
    luma: NDArray[Any]
    bit_depth: int
    full_range: bool = False

    def luma_8bit(self) -> NDArray[np.uint8]:
        """Give the luma plane with 8 bits, shape (height, width)."""
        if self.bit_depth == 8:
            return np.asarray(self.luma, np.uint8)
        reduced: NDArray[np.uint8] = np.right_shift(self.luma, self.bit_depth - 8).astype(np.uint8)
        return reduced


class ClipReader:
    """Reads a clip from the start to the end, once.

    Use as a context manager and iterate over it. After the last frame ``damaged_packets`` says
    how many pieces of the file were lost. `start` lets the decoder work before anyone iterates.

    Parameters
    ----------
    path : Path
        The video file.

    Raises
    ------
    VideoError
        If the file is missing, empty, no video, cut off, mirrored or without a clock.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self.damaged_packets = 0
        self._shown_packets = 0
        self._prefetch: Prefetch[Frame] | None = None
        self._container = _open(self.path)
        try:
            streams = self._container.streams.video
            if not streams:
                raise VideoError(
                    f"{self.path.name} holds no pictures.", "Give the video file that the phone made."
                )
            self._stream = streams[0]
            self._stream.thread_type = "AUTO"
            self._decoded = self._decode()
            self._first = self._take_first()
            self.facts = _facts(self._stream, self._container, self._first)
        except BaseException:
            self._container.close()
            raise

    def __enter__(self) -> ClipReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._prefetch is not None:
            # The thread that reads ahead must have left the decoder before it is closed.
            self._prefetch.close()
        self._decoded.close()
        self._container.close()

    def start(self) -> None:
        """Begin to decode ahead, as far as memory for it reaches; done by iterating, too."""
        if self._prefetch is None:
            width, height = self.facts.size_wh_px
            picture_bytes = width * height * (1 if self.facts.bit_depth == 8 else 2)
            self._prefetch = Prefetch(self._frames(), max(_AHEAD_BYTES // picture_bytes, _LEAST_AHEAD))

    def __iter__(self) -> Iterator[Frame]:
        """Yield frames in the order of their presentation time; the next ones are decoded meanwhile."""
        self.start()
        assert self._prefetch is not None  # noqa: S101 (tells the type checker what start has just done)
        return self._prefetch

    def _frames(self) -> Iterator[Frame]:
        last_time_s = -math.inf
        index = 0
        picture: Any = self._first
        while picture is not None:
            time_s = picture.time
            if time_s is None:
                raise VideoError(f"{self.path.name} has no clock: its frames carry no time.", _READ_AGAIN)
            # A repeated or backward time stamp comes from damage; such a frame has no place on the clock.
            if time_s <= last_time_s or picture.is_corrupt:
                self.damaged_packets += 1
            else:
                last_time_s = float(time_s)
                yield Frame(
                    index,
                    last_time_s,
                    _luma_plane(picture),
                    self.facts.bit_depth,
                    _full_range(picture),
                )
                index += 1
            picture = next(self._decoded, None)
        self._check_complete(index)

    def _take_first(self) -> Any:
        first = next(self._decoded, None)
        if first is None:
            raise VideoError(f"No picture of {self.path.name} can be decoded.", _READ_AGAIN)
        return first

    def _decode(self) -> Generator[Any]:
        """Decode packet by packet: damage inside the file costs its frames, not the clip."""
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets, None)
                if packet is None:
                    return
                self._shown_packets += _is_shown(packet)
                pictures = packet.decode()
            except MemoryError:
                # Damage that makes a piece of the file look huge ends here as well as a machine that is full.
                raise VideoError(
                    f"{self.path.name} needs more memory than there is, or it is damaged.",
                    "Close other programs and try again, or copy it from the phone again.",
                ) from None
            except av.FFmpegError:
                self.damaged_packets += 1
                if self.damaged_packets > 10_000:
                    raise VideoError(f"{self.path.name} is damaged from end to end.", _READ_AGAIN) from None
                continue
            yield from pictures

    def _check_complete(self, frames_read: int) -> None:
        declared = self.facts.declared_frames
        read = frames_read + self.damaged_packets
        if declared is None or read >= _COMPLETE_SHARE * declared:
            return
        # A clip trimmed on the phone still holds and lists the frames before its new start, but hides them.
        shown = declared - max(_packets_unedited(self.path) - self._shown_packets, 0)
        if read >= _COMPLETE_SHARE * shown:
            return
        raise VideoError(
            f"{self.path.name} is cut off: it holds {frames_read} of its {shown} frames.", _READ_AGAIN
        )


def _is_shown(packet: Any) -> bool:
    """Whether a packet holds a picture that the clip's edit list does not hide."""
    return packet.size > 0 and not packet.is_discard


def _packets_unedited(path: Path) -> int:
    """How many pictures a file holds, those hidden by its edit list included; nothing is decoded."""
    count = 0
    with _open(path, {"ignore_editlist": "1"}) as container:
        try:
            for packet in container.demux(video=0):
                count += packet.size > 0
        except av.FFmpegError:
            logger.info("%s cannot be read to its end", path.name)
    return count


def _open(path: Path, more_options: dict[str, str] | None = None) -> Any:
    if not path.is_file():
        raise VideoError(f"There is no file {path.name}.", "Check the name and the folder.")
    if path.stat().st_size == 0:
        raise VideoError(f"{path.name} is empty.", _READ_AGAIN)
    try:
        options = SAFE_OPENING | (more_options or {})
        return av.open(str(path), mode="r", options=options, metadata_errors="ignore")
    except (av.FFmpegError, ValueError, OSError) as error:
        raise VideoError(f"{path.name} is no video, or it is cut off.", _READ_AGAIN) from error


def _facts(stream: Any, container: Any, first: Any) -> ClipFacts:
    depth = int(first.format.components[0].bits)
    duration = None
    if stream.duration and stream.time_base:
        duration = float(stream.duration * stream.time_base)
    elif container.duration:
        duration = container.duration / av.time_base
    return ClipFacts(
        codec=str(stream.codec_context.name),
        size_wh_px=(int(first.width), int(first.height)),
        quarter_turns=_quarter_turns(first),
        bit_depth=depth,
        duration_s=duration,
        declared_frames=int(stream.frames) or None,
        bits_per_pixel=_bits_per_pixel(stream, container, duration),
    )


def _bits_per_pixel(stream: Any, container: Any, duration_s: float | None) -> float | None:
    """Bits spent on a pixel of a frame; by the size of the file where the stream does not say its rate."""
    frames = int(stream.frames)
    if not duration_s or not frames:
        return None
    bits = float(stream.bit_rate * duration_s) if stream.bit_rate else 8.0 * container.size
    context = stream.codec_context
    return float(bits / (frames * context.width * context.height))


def _quarter_turns(picture: Any) -> int:
    matrix = picture.side_data.get("DISPLAYMATRIX")
    if matrix is not None:
        a, b, _, c, d = np.frombuffer(bytes(matrix), "<i4")[:5].astype(float)
        if a * d - b * c < 0:
            raise VideoError(
                "The picture is mirrored, so turning left and right are exchanged.",
                "Film with the rear camera, without the mirror setting.",
            )
    return round(float(picture.rotation) / 90.0) % 4


def _full_range(picture: Any) -> bool:
    """Whether a frame uses all numbers (JPEG range)."""
    return int(picture.color_range) == _JPEG_RANGE or picture.format.name.startswith("yuvj")


def _luma_plane(picture: Any) -> NDArray[Any]:
    plane = picture.planes[0]
    name = picture.format.name
    if not name.startswith(("yuv", "nv", "gray")):
        raise VideoError(
            f"The pixel format {name} has no plane of brightness.", "Film with the phone's own camera app."
        )
    dtype: Any = np.uint8 if picture.format.components[0].bits == 8 else np.dtype("<u2")
    rows = np.frombuffer(plane, dtype).reshape(-1, plane.line_size // np.dtype(dtype).itemsize)
    luma = rows[: picture.height, : picture.width]
    luma.flags.writeable = False
    return luma
