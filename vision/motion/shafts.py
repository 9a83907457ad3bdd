"""Motion of shafts as the film shows it: what the fit of camera and hinges hands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.camera import Camera
from strokecurve.vision.joint_fit.instant import Filmed
from strokecurve.vision.joint_fit.path import CameraPath
from strokecurve.vision.joint_fit.rigid import ArmAngles, ArmStep
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.joint_fit.shutter import Shutter

_LEAST_OWN = 0.01
"""Share of the variance of an angle that is at least the frame's own."""


@dataclass(frozen=True, slots=True)
class ShaftSpec:
    """A shaft as the rig describes it.

    Attributes
    ----------
    name : str
        For messages and tables.
    markers : tuple of (int, float)
        Marker ids and their side in mm; the direction of the first one seen is the shaft's angle.
    """

    name: str
    markers: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class ShaftMotion:
    """Motion of S shafts over F frames, with the camera and card that go with it.

    Attributes
    ----------
    time_s : ndarray, shape (F,)
    names : tuple of str
        S shaft names.
    angle_rad : ndarray, shape (F, S)
        Unwrapped, direction of the first marker of each shaft in the card frame (as it was before any arm
        slipped); NaN is a gap.
    sigma_rad : ndarray, shape (F, S)
        Standard deviation of each angle, errors shared over the clip included (except a constant one).
    centre_mm : ndarray, shape (S, 3)
        Point of each axis in the plane of the shaft's leading marker, card frame.
    centre_sigma_mm : ndarray, shape (S, 2)
        Standard deviation of x and y; infinite for a shaft that hardly turns.
    axis : ndarray, shape (S, 3)
        Unit vector of each axis toward the camera, card frame.
    axis_covariance : ndarray, shape (S, 3, S, 3)
        Of their components, all axes together: what they err by alike leaves the angle between them alone.
    lead_offset_mm : ndarray, shape (S, 2)
        Centre of the leading marker from the axis, in the frame of the shaft at angle 0.
    camera : Camera
        Intrinsics found.
    focal_sigma_px : float
        Standard deviation of the focal length.
    rotation, translation : ndarray, shape (F, 3, 3) and (F, 3)
        Pose of the card in each frame, NaN where unknown.
    steady : bool
        Whether the camera stood still.
    refused : ndarray of bool, shape (F, M)
        Markers seen but not believed, in the order of ``marker_ids``.
    shaken : ndarray of bool, shape (F,)
        Frames in which all markers lie further off than usual: the phone was swung round or knocked.
    shafts_shift_mm : ndarray, shape (F, 2)
        Common shift of all shafts against the card (``vision.motion.shifts``).
    twist_rad : ndarray, shape (F, B)
        Turn of each shaft marker on its arm; the B last ones of ``marker_ids``.
    marker_ids : tuple of int
        Card and shaft markers used.
    shaft_of : tuple of int
        Index of the shaft of each shaft marker.
    arms : ArmAngles
        Angles of what each shaft marker sits on, and when those of one shaft moved against each other.
    filmed : Filmed
        Path of the camera between the frames, readout of the rows, shifts of the pictures.
    shutter : Shutter
        What of that is known, and how well.
    common_rad : ndarray, shape (F, S, K), or None
        What K causes of error that all frames share (focal length, lens, axes) do to each angle, each by one
        standard deviation: a part of ``sigma_rad`` that does not average out. None if that is not known.
    lasting_rad : ndarray, shape (S,), or None
        Standard deviation of errors of each angle that last over many frames: another part. None if that is
        not known.
    """

    time_s: Floats
    names: tuple[str, ...]
    angle_rad: Floats
    sigma_rad: Floats
    centre_mm: Floats
    centre_sigma_mm: Floats
    axis: Floats
    axis_covariance: Floats
    lead_offset_mm: Floats
    camera: Camera
    focal_sigma_px: float
    rotation: Floats
    translation: Floats
    steady: bool
    refused: Bools
    shaken: Bools
    shafts_shift_mm: Floats
    twist_rad: Floats
    marker_ids: tuple[int, ...]
    shaft_of: tuple[int, ...]
    arms: ArmAngles
    filmed: Filmed
    shutter: Shutter
    common_rad: Floats | None = None
    lasting_rad: Floats | None = None

    def __post_init__(self) -> None:
        frames, shafts = len(self.time_s), len(self.names)
        for name in ("angle_rad", "sigma_rad"):
            if getattr(self, name).shape != (frames, shafts):
                raise ValueError(
                    f"{name} must have shape {(frames, shafts)}, not {getattr(self, name).shape}"
                )
        if self.common_rad is not None and self.common_rad.shape[:-1] != (frames, shafts):
            raise ValueError(
                f"common_rad must have shape {(frames, shafts)} and K, not {self.common_rad.shape}"
            )
        if self.lasting_rad is not None and self.lasting_rad.shape != (shafts,):
            raise ValueError(f"lasting_rad must have shape {(shafts,)}, not {self.lasting_rad.shape}")

    @property
    def frame_sigma_rad(self) -> Floats:
        """The part of ``sigma_rad`` that is new in each frame, shape (F, S)."""
        own = self.sigma_rad**2
        if self.common_rad is not None:
            own = own - (self.common_rad**2).sum(axis=2)
        if self.lasting_rad is not None:
            own = own - self.lasting_rad**2
        return np.asarray(np.sqrt(np.maximum(own, _LEAST_OWN * self.sigma_rad**2)), np.float64)

    @property
    def mounted_ids(self) -> tuple[int, ...]:
        """Ids of the markers on shafts, in the order of their angles."""
        return self.marker_ids[len(self.marker_ids) - len(self.shaft_of) :]

    def markers_on(self, shaft: int) -> tuple[int, ...]:
        """Ids of the markers on one shaft."""
        return tuple(i for i, s in zip(self.mounted_ids, self.shaft_of, strict=True) if s == shaft)

    def arm_of(self, marker_id: int) -> tuple[Floats, Floats]:
        """Angle (F,) of what a shaft marker sits on, and its standard deviation."""
        b = self.mounted_ids.index(marker_id)
        return self.arms.angle_rad[:, b], self.arms.sigma_rad[:, b]

    def save(self, path: Path) -> None:
        """Write the motion to an ``.npz`` file."""
        arrays: dict[str, Any] = {name: getattr(self, name) for name in _ARRAYS} | _stored_arms(self.arms)
        arrays |= {name: getattr(self, name) for name in _IF_KNOWN if getattr(self, name) is not None}
        camera = self.camera
        np.savez_compressed(
            path,
            **arrays,
            names=np.array(self.names),
            marker_ids=np.array(self.marker_ids, np.int64),
            shaft_of=np.array(self.shaft_of, np.int64),
            camera=np.array([camera.focal_px, *camera.centre_px, camera.k1, camera.k2, camera.ink_spread]),
            scalars=np.array([self.focal_sigma_px, float(self.steady)]),
            **_film_arrays(self.filmed, self.shutter),
        )

    @classmethod
    def load(cls, path: Path) -> ShaftMotion:
        """Read what ``save`` wrote; ValueError or KeyError if it is something else."""
        with np.load(path, allow_pickle=False) as stored:
            _check_shapes(stored)
            focal, cx, cy, k1, k2, ink_spread = (float(v) for v in stored["camera"])
            focal_sigma, steady = (float(v) for v in stored["scalars"][:2])
            return cls(
                **{name: stored[name] for name in _ARRAYS},
                names=tuple(str(n) for n in stored["names"]),
                marker_ids=tuple(int(i) for i in stored["marker_ids"]),
                shaft_of=tuple(int(i) for i in stored["shaft_of"]),
                arms=_read_arms(stored),
                camera=Camera(focal, (cx, cy), k1, k2, ink_spread),
                focal_sigma_px=focal_sigma,
                steady=bool(steady),
                **_film_from(stored),
                **{name: stored[name] for name in _IF_KNOWN if name in stored},
            )

    def angle_between_axes(self, one: int, other: int) -> tuple[float, float]:
        """Angle between the axes of two shafts and its standard deviation, rad.

        The deviation is that of the lean of one axis against the other in its most uncertain direction where
        they are closer to parallel than that, as an angle then has none of its own.
        """
        a, b = self.axis[one], self.axis[other]
        pick = [one, other]
        both = self.axis_covariance[pick][:, :, pick].reshape(6, 6)
        apart = np.hstack([-np.eye(3), np.eye(3)])
        lean = apart @ both @ apart.T
        widest = float(np.sqrt(max(np.linalg.eigvalsh(lean)[-1], 0.0)))
        sine = float(np.linalg.norm(np.cross(a, b)))
        angle = float(np.arctan2(sine, a @ b))
        if sine <= widest:
            return angle, widest
        slope = -np.concatenate([b, a]) / sine
        return angle, float(np.sqrt(max(float(slope @ both @ slope), 0.0)))


