"""Result folders for tests of the record and the comparison, and PDF files read back."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
from fake_result import LINKAGE, write_fake_result
from pypdf import PdfReader

from strokecurve.app.report.job import JobRecord, RecordedFilm
from strokecurve.app.result.reading import FilmResult, read_result

SHA256 = "0123456789abcdef" * 4
MINUS = "\N{MINUS SIGN}"
NUMBER = rf"[{MINUS}-]?\d+(?:\.\d+)?"


def full_result(folder: Path, change: Callable[[dict[str, Any]], None] | None = None) -> FilmResult:
    """A result with every kind of entry that `measure` writes; ``change`` alters the record."""
    write_fake_result(folder)
    path = folder / "result.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["clip"] |= {"sha256": SHA256, "codec": "h264", "mean_rate_hz": 29.97, "camera": {"steady": True}}
    record["versions"] |= {"python": "3.11.0", "numpy": "2.4.6"}
    linkage = record["linkages"][0]
    linkage |= {
        "travel_to_toggle_deg": {
            "low_fire": {"value": 17.25, "sd": 0.41, "arm": "drive"},
            "high_fire": None,
        },
        "joint_play": {
            "drive_pin": {"play_mm": {"value": 0.213, "sd": 0.051}, "lost_deg": {"value": 0.19, "sd": 0.05}},
            "driven_pin": {"play_mm": {"value": 1.442, "sd": 0.11}, "lost_deg": {"value": 1.31, "sd": 0.1}},
        },
        "slips": [
            {
                "arm": "driven",
                "time_s": 6.25,
                "at_driver_deg": 61.5,
                "driven_deg": {"value": 2.52, "sd": 0.08},
                "drive_deg": {"value": 3.1, "sd": 0.1},
            }
        ],
        "repeatability_deg": {"value": 0.31, "sd": 0.06, "at_driver_deg": 44.0, "pass": "opening"},
        "fit": {
            "rms_deg": 0.02,
            "chi_square": 170.0,
            "degrees_of_freedom": 176,
            "notes": ["a note of the fit"],
        },
        "notes": ["a note of the stroke"],
    }
    record["trains"] = []
    if change is not None:
        change(record)
    path.write_text(json.dumps(record), encoding="utf-8")
    return read_result(folder)


def rename(folder: Path, names: dict[str, str]) -> FilmResult:
    """Give the shafts of a result folder other names in all its files."""
    path = folder / "result.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for shaft in record["shafts"]:
        shaft["name"] = names[shaft["name"]]
    for linkage in record["linkages"]:
        linkage["driver"], linkage["driven"] = names[linkage["driver"]], names[linkage["driven"]]
    linkage_name = ":".join(names[name] for name in LINKAGE.split(":"))
    for finding in record["findings"]:
        finding["where"] = finding["where"].replace(LINKAGE, linkage_name)
        if finding["subject"]["linkage"]:
            finding["subject"]["linkage"] = linkage_name
    path.write_text(json.dumps(record), encoding="utf-8")
    travel = pd.read_csv(folder / "travel.csv")
    travel["linkage"] = linkage_name
    travel.to_csv(folder / "travel.csv", index=False)
    angles = pd.read_csv(folder / "angles.csv")
    for old, new in names.items():
        angles = angles.rename(columns={f"{old}{kind}": f"{new}{kind}" for kind in ("_deg", "_sd_deg")})
    angles.to_csv(folder / "angles.csv", index=False)
    return read_result(folder)


def words(path: Path) -> str:
    """All text of a PDF on one line, single spaces, page after page."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


def figures_after(text: str, label: str, count: int) -> list[tuple[float, float]]:
    """The first figures printed after a label, each with half a unit of its last digit."""
    assert label in text, label
    found = re.findall(NUMBER, text[text.index(label) + len(label) :])[:count]
    return [figure(one) for one in found]


def figure(digits: str) -> tuple[float, float]:
    """A printed figure with half a unit of its last digit."""
    return float(digits.replace(MINUS, "-")), 0.5 * 10.0 ** -len(digits.partition(".")[2])


def same(printed: tuple[float, float], stored: float) -> bool:
    """Whether a printed figure is the stored one, rounded to the digits printed."""
    value, half = printed
    return abs(value - stored) <= half * (1 + 1e-9)


def unembedded_fonts(path: Path) -> set[str]:
    """Names of fonts that a PDF uses without holding them."""
    missing = set()
    for page in PdfReader(path).pages:
        for font in page["/Resources"].get("/Font", {}).values():
            facts = font.get_object()
            descriptor = facts.get("/FontDescriptor")
            if descriptor is None or "/FontFile2" not in descriptor.get_object():
                missing.add(str(facts["/BaseFont"]))
    return missing


def one_film(result: FilmResult, **more: Any) -> JobRecord:
    """The record of one film, made on a fixed day."""
    return JobRecord(found=RecordedFilm(result), only=True, made_on="2026-01-02", **more)
