"""Play at one pin or the other, from rod poses as the film gives them; and what could not be used."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from strokecurve.app.measure import clip as measure
from strokecurve.app.measure.evidence import pins_play
from strokecurve.app.measure.left_out import without_fit, without_linkage
from strokecurve.app.measure.settings import Settings
from strokecurve.app.words.findings import in_words
from strokecurve.kinematics.errors import FitError, StrokeError
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.findings.findings import assess
from strokecurve.kinematics.identify.contact import contact_side
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke, find_stroke
from strokecurve.kinematics.motion.travel import travel_curves
from strokecurve.vision.errors import DetectionError
from strokecurve.vision.motion.pins import find_pin
from strokecurve.vision.motion.rods import RodMotion

DEG = np.pi / 180
DRIVE_MM, DRIVEN_MM, ROD_MM, SPACING_MM, START = 60.0, 72.0, 210.0, 215.0, 50 * DEG
MARKER_MM = 80.0  # of the rod from its drive end
ROD_NOISE_MM, ANGLE_NOISE = 0.03, 0.02 * DEG


def unit(angle: np.ndarray) -> np.ndarray:
    return np.column_stack([np.cos(angle), np.sin(angle)])


def taken_along(opened: np.ndarray, closed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Driven angle that moves only when it must, and where in the play it is: 1 opened, -1 closed."""
    driven = np.empty_like(opened)
    at = closed[0]
    for k, ends in enumerate(zip(opened, closed, strict=True)):
        at = min(max(at, min(ends)), max(ends))
        driven[k] = at
    room = np.where(opened == closed, 1.0, opened - closed)
    return driven, np.where(opened == closed, 0.0, 2 * (driven - closed) / room - 1)