def _film_arrays(filmed: Filmed, shutter: Shutter) -> dict[str, Any]:
    path = filmed.path
    return {
        "path_reference": path.reference,
        "path_place": path.place,
        "path_speed": path.speed,
        "path_tied": path.tied,
        "readout_s": np.array([filmed.row_time.rows_s, filmed.row_time.columns_s]),
        "picture_wh_px": np.array(filmed.picture_wh_px, np.int64),
        "readout_covariance_s2": shutter.covariance_s2,
        "picture_shift_px": np.zeros((0, 2)) if filmed.shift_px is None else filmed.shift_px,
    }


def _film_from(stored: Mapping[str, Any]) -> dict[str, Any]:
    """What `_film_arrays` stored."""
    row_time = RowTime(*(float(v) for v in stored["readout_s"]))
    path = CameraPath(
        *(stored[name] for name in ("time_s", "path_reference", "path_place", "path_speed", "path_tied"))
    )
    shift = stored["picture_shift_px"]
    steadied = len(shift) > 0
    picture_wh = (int(stored["picture_wh_px"][0]), int(stored["picture_wh_px"][1]))
    return {
        "filmed": Filmed(path, row_time, picture_wh, shift if steadied else None),
        "shutter": Shutter(row_time, stored["readout_covariance_s2"], steadied),
    }


