"""A linkage whose shafts are not parallel, ball joints at both ends of its rod, exact in closed form.

With a pin p of the drive arm and the driven pin q = o + c (u cos phi + v sin phi) in the plane of its circle,
the rod's length says (q - p)^2 = L^2, which is A cos phi + B sin phi = C.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from synthetic import Floats, TrueFree, TrueMarker, TrueShaft, Truth, looking, there_and_back, turn


@dataclass(frozen=True, slots=True)
class SpaceLinkage:
    """Sizes in mm, start angles from the line of centres; ``rise_mm``: each pin above its shaft's centre."""

    drive_mm: float = 56.0
    driven_mm: float = 68.0
    spacing_mm: float = 205.0
    drive_start_deg: float = 50.0
    driven_start_deg: float = 60.0
    rise_mm: tuple[float, float] = (20.0, 26.0)
    lean_deg: tuple[float, float] = (22.0, 260.0)  # of the driven axis: how far, and toward where
    centre_mm: tuple[float, float] = (-100.0, 125.0)


def circle(link: SpaceLinkage) -> tuple[Floats, Floats]:
    """Rotation that takes z to the driven axis, and the centre of the driven pin's circle."""
    size, toward = np.deg2rad(link.lean_deg)
    # a turn about (-sin, cos) leans z toward (cos, sin)
    axis = turn(size * np.array([-np.sin(toward), np.cos(toward), 0.0]))
    foot = np.array([link.centre_mm[0] + link.spacing_mm, link.centre_mm[1], 0.0])
    return axis, foot + link.rise_mm[1] * axis[:, 2]


def pins(link: SpaceLinkage, drive_rad: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Drive pins (K, 3), driven pins (K, 3), driven angles (K,) and the rod's length, from low fire on."""
    axis, middle = circle(link)
    start = np.array([*link.centre_mm, link.rise_mm[0]])
    p = start + link.drive_mm * np.column_stack([np.cos(drive_rad), np.sin(drive_rad), 0 * drive_rad])
    first = np.deg2rad(link.driven_start_deg)
    arm = axis @ (link.driven_mm * np.array([np.cos(first), np.sin(first), 0.0]))
    length = float(np.linalg.norm(middle + arm - p[0]))
    to_pin = p - middle
    a, b = 2 * link.driven_mm * (to_pin @ axis[:, 0]), 2 * link.driven_mm * (to_pin @ axis[:, 1])
    c = (to_pin**2).sum(axis=1) + link.driven_mm**2 - length**2
    middle_angle, off = np.arctan2(b, a), np.arccos(c / np.hypot(a, b))
    both = np.stack([middle_angle - off, middle_angle + off])
    branch = int(np.argmin(np.abs(np.angle(np.exp(1j * (both[:, 0] - first))))))
    phi = np.unwrap(both[branch])
    q = middle + link.driven_mm * np.column_stack([np.cos(phi), np.sin(phi), 0 * phi]) @ axis.T
    return p, q, phi, length


def filmed(link: SpaceLinkage, frames: int = 150, **changes: object) -> Truth:
    """The linkage in front of a camera on a tripod, markers on both arms and on the rod."""
    drive = there_and_back(frames, 90.0, link.drive_start_deg)
    p, q, driven, _ = pins(link, drive)
    axis, middle = circle(link)
    foot = middle - axis[:, 2] * middle[2] / axis[2, 2]
    size, toward = np.deg2rad(link.lean_deg)
    above = middle[2] / axis[2, 2]
    shafts = (
        TrueShaft(link.centre_mm, drive, (TrueMarker(10, offset_mm=(28.0, 3.0, link.rise_mm[0] + 12.0)),)),
        TrueShaft(
            (float(foot[0]), float(foot[1])),
            driven,
            (TrueMarker(11, offset_mm=(34.0, -2.0, above + 12.0)),),
            lean_rad=(-size * np.sin(toward), size * np.cos(toward)),
        ),
    )
    along = (q - p) / np.linalg.norm(q - p, axis=1)[:, None]
    up = np.array([0.0, 0.0, 1.0]) - along * along[:, 2:]
    up /= np.linalg.norm(up, axis=1)[:, None]
    turned = np.stack([along, np.cross(up, along), up], axis=2)
    rod = TrueFree(20, p + 0.45 * (q - p) + 8.0 * up, np.zeros(frames), turned=turned)
    pose = looking(frames, 680.0, middle_mm=(0.0, 60.0, 0.0))
    truth = Truth(np.arange(frames) / 10.0, pose[0], pose[1], shafts, (rod,))
    return replace(truth, **changes)  # type: ignore[arg-type]
