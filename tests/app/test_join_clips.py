"""Two clips that share a shaft: the train they make, its files, and what cannot be joined."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

import drawn_clips as clips
import jsonschema
import numpy as np
import pandas as pd
import pytest

from strokecurve.app.commands.cli import main
from strokecurve.app.measure.arrangement import arrange
from strokecurve.app.measure.join import Joined, Part, join
from strokecurve.app.measure.left_out import without_linkage
from strokecurve.app.measure.progress import OneOf
from strokecurve.app.measure.rig import Rig, RigLinkage, RigShaft
from strokecurve.app.measure.settings import Settings
from strokecurve.app.result.joined import folder_names, write_joined
from strokecurve.app.result.main_job import measure_several
from strokecurve.app.words.errors import InputError
from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.linkage.play import engage
from strokecurve.vision.control import Unattended
from strokecurve.vision.edges.follow import follow_markers
from strokecurve.vision.errors import Cancelled
from strokecurve.vision.video.reader import ClipReader

DOCS = Path(__file__).resolve().parents[2] / "docs"
FRAMES = 150
FIRST, FIRST_START, FIRST_SLACK_DEG = FourBar(60, 180, 70, 190, branch=-1), 0.8, 0.8
SECOND, SECOND_START, SECOND_SLACK_DEG = FourBar(58, 170, 64, 175, branch=-1), 0.9, 1.2
Degrees = np.ndarray


def lagging(linkage: FourBar, start: float, turned_deg: Degrees, slack_deg: float) -> Degrees:
    """Driven travel behind a play, from the rest on its closing side."""
    ideal = np.degrees(linkage.driven_angle(start + np.radians(turned_deg)))
    play = engage(ideal, slack_deg)
    driven = ideal[play.source] - slack_deg * play.opened
    return driven - driven[0]


def train(motor_deg: Degrees) -> dict[int, Degrees]:
    """Travel of motor, shaft1 and shaft2 by the number of their arm's marker."""
    shaft1 = lagging(FIRST, FIRST_START, motor_deg, FIRST_SLACK_DEG)
    return {10: motor_deg, 11: shaft1, 12: lagging(SECOND, SECOND_START, shaft1, SECOND_SLACK_DEG)}


def stroke(full_deg: float = 90.0) -> Degrees:
    """The motor in each frame: rest, open, rest, close, rest."""
    return np.interp(np.arange(FRAMES), [12, 65, 80, 133], [0.0, full_deg, full_deg, 0.0])


def draw(path: Path, turned: dict[int, Degrees], side: int = 1) -> Path:
    """A clip of some of the arms; from the other side with -1."""
    return clips.write(
        path,
        lambda n: clips.picture(
            arms=tuple(turned), turn_deg={k: side * float(v[n]) for k, v in turned.items()}
        ),
        frames=min(len(v) for v in turned.values()),
    )


def only(turned: dict[int, Degrees], *arms: int) -> dict[int, Degrees]:
    return {arm: turned[arm] for arm in arms}


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Motor and shaft1 by their arms; from the other side shaft1 by a marker on its end, and shaft2."""
    folder, turned = tmp_path_factory.mktemp("clips"), train(stroke())
    return (
        draw(folder / "front.mp4", only(turned, 10, 11)),
        draw(folder / "back.mp4", {31: turned[11], 12: turned[12]}, side=-1),
    )


@pytest.fixture(scope="module")
def whole(filmed: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Joined]:
    """Folder and content of both clips joined."""
    out = tmp_path_factory.mktemp("joined") / "out"
    return out, measure_several(filmed, out)


@pytest.fixture(scope="module")
def joined(whole: tuple[Path, Joined]) -> Path:
    return whole[0]


def renamed(part: Part, name: str, shafts: tuple[str, str]) -> Part:
    """The same film as if it showed other shafts."""
    measurement = part.measurement
    (link,) = measurement.linkages
    return Part(
        name,
        replace(
            measurement,
            motion=replace(measurement.motion, names=shafts),
            linkages=(replace(link, name=":".join(shafts)),),
        ),
    )


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run the command, expect status 2 and one plain line; give it."""
    assert main([str(a) for a in arguments]) == 2
    captured = capsys.readouterr()
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1
    assert "Traceback" not in captured.err
    assert captured.out == ""
    return lines[0]


