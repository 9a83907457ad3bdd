"""Make the two sample clips and their truth files again, the same each time.

Run ``python -m sample_media.make_samples [name ...] [--out DIR]`` in the project's folder.

The scenario is invented: the burner "Quillon 310" on boiler 2 of the "Halvermoor Heat Works". No such
plant or burner exists. The motor turns the damper shaft (shaft1), which turns the metering valve's shaft
(shaft2).

As found the drive arm of the first linkage is set too short and too close to the line of its rod: the
damper starts slowly, ends far short of the motor's 90 degrees, and the worn joint has lost motion. As left
the drive arm is longer and re-clamped, and the joint is renewed: nearly equal travel.

Both are held in the hand and have a rolling shutter, as films of phones do.
"""

from __future__ import annotations

import argparse
from math import dist
from pathlib import Path

from sample_media.film import write_clip, write_truth
from sample_media.filming import Camera, Film, Picture
from sample_media.presets import rod_between
from sample_media.scene import (
    ArmMarker,
    Card,
    Label,
    Linkage,
    RodMarker,
    Scene,
    Shaft,
    strokes,
)

LABELS = (
    Label("QUILLON 310", -225.0, 142.0, 15.0),
    Label("MOTOR", -268.0, 78.0, 8.0),
    Label("AIR DAMPER", -52.0, 6.0),
    Label("METERING VALVE", 92.0, -2.0),
    Label("HALVERMOOR HEAT WORKS", 116.0, -110.0, 8.0),
    Label("BOILER 2", 116.0, -92.0, 12.0),
    Label("HIGH FIRE", 168.0, 152.0, 9.0),
    Label("LOW FIRE", -268.0, -104.0, 9.0),
)
BITRATE = 3.2e6  # bit/s: keeps a clip of 12 s below 5 MB
HAND = {"shake_mm": 2.2, "shake_deg": 0.25, "tremor_mm": 0.2, "tremor_deg": 0.035}
SHAFTS = (
    Shaft((-176.0, 44.0), (ArmMarker(10, along_mm=27.0, across_mm=-1.1, mount_angle_deg=-2.6),)),
    Shaft((-2.0, 52.0), (ArmMarker(11, along_mm=33.0, across_mm=0.8, mount_angle_deg=1.7),)),
    Shaft((162.0, 47.0), (ArmMarker(12, along_mm=30.0, across_mm=1.6, mount_angle_deg=3.1),)),
)


def _linkage(
    number: int, radii_mm: tuple[float, float], starts_deg: tuple[float, float], lost: float
) -> Linkage:
    """Linkage of shaft ``number`` to the next with given radii, start directions and lost motion."""
    spacing = dist(SHAFTS[number].centre_mm, SHAFTS[number + 1].centre_mm)
    rod, branch = rod_between(*radii_mm, spacing, *starts_deg)
    marker = RodMarker(20 + number, along=(0.47, 0.52)[number], mount_angle_deg=(88.2, 91.5)[number])
    return Linkage(
        number,
        number + 1,
        *radii_mm,
        rod,
        starts_deg[0],
        branch,
        lost,
        drive_arm_height_mm=(29.0, 22.0)[number],
        rod_marker=marker,
    )


def as_found() -> Scene:
    """Film before the adjustment.

    Returns
    -------
    Scene
    """
    return Scene(
        name="as_found",
        camera=Camera(
            focal_px=1462.0,
            offset_px=(5.2, -3.7),
            k1=0.032,
            k2=-0.013,
            distance_mm=612.0,
            azimuth_deg=11.0,
            elevation_deg=6.0,
            roll_deg=1.4,
            target_mm=(-2.0, -28.0, 0.0),
            **HAND,
            seed=411,
        ),
        shafts=SHAFTS,
        linkages=(
            _linkage(0, (44.0, 68.0), (32.0, 60.0), 1.3),
            _linkage(1, (60.0, 58.0), (50.0, 52.0), 0.5),
        ),
        moves=strokes(90.0, 4.1, 1.2, 1.1, soft_s=0.3),
        first_hold_s=1.1,
        card=Card((-6.0, -112.0, 0.0), turn_deg=1.2, tilt_deg=0.8, tilt_axis_deg=70.0),
        picture=Picture(noise_levels=1.4, seed=71),
        film=Film(bitrate=BITRATE, preset="slow", row_readout_s=0.017),
        panel_seed=310,
        labels=LABELS,
    )


def as_left() -> Scene:
    """Film after the adjustment, on another day from another stand.

    Returns
    -------
    Scene
    """
    return Scene(
        name="as_left",
        camera=Camera(
            focal_px=1462.0,
            offset_px=(5.2, -3.7),
            k1=0.032,
            k2=-0.013,
            distance_mm=598.0,
            azimuth_deg=-9.0,
            elevation_deg=8.0,
            roll_deg=-1.8,
            target_mm=(-4.0, -26.0, 0.0),
            **HAND,
            seed=527,
        ),
        shafts=SHAFTS,
        linkages=(
            _linkage(0, (67.0, 67.5), (44.0, 45.0), 0.3),
            _linkage(1, (60.0, 59.5), (45.0, 46.0), 0.3),
        ),
        moves=strokes(90.0, 4.3, 1.2, 1.1, soft_s=0.3),
        first_hold_s=1.2,
        card=Card((-4.0, -114.0, 0.0), turn_deg=-0.8, tilt_deg=0.6, tilt_axis_deg=110.0),
        picture=Picture(noise_levels=1.4, lamp_mm=(140.0, 120.0), light_gradient=(-0.3, 0.4), seed=72),
        film=Film(bitrate=BITRATE, preset="slow", row_readout_s=0.021),
        panel_seed=310,
        labels=LABELS,
    )


SAMPLES = {"as_found": as_found, "as_left": as_left}


def main(arguments: list[str] | None = None) -> None:
    """Write the clips and truth files.

    Parameters
    ----------
    arguments : list of str or None
        Command line; None for the process's own.
    """
    parser = argparse.ArgumentParser(description="Make the sample clips and their truth files again.")
    parser.add_argument("names", nargs="*", default=list(SAMPLES), help=f"any of {', '.join(SAMPLES)}")
    parser.add_argument(
        "--out", type=Path, default=Path(__file__).resolve().parent, help="folder to write to"
    )
    options = parser.parse_args(arguments)
    unknown = set(options.names) - set(SAMPLES)
    if unknown:
        parser.error(f"no sample {', '.join(sorted(unknown))}; there are {', '.join(SAMPLES)}")
    for name in options.names:
        scene, clip = SAMPLES[name](), options.out / f"{name}.mp4"
        write_clip(scene, clip)
        write_truth(scene, options.out / f"{name}.truth.csv", options.out / f"{name}.truth.json", clip)


if __name__ == "__main__":
    main()
