"""A linkage whose shafts are not parallel: what holds is given, and one finding says what is not."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from in_space import SpaceLinkage, filmed, pins
from synthetic import WH, departures_deg, tracks_of

from strokecurve.app.adjust.known_linkage import linkage_from_entry
from strokecurve.app.measure.arrangement import PlannedLinkage
from strokecurve.app.measure.clip import LinkageResult, _linkage
from strokecurve.app.measure.rig import RigLinkage
from strokecurve.app.measure.settings import Settings
from strokecurve.app.measure.slipped_arms import judge_arms
from strokecurve.app.result import contents as results
from strokecurve.app.result.form import check_form
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.condition import in_space
from strokecurve.kinematics.findings.findings import Finding
from strokecurve.vision.control import Unattended
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[2] / "docs" / "result.schema.json").read_text(encoding="utf-8")
)
SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]
TRAVEL_DEG = 0.06  # the largest departure of 150 frames at 0.03 px
RADIUS_MM = 0.5


@cache
def measured(lean_deg: float) -> tuple[SpaceLinkage, ShaftMotion, LinkageResult, tuple[Finding, ...]]:
    link = SpaceLinkage(lean_deg=(lean_deg, 260.0))
    tracks = tracks_of(filmed(link), np.random.default_rng(2), 0.03)
    motion = find_shafts(tracks.only([0, 1, 2, 3, 10, 11]), SPECS, WH)
    plan = PlannedLinkage(0, 1, (20, 30.0), RigLinkage("motor", "shaft1"))
    arms = judge_arms([plan], motion, Settings())
    result, findings = _linkage(0, plan, tracks, arms, Unattended(), Settings())
    return link, motion, result, findings


@pytest.mark.parametrize("lean_deg", [12.0, 35.0])
def test_shafts_that_are_not_parallel_have_travel_and_one_finding(lean_deg: float) -> None:
    link, motion, result, findings = measured(lean_deg)
    assert [f.code for f in findings] == ["axes_not_parallel"]
    (finding,) = findings
    assert finding.where == "motor:shaft1"
    assert abs(finding.value - lean_deg) < 3 * finding.sd < 1.5
    assert f"shaft1 stands {finding.value:.1f} degrees" in in_words(finding).text
    assert "off that of motor" in in_words(finding).text
    assert result.fit is None
    assert result.rod is None
    assert result.pins is None
    assert (result.condition.drive, result.condition.transmission) == (None, None)
    assert abs(np.degrees(result.condition.slack.value)) < 0.1
    drive, driven = (motion.angle_rad[:, s] for s in range(2))
    true = pins(link, filmed(link).shafts[0].angle_rad)[2]
    assert np.abs(departures_deg(driven, true)).max() < TRAVEL_DEG
    assert np.abs(departures_deg(drive, filmed(link).shafts[0].angle_rad)).max() < TRAVEL_DEG
    assert abs(np.degrees(result.curves.driven_travel_rad - np.ptp(true))) < TRAVEL_DEG


def test_the_record_says_what_is_not_determined_and_the_angle_that_is() -> None:
    _, _, result, _ = measured(35.0)
    entry: dict[str, Any] = results.plain(results._linkage(result))
    jsonschema.validate(entry, SCHEMA["properties"]["linkages"]["items"] | {"$defs": SCHEMA["$defs"]})
    check_form({"linkages": [entry]})
    geometry = dict(entry["geometry"])
    angle = geometry.pop("axis_angle_deg")
    assert angle["determined"]
    assert abs(angle["value"] - 35.0) < 3 * angle["sd"]
    assert len(geometry) == 6
    for quantity in geometry.values():
        assert (quantity["value"], quantity["sd"], quantity["determined"]) == (None, None, False)
        assert "by hand" in quantity["settle"]
    assert any("not parallel" in note for note in entry["notes"])
    with pytest.raises(InputError, match="not parallel"):
        linkage_from_entry("motor:shaft1", entry)


def test_shafts_that_are_nearly_parallel_are_a_planar_linkage() -> None:
    link, _, result, findings = measured(1.0)
    assert "axes_not_parallel" not in {f.code for f in findings}
    assert result.fit is not None
    for name, true in (("drive_radius_mm", link.drive_mm), ("driven_radius_mm", link.driven_mm)):
        quantity = result.fit.quantity(name)
        assert quantity.determined
        assert abs(quantity.value - true) < RADIUS_MM
    assert "axis_angle_deg" not in results._linkage(result)["geometry"]


@pytest.mark.parametrize(
    "angle_deg, sd_deg, expected",
    [(22.0, 0.4, True), (6.0, 3.0, False), (1.0, 0.1, False), (math.nan, 1.0, False)],
)
def test_only_what_the_film_is_sure_of_makes_a_linkage_in_space(
    angle_deg: float, sd_deg: float, expected: bool
) -> None:
    assert in_space(Estimate(math.radians(angle_deg), math.radians(sd_deg))) is expected
