"""The command: results on disk, and bad input told in one sentence with status 2."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import drawn_clips as clips
import jsonschema
import numpy as np
import pandas as pd
import pytest

from strokecurve.app.commands.cli import main
from strokecurve.app.result.overlay import ARM_RGB, Drawing
from strokecurve.vision.video.pictures import Picture, picture_at
from tests.scoring import score_angles

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_media"
SCHEMA = json.loads((ROOT / "docs" / "result.schema.json").read_text(encoding="utf-8"))


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run the command, expect status 2 and one plain line on standard error; give the line."""
    assert main([str(a) for a in arguments]) == 2
    captured = capsys.readouterr()
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1
    assert "Traceback" not in captured.err
    assert lines[0].count(".") >= 2, "what is wrong, and what to do"
    assert captured.out == ""
    return lines[0]


@pytest.fixture(scope="session")
def measured(samples: Path) -> dict[str, Path]:
    """Result folders of both sample clips."""
    return {name: samples / name for name in ("as_found", "as_left")}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["as_found", "as_left"])
class TestSampleClips:
    def test_files(self, measured: dict[str, Path], name: str) -> None:
        found = {p.name for p in measured[name].iterdir()}
        assert found == {"angles.csv", "travel.csv", "result.json", "stages"}
        assert not list(measured[name].parent.glob(".*")), "the temporary folder is gone"

    def test_what_is_said(self, measured: dict[str, Path], name: str) -> None:
        said = measured[name].with_suffix(".txt").read_text(encoding="utf-8")
        assert "not say that a burner is safe to fire" in " ".join(said.split())

    def test_angles_against_truth(self, measured: dict[str, Path], name: str) -> None:
        angles = pd.read_csv(measured[name] / "angles.csv")
        scores = score_angles(pd.read_csv(SAMPLES / f"{name}.truth.csv"), angles)
        assert set(scores) == {"motor", "shaft1", "shaft2"}
        for score in scores.values():
            # The figure to reach in hand at 1080p; better than a thousandth would be a fault too.
            assert 0.001 < score.rms_deg < 0.05
            assert score.max_deg < 0.25
            assert score.share >= 0.97
            assert score.sign == 1

    def test_angles_start_at_zero(self, measured: dict[str, Path], name: str) -> None:
        angles = pd.read_csv(measured[name] / "angles.csv")
        assert list(angles.columns) == [
            "time_s",
            *(f"{name}{kind}" for name in ("motor", "shaft1", "shaft2") for kind in ("_deg", "_sd_deg")),
        ]
        for column in ("motor_deg", "shaft1_deg", "shaft2_deg"):
            assert angles[column].dropna().iloc[0] == 0.0

    def test_travel_table(self, measured: dict[str, Path], name: str) -> None:
        travel = pd.read_csv(measured[name] / "travel.csv")
        assert list(travel.columns) == ["linkage", "pass", "driver_deg", "driven_deg", "sd_deg"]
        assert set(travel["linkage"]) == {"motor:shaft1", "shaft1:shaft2"}
        for _, part in travel.groupby(["linkage", "pass"]):
            assert np.allclose(np.diff(part["driver_deg"]), 1.0, rtol=0, atol=1e-6)

    def test_record_follows_schema(self, measured: dict[str, Path], name: str) -> None:
        record = json.loads((measured[name] / "result.json").read_text(encoding="utf-8"))
        jsonschema.validate(record, SCHEMA)

    def test_geometry_against_truth(self, measured: dict[str, Path], name: str) -> None:
        record = json.loads((measured[name] / "result.json").read_text(encoding="utf-8"))
        truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
        for found, true in zip(record["linkages"], truth["linkages"], strict=True):
            geometry = found["geometry"]
            assert all(q["determined"] for q in geometry.values())
            # Figures to reach: radii 1 mm, rod and spacing 1 %, start angles 0.5, slack 0.1, margins 1.
            assert abs(geometry["drive_radius_mm"]["value"] - true["drive_radius_mm"]) < 1.0
            assert abs(geometry["driven_radius_mm"]["value"] - true["driven_radius_mm"]) < 1.0
            assert abs(geometry["rod_mm"]["value"] / true["rod_length_in_plane_mm"] - 1) < 0.01
            assert abs(geometry["spacing_mm"]["value"] / true["shaft_distance_mm"] - 1) < 0.01
            assert abs(geometry["drive_start_deg"]["value"] - true["drive_start_deg"]) < 0.5
            assert abs(geometry["driven_start_deg"]["value"] - true["driven_start_deg"]) < 0.5
            assert found["branch"] == true["branch"]
            assert abs(found["slack_deg"]["value"] - true["lost_motion_deg_at_driven"]) < 0.1
            assert abs(found["min_drive_angle_deg"]["value"] - true["toggle_margin_drive_arm_deg"]) < 1.0
            assert (
                abs(found["min_transmission_angle_deg"]["value"] - true["toggle_margin_driven_arm_deg"]) < 1.0
            )


