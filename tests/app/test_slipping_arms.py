"""Arms that slip on a shaft with several markers, from tracks of markers to the files of a result."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from synthetic import WH, tracks_of
from synthetic_train import RATE_HZ, Slip, Train, train

from strokecurve.app.measure.clip import FilmedClip, Measurement, work_out
from strokecurve.app.measure.rig import Rig
from strokecurve.app.measure.settings import Settings
from strokecurve.app.result.overlay import Drawing
from strokecurve.app.result.reading import read_result
from strokecurve.app.result.writing import write_files
from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.findings.findings import Finding
from strokecurve.vision.control import Unattended
from strokecurve.vision.motion.faults import Fault
from strokecurve.vision.video.reader import ClipFacts

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text(encoding="utf-8"))


def measured(made: Train, seed: int = 0, sigma_px: float = 0.04) -> Measurement:
    """All that follows once the markers of a film were followed."""
    tracks = tracks_of(made.truth, np.random.default_rng(seed), sigma_px)
    frames = len(tracks.time_s)
    facts = ClipFacts("h264", WH, 0, 8, frames / RATE_HZ, frames)
    clip = FilmedClip("train.mp4", "0" * 64, facts, frames, 0.0, float(tracks.time_s[-1]), 0)
    return work_out(clip, tracks, Rig(), Unattended(), Settings())


def said(measurement: Measurement) -> list[Finding | Fault]:
    return [*measurement.findings, *measurement.faults]


def error_deg(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    off = np.rad2deg(found - truth)
    return np.asarray(off - np.nanmedian(off))


def checked(made: Train, measurement: Measurement) -> None:
    """Angles of shafts and arms are right and honest; so are lengths and lost motion."""
    motion = measurement.motion
    off = np.column_stack([error_deg(motion.angle_rad[:, s], made.shaft_rad[s]) for s in range(3)])
    assert np.sqrt((off**2).mean(axis=0)).max() < 0.04
    # Errors shared by all frames make few independent ones of each film.
    assert np.mean(np.abs(off) < 2 * np.rad2deg(motion.sigma_rad)) > 0.87
    for marker in motion.mounted_ids:
        off = error_deg(motion.arm_of(marker)[0], made.arm_rad[marker])
        assert np.sqrt(np.mean(off**2)) < 0.04
    for linkage, true in zip(measurement.linkages, made.linkages, strict=True):
        assert linkage.fit is not None
        for name in ("drive_radius_mm", "driven_radius_mm", "rod_mm", "spacing_mm"):
            assert abs(linkage.fit.quantity(name).value - getattr(true, name)) < 0.5
        assert np.rad2deg(linkage.condition.slack.value) < 0.1
        assert linkage.condition.slips == ()  # one cause makes one finding


UPSTREAM = {"joined": ((10, 11), (31, 12))}
"""Shaft 1 is driven at marker 11's arm and drives at marker 31's."""


@pytest.mark.parametrize("handheld", [False, True])
@pytest.mark.parametrize(
    ("slip", "film", "code", "where", "true"),
    [
        (Slip(11, 130, -3.0), UPSTREAM, "slip", "motor:shaft1 driven arm", 31),
        (Slip(11, 200, 0.6), UPSTREAM, "slip", "motor:shaft1 driven arm", 31),
        (Slip(31, 300, 2.0, 8), {"joined": ((10, 31), (11, 12))}, "slip", "motor:shaft1 driven arm", 11),
        (Slip(31, 60, -6.0), {"joined": ((10, 11), (11, 12))}, "marker_loose", "marker 31", 11),
        (Slip(10, 120, 1.5), {"further": (30,)}, "slip", "motor:shaft1 drive arm", 30),
        (Slip(30, 300, 4.0), {"further": (30,)}, "marker_loose", "marker 30", 10),
        (Slip(12, 390, 1.0), {"further": (32,)}, "slip", "shaft1:shaft2 driven arm", 32),
        (Slip(31, 110, 2.5), {"further": (31, 41)} | UPSTREAM, "slip", "shaft1:shaft2 drive arm", 11),
        (Slip(41, 250, -1.0), {"further": (31, 41)} | UPSTREAM, "marker_loose", "marker 41", 11),
    ],
)
def test_a_slip_is_named_and_sized_and_nothing_else_is_said(
    slip: Slip, film: dict[str, object], code: str, where: str, true: int, handheld: bool
) -> None:
    hand = np.random.default_rng(7) if handheld else None
    made = train((slip,), hand=hand, **film)
    measurement = measured(made)
    checked(made, measurement)
    (finding,) = said(measurement)
    assert (finding.code, finding.where) == (code, where)
    assert abs(abs(finding.value) - abs(slip.size_deg)) < 0.1
    assert 0 < finding.sd < 0.06
    text = in_words(finding).text
    assert f"taken from marker{'s' if true == 11 and 41 in made.arm_rad else ''} {true}" in text
    moment = (slip.frame + slip.frames / 2) / RATE_HZ
    assert f"at {moment:.1f} s" in text or f"at {moment - 0.1:.1f} s" in text


@pytest.mark.parametrize("handheld", [False, True])
@pytest.mark.parametrize("further", [(31,), (30, 31, 32), (31, 41)])
def test_where_nothing_slips_nothing_is_said_and_two_markers_are_better_than_one(
    further: tuple[int, ...], handheld: bool
) -> None:
    def hand() -> np.random.Generator | None:
        return np.random.default_rng(8) if handheld else None

    made = train(further=further, hand=hand())
    measurement = measured(made)
    checked(made, measurement)
    assert said(measurement) == []
    alone = measured(train(further=(), hand=hand()))
    assert measurement.motion.sigma_rad[:, 1].mean() < 0.8 * alone.motion.sigma_rad[:, 1].mean()


def test_two_slips_of_either_arm_are_both_told() -> None:
    made = train((Slip(11, 120, 2.0), Slip(31, 290, -1.5)), further=(31, 41), **UPSTREAM)
    measurement = measured(made)
    checked(made, measurement)
    assert sorted((f.where, round(abs(f.value), 1)) for f in said(measurement)) == [
        ("motor:shaft1 driven arm", 2.0),
        ("shaft1:shaft2 drive arm", 1.5),
    ]


def test_lost_motion_is_told_apart_from_a_slip() -> None:
    made = train((Slip(11, 210, -1.5),), slack_deg=(1.2, 0.0), **UPSTREAM)
    measurement = measured(made)
    assert abs(np.rad2deg(measurement.linkages[0].condition.slack.value) - 1.2) < 0.1
    assert np.rad2deg(measurement.linkages[1].condition.slack.value) < 0.1
    slips = [f for f in said(measurement) if f.code == "slip"]
    assert [(f.where, round(abs(f.value), 1)) for f in slips] == [("motor:shaft1 driven arm", 1.5)]


def test_files_hold_every_arm(tmp_path: Path) -> None:
    made = train((Slip(11, 130, -3.0),), **UPSTREAM)
    measurement = measured(made)
    write_files(measurement, tmp_path / "train.mp4", tmp_path, Unattended())
    angles = pd.read_csv(tmp_path / "angles.csv")
    assert list(angles.columns) == [
        *("time_s", "motor_deg", "motor_sd_deg", "shaft1_deg", "shaft1_sd_deg"),
        *("shaft1_m11_deg", "shaft1_m11_sd_deg", "shaft1_m31_deg", "shaft1_m31_sd_deg"),
        *("shaft2_deg", "shaft2_sd_deg"),
    ]
    apart = angles["shaft1_m11_deg"] - angles["shaft1_deg"]
    assert apart[:128].abs().max() < 1e-4
    np.testing.assert_allclose(apart[135:], -3.0, rtol=0, atol=0.05)
    np.testing.assert_allclose(angles["shaft1_m31_deg"], angles["shaft1_deg"], rtol=0, atol=1e-9)
    record = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, SCHEMA)
    first, second = record["linkages"]
    assert second["slips"] == []
    (slip,) = first["slips"]
    assert (slip["arm"], slip["markers"], slip["drive_deg"]["value"]) == ("driven", [11], None)
    assert abs(slip["driven_deg"]["value"] - 3.0) < 0.05  # shaft 1 opens counter-clockwise
    # The travel of the shaft itself has the step: after it the closing curve lies off the opening one.
    assert abs(record["linkages"][0]["hysteresis_max_deg"]["value"] - 3.0) < 0.3
    assert read_result(tmp_path).angles.shape == (420, 7)
    drawing = Drawing.load(tmp_path / "train.mp4", tmp_path)
    late = 300
    drawn = {key: drawing.arm_rad[key][late] - drawing.motion.angle_rad[late, 1] for key in ((1, 0), (1, 1))}
    np.testing.assert_allclose(np.rad2deg(list(drawn.values())), [-3.0, 0.0], rtol=0, atol=0.05)