def worn(
    drive_play_mm: float, driven_play_mm: float, seed: int, opening: int = 1
) -> tuple[Stroke, LinkageMotion, tuple[JointPlay, JointPlay]]:
    """A stroke with so much clearance at each pin, followed as the film does it."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, 16, 1 / 30)
    travel = np.interp(time, [0, 1, 7, 8, 14], np.array([0, 0, 85, 85, 0.0])) * DEG
    drive = (START if opening > 0 else np.pi - START) + opening * travel
    # whether the rod pushes or pulls when the driver opens
    free = FourBar(DRIVE_MM, ROD_MM, DRIVEN_MM, SPACING_MM, -1)
    rod = free.rod_angle(drive)
    push = float(np.sign(np.mean(opening * np.sin(rod - drive))))
    both = drive_play_mm + driven_play_mm
    short = FourBar(DRIVE_MM, ROD_MM - push * both / 2, DRIVEN_MM, SPACING_MM, -1)
    long = FourBar(DRIVE_MM, ROD_MM + push * both / 2, DRIVEN_MM, SPACING_MM, -1)
    driven, way = taken_along(short.driven_angle(drive), long.driven_angle(drive))
    pin = DRIVE_MM * unit(drive)
    along = np.array([SPACING_MM, 0]) + DRIVEN_MM * unit(driven) - pin
    along /= np.linalg.norm(along, axis=1)[:, None]
    end = pin - (push * way * drive_play_mm / 2)[:, None] * along
    position = end + MARKER_MM * along + rng.normal(0, ROD_NOISE_MM, (time.size, 2))
    angle = np.stack([drive, driven], axis=1) + rng.normal(0, ANGLE_NOISE, (time.size, 2))
    shafts: Any = SimpleNamespace(
        angle_rad=angle,
        centre_mm=np.array([[0.0, 0, 0], [SPACING_MM, 0, 0]]),
        axis=np.tile([0.0, 0, 1], (2, 1)),
    )
    angle_rad = np.arctan2(along[:, 1], along[:, 0])
    seen = RodMotion(20, position, angle_rad, 30.0, np.eye(3), np.zeros(len(along), bool))
    stroke = find_stroke(time, angle[:, 0], ANGLE_NOISE)
    motion = LinkageMotion.of(angle[:, 0], angle[:, 1], ANGLE_NOISE, ANGLE_NOISE)
    settings = Settings()
    side = contact_side(stroke, motion.driven_rad, 4 * DEG)
    pins = tuple(find_pin(shafts, s, seen, side, settings.rods) for s in (0, 1))
    found = pins_play(shafts, 0, 1, seen, pins, stroke, settings)
    assert found is not None
    return stroke, motion, found


@pytest.mark.parametrize("opening", [1, -1])
@pytest.mark.parametrize("plays", [(0.0, 0.0), (1.5, 0.0), (0.0, 1.5), (0.8, 1.6)])
def test_play_is_found_at_its_pin(plays: tuple[float, float], opening: int) -> None:
    _, _, found = worn(*plays, seed=1, opening=opening)
    for joint, play in zip(found, plays, strict=True):
        assert abs(joint.play_mm - play) < max(
            4 * joint.sd_mm, 0.1 * play
        )  # the rod turns in the arm's frame


@pytest.mark.parametrize(
    ("plays", "where"),
    [((2.0, 0.0), ["drive pin"]), ((0.0, 2.0), ["driven pin"]), ((2.0, 2.0), ["drive pin", "driven pin"])],
)
def test_the_finding_names_the_worn_joint(plays: tuple[float, float], where: list[str]) -> None:
    stroke, motion, joints = worn(*plays, seed=3)
    condition, found = assess(
        "motor:shaft1", stroke, motion, travel_curves(stroke, motion), None, joints=joints
    )
    named = [f for f in found if f.code == "worn_joint"]
    assert [f.where for f in named] == [f"motor:shaft1 {w}" for w in where]
    assert all("mm" in in_words(f).text and f.sd > 0 for f in named)
    # what both pins lose is what both passes show
    total = sum(j.lost_rad for j in joints)
    assert abs(total - condition.slack.value) < 0.15 * condition.slack.value


def test_tight_joints_are_not_named() -> None:
    scores = []
    for seed in range(12):
        stroke, motion, joints = worn(0.0, 0.0, seed=seed)
        _, found = assess("a:b", stroke, motion, travel_curves(stroke, motion), None, joints=joints)
        assert not {f.code for f in found} & {"worn_joint", "joint_undecided"}
        scores += [j.play_mm / j.sd_mm for j in joints]
    assert np.abs(scores).max() < 4


def test_lost_motion_at_neither_pin_is_said() -> None:
    stroke, motion, _ = worn(2.0, 0.0, seed=4)
    tight = (JointPlay(0.0, 0.05, 0.0, 0.05 * DEG), JointPlay(0.0, 0.05, 0.0, 0.05 * DEG))
    vague = (JointPlay(0.0, 1.0, 0.0, 1.0 * DEG), JointPlay(0.0, 1.0, 0.0, 1.0 * DEG))
    for joints, words in ((tight, "Neither pin"), (vague, "does not decide")):
        _, found = assess("a:b", stroke, motion, travel_curves(stroke, motion), None, joints=joints)
        (undecided,) = (f for f in found if f.code == "joint_undecided")
        assert words in in_words(undecided).text


def test_a_rod_marker_that_cannot_be_used_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> RodMotion:
        raise DetectionError("The rod marker 20 was seen in 3 frames, too few to use.", "Keep it in view.")

    monkeypatch.setattr(measure, "find_rod", refuse)
    nothing: Any = None
    plan: Any = SimpleNamespace(driver=0, driven=1, rod=(20, 30.0), rig=SimpleNamespace(rod_marker=None))
    rod, found = measure._rod(plan, "motor:shaft1", nothing, nothing, nothing, Settings())
    assert rod is None
    assert found[0].code == "rod_left_out"
    assert "3 frames" in in_words(found[0]).text
    plan = SimpleNamespace(rod=None, rig=SimpleNamespace(rod_marker=25))
    assert (
        "25" in in_words(measure._rod(plan, "motor:shaft1", nothing, nothing, nothing, Settings())[1][0]).text
    )


def test_a_linkage_that_is_left_out_is_a_finding() -> None:
    left_out = without_linkage("shaft1:shaft2", StrokeError("It did not move.", "Connect the rod."))
    assert (left_out.code, left_out.severity) == ("linkage_left_out", "caution")
    assert "It did not move." in in_words(left_out).text
    assert without_fit("a:b", FitError("No.", "Do.")).code == "no_geometry"