@pytest.mark.slow
def test_faults_of_the_sample_are_found(measured: dict[str, Path]) -> None:
    found, left = (
        {f["code"] for f in json.loads((measured[n] / "result.json").read_text(encoding="utf-8"))["findings"]}
        for n in ("as_found", "as_left")
    )
    assert {"toggle_drive", "lost_motion"} <= found
    assert not {"toggle_drive", "toggle_driven", "lost_motion"} & left


@pytest.mark.slow
def test_condition_of_the_sample(measured: dict[str, Path]) -> None:
    """Play where the renderer has it, no slip, and the train from the motor to the last shaft."""
    record = json.loads((measured["as_found"] / "result.json").read_text(encoding="utf-8"))
    truth = json.loads((SAMPLES / "as_found.truth.json").read_text(encoding="utf-8"))
    for found, true in zip(record["linkages"], truth["linkages"], strict=True):
        assert found["slips"] == []
        joints = found["joint_play"]
        lost = joints["driven_pin"]["lost_deg"]
        # play is drawn at the driven pin; the standard deviation covers the turning of the rod there
        assert abs(lost["value"] - true["lost_motion_deg_at_driven"]) < max(0.1, 3 * lost["sd"])
        assert abs(joints["drive_pin"]["lost_deg"]["value"]) < 0.1
        left = found["travel_to_toggle_deg"]
        assert all(left[end] is None or left[end]["sd"] > 0 for end in ("low_fire", "high_fire"))
    worn = [f["where"] for f in record["findings"] if f["code"] == "worn_joint"]
    assert worn == ["motor:shaft1 driven pin", "shaft1:shaft2 driven pin"]
    (train,) = record["trains"]
    assert train["shafts"] == ["motor", "shaft1", "shaft2"]
    travels = {shaft["name"]: shaft["travel_deg"] for shaft in record["shafts"]}
    assert abs(train["driven_travel_deg"]["value"] - travels["shaft2"]) < 0.1
    assert train["slack_deg"]["sd"] > 0
    # lost motion adds up along the train, so it is more than the last joint's own
    assert train["slack_deg"]["value"] > record["linkages"][-1]["slack_deg"]["value"]


@pytest.mark.slow
def test_overlay(tmp_path: Path) -> None:
    """The overlay has the frames of the clip at their times, and is drawn over where the arms are."""
    import av

    clip = clips.write(
        tmp_path / "turn.mp4",
        lambda n: clips.picture(turn_deg={10: _stroke(n), 11: _stroke(n)}),
        frames=150,
    )
    assert main(["measure", str(clip), "--out", str(tmp_path / "out"), "--overlay"]) == 0
    with av.open(str(clip)) as a, av.open(str(tmp_path / "out" / "overlay.mp4")) as b:
        times = [[float(f.time) for f in c.decode(video=0)] for c in (a, b)]
    assert np.allclose(times[0], times[1], rtol=0, atol=1e-3)

    # A smaller picture of the same moment is drawn over at the same places.
    drawing = Drawing.load(clip, tmp_path / "out")
    shot = picture_at(clip, times[0][75])
    small = Picture(shot.time_s, np.ascontiguousarray(shot.rgb[::2, ::2]))
    placed = [_middle(drawing.draw(one), one.rgb) for one in (shot, small)]
    assert np.allclose(placed[0], 2 * placed[1], rtol=0, atol=6)  # labels are laid out anew


