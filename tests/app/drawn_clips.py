"""Small clips of printed markers on grey, for tests that need a film but no linkage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

SIZE_WH = (960, 540)
CARD_CENTRES_PX = {0: (380, 300), 1: (660, 300), 2: (660, 480), 3: (380, 480)}
CARD_SIDE_PX = 80
ARM_SIDE_PX = 60
LENS_BLUR_PX = 0.8


def picture(
    card: bool = True, arms: tuple[int, ...] = (10, 11), turn_deg: dict[int, float] | None = None
) -> NDArray[np.uint8]:
    """One grey picture with the card and markers that sit on arms of 60 px, turned about their shafts."""
    image = np.full((SIZE_WH[1], SIZE_WH[0]), 120, np.uint8)
    if card:
        for marker_id, centre in CARD_CENTRES_PX.items():
            _paste(image, marker_id, CARD_SIDE_PX, np.array(centre, float), 0.0)
    for n, marker_id in enumerate(arms):
        angle = (turn_deg or {}).get(marker_id, 0.0)
        shaft = np.array([380.0 + 280.0 * n, 170.0])
        offset = 60.0 * np.array([np.cos(np.radians(angle)), -np.sin(np.radians(angle))])
        _paste(image, marker_id, ARM_SIDE_PX, shaft + offset, angle)
    # No lens draws an edge sharper than this; one drawn on whole pixels has no place between them.
    return np.asarray(cv2.GaussianBlur(image, (0, 0), LENS_BLUR_PX), np.uint8)


def _paste(
    image: NDArray[np.uint8], marker_id: int, side_px: int, centre: NDArray[np.float64], angle_deg: float
) -> None:
    """Draw one marker with its white margin, turned counter-clockwise."""
    cell = side_px // 6
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    marker = cv2.copyMakeBorder(
        dictionary.generateImageMarker(marker_id, cell * 6),
        cell,
        cell,
        cell,
        cell,
        cv2.BORDER_CONSTANT,
        value=235,
    )
    marker = np.clip(marker, 30, 235)
    matrix = cv2.getRotationMatrix2D((marker.shape[1] / 2 - 0.5, marker.shape[0] / 2 - 0.5), angle_deg, 1.0)
    matrix[:, 2] += centre - (np.array(marker.shape[::-1]) / 2 - 0.5)
    drawn = cv2.warpAffine(marker, matrix, SIZE_WH, flags=cv2.INTER_AREA, borderValue=0)
    cover = cv2.warpAffine(np.full_like(marker, 255), matrix, SIZE_WH, flags=cv2.INTER_AREA, borderValue=0)
    image[cover > 127] = drawn[cover > 127]


def repeated(clip: Path, times: int, path: Path) -> Path:
    """A clip one after the other, its pictures as they are."""
    with av.open(str(clip)) as source, av.open(str(path), "w") as out:
        inward = source.streams.video[0]
        outward = out.add_stream_from_template(inward)
        for number in range(times):
            source.seek(0)
            for packet in source.demux(inward):
                if packet.dts is None or packet.pts is None:  # the last, empty one
                    continue
                packet.pts += number * (inward.duration or 0)
                packet.dts += number * (inward.duration or 0)
                packet.stream = outward
                out.mux(packet)
    return path


def write(path: Path, draw: Callable[[int], NDArray[np.uint8]], frames: int = 40, rate: int = 30) -> Path:
    """Encode pictures as an MP4 file."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height = SIZE_WH
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "18", "preset": "ultrafast"}
        for number in range(frames):
            grey = draw(number)
            frame = av.VideoFrame.from_ndarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path
