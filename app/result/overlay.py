"""Arms, rods and angles drawn into the pictures of a clip."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.app.words.archive_limits import check_arrays
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import LARGEST_RECORD_BYTES
from strokecurve.vision.control import JobControl
from strokecurve.vision.motion.shafts import ShaftMotion
from strokecurve.vision.rotations import least_turn_to, turn_about_z
from strokecurve.vision.video.pictures import Picture, Rgb, picture_at, upright, write_drawn_clip
from strokecurve.vision.video.reader import ClipFacts, ClipReader

Array = NDArray[np.float64]

# Colours for colour-blind eyes; each thing also has a shape and a label of its own.
ARM_RGB = (0, 114, 178)
ROD_RGB = (230, 159, 0)
CENTRE_RGB = (255, 255, 255)
EDGE_RGB = (20, 20, 20)


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is drawn, read from a result folder.

    Attributes
    ----------
    motion : ShaftMotion
    pins_mm : dict of (int, int) to ndarray, shape (2,)
        Pin on the arm of a shaft, in the frame of the shaft at angle 0, by shaft and linkage.
    arm_rad : dict of (int, int) to ndarray, shape (F,)
        Angle of the arm in every frame, by shaft and linkage; the linkage -1 is the arm of the first marker.
    rods : tuple of (int, int, int)
        Linkage, driver and driven shaft of each rod whose pins are known.
    facts : ClipFacts
    """

    motion: ShaftMotion
    pins_mm: dict[tuple[int, int], Array]
    arm_rad: dict[tuple[int, int], Array]
    rods: tuple[tuple[int, int, int], ...]
    facts: ClipFacts

    @classmethod
    def load(cls, clip: Path, result_dir: Path) -> Drawing:
        """Read what ``measure`` saved; InputError if that cannot be drawn."""
        try:
            motion, pins, arms, rods = _read_stages(Path(result_dir) / "stages")
        except (
            OSError,
            ValueError,
            KeyError,
            TypeError,
            AttributeError,
        ) as error:  # a bundle may be the source
            raise InputError(
                "Arms and rods cannot be drawn: what the result holds of them cannot be read.",
                "Analyse the clip again.",
            ) from error
        facts = recorded_facts(result_dir)
        if facts is None:
            with ClipReader(clip) as reader:
                facts = reader.facts
        return cls(motion, pins, arms, rods, facts)

    def draw(self, picture: Picture) -> Rgb:
        """Draw into one picture; shafts that were not measured in it are left out."""
        motion = self.motion
        rgb = picture.rgb.copy()
        frame = int(np.argmin(np.abs(motion.time_s - picture.time_s)))
        if not np.isfinite(motion.translation[frame]).all():
            return rgb
        size = max(rgb.shape[:2]) / 1920
        scale = max(rgb.shape[:2]) / max(self.facts.size_wh_px)
        ends = {}
        for shaft, _ in enumerate(motion.names):
            for key, point in self._arm_ends(frame, shaft, scale).items():
                ends[key] = point
        for n, a, b in self.rods:
            if (a, n) in ends and (b, n) in ends:
                _line(rgb, ends[a, n], ends[b, n], ROD_RGB, 5 * size)
        labels = []
        for shaft, name in enumerate(motion.names):
            if not np.isfinite(motion.angle_rad[frame, shaft]):
                continue
            centre = self._project(frame, motion.centre_mm[shaft], scale)
            for (owner, _), point in ends.items():
                if owner == shaft:
                    _line(rgb, centre, point, ARM_RGB, 7 * size)
                    _dot(rgb, point, ROD_RGB, 7 * size)
            _dot(rgb, centre, CENTRE_RGB, 9 * size)
            turned = np.degrees(motion.angle_rad[frame, shaft] - _first(motion.angle_rad[:, shaft]))
            sd = np.degrees(motion.sigma_rad[frame, shaft])
            labels.append((centre, f"{name} {turned:+.2f} +/- {sd:.3f} deg"))
        taken: list[tuple[int, int, int, int]] = []
        for centre, text in labels:
            _text(rgb, centre + np.array([-60.0, 84.0]) * size, text, 1.25 * size, taken)
        return rgb

    def _arm_ends(self, frame: int, shaft: int, scale: float) -> dict[tuple[int, int], Array]:
        """Picture positions of the pins on an arm; without pins the arm is drawn to its marker."""
        pins = {key: pin for key, pin in self.pins_mm.items() if key[0] == shaft}
        if not pins:
            pins = {(shaft, -1): self.motion.lead_offset_mm[shaft]}
        ends = {}
        across = least_turn_to(self.motion.axis[shaft])
        for key, place in pins.items():
            angle = self.arm_rad[key][frame]
            if np.isfinite(angle):
                from_centre = (across @ turn_about_z(angle))[:, :2] @ place
                ends[key] = self._project(frame, self.motion.centre_mm[shaft] + from_centre, scale)
        return ends

    def _project(self, frame: int, point_mm: Array, scale: float) -> Array:
        """Place of a point in a picture that is ``scale`` times the clip's."""
        motion = self.motion
        cam = motion.rotation[frame] @ point_mm + motion.translation[frame]
        return (upright(motion.camera.project(cam), self.facts) + 0.5) * scale - 0.5


