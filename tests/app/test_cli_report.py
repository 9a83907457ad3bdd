"""The commands report and compare: files written whole, bad input told in one sentence."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from pypdf import PdfReader
from recorded import NUMBER, figure, full_result, rename, words

from strokecurve.app.commands.cli import main

LISTS = ("shafts", "linkages", "findings")
SAMPLES = Path(__file__).resolve().parents[2] / "sample_media"


@pytest.fixture
def films(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("found", "left"):
        full_result(tmp_path / name)
    (tmp_path / "intended.csv").write_text("driver_deg,driven_deg,tolerance_deg\n0,0,1\n90,90,1\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    assert main([str(a) for a in arguments]) == 2
    captured = capsys.readouterr()
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1
    assert captured.out == ""
    assert lines[0].count(".") >= 2, "what is wrong, and what to do"
    return lines[0]


@pytest.mark.parametrize("paper, size_pt", [("a4", (595.276, 841.890)), ("letter", (612.0, 792.0))])
def test_report(
    films: Path, capsys: pytest.CaptureFixture[str], paper: str, size_pt: tuple[float, float]
) -> None:
    out = films / "r.pdf"
    assert main(["report", "found", "--out", str(out), "--paper", paper]) == 0
    assert "no photographs" in capsys.readouterr().out
    box = PdfReader(out).pages[0].mediabox
    # A4 is 210 x 297 mm, Letter 8.5 x 11 in; the library writes thousandths of a point.
    assert (float(box.width), float(box.height)) == pytest.approx(size_pt, abs=0.01)


def test_what_is_said_of_job_and_film_is_in_the_title(films: Path) -> None:
    said = ["--burner", "Burner 2", "--site", "Hall 3", "--fuel", "gas"]
    assert main(["report", "found", *said, "--filmed-by", "Ana N.", "--filmed-on", "2026-01-02"]) == 0
    text = words(films / "found-record.pdf")
    assert "burner Burner 2 site Hall 3 fuel gas" in text
    assert "filmed on 2026-01-02 filmed by Ana N." in text
    assert main(["compare", "found", "left", *said]) == 0
    assert "burner Burner 2 site Hall 3 fuel gas" in words(films / "found-left-compared.pdf")


def test_default_names(films: Path) -> None:
    assert main(["report", "found/"]) == 0
    assert main(["compare", "found", "left"]) == 0
    assert {p.name for p in films.glob("*.pdf")} == {"found-record.pdf", "found-left-compared.pdf"}


def test_compare(films: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "found", "left", "--intended", "intended.csv", "--out", "c.pdf"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "deviation from intended (RMS)" in printed
    assert "did not change beyond noise" in printed
    text = words(films / "c.pdf")
    assert "As found against as left: motor drives shaft1" in text
    assert "film as found film as left" in text


@pytest.mark.parametrize(
    "arguments, said",
    [
        (["report", "nowhere"], "not a result folder"),
        (["report", "found", "--out", "no/such/folder.pdf"], "cannot be written"),
        (["report", "found", "--clip", "intended.csv"], "not the clip"),
        (["report", "found", "--clip", "none.mp4"], "cannot be read"),
        (["report", "found", "--paper", "a3"], "command line"),
        (["report", "found", "--filmed-on", "yesterday"], "no date"),
        (["compare", "found", "left", "--burner", "x" * 200], "too long"),
        (["compare", "found", "nowhere"], "not a result folder"),
        (["compare", "found", "left", "--intended", "none.csv"], "cannot be read"),
        (["compare", "found", "left", "--intended", "found/angles.csv"], "no column"),
        (["compare", "found", "left", "--intended", "intended.csv", "--linkage", "a:b"], "motor:shaft1"),
        (["compare", "found", "left", "--linkage", "motor:shaft1"], "--intended"),
    ],
)
def test_bad_input(films: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    assert said in refused(capsys, *arguments)
    assert not list(films.glob("*.pdf"))
    assert not list(films.glob(".*"))


def test_nothing_in_common(films: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rename(films / "left", {"motor": "motor", "shaft1": "valve"})
    assert "no linkage in common" in refused(capsys, "compare", "found", "left")


@pytest.mark.parametrize(
    "name, content, said",
    [
        ("result.json", "{", "not valid JSON"),
        ("result.json", "[]", "no record"),
        ("result.json", "null", "no record"),
        ("travel.csv", "", "cannot be read"),
        ("travel.csv", "linkage,pass,driver_deg\n", "no column driven_deg"),
        ("travel.csv", "linkage,pass,driver_deg,driven_deg,sd_deg\na:b,up,0,0,0\n", "neither opening"),
        ("travel.csv", "linkage,pass,driver_deg,driven_deg,sd_deg\na:b,opening,x,0,0\n", "no number"),
        ("travel.csv", "linkage,pass,driver_deg,driven_deg,sd_deg\na:b,opening,1e12,0,0\n", "beyond"),
        ("travel.csv", "linkage,pass,driver_deg,driven_deg,sd_deg\na:b,opening,inf,0,0\n", "beyond"),
        ("angles.csv", "time_s\n0\n", "no column motor_deg"),
        ("angles.csv", "\x00\x01", "no column time_s"),
    ],
)
def test_damaged_folder(
    films: Path, capsys: pytest.CaptureFixture[str], name: str, content: str, said: str
) -> None:
    (films / "found" / name).write_text(content)
    line = refused(capsys, "report", "found")
    assert name in line
    assert said in line


@pytest.mark.parametrize(
    "key, value",
    [
        *((key, wrong) for key in ("clip", "versions") for wrong in (None, 3, [None])),
        *(
            (key, wrong)
            for key in ("shafts", "linkages", "findings")
            for wrong in (None, 3, [None], {"a": 1})
        ),
    ],
)
def test_damaged_record(films: Path, capsys: pytest.CaptureFixture[str], key: str, value: object) -> None:
    path = films / "found" / "result.json"
    record = json.loads(path.read_text())
    path.write_text(json.dumps(record | {key: value}))
    refused(capsys, "report", "found")


def test_a_folder_that_cannot_be_read(films: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (films / "found" / "travel.csv").unlink()
    assert "travel.csv" in refused(capsys, "report", "found")


@pytest.mark.slow
def test_photographs_of_the_sample_clip(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    clip = SAMPLES / "as_found.mp4"
    assert main(["report", str(samples / "as_found"), "--clip", str(clip), "--out", "r.pdf"]) == 0
    pictures = [image.image for page in PdfReader("r.pdf").pages for image in page.images]
    assert len(pictures) == 3
    # Cropped to what is drawn in, with a margin: broader than high, and no wider than a page needs.
    assert len({picture.size for picture in pictures if picture}) == 1
    assert all(picture and 800 < picture.width <= 1500 for picture in pictures)
    assert all(picture and picture.height < picture.width for picture in pictures)
    captions = r"s into the clip. Angles from the first frame, counter-clockwise positive: motor "
    motor_deg = [figure(one)[0] for one in re.findall(rf"{captions}({NUMBER})", words(tmp_path / "r.pdf"))]
    # The frame nearest to half the stroke: the motor turns about 15 degrees a second.
    assert motor_deg == pytest.approx([0.0, 45.0, 90.0], abs=0.6)
