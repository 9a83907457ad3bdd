"""A result folder in the agreed formats, made from a four-bar without any film."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

SHAFTS = ("motor", "shaft1")
LINKAGE = "motor:shaft1"
LOST_DEG = 1.4
SD_DEG = 0.03
RATE_HZ = 30.0


def driven_travel(
    driver_deg: np.ndarray, drive: float = 70, driven: float = 90, rod: float = 300
) -> np.ndarray:
    """Driven travel of a four-bar with 300 mm spacing, drive arm from 50 degrees, both turning clockwise."""
    spacing = 300.0
    angle = np.radians(130 - driver_deg)
    pin = drive * np.exp(1j * angle) - spacing
    reach = np.abs(pin)
    inner = np.arccos((reach**2 + driven**2 - rod**2) / (2 * reach * driven))
    position = np.degrees(np.unwrap(np.angle(pin) - inner))
    return position[0] - position


def write_fake_result(folder: Path, *, findings: bool = True) -> Path:
    """Write angles.csv, travel.csv and result.json of a stroke with lost motion and a gap."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(7)
    time_s = np.arange(0, 14, 1 / RATE_HZ)
    driver = np.interp(time_s, [1, 6, 8, 13], [0, 90, 90, 0])
    opening = time_s < 7
    grid = np.arange(0, 91.0)
    curve = driven_travel(grid)
    lag = np.where(opening, np.clip(driver / 2, 0, 1), np.clip((90 - driver) / 2, 0, 1))
    driven = np.interp(driver, grid, curve) - np.where(opening, lag, -lag) * LOST_DEG / 2
    angles = pd.DataFrame({"time_s": time_s})
    for name, travel in zip(SHAFTS, (driver, driven), strict=True):
        values = -travel + rng.normal(0, SD_DEG, time_s.size)
        values[(time_s > 3) & (time_s < 3.4)] = np.nan
        angles[f"{name}_deg"] = values - values[0]
        angles[f"{name}_sd_deg"] = np.where(np.isnan(values), np.nan, SD_DEG)
    angles.to_csv(folder / "angles.csv", index=False)
    rows = []
    for name, sign in (("opening", -1), ("closing", 1)):
        edge = np.clip((grid if sign < 0 else 90 - grid) / 2, 0, 1)
        y = curve + sign * LOST_DEG / 2 * edge
        sd = np.full(grid.size, SD_DEG / 2)
        if name == "opening":
            y[37:43] = np.nan
            sd[37:43] = np.nan
        rows.append(
            pd.DataFrame(
                {"linkage": LINKAGE, "pass": name, "driver_deg": grid, "driven_deg": y, "sd_deg": sd}
            )
        )
    pd.concat(rows).to_csv(folder / "travel.csv", index=False)
    (folder / "result.json").write_text(json.dumps(fake_record(findings, float(curve[-1])), indent=1))
    return folder


def write_named_result(folder: Path, name: str) -> Path:
    """The same with another name for the motor, which the tables do not mark: earlier versions wrote so."""
    write_fake_result(folder)
    record = json.loads((folder / "result.json").read_text())
    (folder / "result.json").write_text(json.dumps(record).replace('"motor"', json.dumps(name)))
    for table in ("angles.csv", "travel.csv"):
        content = (folder / table).read_text(encoding="utf-8")
        (folder / table).write_text(content.replace("motor", name), encoding="utf-8")
    return folder


def fake_record(findings: bool, driven_deg: float) -> dict:
    """The content of result.json."""

    def known(value: float, sd: float, evidence: str) -> dict:
        return {"value": value, "sd": sd, "determined": True, "evidence": [evidence]}

    open_one = {
        "value": 96.0,
        "sd": 14.0,
        "determined": False,
        "evidence": [],
        "settle": "measure the radius of the driven arm",
    }

    def shaft(name: str, travel_deg: float, x_mm: float) -> dict:
        return {
            "name": name,
            "travel_deg": travel_deg,
            "travel_sd_deg": 0.02,
            "opening": "cw",
            "centre_mm": [x_mm, -60.0, 12.0],
            "centre_sd_mm": [0.2, 0.2, 0.9],
            "axis_tilt_deg": 0.8,
            "frames_measured": 408,
        }

    return {
        "clip": {"file": "clip.mp4", "size_px": [1920, 1080], "duration_s": 14.0, "frames": 420},
        "shafts": [shaft("motor", 90.0, 120.0), shaft("shaft1", driven_deg, 420.0)],
        "linkages": [
            {
                "driver": "motor",
                "driven": "shaft1",
                "geometry": {
                    "drive_radius_mm": known(70.2, 0.4, "pins"),
                    "driven_radius_mm": known(90.3, 0.5, "pins"),
                    "rod_mm": known(300.4, 1.2, "pins"),
                    "spacing_mm": known(299.1, 1.1, "hinges"),
                    "drive_start_deg": known(130.1, 0.3, "pins"),
                    "driven_start_deg": open_one,
                },
                "branch": -1,
                "slack_deg": {"value": LOST_DEG, "sd": 0.03},
                "hysteresis_max_deg": {"value": 1.46, "sd": 0.05, "at_driver_deg": 34.0},
                "min_drive_angle_deg": {"value": 41.0, "sd": 0.6, "at_driver_deg": 90.0},
                "min_transmission_angle_deg": {"value": 24.0, "sd": 0.7, "at_driver_deg": 88.0},
            }
        ],
        "findings": fake_findings() if findings else [],
        "versions": {"strokecurve": "0.1.0"},
    }


def fake_findings() -> list[dict]:
    """One finding of each severity, the gravest last, as a careless writer might order them."""
    film = {"linkage": None, "shaft": None, "part": None, "markers": []}
    linkage = film | {"linkage": LINKAGE}
    return [
        {
            "code": "marker_lost",
            "severity": "note",
            "kind": "filming",
            "where": "film",
            "subject": film,
            "time_s": None,
            "driver_deg": None,
            "value": 11.0,
            "sd": None,
            "limit": 5.0,
            "unit": "%",
            "text": "The marker of the motor was hidden for 0.4 s during the opening pass.",
            "advice": "Keep hands and cables out of the line of sight.",
        },
        {
            "code": "lost_motion",
            "severity": "caution",
            "kind": "linkage",
            "where": LINKAGE,
            "subject": linkage,
            "time_s": None,
            "driver_deg": 34.0,
            "value": LOST_DEG,
            "sd": 0.03,
            "limit": 1.0,
            "unit": "deg",
            "text": "shaft1 lags behind the motor by lost motion.",
            "advice": "Check rod ends and clamp screws for wear.",
        },
        {
            "code": "toggle",
            "severity": "danger",
            "kind": "linkage",
            "where": LINKAGE,
            "subject": linkage,
            "time_s": None,
            "driver_deg": 88.0,
            "value": 24.0,
            "sd": 0.7,
            "limit": 30.0,
            "unit": "deg",
            "text": "Rod and driven arm come close to one line at the high-fire end <b>.",
            "advice": "Do not raise the stroke. Re-clamp the driven arm.",
        },
    ]