def _read_stages(
    stages: Path,
) -> tuple[
    ShaftMotion,
    dict[tuple[int, int], Array],
    dict[tuple[int, int], Array],
    tuple[tuple[int, int, int], ...],
]:
    """Motion, pins, angles of arms and rods of a result, as in `Drawing`."""
    check_arrays(stages / "shafts.npz")
    motion = ShaftMotion.load(stages / "shafts.npz")
    if (stages / "pins.json").stat().st_size > LARGEST_RECORD_BYTES:
        raise ValueError("pins.json is too large")
    pins: dict[tuple[int, int], Array] = {}
    arms = {(s, -1): motion.arm_of(motion.markers_on(s)[0])[0] for s in range(len(motion.names))}
    rods = []
    for n, entry in enumerate(json.loads((stages / "pins.json").read_text(encoding="utf-8"))):
        first, second = (motion.names.index(name) for name in entry["linkage"].split(":"))
        keys = ("drive_pin_mm", "driven_pin_mm")
        for shaft, key, marker in zip((first, second), keys, entry["arm_markers"], strict=True):
            pins[shaft, n] = np.array(entry[key], float).reshape(2)
            arms[shaft, n] = motion.angle_rad[:, shaft] if marker is None else motion.arm_of(int(marker))[0]
        rods.append((n, first, second))
    return motion, pins, arms, tuple(rods)


def recorded_facts(result_dir: Path) -> ClipFacts | None:
    """What the record of a result says about its clip; None where an early version did not say it all."""
    said = json.loads((Path(result_dir) / "result.json").read_text(encoding="utf-8"))["clip"]
    try:
        across, down = (int(side) for side in said["size_px"])  # as shown, upright
        turns = int(said["quarter_turns"])
        size = (down, across) if turns % 2 == 1 else (across, down)
        return ClipFacts(
            said["codec"], size, turns, int(said["bit_depth"]), said["duration_s"], said["frames"]
        )
    except (KeyError, TypeError, ValueError):
        return None


@lru_cache(maxsize=4)
def _drawing(clip: Path, result_dir: Path, _stamp: float) -> Drawing:
    return Drawing.load(clip, result_dir)


def draw_frame(clip: Path, result_dir: Path, time_s: float, copy: Path | None = None) -> Rgb:
    """Give the frame of a clip at a moment with arms, rods and angles drawn in.

    Parameters
    ----------
    clip : Path
        The clip.
    result_dir : Path
        Its result folder.
    time_s : float
        Presentation time.
    copy : Path, optional
        A copy made by ``vision.video.pictures.write_copy``; the frame comes from there, sooner and smaller.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
    """
    stamp = (Path(result_dir) / "result.json").stat().st_mtime
    return _drawing(Path(clip), Path(result_dir), stamp).draw(picture_at(copy or clip, time_s))


def write_overlay(clip: Path, result_dir: Path, target: Path, job: JobControl) -> None:
    """Write the whole clip with everything drawn in."""
    drawing = Drawing.load(clip, result_dir)
    write_drawn_clip(clip, target, drawing.draw, len(drawing.motion.time_s), job)


def _first(angle: Array) -> float:
    known = angle[np.isfinite(angle)]
    return float(known[0])


def _at(point: Array) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _line(rgb: Rgb, start: Array, end: Array, colour: tuple[int, int, int], width: float) -> None:
    thick = max(2, round(width))
    cv2.line(rgb, _at(start), _at(end), EDGE_RGB, thick + 4, cv2.LINE_AA)
    cv2.line(rgb, _at(start), _at(end), colour, thick, cv2.LINE_AA)


def _dot(rgb: Rgb, point: Array, colour: tuple[int, int, int], radius: float) -> None:
    cv2.circle(rgb, _at(point), max(3, round(radius)) + 2, EDGE_RGB, -1, cv2.LINE_AA)
    cv2.circle(rgb, _at(point), max(3, round(radius)), colour, -1, cv2.LINE_AA)


def _text(rgb: Rgb, point: Array, text: str, scale: float, taken: list[tuple[int, int, int, int]]) -> None:
    """Write a label on a dark ground, below those already written where it would cover one of them."""
    thick = max(1, round(2 * scale))
    font = cv2.FONT_HERSHEY_SIMPLEX
    (width, height), below = cv2.getTextSize(text, font, scale, thick)
    x, y = _at(point)
    # A label near the edge moves inward instead of being cut.
    x = min(max(x, 4), rgb.shape[1] - width - 4)
    y = min(max(y, height + 4), rgb.shape[0] - below - 4)
    for left, top, right, bottom in sorted(taken, key=lambda box: box[1]):
        if x - 4 < right and left < x + width + 4 and y - height - 5 < bottom and top < y + below + 2:
            y = min(bottom + height + 5, rgb.shape[0] - below - 4)
    box = (x - 4, y - height - 5, x + width + 4, y + below + 2)
    taken.append(box)
    cv2.rectangle(rgb, box[:2], box[2:], EDGE_RGB, -1)
    cv2.putText(rgb, text, (x, y), font, scale, CENTRE_RGB, thick, cv2.LINE_AA)
