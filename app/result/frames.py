"""One frame of a clip with arms, rods and angles drawn in, as the page shows it.

A clip is hostile input, so the page never opens it. It opens the copy that ``app.tasks.exports`` made of it;
as long as there is none, a confined process of its own finds the frame:
``python -m strokecurve.app.result.frames CLIP RESULT TIME``.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np

from strokecurve.app.result.overlay import draw_frame, recorded_facts
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError
from strokecurve.app.words.estimates import fixed
from strokecurve.app.words.resource_limits import Limits, confine

FRAME_WIDTH_PX = 1280
JPEG_QUALITY = 85
FOUND_WITHIN_S = 60.0
LIMITS = Limits(cpu_s=60, niceness=5)
"""Somebody waits for it, but everybody for the page; a frame to start from is seconds before, not minutes."""


def frame_jpeg(clip: Path, folder: Path, time_s: float, copy: Path | None) -> bytes:
    """Give the frame at a moment with arms, rods and angles drawn in, small enough for a phone.

    Parameters
    ----------
    clip : Path
    folder : Path
        Its result folder.
    time_s : float
        Presentation time.
    copy : Path, optional
        The copy of the clip in which frames are found at once.

    Returns
    -------
    bytes
        A JPEG file.

    Raises
    ------
    InputError
        If the frame cannot be decoded.
    """
    if copy is not None and recorded_facts(folder) is not None:
        return encoded(clip, folder, time_s, copy)
    command = [sys.executable, "-m", "strokecurve.app.result.frames", str(clip), str(folder), repr(time_s)]
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=FOUND_WITHIN_S, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise _not_found(time_s) from error
    if done.returncode != 0 or not done.stdout:
        raise _not_found(time_s)
    return done.stdout


def _not_found(time_s: float) -> InputError:
    return InputError(f"The frame at {fixed(time_s, 2)} s cannot be decoded.", "Choose another moment.")


def encoded(clip: Path, folder: Path, time_s: float, copy: Path | None) -> bytes:
    """The same in this process, which opens the clip itself if there is no copy."""
    picture = draw_frame(clip, folder, time_s, copy)
    height, width = picture.shape[:2]
    if width > FRAME_WIDTH_PX:
        size = (FRAME_WIDTH_PX, round(height * FRAME_WIDTH_PX / width))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    _, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), quality)
    return jpeg.tobytes()


def main(arguments: list[str]) -> int:
    """Write the JPEG to standard output; exit status 2 if the frame cannot be decoded."""
    confine(LIMITS)
    clip, folder, time_s = arguments
    try:
        sys.stdout.buffer.write(encoded(Path(clip), Path(folder), float(time_s), None))
    except PLAIN_ERRORS as reason:
        print(f"{reason.message} {reason.hint}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