def _check_shapes(stored: Mapping[str, NDArray[np.generic]]) -> None:
    """Refuse arrays that do not belong together, before anything is drawn with them."""
    frames, shafts = len(stored["time_s"]), len(stored["names"])
    shapes = {
        "angle_rad": (frames, shafts),
        "centre_mm": (shafts, 3),
        "axis": (shafts, 3),
        "axis_covariance": (shafts, 3, shafts, 3),
        "lead_offset_mm": (shafts, 2),
        "arm_angle_rad": (frames, len(stored["shaft_of"])),
        "rotation": (frames, 3, 3),
        "translation": (frames, 3),
        "camera": (6,),
        "path_place": (frames, 6),
        "path_speed": (frames, 6),
        "path_tied": (frames - 1,),
        "readout_s": (2,),
        "picture_wh_px": (2,),
        "readout_covariance_s2": (2, 2),
    }
    for name, shape in shapes.items():
        if stored[name].shape != shape or not frames:
            raise ValueError(f"{name} must have shape {shape}, not {stored[name].shape}")


_ARRAYS = (
    "time_s",
    "angle_rad",
    "sigma_rad",
    "centre_mm",
    "centre_sigma_mm",
    "axis",
    "axis_covariance",
    "lead_offset_mm",
    "rotation",
    "translation",
    "refused",
    "shaken",
    "shafts_shift_mm",
    "twist_rad",
)

_IF_KNOWN = ("common_rad", "lasting_rad")

_ARM_ARRAYS = ("angle_rad", "sigma_rad")


def _stored_arms(arms: ArmAngles) -> dict[str, NDArray[Any]]:
    """Arrays of the arms for a file; steps of shafts with fewer markers are filled up with NaN and -1."""
    most = max((len(step.group) for step in arms.steps), default=0)
    size = np.full((len(arms.steps), 2, most, most), np.nan)
    twist = np.full((len(arms.steps), 2, most), np.nan)
    group = np.full((len(arms.steps), most), -1, np.int64)
    for n, step in enumerate(arms.steps):
        number = len(step.group)
        size[n, :, :number, :number] = step.size_rad, step.sigma_rad
        twist[n, :, :number] = step.twist_rad, step.twist_sigma_rad
        group[n, :number] = step.group
    place = np.array([[s.shaft, s.first, s.last] for s in arms.steps], np.int64).reshape(-1, 3)
    steps = {"step_size_rad": size, "step_twist_rad": twist, "step_group": group, "step_place": place}
    return {f"arm_{name}": getattr(arms, name) for name in _ARM_ARRAYS} | steps


def _read_arms(stored: Mapping[str, NDArray[Any]]) -> ArmAngles:
    """What `_stored_arms` made arrays of."""
    steps = []
    for n, (shaft, first, last) in enumerate(stored["step_place"].tolist()):
        group = tuple(int(g) for g in stored["step_group"][n].tolist() if g >= 0)
        mine = slice(0, len(group))
        size, sigma = stored["step_size_rad"][n, :, mine, mine]
        twist, twist_sigma = stored["step_twist_rad"][n, :, mine]
        steps.append(ArmStep(shaft, first, last, size, sigma, twist, twist_sigma, group))
    angle, sigma = (stored[f"arm_{name}"] for name in _ARM_ARRAYS)
    return ArmAngles(angle, sigma, tuple(steps))
