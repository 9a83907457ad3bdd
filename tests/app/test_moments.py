"""Moments of a film and places on its curves, and the local ratio."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fake_result import LINKAGE, SD_DEG, driven_travel, fake_findings, fake_record, write_fake_result
from numpy.testing import assert_allclose

from strokecurve.app.result.moments import (
    concerns_filming,
    driver_travel_of,
    first_moment_at,
    is_filming,
    linkage_of,
    moment_of,
    nearest_frame,
    travel_over_time,
)
from strokecurve.app.result.tables import RATIO_COLUMNS, even_step_table, ratio_table

NOISE_DEG = 5 * SD_DEG  # the angles scatter by SD_DEG; the low-fire level is a median of many of them


@pytest.fixture(scope="module")
def angles(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    return pd.read_csv(write_fake_result(tmp_path_factory.mktemp("made") / "r") / "angles.csv")


def test_travel_starts_at_low_fire_whichever_way_the_shaft_opens(angles: pd.DataFrame) -> None:
    shaft = fake_record(False, 66.0)["shafts"][0]
    travel = travel_over_time(angles, shaft)
    assert_allclose(np.nanmax(travel), 90.0, rtol=0, atol=NOISE_DEG)
    turned = angles.assign(motor_deg=-angles["motor_deg"])
    other = travel_over_time(turned, shaft | {"opening": "ccw"})
    assert_allclose(other, travel, rtol=0, atol=1e-9)  # the same numbers, only mirrored
    assert np.isnan(travel).sum() == angles["motor_deg"].isna().sum()


def test_a_travel_is_found_where_it_is_first_reached(angles: pd.DataFrame) -> None:
    travel = travel_over_time(angles, fake_record(False, 66.0)["shafts"][0])
    time_s = angles["time_s"].to_numpy(float)
    # the driver turns 18 degrees a second from 1 s on; a quarter of a degree early counts
    assert_allclose(first_moment_at(time_s, travel, 72.0), 5.0, rtol=0, atol=0.1)
    assert first_moment_at(time_s, travel, 120.0) is None


def test_findings_name_their_moment_or_their_travel() -> None:
    assert moment_of({"time_s": 6.2, "text": "The driven arm slipped by 2 degrees, toward open."}) == 6.2
    assert moment_of({"time_s": None, "text": "It slipped at 6.2 s."}) is None, "no sentence is read"
    assert moment_of({"text": "At least 12 s are missing."}) is None
    linkages = {LINKAGE: fake_record(False, 66.0)["linkages"][0]}
    toggle = fake_findings()[2] | {"code": "toggle_driven"}
    assert linkage_of(toggle, linkages) == LINKAGE
    assert driver_travel_of(toggle) == 88.0
    assert linkage_of({"where": "film", "subject": {"linkage": None}}, linkages) is None
    low = {"subject": {"linkage": LINKAGE, "part": "low fire"}, "code": "over_travel", "driver_deg": 0.0}
    assert linkage_of(low, linkages) == LINKAGE
    assert driver_travel_of(low) == 0.0
    assert driver_travel_of({"code": "driven_stalls", "driver_deg": 12.0}) == 12.0
    assert driver_travel_of({"where": LINKAGE, "text": "At 12 degrees of driver travel."}) is None


@pytest.mark.parametrize(
    ("where", "code", "filming", "concerns"),
    [
        ("film", "glare", True, True),
        (LINKAGE, "linkage_left_out", False, True),
        (LINKAGE, "rod_left_out", False, True),
        (LINKAGE, "toggle_driven", False, False),
        (None, None, True, True),
    ],
)
def test_who_films_has_to_know_of_what_was_left_out(
    where: str | None, code: str | None, filming: bool, concerns: bool
) -> None:
    kind = "linkage" if where == LINKAGE else "filming"
    finding = {"where": where, "code": code, "kind": kind}
    assert is_filming(finding) == filming
    assert concerns_filming(finding) == concerns


def test_the_nearest_frame_is_taken() -> None:
    assert nearest_frame((0.0, 0.1, 0.25), 0.16) == 1


def test_ratio_is_the_slope_between_steps_and_a_gap_stays_one(tmp_path: Path) -> None:
    travel = pd.read_csv(write_fake_result(tmp_path / "r") / "travel.csv")
    steps = even_step_table(travel, LINKAGE, 10.0)
    ratios = ratio_table(steps)
    assert tuple(ratios.columns) == RATIO_COLUMNS
    at = np.arange(20.0, 71.0, 10.0)
    slope = np.diff(driven_travel(np.arange(0, 91.0))[at.astype(int)]) / 10
    middle = ratios[(ratios["from_deg"] >= 20) & (ratios["to_deg"] <= 70)]
    assert_allclose(middle["closing_ratio"], slope, rtol=0, atol=1e-9)  # no noise is put on the curve
    expected = np.hypot(SD_DEG / 2, SD_DEG / 2) / 10
    assert_allclose(middle["closing_sd"], expected, rtol=1e-12)
    assert middle["opening_ratio"].isna().sum() == 2, "the gap at 40 degrees touches two steps"
