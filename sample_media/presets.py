"""Ready scenes, changes to them, and random plausible linkages for tests."""

from __future__ import annotations

from dataclasses import is_dataclass, replace
from typing import Any

import numpy as np

from sample_media.filming import Camera
from sample_media.mechanism import driven_direction
from sample_media.scene import (
    ArmMarker,
    Card,
    Linkage,
    RodMarker,
    Scene,
    Shaft,
    strokes,
)

ARM_ID, ROD_ID = 10, 20  # ids of shaft k and rod j by the project's numbering
# How a phone's hardware encoder stores a film, and what is left of it after a messenger has squeezed it.
PHONE_FILM: dict[str, Any] = {"bitrate": 8e6, "preset": "superfast", "b_frames": 0, "keyframe_gap": 30}
MESSENGER_FILM: dict[str, Any] = {"bitrate": 1.2e6, "preset": "medium", "b_frames": 2, "keyframe_gap": 250}
# An ordinary hand, and a shaky one.
HAND: dict[str, Any] = {"shake_mm": 3.0, "shake_deg": 0.4, "tremor_mm": 0.22, "tremor_deg": 0.037}
SHAKY_HAND: dict[str, Any] = {"shake_mm": 4.0, "shake_deg": 0.6, "tremor_mm": 0.38, "tremor_deg": 0.062}
MIN_MARGIN_DEG = 18.0  # a random linkage stays this far from toggle over a whole stroke
MIN_TRAVEL_DEG, MAX_TRAVEL_DEG = 35.0, 130.0


def change(scene: Scene, **changes: Any) -> Scene:
    """A scene with parts changed.

    Parameters
    ----------
    scene : Scene
    **changes
        New values of the scene's attributes. A dict for an attribute that is itself a description
        (``camera={"shake_mm": 2.0}``, ``film={"fps": 60}``) changes only the named parts of it.

    Returns
    -------
    Scene
    """
    new = {}
    for name, value in changes.items():
        old = getattr(scene, name)
        new[name] = replace(old, **value) if isinstance(value, dict) and is_dataclass(old) else value
    return replace(scene, **new)


def rod_between(
    drive_radius_mm: float,
    driven_radius_mm: float,
    spacing_mm: float,
    drive_start_deg: float,
    driven_start_deg: float,
) -> tuple[float, int]:
    """Rod length (mm) and branch that close a linkage at given start directions from the line of centres."""
    a, b = np.deg2rad([drive_start_deg, driven_start_deg])
    pin = drive_radius_mm * np.array([np.cos(a), np.sin(a)])
    end = np.array([spacing_mm, 0.0]) + driven_radius_mm * np.array([np.cos(b), np.sin(b)])
    to_pin, arm = pin - [spacing_mm, 0.0], end - [spacing_mm, 0.0]
    return float(np.hypot(*(end - pin))), 1 if to_pin[0] * arm[1] - to_pin[1] * arm[0] > 0 else -1


def _arm(number: int, along_mm: float = 28.0, side_mm: float = 30.0, **more: Any) -> ArmMarker:
    """Main marker of a shaft, mounted by hand, so a little askew."""
    askew = (-2.6, 1.7, 3.1, -1.2)[number % 4]
    values = {"across_mm": (-1.1, 0.8, 1.6, -0.4)[number % 4], "mount_angle_deg": askew} | more
    return ArmMarker(ARM_ID + number, side_mm, along_mm=along_mm, **values)


def _pair() -> Scene:
    """Motor and one driven shaft, rod with marker."""
    return Scene(
        name="pair",
        camera=Camera(target_mm=(0.0, -25.0, 0.0), distance_mm=580.0),
        shafts=(Shaft((-95.0, 40.0), (_arm(0),)), Shaft((85.0, 50.0), (_arm(1, 34.0),))),
        linkages=(Linkage(0, 1, 56.0, 66.0, 180.0, 42.0, rod_marker=RodMarker(ROD_ID, along=0.48)),),
        moves=strokes(),
        card=Card((-5.0, -110.0, 0.0), turn_deg=1.5),
    )


def _train() -> Scene:
    """Motor, shaft1 and shaft2 in series, both rods with markers."""
    return Scene(
        name="train",
        camera=Camera(target_mm=(0.0, -25.0, 0.0), distance_mm=600.0),
        shafts=(
            Shaft((-175.0, 45.0), (_arm(0),)),
            Shaft((0.0, 52.0), (_arm(1, 32.0),)),
            Shaft((165.0, 44.0), (_arm(2, 30.0),)),
        ),
        linkages=(
            Linkage(0, 1, 58.0, 64.0, 176.0, 44.0, rod_marker=RodMarker(ROD_ID)),
            Linkage(
                1, 2, 60.0, 58.0, 164.0, 50.0, drive_arm_height_mm=22.0, rod_marker=RodMarker(ROD_ID + 1)
            ),
        ),
        moves=strokes(),
        card=Card((-5.0, -110.0, 0.0), turn_deg=-1.0),
    )


def _fan() -> Scene:
    """Motor that feeds two shafts, one on each side."""
    return Scene(
        name="fan",
        camera=Camera(target_mm=(0.0, -25.0, 0.0), distance_mm=600.0),
        shafts=(
            Shaft((0.0, 45.0), (_arm(0),)),
            Shaft((172.0, 50.0), (_arm(1, 32.0),)),
            Shaft((-170.0, 48.0), (_arm(2, 30.0),)),
        ),
        linkages=(
            Linkage(0, 1, 56.0, 64.0, 172.0, 46.0, rod_marker=RodMarker(ROD_ID)),
            Linkage(0, 2, 54.0, 60.0, 170.0, 230.0, branch=1, drive_arm_height_mm=22.0),
        ),
        moves=strokes(),
        card=Card((-5.0, -120.0, 0.0)),
    )


