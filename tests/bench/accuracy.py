"""Prints how well clips with known truth are measured: ``python tests/bench/accuracy.py FOLDER ...``.

Every ``X.mp4`` beside an ``X.truth.csv`` and ``X.truth.json`` in the folders is measured as
``strokecurve measure`` would, without a set-up file, and compared with the truth. The tables are Markdown.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from strokecurve.app.result.contents import record
from strokecurve.app.result.main_job import measure
from strokecurve.app.words.errors import PLAIN_ERRORS
from tests.scoring import score_angles


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    folders = parser.parse_args().folders
    truths = sorted(p for folder in folders for p in folder.glob("*.truth.json"))
    angle_rows, place_rows, linkage_rows = [], [], []
    for truth_json in truths:
        name = truth_json.name.removesuffix(".truth.json")
        truth = json.loads(truth_json.read_text(encoding="utf-8"))
        clip = truth_json.with_name(f"{name}.mp4")
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / name
            try:
                measurement = measure(clip, out)
            except PLAIN_ERRORS as error:
                angle_rows.append(_row(name, f"refused: {error}", "", "", "", ""))
                continue
            angles = pd.read_csv(out / "angles.csv")
        scores = score_angles(pd.read_csv(truth_json.with_name(f"{name}.truth.csv")), angles)
        angle_rows += [
            _row(
                name,
                shaft,
                f"{s.rms_deg:.3f}",
                f"{s.max_deg:.3f}",
                f"{100 * s.share:.1f}",
                f"{100 * s.within_two_sd:.1f}",
            )
            for shaft, s in scores.items()
        ]
        result = record(measurement)
        place_rows += _place_rows(name, truth, result)
        found = result["linkages"]
        for true in truth["linkages"]:
            ends = [_name(true["drive_shaft"]), _name(true["driven_shaft"])]
            for linkage in found:
                if [linkage["driver"], linkage["driven"]] == ends:
                    linkage_rows += _linkage_rows(name, true, linkage)
    print(_table(("clip", "shaft", "RMS deg", "max deg", "frames %", "within 2 sd %"), angle_rows))
    print()
    print(_table(("clip", "quantity", "true", "measured", "sd", "error"), place_rows))
    print()
    print(_table(("clip", "linkage", "quantity", "true", "measured", "sd", "error"), linkage_rows))


def _table(heads: tuple[str, ...], rows: list[str]) -> str:
    return "\n".join([_row(*heads), _row(*["---"] * len(heads)), *rows])


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def _name(shaft: int) -> str:
    return "motor" if shaft == 0 else f"shaft{shaft}"


def _place_rows(clip: str, truth: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """Focal length, and shaft centres on the card's axes (where each axis passes the plane of its marker)."""
    true, entry = truth["camera"]["fx"], found["clip"]["camera"]["focal_px"]
    rows = [(clip, "focal length px", true, entry["value"], entry["sd"])]
    card, turn = np.array(truth["card"]["centre_mm"]), np.array(truth["card"]["rotation"])
    for shaft in found["shafts"]:
        for known in truth["shafts"]:
            if _name(known["shaft"]) != shaft["name"]:
                continue
            place = known["centre_mm"]  # a world point where shafts are tilted, else x and y of the axis
            place = place if len(place) == 3 else [*place, known["marker_plane_offset_mm"]]
            centre = turn.T @ (np.array(place) - card)
            rows += [
                (clip, f"{shaft['name']} {axis} mm", true, shaft["centre_mm"][n], shaft["centre_sd_mm"][n])
                for n, (axis, true) in enumerate(zip("xy", centre, strict=False))
            ]
    return [
        _row(clip, words, f"{true:.2f}", f"{value:.2f}", f"{sd:.2f}", f"{value - true:+.2f}")
        for clip, words, true, value, sd in rows
    ]


def _linkage_rows(clip: str, true: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """One row a quantity; angles of the truth are from the world's x axis, ours from the line of centres."""
    ground = true["ground_line_deg"]
    geometry = found["geometry"]
    pairs = [
        ("drive radius mm", true["drive_radius_mm"], geometry["drive_radius_mm"]),
        ("driven radius mm", true["driven_radius_mm"], geometry["driven_radius_mm"]),
        ("rod mm", true["rod_length_in_plane_mm"], geometry["rod_mm"]),
        ("spacing mm", true["shaft_distance_mm"], geometry["spacing_mm"]),
        ("drive start deg", true["drive_arm_start_deg"] - ground, geometry["drive_start_deg"]),
        ("driven start deg", true["driven_arm_start_deg"] - ground, geometry["driven_start_deg"]),
        ("lost motion deg", true["lost_motion_deg_at_driven"], found["slack_deg"]),
        ("min drive angle deg", true["toggle_margin_drive_arm_deg"], found["min_drive_angle_deg"]),
        (
            "min transmission angle deg",
            true["toggle_margin_driven_arm_deg"],
            found["min_transmission_angle_deg"],
        ),
    ]
    rows = []
    for words, wanted, entry in pairs:
        if wanted is None:  # the rod's length in a plane, where the shafts are not parallel
            continue
        title = (clip, f"{found['driver']}:{found['driven']}", words, f"{wanted:.2f}")
        if entry is None or entry["value"] is None:
            rows.append(_row(*title, "not available", "", ""))
        elif not entry.get("determined", True):
            rows.append(_row(*title, "not determined", "", ""))
        else:
            error = entry["value"] - wanted
            if words.endswith("start deg"):
                error = math.remainder(error, 360.0)
            rows.append(_row(*title, f"{entry['value']:.2f}", f"{entry['sd']:.2f}", f"{error:+.2f}"))
    return rows


if __name__ == "__main__":
    main()
