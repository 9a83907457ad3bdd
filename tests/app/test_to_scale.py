"""The linkage as measured, drawn to scale: lengths, margins, and what is said where it is not drawn."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_result import LINKAGE, driven_travel, fake_record, write_fake_result
from matplotlib.figure import Figure
from numpy.testing import assert_allclose
from patience import PATIENCE_S
from stored import add_job
from stored import measured as measure
from streamlit.testing.v1 import AppTest

import strokecurve.app.page
from strokecurve.app.adjust.known_linkage import KnownLinkage, bearing_of, linkage_from_entry
from strokecurve.app.adjust.setting_drawing import setting_figure
from strokecurve.app.adjust.stroke_ends import (
    StrokeEnd,
    pins_of,
    pose_of,
    rod_to_arms,
    stroke_ends,
    values_of,
)
from strokecurve.app.page import keys, to_scale
from strokecurve.app.result.contents import CORRELATED
from strokecurve.app.store.store import Store
from strokecurve.app.words.estimates import format_estimate

EXACT = {"rtol": 1e-9, "atol": 1e-9}  # closed forms in double precision
LINEAR = 1e-3  # a step of a standard deviation against one of a hundredth of a mm
SAMPLED = 0.2  # a standard deviation over 200 drawn linkages scatters by 5 %; four times that
DEG = math.pi / 180
HOME = Path(strokecurve.app.page.__file__).with_name("home.py")


def determined(record: dict[str, Any]) -> dict[str, Any]:
    """The record of the linkage that `driven_travel` moves by, every size of it determined."""
    entry = record["linkages"][0]
    # Both arms from the line of centres, the driver opening clockwise from 130 degrees.
    pin = 70 * np.exp(1j * np.radians(130.0)) - 300
    reach = abs(pin)
    driven = math.degrees(np.angle(pin) - math.acos((reach**2 + 90**2 - 300**2) / (2 * reach * 90)))
    values = (
        ("drive_radius_mm", 70.0, 0.4),
        ("driven_radius_mm", 90.0, 0.5),
        ("rod_mm", 300.0, 1.2),
        ("spacing_mm", 300.0, 1.1),
        ("drive_start_deg", 130.0, 0.3),
        ("driven_start_deg", driven, 0.3),
    )
    for name, value, sd in values:
        entry["geometry"][name] = {"value": value, "sd": sd, "determined": True, "evidence": ["pins"]}
    entry["stroke"] = {"driver_travel_deg": 90.0, "driver_travel_sd_deg": 0.01, "opening": "cw"}
    entry["travel_to_toggle_deg"] = {
        "low_fire": None,
        "high_fire": {"value": 20.0, "sd": 0.4, "arm": "drive"},
    }
    entry["slips"] = []
    return record


def known_linkage(record: dict[str, Any]) -> tuple[KnownLinkage, tuple[StrokeEnd, ...]]:
    entry = record["linkages"][0]
    known = linkage_from_entry(LINKAGE, entry)
    return known, stroke_ends(known, entry)


@pytest.fixture
def record() -> dict[str, Any]:
    return determined(fake_record(True, float(driven_travel(np.array([90.0]))[0])))


def line(figure: Figure, panel: int, label: str) -> np.ndarray:
    (found,) = [one for one in figure.axes[panel].lines if one.get_label() == label]
    x, y = (np.asarray(v, float) for v in found.get_data())
    return x + 1j * y


def test_both_ends_are_drawn_to_one_scale_in_mm(record: dict[str, Any]) -> None:
    known, ends = known_linkage(record)
    figure = setting_figure(known, ends, 0.3)
    assert [axes.get_title(loc="left") for axes in figure.axes] == [
        "low fire, driver travel 0°",
        "high fire, driver travel 90°",
    ]
    for panel in (0, 1):
        lengths = [abs(np.diff(line(figure, panel, part))[0]) for part in ("drive arm", "rod", "driven arm")]
        assert_allclose(lengths, [70.0, 300.0, 90.0], **EXACT)
        assert figure.axes[panel].get_aspect() == 1
    assert figure.axes[0].get_xlim() == figure.axes[1].get_xlim()
    low, high = (np.angle(np.diff(line(figure, panel, "drive arm"))[0]) for panel in (0, 1))
    assert_allclose((low, high), (130 * DEG + 0.3, 40 * DEG + 0.3), **EXACT)
    # the driven arm turns as the curve of the film says
    turned = [np.angle(np.diff(line(figure, panel, "driven arm"))[0]) for panel in (0, 1)]
    assert_allclose(turned[0] - turned[1], driven_travel(np.array([0.0, 90.0]))[1] * DEG, **EXACT)


def test_margins_are_the_angles_between_the_lines_drawn(record: dict[str, Any]) -> None:
    known, ends = known_linkage(record)
    figure = setting_figure(known, ends, None)
    assert len(ends) == 2
    for panel, end in enumerate(ends):
        arm, rod, driven = (
            np.diff(line(figure, panel, part))[0] for part in ("drive arm", "rod", "driven arm")
        )
        for one, margin in ((arm, end.drive_rad), (driven, end.driven_rad)):
            assert_allclose(math.sin(margin), abs((rod / one).imag / abs(rod / one)), **EXACT)
        words = figure.axes[panel].texts[-1].get_text() + "".join(
            t.get_text() for t in figure.axes[panel].texts
        )
        for value, sd in ((end.drive_rad, end.drive_sd_rad), (end.driven_rad, end.driven_sd_rad)):
            assert format_estimate(math.degrees(value), math.degrees(sd), "deg") in words


def test_the_in_line_position_beyond_an_end_is_in_line(record: dict[str, Any]) -> None:
    known, (low, high) = known_linkage(record)
    assert high.toggle_rad is not None
    pins = pins_of(values_of(known.setting), known.setting.opening_sign, high.toggle_rad)
    bend = np.angle((pins[2] - pins[1]) / (pins[1] - pins[0]))
    assert high.toggle_arm == "drive"
    assert_allclose(math.sin(bend), 0.0, rtol=0, atol=1e-7)
    assert_allclose(high.toggle_sd_rad, 0.4 * DEG, **EXACT)
    # 62 degrees further the other way: too far for a switch that sticks, and not drawn
    assert low.left_rad > 45 * DEG > high.left_rad
    panels = setting_figure(known, (low, high), None).axes
    drawn = ["in line (toggle)" in axes.get_legend_handles_labels()[1] for axes in panels]
    assert drawn == [False, True]


def test_uncertainty_is_that_of_the_geometry(record: dict[str, Any]) -> None:
    """A spacing that alone is uncertain moves the driven pin by just as much, the drive pin not at all."""
    geometry = record["linkages"][0]["geometry"]
    for name, entry in geometry.items():
        entry["sd"] = 2.0 if name == "spacing_mm" else 1e-9
    low = known_linkage(record)[1][0]
    assert_allclose(low.pin_sd_mm, 2.0, rtol=LINEAR, atol=0)
    # d/d(spacing) of the angle at the drive pin, by a small step
    known = known_linkage(record)[0]
    more = values_of(known.setting) + np.array([0, 0, 0.01, 0, 0])
    moved = pins_of(np.stack([values_of(known.setting), more]), -1, 0.0)
    rod = np.angle(moved[:, 2] - moved[:, 1])
    assert_allclose(low.drive_sd_rad, 2.0 * abs(np.diff(rod)[0]) / 0.01, rtol=LINEAR, atol=0)


def test_uncertainty_agrees_with_linkages_drawn(record: dict[str, Any]) -> None:
    """All sizes uncertain together, with errors that hang together."""
    entry = record["linkages"][0]
    matrix = np.full((5, 5), 0.4) + 0.6 * np.eye(5)
    entry["fit"] = {"correlation": {"of": list(CORRELATED), "matrix": matrix.tolist()}}
    known, ends = known_linkage(record)
    assert len(ends) == 2
    for end in ends:
        pose = pose_of(known.samples, known.setting.opening_sign, end.travel_rad)
        spread = np.std(rod_to_arms(pose), axis=0)
        assert_allclose((end.drive_sd_rad, end.driven_sd_rad), spread, rtol=SAMPLED, atol=0)


def test_the_direction_of_the_line_of_centres_is_that_of_the_film(record: dict[str, Any]) -> None:
    shafts = {shaft["name"]: shaft for shaft in record["shafts"]}
    assert_allclose(bearing_of(shafts, LINKAGE), 0.0, **EXACT)
    shafts["shaft1"]["centre_mm"] = [120.0, 240.0, 12.0]
    assert_allclose(bearing_of(shafts, LINKAGE), math.pi / 2, **EXACT)
    del shafts["shaft1"]["centre_mm"]
    assert bearing_of(shafts, LINKAGE) is None
    known, ends = known_linkage(record)
    assert "line of centres drawn level" in setting_figure(known, ends, None).get_suptitle()


def visit_read(folder: Path, monkeypatch: pytest.MonkeyPatch, change: Any) -> str:
    """All that the page Read says of a film."""
    store = Store(folder / "store")
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(store.folder)])
    film = add_job(store)

    def write(folder: Path) -> None:
        write_fake_result(folder)
        path = folder / "result.json"
        content = json.loads(path.read_text())
        change(content)
        path.write_text(json.dumps(content))

    measure(store, film, write)
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    page.run()
    page.switch_page("read.py")
    page.query_params[keys.JOB] = film.job_id
    page.run()
    assert not page.exception
    return "\n".join(str(element.proto.body) for element in page.get("html"))


def test_read_shows_the_drawing_with_its_figures_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, record: dict[str, Any]
) -> None:
    words = visit_read(tmp_path, monkeypatch, determined)
    _, ends = known_linkage(record)
    assert f'alt="{to_scale.words_of(ends)}"' in words
    assert "their uncertainty is not drawn" in words
    assert "slipped" not in words


def test_read_says_what_the_film_does_not_determine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = visit_read(tmp_path, monkeypatch, lambda record: None)
    assert "It is not drawn, as this film does not determine the driven arm start angle." in words
    assert "The linkage to scale at low fire" not in words


def test_read_says_where_a_linkage_cannot_close(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def jammed(record: dict[str, Any]) -> None:
        linkage = determined(record)["linkages"][0]
        linkage["geometry"]["driven_radius_mm"]["value"] = (
            50.0  # shorter than the drive arm: the driver rocks
        )
        linkage["stroke"]["driver_travel_deg"] = 300.0

    words = visit_read(tmp_path, monkeypatch, jammed)
    assert "It is not drawn: " in words
    assert "cannot close over its stroke" in words
