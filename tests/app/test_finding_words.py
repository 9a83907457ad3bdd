"""Findings are data first and sentences last: a sentence reworded loses nothing."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pandas as pd
import pytest
from fake_result import LINKAGE, write_fake_result

from strokecurve.app.page.findings import shown_at
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.result.contents import finding_entry
from strokecurve.app.result.moments import concerns_filming, is_filming, linkage_of
from strokecurve.app.words import findings
from strokecurve.app.words.findings import Found, Sentence, in_words
from strokecurve.app.words.findings.clips import FurtherIn, Missing, OpensIn, Reason
from strokecurve.app.words.names import spoken
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.findings.facts import (
    ArmMoved,
    BeyondEnd,
    Jumps,
    LeftOpen,
    MarkersApart,
    Passes,
    PinsPlay,
    StandsUntil,
    Sticking,
    StrokeNote,
)
from strokecurve.kinematics.findings.findings import Finding, Subject
from strokecurve.vision.motion import faults
from strokecurve.vision.motion.faults import CARD, Fault, FaultSubject, Gap, Squeezed

SCHEMA = json.loads(
    (Path(__file__).resolve().parents[2] / "docs" / "result.schema.json").read_text(encoding="utf-8")
)
LINK = Subject(LINKAGE)
PLAY = PinsPlay(JointPlay(0.8, 0.05, 0.01, 0.001), JointPlay(0.1, 0.05, 0.001, 0.001))
REASON = Reason("It did not move.", "Connect the rod.")
FIGURES = 3.0, 0.02, 1.0, "deg"
MARKER, SHAFT = FaultSubject(markers=(11,)), FaultSubject("shaft1")


def on(part: str) -> Subject:
    return Subject(LINKAGE, part=part)


MADE: tuple[Finding | Fault, ...] = (
    Finding("toggle_drive", "danger", LINK, *FIGURES, driver_deg=88.0),
    Finding("toggle_driven", "caution", LINK, *FIGURES, driver_deg=12.0),
    Finding(
        "over_travel", "danger", on("low fire"), *FIGURES, None, 0.0,
        BeyondEnd("driven", Estimate(3.0, 0.02), True, 15.0),
    ),
    Finding("stroke", "note", LINK, 70.0, 0.02, 90.0, "deg"),
    Finding("stroke_incomplete", "note", LINK, facts=StrokeNote("No closing pass was filmed.")),
    Finding("axes_not_parallel", "caution", LINK, *FIGURES),
    Finding("misfit", "caution", LINK, 1.2, None, 0.3, "deg"),
    Finding("not_determined", "note", LINK, facts=LeftOpen(("rod_mm",), "measure the rod", "unseen")),
    Finding("lost_motion", "caution", LINK, *FIGURES, driver_deg=34.0),
    Finding("worn_joint", "caution", on("drive pin"), *FIGURES, facts=PLAY),
    Finding("joint_undecided", "note", LINK, *FIGURES, facts=PLAY),
    Finding("driven_jumps", "caution", LINK, *FIGURES, 4.4, 61.0, Jumps(2)),
    Finding("stick_slip", "caution", LINK, *FIGURES, 3.1, 38.0, Sticking(4, 5.0)),
    Finding("poor_repeatability", "caution", on("opening"), *FIGURES, None, 45.0, Passes(3)),
    Finding("driven_stalls", "caution", on("opening"), *FIGURES, None, 20.0, StandsUntil(31.0)),
    Finding("driven_reverses", "danger", on("closing"), *FIGURES, None, 20.0, StandsUntil(31.0)),
    Finding("slip", "danger", on("driven arm"), *FIGURES, 6.2, 57.0),
    Finding("slip", "danger", LINK, *FIGURES, 6.2, 57.0),
    Finding(
        "slip", "danger", Subject(LINKAGE, part="drive arm", markers=(10,)), *FIGURES, 6.2, 57.0,
        ArmMoved("motor", (30,), "rest"),
    ),
    Finding("slip", "danger", LINK, *FIGURES, 6.2, 57.0, MarkersApart("motor", (10,), (30,), "unknown")),
    Finding(
        "marker_loose", "caution", Subject(markers=(30,)), *FIGURES, 5.2, None,
        MarkersApart("motor", (30,), (10,), "turned"), "filming",
    ),
    Finding("linkage_left_out", "caution", LINK, facts=REASON),
    Finding("rod_left_out", "note", LINK, facts=REASON),
    Finding("no_geometry", "caution", LINK, facts=REASON),
    Finding(
        "shared_travel", "caution", Subject(shaft="shaft1"), *FIGURES,
        facts=FurtherIn("a", "b"), kind="filming",
    ),
    Finding(
        "other_side", "note", Subject(shaft="shaft1"), facts=OpensIn("a", 1, "b", -1), kind="filming"
    ),
    Finding(
        "joined_gap", "caution", LINK, 8.0, None, None, "deg",
        facts=Missing("b", "shaft1", (("opening", 80.0, 88.0),)),
    ),
    Fault("marker_lost", "caution", SHAFT, 70.0, None, 97.0, "%", facts=Gap(2.0)),
    Fault("marker_disturbed", "note", MARKER, 9, None, 3, "frames"),
    Fault("marker_small", "caution", MARKER, 20.0, None, 36.0, "px"),
    Fault("blurred", "caution", MARKER, 2.6, None, 2.2, "px"),
    Fault("card_partial", "caution", FaultSubject(part=CARD, markers=(2, 3)), 2, None, 0, "markers"),
    Fault("card_moved", "caution", FaultSubject(part=CARD), 0.8, 0.05, 0.3, "mm", 3.7),
    Fault("marker_loose", "caution", MARKER, 1.2, 0.1, 0.6, "deg", 4.5),
    Fault("oblique", "caution", FaultSubject(), 41.0, None, 35.0, "deg"),
    Fault("arm_plane_tilted", "note", SHAFT, 12.0, None, 8.0, "deg"),
    Fault("file_damaged", "caution", FaultSubject(), 3, None, 0, "pieces"),
    Fault("few_frames", "note", FaultSubject(), 15.0, None, 20.0, "frames/s"),
    Fault("steadied", "note", FaultSubject(), 24.0, None, None, "px"),
    Fault(
        "squeezed", "note", FaultSubject(), 0.04, None, 0.065, "bits/px", facts=Squeezed((1280, 720), 0.05)
    ),
)  # fmt: skip
"""A finding of every code, and of every way in which its sentence is made."""


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> LoadedResult:
    folder = write_fake_result(tmp_path_factory.mktemp("made") / "r")
    record = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    return LoadedResult(
        folder, pd.read_csv(folder / "angles.csv"), pd.read_csv(folder / "travel.csv"), record
    )


def test_every_code_has_its_words_and_every_word_its_code() -> None:
    assert {one.code for one in MADE} == set(findings.WORDS)


@pytest.mark.parametrize("found", MADE, ids=lambda one: f"{one.code} {one.where}")
def test_a_finding_is_told_whole_and_as_the_files_have_it(found: Found) -> None:
    text, advice = in_words(found)
    for sentence in (text, advice):
        assert sentence[0].isupper() or sentence.startswith(("shaft1 ", "b ", "3 "))  # names and numbers
        assert sentence.endswith(".")
        assert not re.search(r"\bNone\b|\bnan\b|  |[{}]", sentence)
    entry = finding_entry(found)
    jsonschema.validate([entry], SCHEMA["properties"]["findings"] | {"$defs": SCHEMA["$defs"]})
    assert entry["text"] == text


def test_every_filming_fault_has_its_words_and_its_unit() -> None:
    source = Path(faults.__file__).read_text(encoding="utf-8")
    codes = set(re.findall(r'Fault\(\s*"([a-z_]+)"', source))
    made = {one.code: one.unit for one in MADE if isinstance(one, Fault)}
    assert codes == set(made)
    assert all(made.values())


def test_words_refuse_facts_of_another_code() -> None:
    wrong = Finding("driven_jumps", "caution", LINK, *FIGURES, facts=Passes(3))
    with pytest.raises(TypeError, match="driven_jumps comes with Jumps"):
        in_words(wrong)
    with pytest.raises(TypeError, match="lost_motion comes with a figure"):
        in_words(replace(wrong, code="lost_motion", value=None))


def seen(entry: dict[str, Any], loaded: LoadedResult) -> tuple[object, ...]:
    """All that page and record make of a finding beside its sentence."""
    return (
        shown_at(loaded, entry),
        is_filming(entry),
        concerns_filming(entry),
        linkage_of(entry, loaded.linkages),
        spoken(entry["where"]),
    )


@pytest.mark.parametrize("words", ["Reworded.", "At 1.5 s, 3 degrees of driver travel: all."])
def test_a_reworded_sentence_loses_nothing(
    words: str, loaded: LoadedResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = [seen(finding_entry(found), loaded) for found in MADE]
    monkeypatch.setattr(
        findings, "WORDS", {code: lambda _: Sentence(words, words) for code in findings.WORDS}
    )
    entries = [finding_entry(found) for found in MADE]
    assert {entry["text"] for entry in entries} == {words}
    assert [seen(entry, loaded) for entry in entries] == before
    for found, (moment, *_) in zip(MADE, before, strict=True):
        if found.time_s is not None:
            assert moment == found.time_s
        else:
            assert (moment is None) == (found.driver_deg is None), found.code
    # the driver of this film turns 18 degrees a second from 1 s on
    (toggle,) = (
        moment for found, (moment, *_) in zip(MADE, before, strict=True) if found.code == "toggle_driven"
    )
    assert toggle == pytest.approx(1 + 12 / 18, abs=0.1)
