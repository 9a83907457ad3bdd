"""Films whose geometry is known, for tests of adjustments."""

from __future__ import annotations

import json
import math
from pathlib import Path

import fake_result
import numpy as np

from strokecurve.app.adjust.subject import LinkageToAdjust, read_intended, subject_from_film
from strokecurve.app.result.reading import read_result
from strokecurve.kinematics.intended.table import Intended

DEG = math.pi / 180


def write_intended(path: Path, rows: np.ndarray) -> Path:
    """A table of intended travel as a file."""
    path.write_text("driver_deg,driven_deg\n" + "\n".join(f"{u:g},{v:.4f}" for u, v in rows) + "\n")
    return path


def determined(folder: Path, train: bool = False) -> Path:
    """The fake film with a geometry that is known, and perhaps a second linkage behind the first."""
    path = folder / "result.json"
    record = json.loads(path.read_text())
    entry = record["linkages"][0]
    # both shafts open clockwise, drive arm from 130 degrees, as fake_result has them
    pin = 70 * np.exp(1j * 130 * DEG) - 300
    inner = math.acos((abs(pin) ** 2 + 90**2 - 300**2) / (2 * abs(pin) * 90))
    values = {
        "drive_radius_mm": (70.0, 0.3), "driven_radius_mm": (90.0, 0.4), "rod_mm": (300.0, 1.0),
        "spacing_mm": (300.0, 1.0), "drive_start_deg": (130.0, 0.2),
        "driven_start_deg": (math.degrees(np.angle(pin) - inner), 0.2),
    }  # fmt: skip
    entry["geometry"] = {
        name: {"value": value, "sd": sd, "determined": True, "evidence": ["pins"]}
        for name, (value, sd) in values.items()
    }
    entry["stroke"] = {"driver_travel_deg": 90.0, "driver_travel_sd_deg": 0.03, "opening": "cw"}
    if train:
        turned = float(fake_result.driven_travel(np.array([0.0, 90.0]))[1])
        second = json.loads(json.dumps(entry))
        second["driver"], second["driven"] = "shaft1", "shaft2"
        for name, value in (
            ("drive_radius_mm", 60.0), ("driven_radius_mm", 80.0), ("spacing_mm", 200.0),
            ("drive_start_deg", 120.0), ("driven_start_deg", 110.0),
        ):  # fmt: skip
            second["geometry"][name]["value"] = value
        second["stroke"]["driver_travel_deg"] = turned
        record["linkages"].append(second)
        record["shafts"].append({**record["shafts"][-1], "name": "shaft2"})
        angles = (folder / "angles.csv").read_text().splitlines()
        angles = [f"{angles[0]},shaft2_deg,shaft2_sd_deg", *(f"{line},0,0.03" for line in angles[1:])]
        (folder / "angles.csv").write_text("\n".join(angles) + "\n")
    path.write_text(json.dumps(record))
    return folder


def jamming(folder: Path) -> Path:
    """A train whose second linkage follows as found, but jams where its driver turns much further."""
    determined(folder, train=True)
    path = folder / "result.json"
    record = json.loads(path.read_text())
    for name, value in (
        ("drive_radius_mm", 80.0), ("driven_radius_mm", 60.0), ("spacing_mm", 150.0),
        ("drive_start_deg", 120.0), ("driven_start_deg", 120.0),
    ):  # fmt: skip
        record["linkages"][1]["geometry"][name]["value"] = value
    path.write_text(json.dumps(record))
    return folder


def more_travel() -> np.ndarray:
    """Rows that ask for a third more travel than the fake film shows."""
    found = float(fake_result.driven_travel(np.array([0.0, 90.0]))[1])
    return np.array([[0.0, 0.0], [90.0, 1.3 * found]])


def asked_for_more(folder: Path) -> tuple[LinkageToAdjust, Intended]:
    """The first linkage of a film, and more travel than it has."""
    return (
        subject_from_film(read_result(folder), "motor:shaft1"),
        read_intended(write_intended(folder / "more.csv", more_travel())),
    )
