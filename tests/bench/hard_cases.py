"""Renders clips of hard cases with truth: ``python tests/bench/hard_cases.py FOLDER [NAME ...]``.

One to three minutes a clip. Then ``python tests/bench/accuracy.py FOLDER`` measures them.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sample_media.film import write_clip, write_truth
from sample_media.filming import Pan
from sample_media.presets import HAND, MESSENGER_FILM, PHONE_FILM, SHAKY_HAND, change, scene_preset
from sample_media.scene import ArmMarker, Linkage, Occluder, RodMarker, Scene, Shaft, Slip, strokes

SHORT = strokes(90, move_s=3)
QUICK_S = (2.8, 1.0, 0.8)  # each pass, hold at high and at low fire
QUICK = strokes(90, *QUICK_S)
SMALL = {"size_wh": (1280, 720), "focal_px": 967.0}
DARK = {"exposure_s": 0.033, "gain": 0.12, "noise_levels": 7.0, "blur_px": 0.9}


def small_markers() -> Scene:
    """20 mm markers at 1.2 m, tripod."""
    pair = scene_preset("pair", camera={"distance_mm": 1200.0}, moves=SHORT)
    return change(
        pair,
        shafts=tuple(
            replace(s, markers=tuple(replace(m, side_mm=20.0) for m in s.markers)) for s in pair.shafts
        ),
        linkages=tuple(replace(k, rod_marker=RodMarker(20, side_mm=20.0, along=0.48)) for k in pair.linkages),
    )


def other_pair(lost_motion_deg: float) -> Scene:
    """A pair with unequal arms below their shafts, opening clockwise."""
    return scene_preset(
        "pair",
        shafts=(
            Shaft((-92.0, 74.0), (ArmMarker(10, along_mm=30.0, across_mm=1.3, mount_angle_deg=4.2),)),
            Shaft((93.0, 66.0), (ArmMarker(11, along_mm=29.0, across_mm=-0.9, mount_angle_deg=-3.3),)),
        ),
        linkages=(
            Linkage(
                0,
                1,
                62.0,
                58.0,
                187.0,
                -52.0,
                branch=1,
                lost_motion_deg=lost_motion_deg,
                driven_pin_height_mm=20.0,
                rod_marker=RodMarker(20, along=0.51, mount_angle_deg=94.0),
            ),
        ),
        moves=strokes(-90, *QUICK_S),
    )


def slipping_arm(end: str) -> Scene:
    """Three shafts; on shaft1 one arm slips that has its own marker, the other arm's marker stays true.

    ``"driven"``: the arm on the motor's rod (id 11) slips by -4 degrees, 31 shows the shaft. ``"drive"``: the
    arm that drives shaft2 (id 31) slips by 3.5 degrees, 11 shows the shaft.
    """
    train = scene_preset("train", moves=QUICK)
    motor, middle, last = train.shafts
    first, second = train.linkages
    on_arms = (
        replace(middle.markers[0], arm=(0, "driven")),
        ArmMarker(31, height_mm=23.0, along_mm=31.0, across_mm=0.7, mount_angle_deg=2.9, arm=(1, "drive")),
    )
    return change(
        train,
        shafts=(motor, replace(middle, markers=on_arms), last),
        linkages=(
            first,
            # The second arm points down, so the two markers of the shaft do not hide each other.
            replace(second, rod_mm=163.0, drive_start_deg=-132.0, branch=1),
        ),
        slips=(Slip(0, "driven", 2.7, 4.0) if end == "driven" else Slip(1, "drive", 2.7, 3.5),),
    )


def tilted_shaft(tilt_deg: float, tilt_axis_deg: float, rod_mm: float) -> Scene:
    """The driven shaft stands off the driver's axis: a linkage in space."""
    pair = scene_preset("pair", moves=QUICK)
    motor, driven = pair.shafts
    return change(
        pair,
        shafts=(motor, replace(driven, tilt_deg=tilt_deg, tilt_axis_deg=tilt_axis_deg)),
        linkages=(replace(pair.linkages[0], rod_mm=rod_mm),),
    )


