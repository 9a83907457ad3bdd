"""Renders clips of hard cases with truth: ``python tests/bench/hard_cases.py FOLDER [NAME ...]``.

About two minutes a clip. Then ``python tests/bench/accuracy.py FOLDER`` measures them.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sample_media.film import write_clip, write_truth
from sample_media.presets import change, scene_preset
from sample_media.scene import Linkage, Occluder, RodMarker, Scene, strokes

HAND: dict[str, Any] = {"shake_mm": 2.2, "shake_deg": 0.3}
SHORT = strokes(90, move_s=3)


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


def cases() -> dict[str, Scene]:
    """All cases by name."""
    near_toggle = Linkage(0, 1, 56.0, 66.0, 180.0, 14.0, lost_motion_deg=0.3, rod_marker=RodMarker(20))
    dark = {"exposure_s": 0.033, "gain": 0.12, "noise_levels": 7.0, "blur_px": 0.9}
    return {
        "train-hidden-glare": scene_preset(
            "train",
            camera=HAND,
            moves=SHORT,
            occluders=(Occluder(2.2, 3.0, (0.0, 60.0)),),
            picture={"glare_mm": (165.0, 44.0), "glare_strength": 0.25},
        ),
        "portrait-varying-rate": scene_preset(
            "pair",
            camera={"size_wh": (1080, 1920), "distance_mm": 640.0, **HAND},
            film={"rotation_deg_clockwise": 90, "jitter_s": 0.006},
            moves=SHORT,
        ),
        "hevc-4k-10bit": scene_preset(
            "pair",
            camera={"size_wh": (3840, 2160), "focal_px": 2900.0, **HAND},
            film={"codec": "hevc", "bits": 10, "fps": 15.0},
            moves=strokes(90, move_s=2.5),
        ),
        "torn-tilted-card": scene_preset(
            "pair",
            camera=HAND,
            card={"missing_ids": (1,), "tilt_deg": 6.0, "tilt_axis_deg": 60.0},
            moves=SHORT,
        ),
        "small-markers": small_markers(),
        "near-toggle": scene_preset("pair", camera=HAND, linkages=(near_toggle,), moves=SHORT),
        "dark-720p": scene_preset(
            "pair",
            camera={"size_wh": (1280, 720), "focal_px": 967.0, "shake_mm": 1.2, "shake_deg": 0.12},
            picture=dark,
            film={"bitrate": 5e6},
            moves=SHORT,
        ),
    }


def main() -> None:
    """Render what is asked for, or everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for name, scene in cases().items():
        if options.names and name not in options.names:
            continue
        clip = options.folder / f"{name}.mp4"
        write_clip(scene, clip)
        write_truth(scene, clip.with_suffix(".truth.csv"), clip.with_suffix(".truth.json"), clip=clip)
        print(name, flush=True)


if __name__ == "__main__":
    main()