def record(folder: Path) -> dict:
    return json.loads((folder / "result.json").read_text(encoding="utf-8"))


@pytest.mark.slow
class TestJoined:
    def test_files(self, joined: Path) -> None:
        assert {p.name for p in joined.iterdir()} == {"front", "back", "travel.csv", "result.json"}
        for name in ("front", "back"):
            assert {p.name for p in (joined / name).iterdir()} == {
                "angles.csv",
                "travel.csv",
                "result.json",
                "stages",
            }
        assert not list(joined.parent.glob(".*")), "the temporary folder is gone"

    def test_clips_are_as_measured_alone(
        self, joined: Path, filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        """Also the note on the stroke of a shaft that is no motor, which the whole leaves out."""
        alone = tmp_path / "alone"
        assert main(["measure", str(filmed[1]), "--out", str(alone)]) == 0
        for name in ("angles.csv", "travel.csv", "result.json"):
            assert (alone / name).read_bytes() == (joined / "back" / name).read_bytes(), name
        assert "stroke" in {f["code"] for f in record(joined / "back")["findings"]}

    def test_record_follows_schema(self, joined: Path) -> None:
        schema = json.loads((DOCS / "joined.schema.json").read_text(encoding="utf-8"))
        jsonschema.validate(record(joined), schema)

    def test_every_key_is_described(self, joined: Path) -> None:
        text = (DOCS / "files.md").read_text(encoding="utf-8")
        whole = record(joined)
        keys = {*whole, *whole["clips"][0], *whole["trains"][0], *whole["shared_shafts"][0]}
        assert [key for key in keys if f"`{key}`" not in text] == []

    def test_table(self, joined: Path) -> None:
        """The clips' own tables, then the curve from the motor to the last shaft in the same columns."""
        table = pd.read_csv(joined / "travel.csv")
        own = pd.concat([pd.read_csv(joined / name / "travel.csv") for name in ("front", "back")])
        assert list(table.columns) == list(own.columns)
        assert list(table["linkage"].unique()) == ["motor:shaft1", "shaft1:shaft2", "motor:shaft2"]
        assert np.array_equal(table.to_numpy()[: len(own)], own.to_numpy())
        whole = table[table["linkage"] == "motor:shaft2"]
        assert list(whole["pass"].unique()) == ["opening", "closing"]
        assert (whole["sd_deg"] > 0).all()

    def test_overall_curve_against_truth(self, joined: Path) -> None:
        path = np.concatenate([np.linspace(0, 90, 4501), np.linspace(90, 0, 4501)[1:]])
        truth = train(path)[12]
        table = pd.read_csv(joined / "travel.csv")
        for name, part in (("opening", slice(0, 4501)), ("closing", slice(4500, None))):
            curve = table[(table["linkage"] == "motor:shaft2") & (table["pass"] == name)]
            order = np.argsort(path[part])
            true = np.interp(curve["driver_deg"], path[part][order], truth[part][order])
            off = (curve["driven_deg"] - true).to_numpy()
            assert curve["driven_deg"].notna().all()
            assert np.abs(off / curve["sd_deg"]).max() < 3
            # Beside the corners of the take-up a curve is a mean over a degree or so; elsewhere errors of
            # drawn markers are some 0.03 degrees, and none at all would be a fault of the test.
            assert 0.001 < np.median(np.abs(off)) < 0.06

    def test_figures(self, joined: Path) -> None:
        whole, turned = record(joined), train(stroke())
        (one,) = whole["trains"]
        assert one["shafts"] == ["motor", "shaft1", "shaft2"]
        assert one["clips"] == ["front", "back"]
        for key, true in (("driver_travel_deg", 90.0), ("driven_travel_deg", float(turned[12].max()))):
            assert abs(one[key]["value"] - true) < 3 * one[key]["sd"]
            assert one[key]["sd"] < 0.1
        # lost motion at shaft1 counts at shaft2 as the mean slope of the second linkage says
        slope = float(turned[12].max() / turned[11].max())
        assert abs(one["slack_deg"]["value"] - (FIRST_SLACK_DEG * slope + SECOND_SLACK_DEG)) < 0.08
        assert 0 < one["slack_deg"]["sd"] < 0.05

    def test_shared_shaft(self, joined: Path) -> None:
        (shaft,) = record(joined)["shared_shafts"]
        assert shaft["name"] == "shaft1"
        assert (shaft["driven_in"]["clip"], shaft["driver_in"]["clip"]) == ("front", "back")
        assert (shaft["driven_in"]["opening"], shaft["driver_in"]["opening"]) == ("ccw", "cw")
        assert shaft["other_side"] is True
        assert abs(shaft["difference_deg"]["value"]) < 3 * shaft["difference_deg"]["sd"]

    def test_findings(self, joined: Path) -> None:
        found = [(f["code"], f["clip"]) for f in record(joined)["findings"]]
        assert ("other_side", None) in found
        assert ("lost_motion", "back") in found
        assert "shared_travel" not in {code for code, _ in found}
        assert ("stroke", "back") not in found, "shaft1 is no motor, so its stroke need not be 90 degrees"

    @pytest.mark.parametrize("command", ["report", "compare"])
    def test_other_commands_say_which_folder(
        self, capsys: pytest.CaptureFixture[str], joined: Path, command: str
    ) -> None:
        line = refused(capsys, command, *[joined] * (2 if command == "compare" else 1))
        assert "several clips" in line
        assert str(joined / "front") in line


@pytest.mark.slow
def test_second_clip_falls_short(
    filmed: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A difference of the shared shaft's stroke is told with its figure, and what is not shown is a gap."""
    full, short = train(stroke()), train(stroke(80.0))
    a = Path(shutil.copy(filmed[0], tmp_path / "a.mp4"))
    b = draw(tmp_path / "b.mp4", only(short, 11, 12))
    out = tmp_path / "out"
    (out / "a").mkdir(parents=True)
    (out / "a" / "notes.txt").write_text("kept")
    (out / "angles.csv").write_text("of one clip measured into this folder before")
    assert main(["measure", str(b), str(a), "--out", str(out)]) == 0
    content = record(out)
    assert [clip["folder"] for clip in content["clips"]] == ["b", "a"], "in the order given"
    assert content["trains"][0]["clips"] == ["a", "b"], "in the order of the train"
    found = {f["code"]: f for f in content["findings"]}
    difference = float(short[11].max() - full[11].max())
    assert abs(found["shared_travel"]["value"] - difference) < 3 * found["shared_travel"]["sd"]
    assert found["shared_travel"]["limit"] == 0.5
    assert "further in a than in b" in found["shared_travel"]["text"]
    assert "other_side" not in found
    assert found["joined_gap"]["where"] == "motor:shaft2"
    table = pd.read_csv(out / "travel.csv")
    curve = table[(table["linkage"] == "motor:shaft2") & (table["pass"] == "opening")]
    assert curve["driven_deg"][curve["driver_deg"] < 78].notna().all()
    assert curve["driven_deg"][curve["driver_deg"] > 83].isna().all()
    assert content["trains"][0]["driven_travel_deg"] == {"value": None, "sd": None}
    assert (out / "a" / "notes.txt").read_text() == "kept"
    assert not (out / "angles.csv").exists()
    assert "Train motor to shaft1 to shaft2" in capsys.readouterr().out


@pytest.mark.slow
class TestThreeClips:
    """The second clip again as if it showed other shafts, so strokes do not fit: told, and joined so far."""

    def test_in_a_row(self, whole: tuple[Path, Joined]) -> None:
        front, back = whole[1].parts
        joined = join([renamed(back, "third", ("shaft2", "shaft3")), front, back])
        (one,) = joined.trains
        assert one.shafts == ("motor", "shaft1", "shaft2", "shaft3")
        assert one.parts == (1, 2, 0)
        assert [(s.name, s.parts) for s in joined.shared] == [("shaft1", (1, 2)), ("shaft2", (2, 0))]
        (told,) = [f for f in joined.findings if f.code == "shared_travel"]
        assert told.where == "shaft2"
        # shaft1 turns some 75 degrees and shaft2 some 65: the third clip shows more than is needed
        assert np.isfinite(one.curves.opening_rad).all()
        before = whole[1].trains[0]
        # the third clip hands on what the first two lost by the ratio of its strokes, and adds its own;
        # as that ratio is below one, the sum may be surer than what it began with
        own = back.measurement.linkages[0].condition.slack
        assert one.slack.value > before.slack.value
        ratio = (one.slack.value - own.value) / before.slack.value
        third = back.measurement.linkages[0].curves
        assert ratio == pytest.approx(third.driven_travel_rad / third.driver_travel_rad, abs=0.1)
        assert one.slack.sd > np.hypot(ratio * before.slack.sd, own.sd)
        assert np.nanmean(one.curves.opening_sd_rad) > np.nanmean(before.curves.opening_sd_rad)

    def test_one_shaft_that_drives_two(self, whole: tuple[Path, Joined]) -> None:
        front, back = whole[1].parts
        joined = join([front, back, renamed(back, "third", ("shaft1", "shaft3"))])
        assert [train.name for train in joined.trains] == ["motor:shaft2", "motor:shaft3"]
        assert [shaft.parts for shaft in joined.shared] == [(0, 1), (0, 2)]


@pytest.mark.slow
class TestNothingHalfWritten:
    def test_name_that_is_taken(
        self, whole: tuple[Path, Joined], filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        (tmp_path / "back").write_text("a file of another kind")
        (tmp_path / "result.json").write_text("earlier")
        with pytest.raises(InputError, match="there is a file back in it"):
            write_joined(whole[1], filmed, tmp_path, Unattended())
        assert {p.name for p in tmp_path.iterdir()} == {"back", "result.json"}
        assert not list(tmp_path.parent.glob(f".{tmp_path.name}-*"))

    def test_stopped_at_the_end(
        self, whole: tuple[Path, Joined], filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        class Stops(Unattended):
            def check(self) -> None:
                raise Cancelled("Stopped.", "Start again.")

        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "result.json").write_text("earlier")
        with pytest.raises(Cancelled):
            write_joined(whole[1], filmed, tmp_path / "out", Stops())
        assert [p.name for p in tmp_path.iterdir()] == ["out"]
        assert [p.name for p in (tmp_path / "out").iterdir()] == ["result.json"]


@pytest.mark.slow
class TestNoTrain:
    def test_same_clip(
        self, capsys: pytest.CaptureFixture[str], filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        again = shutil.copy(filmed[0], tmp_path / "again.mp4")
        for second in (filmed[0], again):
            line = refused(capsys, "measure", filmed[0], second, "--out", tmp_path / "out")
            assert "same clip" in line
        assert not (tmp_path / "out").exists()

    def test_missing_or_no_video_is_told_first(
        self, capsys: pytest.CaptureFixture[str], filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        assert "no file none.mp4" in refused(capsys, "measure", filmed[0], tmp_path / "none.mp4")
        (tmp_path / "text.mp4").write_text("a note, not a film\n")
        assert "text.mp4" in refused(capsys, "measure", filmed[0], tmp_path / "text.mp4")

    @pytest.mark.parametrize(
        ("shafts", "words"),
        [
            (("motor", "shaft1"), "front and other both show the linkage from motor to shaft1"),
            (("shaft2", "shaft3"), "front has no shaft in common with the other clip"),
            (("motor", "shaft2"), "front is no part of a train with the others"),
            (("shaft2", "shaft1"), "shaft1 is driven by motor in front and by shaft2 in other"),
            (("shaft1", "motor"), "run in a circle"),
        ],
    )
    def test_not_one_train(self, whole: tuple[Path, Joined], shafts: tuple[str, str], words: str) -> None:
        front, back = whole[1].parts
        with pytest.raises(InputError, match=words):
            join([front, renamed(back, "other", shafts)])

    def test_linkage_left_out_is_why(self, whole: tuple[Path, Joined]) -> None:
        """A clip whose part of the train was of no use: the reason is that of its linkage."""
        front, back = whole[1].parts
        reason = without_linkage("shaft1:shaft2", StrokeError("The driver did not move.", "Film again."))
        useless = Part("other", replace(back.measurement, findings=(reason,), linkages=()))
        with pytest.raises(
            InputError, match=r"in other the linkage shaft1 to shaft2 is of no use. The driver"
        ):
            join([front, useless])

    def test_stroke_of_no_use(
        self, capsys: pytest.CaptureFixture[str], filmed: tuple[Path, Path], tmp_path: Path
    ) -> None:
        """Where the shared shaft stands still, the clip's name is in the sentence."""
        turned = {11: np.zeros(60), 12: train(stroke())[12][:60]}
        other = draw(tmp_path / "other.mp4", turned)
        line = refused(capsys, "measure", other, filmed[0], "--out", tmp_path / "out")
        assert line.startswith("other: The driver turned by")
        assert not (tmp_path / "out").exists()

    def test_passes_that_do_not_meet(self, whole: tuple[Path, Joined]) -> None:
        def without(part: Part, way: str) -> Part:
            (link,) = part.measurement.linkages
            one_way = replace(link, stroke=replace(link.stroke, **{way: ()}))
            return Part(part.name, replace(part.measurement, linkages=(one_way,)))

        front, back = whole[1].parts
        with pytest.raises(InputError, match=r"front and back cannot be joined. The two films have no pass"):
            join([without(front, "closing"), without(back, "opening")])

    def test_rig_with_a_linkage_in_no_clip(
        self,
        monkeypatch: pytest.MonkeyPatch,
        whole: tuple[Path, Joined],
        filmed: tuple[Path, Path],
        tmp_path: Path,
    ) -> None:
        measured = iter(part.measurement for part in whole[1].parts)
        monkeypatch.setattr("strokecurve.app.result.main_job.analyse", lambda *_, **__: next(measured))
        rig = Rig(linkages=(RigLinkage("motor", "shaft1"), RigLinkage("shaft2", "damper")))
        with pytest.raises(InputError, match="shaft2 to damper, which no clip shows"):
            measure_several(filmed, tmp_path / "out", rig)


@pytest.mark.slow
def test_shaft_keeps_the_name_of_its_arm(filmed: tuple[Path, Path]) -> None:
    """A set-up file names shaft 1 by its arm's marker; the clip from behind shows another one of it."""
    with ClipReader(filmed[1]) as reader:
        size, tracks = reader.facts.size_wh_px, follow_markers(islice(reader, 5))
    known = RigLinkage("motor", "jackshaft"), RigLinkage("jackshaft", "shaft2")
    rig = Rig((RigShaft("jackshaft", 11),), known)
    plan = arrange(tracks, rig, size, Settings(), part=True)
    assert [shaft.name for shaft in plan.shafts] == ["jackshaft", "shaft2"]
    assert [link.rig for link in plan.linkages] == [known[1]]
    with pytest.raises(InputError, match="No linkage of the set-up file is in this clip"):
        arrange(tracks, Rig(rig.shafts, known[:1]), size, Settings(), part=True)


def test_folders_of_clips_with_one_name() -> None:
    paths = [Path("a/clip.mp4"), Path("b/Clip.mov"), Path("c/stages.mp4"), Path("d/other.mp4")]
    assert folder_names(paths) == ["clip", "Clip-2", "stages-2", "other"]


class _Kept:
    """Progress that keeps what it was told."""

    def __init__(self) -> None:
        self.told: list[tuple[int, int, str]] = []

    def report(self, done: int, total: int, label: str) -> None:
        self.told.append((done, total, label))

    def check(self) -> None:
        return


def test_progress_covers_all_clips() -> None:
    kept = _Kept()
    stages: Sequence[Callable[[OneOf], None]] = (
        lambda job: job.report(0, 40, "following"),
        lambda job: job.report(40, 40, "following"),
        lambda job: job.report(1, 3, "fitting"),
    )
    for number in range(2):
        job = OneOf(kept, number, 2)
        for stage in stages:
            stage(job)
    assert [done / total for done, total, _ in kept.told] == [0, 0.5, 0.5, 0.5, 1, 1]
    assert kept.told[-1][2] == "clip 2 of 2, fitting"