def with_rolling_shutter() -> dict[str, Scene]:
    """Films as phones make them: hand-held, the rows exposed one after another."""
    held = {"camera": HAND, "moves": QUICK}
    return {
        "rs-hand": scene_preset(
            "pair",
            linkages=(Linkage(0, 1, 56.0, 66.0, 180.0, 42.0, lost_motion_deg=0.4, rod_marker=RodMarker(20)),),
            film=PHONE_FILM | {"row_readout_s": 0.016},
            **held,
        ),
        "rs-hand-b": change(
            other_pair(0.8),
            camera={
                "distance_mm": 800.0,
                "azimuth_deg": -14.0,
                "elevation_deg": 10.0,
                "roll_deg": -2.5,
                "seed": 22,
                **HAND,
            },
            film=PHONE_FILM | {"row_readout_s": 0.024},
        ),
        "rs-60": scene_preset(
            "train",
            camera={"seed": 31, **SHAKY_HAND},
            picture={"exposure_s": 1 / 240},
            film=PHONE_FILM | {"fps": 60.0, "bitrate": 9e6, "row_readout_s": 0.012},
            moves=QUICK,
        ),
        "rs-wide": scene_preset(
            "pair",
            camera={
                "focal_px": 1056.0,
                "k1": -0.06,
                "k2": 0.008,
                "distance_mm": 430.0,
                "seed": 41,
                **HAND,
            },
            film=PHONE_FILM | {"row_readout_s": 0.020},
            moves=QUICK,
        ),
        "rs-tripod": scene_preset("pair", film=PHONE_FILM | {"row_readout_s": 0.018}, moves=QUICK),
        "rs-steadied": scene_preset(
            "pair",
            camera=SHAKY_HAND | {"steadied_share": 0.85, "breathing_share": 0.006, "seed": 61},
            film=PHONE_FILM | {"row_readout_s": 0.018},
            moves=QUICK,
        ),
        "rs-messenger": scene_preset(
            "pair",
            camera=SMALL | HAND | {"seed": 71},
            film=MESSENGER_FILM | {"row_readout_s": 0.018},
            moves=QUICK,
        ),
        "rs-dim": scene_preset(
            "pair",
            camera={"seed": 81, **HAND},
            picture=DARK,
            film=PHONE_FILM | {"row_readout_s": 0.020},
            moves=QUICK,
        ),
        "rs-careless": scene_preset(
            "pair",
            camera=SHAKY_HAND
            | {
                "seed": 91,
                "pans": (
                    Pan(1.9, up_deg=11.0),
                    Pan(4.6, right_deg=17.0, there_s=0.25, hold_s=0.1, back_s=0.3),
                    Pan(6.8, right_deg=-14.0, up_deg=5.0),
                ),
            },
            film=PHONE_FILM | {"row_readout_s": 0.019},
            moves=QUICK,
        ),
        "rs-slip": change(
            slipping_arm("driven"), camera={"seed": 101, **HAND}, film=PHONE_FILM | {"row_readout_s": 0.018}
        ),
        "rs-slip-other": change(
            slipping_arm("drive"), camera={"seed": 102, **HAND}, film=PHONE_FILM | {"row_readout_s": 0.017}
        ),
        "rs-turned": scene_preset(
            "pair",
            camera={"size_wh": (1080, 1920), "distance_mm": 640.0, "seed": 111, **HAND},
            film=PHONE_FILM | {"rotation_deg_clockwise": 90, "row_readout_s": 0.018},
            moves=QUICK,
        ),
        "rs-turned-columns": scene_preset(
            "pair",
            camera={"size_wh": (1080, 1920), "distance_mm": 640.0, "seed": 112, **HAND},
            film=PHONE_FILM | {"row_readout_s": -0.018, "readout_along": "columns"},
            moves=QUICK,
        ),
        "tripod-none": scene_preset("pair", film=PHONE_FILM, moves=QUICK),
        "hand-none": scene_preset("pair", film=PHONE_FILM, **held),
        "tilted-22": change(
            tilted_shaft(22.0, 110.0, 190.0),
            camera={"seed": 131, **HAND},
            film=PHONE_FILM | {"row_readout_s": 0.018},
        ),
        "tilted-35": change(
            tilted_shaft(35.0, 75.0, 196.0),
            camera={"seed": 132, **HAND},
            film=PHONE_FILM | {"row_readout_s": 0.018},
        ),
    }


def cases() -> dict[str, Scene]:
    """All cases by name."""
    near_toggle = Linkage(0, 1, 56.0, 66.0, 180.0, 14.0, lost_motion_deg=0.3, rod_marker=RodMarker(20))
    sway = {"shake_mm": 2.2, "shake_deg": 0.3}
    return with_rolling_shutter() | {
        "train-hidden-glare": scene_preset(
            "train",
            camera=sway,
            moves=SHORT,
            occluders=(Occluder(2.2, 3.0, (0.0, 60.0)),),
            picture={"glare_mm": (165.0, 44.0), "glare_strength": 0.25},
        ),
        "portrait-varying-rate": scene_preset(
            "pair",
            camera={"size_wh": (1080, 1920), "distance_mm": 640.0, **sway},
            film={"rotation_deg_clockwise": 90, "jitter_s": 0.006},
            moves=SHORT,
        ),
        "hevc-4k-10bit": scene_preset(
            "pair",
            camera={"size_wh": (3840, 2160), "focal_px": 2900.0, **sway},
            film={"codec": "hevc", "bits": 10, "fps": 15.0},
            moves=strokes(90, move_s=2.5),
        ),
        "torn-tilted-card": scene_preset(
            "pair",
            camera=sway,
            card={"missing_ids": (1,), "tilt_deg": 6.0, "tilt_axis_deg": 60.0},
            moves=SHORT,
        ),
        "small-markers": small_markers(),
        "near-toggle": scene_preset("pair", camera=sway, linkages=(near_toggle,), moves=SHORT),
        "dark-720p": scene_preset(
            "pair",
            camera=SMALL | {"shake_mm": 1.2, "shake_deg": 0.12},
            picture=DARK,
            film={"bitrate": 5e6},
            moves=SHORT,
        ),
    }


def main() -> None:
    """Render what is asked for, in that order, or everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    scenes = cases()
    for name in options.names or scenes:
        clip = options.folder / f"{name}.mp4"
        scene = replace(scenes[name], name=name)
        write_clip(scene, clip)
        write_truth(scene, clip.with_suffix(".truth.csv"), clip.with_suffix(".truth.json"), clip=clip)
        print(name, flush=True)


if __name__ == "__main__":
    main()