def _middle(drawn: np.ndarray, plain: np.ndarray) -> np.ndarray:
    """Mean place, x and y in pixels, of what was drawn in the colour of arms."""
    over = (drawn == ARM_RGB).all(axis=-1) & (plain != ARM_RGB).any(axis=-1)
    assert over.any()
    return np.argwhere(over).mean(axis=0)[::-1]


def _stroke(number: int) -> float:
    """Degrees at a frame: rest, open by 60, rest, close, rest."""
    return float(np.interp(number, [15, 65, 85, 135], [0, 60, 60, 0]))


class TestBadClip:
    def test_missing(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        assert "no file" in refused(capsys, "measure", tmp_path / "none.mp4", "--out", tmp_path / "out")
        assert not (tmp_path / "out").exists()

    def test_empty(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        (tmp_path / "a.mp4").touch()
        assert "empty" in refused(capsys, "measure", tmp_path / "a.mp4", "--out", tmp_path / "out")

    def test_text(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        (tmp_path / "a.mp4").write_text("a note, not a film\n" * 40)
        assert "no video" in refused(capsys, "measure", tmp_path / "a.mp4", "--out", tmp_path / "out")

    @pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
    def test_truncated(self, capsys: pytest.CaptureFixture[str], tmp_path: Path, share: float) -> None:
        whole = (SAMPLES / "as_found.mp4").read_bytes()
        (tmp_path / "a.mp4").write_bytes(whole[: int(share * len(whole))])
        assert "cut off" in refused(capsys, "measure", tmp_path / "a.mp4", "--out", tmp_path / "out")
        assert list(tmp_path.iterdir()) == [tmp_path / "a.mp4"]

    @pytest.mark.parametrize(
        ("words", "card", "arms"),
        [
            ("No markers", False, ()),
            ("reference card", False, (10, 11)),
            ("Two marked arms", True, (10,)),
            ("Two marked arms", True, ()),
            ("No shaft moves", True, (10, 11)),
        ],
    )
    def test_not_what_is_needed(
        self,
        capsys: pytest.CaptureFixture[str],
        tmp_path: Path,
        words: str,
        card: bool,
        arms: tuple[int, ...],
    ) -> None:
        clip = clips.write(tmp_path / "a.mp4", lambda _: clips.picture(card, arms))
        assert words in refused(capsys, "measure", clip, "--out", tmp_path / "out")
        assert list(tmp_path.iterdir()) == [clip]

    def test_earlier_results_stay(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        out = tmp_path / "out"
        out.mkdir()
        (out / "result.json").write_text("{}")
        (tmp_path / "a.mp4").touch()
        refused(capsys, "measure", tmp_path / "a.mp4", "--out", out)
        assert (out / "result.json").read_text() == "{}"


class TestBadRig:
    @pytest.mark.parametrize(
        ("words", "text"),
        [
            ("colour", '[[shaft]]\nmarker = 10\ncolour = "red"\n'),
            ("not valid TOML", "[[shaft\n"),
            ("marker", '[[shaft]]\nname = "motor"\n'),
            (
                "drive_radius_mm",
                '[[linkage]]\ndriver = "motor"\ndriven = "shaft1"\ntape = { drive_radius_mm = 80 }\n',
            ),
            ("opening", '[[linkage]]\ndriver = "motor"\ndriven = "shaft1"\nopening = "left"\n'),
            ("two different shafts", '[[linkage]]\ndriver = "motor"\n'),
        ],
    )
    def test_refused_before_the_clip_is_read(
        self, capsys: pytest.CaptureFixture[str], tmp_path: Path, words: str, text: str
    ) -> None:
        rig = tmp_path / "rig.toml"
        rig.write_text(text)
        assert words in refused(capsys, "measure", tmp_path / "none.mp4", "--rig", rig)

    def test_unknown_shaft(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        rig = tmp_path / "rig.toml"
        rig.write_text('[[linkage]]\ndriver = "motor"\ndriven = "damper"\n')
        clip = clips.write(tmp_path / "a.mp4", lambda _: clips.picture())
        assert "damper" in refused(capsys, "measure", clip, "--rig", rig)

    def test_missing_rig(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        assert "cannot be read" in refused(
            capsys, "measure", tmp_path / "a.mp4", "--rig", tmp_path / "rig.toml"
        )


class TestCommandLine:
    def test_unknown_command(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert "command line" in refused(capsys, "weigh")

    def test_missing_clip_argument(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert "CLIP" in refused(capsys, "measure")

    def test_help_names_every_command(self, capsys: pytest.CaptureFixture[str]) -> None:
        with pytest.raises(SystemExit) as end:
            main(["--help"])
        assert end.value.code == 0
        text = capsys.readouterr().out
        assert all(name in text for name in ("measure", "sheet", "demo", "locked out"))

    def test_sheet(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        assert main(["sheet", "--paper", "letter", "--out", str(tmp_path / "s.pdf")]) == 0
        assert (tmp_path / "s.pdf").read_bytes().startswith(b"%PDF")
        assert "100 %" in capsys.readouterr().out

    def test_sheet_that_cannot_be_written(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        assert "cannot be written" in refused(capsys, "sheet", "--out", tmp_path / "no" / "such" / "s.pdf")


@pytest.mark.slow
def test_rig_names_and_tape_reach_the_result(tmp_path: Path) -> None:
    """Names from the set-up file stand in the tables; a tape measure becomes evidence."""
    clip = clips.write(
        tmp_path / "turn.mp4",
        lambda n: clips.picture(turn_deg={10: _stroke(n), 11: 0.8 * _stroke(n)}),
        frames=150,
    )
    rig = tmp_path / "rig.toml"
    rig.write_text(
        '[[shaft]]\nname = "actuator"\nmarker = 10\nside_mm = 30\n'
        '[[shaft]]\nname = "air damper"\nmarker = 11\n'
        '[[linkage]]\ndriver = "actuator"\ndriven = "air damper"\n[linkage.tape]\ndrive_radius_mm = [60, 1]\n'
    )
    assert main(["measure", str(clip), "--rig", str(rig), "--out", str(tmp_path / "out")]) == 0
    record = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    assert [s["name"] for s in record["shafts"]] == ["actuator", "air damper"]
    assert "tape" in record["linkages"][0]["geometry"]["drive_radius_mm"]["evidence"]
    assert abs(record["shafts"][0]["travel_deg"] - 60) < 0.3
    assert abs(record["shafts"][1]["travel_deg"] - 48) < 0.3


def test_result_folder_is_replaced_as_a_whole(tmp_path: Path) -> None:
    """Measuring again into the same folder leaves no file of the earlier run behind."""
    clip = clips.write(
        tmp_path / "turn.mp4", lambda n: clips.picture(turn_deg={10: _stroke(n), 11: _stroke(n)}), frames=150
    )
    out = tmp_path / "out"
    assert main(["measure", str(clip), "--out", str(out)]) == 0
    shutil.copy(clip, out / "overlay.mp4")
    assert main(["measure", str(clip), "--out", str(out)]) == 0
    assert not (out / "overlay.mp4").exists()


def test_a_reader_that_closes_early_is_no_fault(tmp_path: Path) -> None:
    """As with ``strokecurve sheet | head -0``: the sheet is there, and nobody is told of a fault."""
    sheet = tmp_path / "sheet.pdf"
    running = subprocess.Popen(
        [sys.executable, "-m", "strokecurve.app.commands.cli", "sheet", "--out", str(sheet)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert running.stdout is not None
    running.stdout.close()
    assert running.stderr is not None
    assert running.stderr.read() == ""
    running.stderr.close()
    assert running.wait() == 141
    assert sheet.read_bytes().startswith(b"%PDF")


def test_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"strokecurve {stated}\n"