PRESETS = {"pair": _pair, "train": _train, "fan": _fan}


def scene_preset(name: str, **changes: Any) -> Scene:
    """A ready scene.

    Parameters
    ----------
    name : str
        ``"pair"`` (motor, shaft1), ``"train"`` (motor, shaft1, shaft2 in series) or ``"fan"`` (the motor
        feeds both).
    **changes
        See `change`.

    Returns
    -------
    Scene

    Raises
    ------
    ValueError
        For an unknown name.
    """
    if name not in PRESETS:
        raise ValueError(f"no scene {name!r}; there are {', '.join(PRESETS)}")
    return change(PRESETS[name](), **changes)


def toggle_margins(linkage: Linkage, spacing_mm: float, travel_deg: float) -> tuple[float, float, float]:
    """Smallest angle of the rod to the drive arm's and to the driven arm's line, and driven travel, degrees.

    Raises
    ------
    ValueError
        If the linkage cannot close over the stroke.
    """
    drive = np.deg2rad(linkage.drive_start_deg + np.linspace(0.0, travel_deg, 181))
    driven = driven_direction(linkage, spacing_mm, drive)
    rod = np.arctan2(
        linkage.driven_radius_mm * np.sin(driven) - linkage.drive_radius_mm * np.sin(drive),
        spacing_mm + linkage.driven_radius_mm * np.cos(driven) - linkage.drive_radius_mm * np.cos(drive),
    )
    margins = [np.rad2deg(np.arcsin(np.abs(np.sin(rod - arm)).min())) for arm in (drive, driven)]
    return float(margins[0]), float(margins[1]), float(np.rad2deg(driven[-1] - driven[0]))


def random_linkage(
    rng: np.random.Generator,
    travel_deg: float = 90.0,
    driver: int = 0,
    driven: int = 1,
    min_margin_deg: float = MIN_MARGIN_DEG,
) -> tuple[Linkage, float]:
    """A plausible linkage that closes over the stroke and stays clear of toggle.

    Parameters
    ----------
    rng : numpy.random.Generator
    travel_deg : float
        Travel of the driver; negative opens clockwise.
    driver, driven : int
        Shaft numbers.
    min_margin_deg : float
        Least toggle margin at either arm.

    Returns
    -------
    linkage : Linkage
        With a rod marker and 0 to 1.5 degrees of lost motion.
    spacing_mm : float
    """
    while True:
        r, q, spacing = rng.uniform(44, 72), rng.uniform(50, 74), rng.uniform(160, 200)
        middle = rng.choice([90.0, 270.0]) + rng.uniform(-20, 20)
        start = middle - travel_deg / 2
        rod, branch = rod_between(r, q, spacing, start, start + rng.uniform(-25, 25))
        linkage = Linkage(
            driver,
            driven,
            float(r),
            float(q),
            rod,
            float(start),
            branch,
            lost_motion_deg=float(rng.choice([0.0, rng.uniform(0.1, 1.5)])),
            rod_marker=RodMarker(ROD_ID + driver, along=float(rng.uniform(0.42, 0.58))),
        )
        try:
            drive_margin, driven_margin, travel = toggle_margins(linkage, spacing, travel_deg)
        except ValueError:
            continue
        if (
            min(drive_margin, driven_margin) > min_margin_deg
            and MIN_TRAVEL_DEG < abs(travel) < MAX_TRAVEL_DEG
        ):
            return linkage, float(spacing)


def random_scene(rng: np.random.Generator, **changes: Any) -> Scene:
    """A motor and one shaft with a random linkage, camera stand and mounting.

    Parameters
    ----------
    rng : numpy.random.Generator
    **changes
        See `change`.

    Returns
    -------
    Scene
    """
    travel = float(rng.choice([90.0, -90.0]))
    linkage, spacing = random_linkage(rng, travel)
    line = np.deg2rad(rng.uniform(-6, 6))
    below = np.sin(np.deg2rad(linkage.drive_start_deg + travel / 2)) < 0
    start = np.array([-spacing / 2 + rng.uniform(-8, 8), 95.0 if below else 40.0])
    end = start + spacing * np.array([np.cos(line), np.sin(line)])
    centres = [(float(x), float(y)) for x, y in (start, end)]
    markers = [
        _arm(
            k,
            float(rng.uniform(0.46, 0.54) * radius),
            mount_angle_deg=float(rng.uniform(-5, 5)),
            across_mm=float(rng.uniform(-2.5, 2.5)),
        )
        for k, radius in enumerate((linkage.drive_radius_mm, linkage.driven_radius_mm))
    ]
    scene = Scene(
        name="random",
        camera=Camera(
            focal_px=float(rng.uniform(1380, 1520)),
            offset_px=(float(rng.uniform(-8, 8)), float(rng.uniform(-8, 8))),
            k1=float(rng.uniform(-0.03, 0.04)),
            k2=float(rng.uniform(-0.015, 0.01)),
            distance_mm=float(rng.uniform(540, 640)),
            azimuth_deg=float(rng.uniform(-20, 20)),
            elevation_deg=float(rng.uniform(-14, 14)),
            roll_deg=float(rng.uniform(-4, 4)),
            target_mm=(0.0, -30.0, 0.0),
            seed=int(rng.integers(1 << 30)),
        ),
        shafts=tuple(Shaft(c, (m,)) for c, m in zip(centres, markers, strict=True)),
        linkages=(linkage,),
        moves=strokes(travel),
        card=Card((float(rng.uniform(-15, 15)), -112.0, 0.0), turn_deg=float(rng.uniform(-4, 4))),
    )
    return change(scene, **changes)
