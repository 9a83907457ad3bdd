"""Photographs in the record, and the record of a whole job, read back from the PDF."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import drawn_clips
import numpy as np
import pytest
from fake_result import LINKAGE
from pypdf import PdfReader
from recorded import NUMBER, figure, figures_after, full_result, one_film, same, words

from app.errors import InputError
from app.files import measure_file
from app.record import Comment, Entry, IntendedChoice, Readings, Verdict
from app.report.job import JobRecord, RecordedFilm, WorkOrder
from app.report.photographs import find_clip, moments
from app.report.record import comparison_pdf, record_pdf
from app.result_folder import FilmResult
from app.tables import even_step_table


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> FilmResult:
    return full_result(tmp_path_factory.mktemp("film") / "result")


class TestPhotographs:
    def test_moments_are_low_middle_and_high(self, film: FilmResult) -> None:
        found = dict(moments(film))
        # The driver rests to 1 s and from 6 s to 8 s, and is half way at 3.5 s.
        assert 0.0 < found["low fire"] < 1.0
        assert found["middle of the opening pass"] == pytest.approx(3.5, abs=0.2)
        assert 6.0 < found["high fire"] < 8.0

    def test_pictures_come_from_the_overlay_without_the_clip(self, tmp_path: Path) -> None:
        result = full_result(tmp_path / "r")
        drawn_clips.write(
            result.folder / "overlay.mp4",
            lambda n: drawn_clips.picture(turn_deg={10: float(n)}),
            frames=42,
            rate=3,
        )
        record_pdf(one_film(result), tmp_path / "r.pdf")
        pictures = [image for page in PdfReader(tmp_path / "r.pdf").pages for image in page.images]
        assert len(pictures) == 3
        assert {image.image.size for image in pictures if image.image} == {drawn_clips.SIZE_WH}
        text = words(tmp_path / "r.pdf")
        at_s = dict(moments(result))["high fire"]
        row = result.angles.iloc[int(np.argmin(np.abs(result.angles["time_s"] - at_s)))]
        label = f"High fire, {at_s:.2f} s into the clip. Angles from the first frame, "
        value, sd = figures_after(text, f"{label}counter-clockwise positive: motor", 2)
        assert same(value, row["motor_deg"])
        assert same(sd, row["motor_sd_deg"])

    def test_only_the_clip_itself_is_taken(self, tmp_path: Path) -> None:
        clip = tmp_path / "clip.mp4"
        clip.write_bytes(b"the clip")
        checksum = measure_file(clip)[1]
        result = full_result(tmp_path / "r", lambda content: content["clip"].update(sha256=checksum))
        assert find_clip(result) == clip
        clip.write_bytes(b"another of the same name")
        assert find_clip(result) is None
        with pytest.raises(InputError, match="is not the clip"):
            find_clip(result, clip)

    def test_a_clip_that_cannot_be_decoded_is_told(self, tmp_path: Path) -> None:
        result = full_result(tmp_path / "r")
        (result.folder / "overlay.mp4").write_bytes(b"no film")
        record_pdf(one_film(result), tmp_path / "r.pdf")
        assert "Not available: the clip or its tracks cannot be read." in words(tmp_path / "r.pdf")


class TestJob:
    def entry(self, content: Any, author: str | None) -> Entry[Any]:
        return Entry("0" * 32, "1" * 32, None, 1_767_312_000.0, author, content)

    def full_job(self, tmp_path: Path) -> JobRecord:
        def mended(content: dict[str, Any]) -> None:
            content["linkages"][0]["slack_deg"] = {"value": 0.31, "sd": 0.02}

        found, left = full_result(tmp_path / "found"), full_result(tmp_path / "left", mended)
        return JobRecord(
            found=RecordedFilm(found, None, "before.mp4", "A. Person", "2026-01-01"),
            left=RecordedFilm(left, None, "after.mp4", None, "2026-01-02"),
            burner="Burner 2",
            site="Plant & Co",
            fuel="gas",
            made_on="2026-01-02",
            intended=(IntendedChoice(LINKAGE, "csv", ((0.0, 0.0, 1.25), (90.0, 88.5, None))),),
            readings=Readings("x", ("driver_deg", "o2_dry_pct"), ((0.0, 5.15), (90.0, None))),
            work_orders=(
                WorkOrder(
                    LINKAGE,
                    ("Move the rod from 96 to 78 mm radius.",),
                    {"changes": [{"name": "drive_radius_mm", "from": 96.0, "to": 78.25}], "rms_deg": 0.42},
                    "as ordered",
                ),
            ),
            comments=(self.entry(Comment("Look at the pin.\nAgain.", 3.5, LINKAGE, 45.0), "R. Eviewer"),),
            verdict=self.entry(Verdict("accept", "Good enough."), None),
        )

    def test_everything_said_is_in_the_record(self, tmp_path: Path) -> None:
        record_pdf(self.full_job(tmp_path), tmp_path / "job.pdf", "letter")
        text = words(tmp_path / "job.pdf").replace("\xa0", " ")
        for said in (
            "Linkage record: Burner 2",
            "site Plant & Co",
            "filmed on 2026-01-01 2026-01-02",
            "filmed by A. Person not available",
            "Verdict: accept name not given, 2026-01-02 00:00 UTC Good enough.",
            "R. Eviewer, 2026-01-02 00:00 UTC, motor drives shaft1, at 45° of driver travel, at 3.5 s of",
            "Look at the pin. Again.",
            "driver travel (°) O₂, dry (%) 0 5.15 90",
            "0 0 1.25 90 88.5 not given",
            "Move the rod from 96 to 78 mm radius.",
            "drive arm radius 96 mm 78.25 mm",
            "deviation from intended (RMS) 0.42°",
            "Done: as ordered",
            "lost motion improved",
        ):
            assert said in text, said
        found, _, left, _, difference, spread = figures_after(
            text[text.index("Difference is as left minus as found") :], "lost motion", 6
        )
        assert same(found, 1.4)
        assert same(left, 0.31)
        assert same(difference, 0.31 - 1.4)
        assert same(spread, float(np.hypot(0.03, 0.02)))

    def test_check_positions_in_the_comparison(self, tmp_path: Path) -> None:
        job = self.full_job(tmp_path)
        comparison_pdf(job, tmp_path / "c.pdf")
        text = words(tmp_path / "c.pdf")
        start = text.index("as left, closing") + len("as left, closing")
        cells = re.findall(
            rf"{NUMBER}(?: \*)?|not given|not seen", text[start : text.index("Check positions (")]
        )
        assert job.found is not None
        steps = even_step_table(job.found.result.travel, LINKAGE, 10.0)
        for row in steps.to_dict("records"):
            assert float(cells.pop(0)) == row["driver_deg"]
            wanted = row["driver_deg"] * 88.5 / 90.0
            assert float(cells.pop(0)) == pytest.approx(wanted, abs=0.005)
            assert cells.pop(0) == ("1.25" if row["driver_deg"] == 0 else "not given")
            for way in ("opening", "closing") * 2:
                if np.isnan(row[f"{way}_deg"]):
                    assert cells.pop(0) == "not seen"
                    continue
                assert same(figure(cells.pop(0)), row[f"{way}_deg"] - wanted)
                cells.pop(0)
        assert cells == []

    def test_a_record_needs_a_film(self) -> None:
        with pytest.raises(ValueError, match="one film"):
            JobRecord()

    @pytest.mark.parametrize("role, told", [("found", "as found"), ("left", "as left")])
    def test_one_film_of_a_job_says_which_it_is(
        self, film: FilmResult, tmp_path: Path, role: str, told: str
    ) -> None:
        record_pdf(JobRecord(**{role: RecordedFilm(film)}), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert f"Record of the linkage {told}" in text
        assert f"Findings about the linkage, {told}" in text
        assert "What improved" not in text
        assert "record made on not available" in text

    def test_one_film_against_intended_travel(self, film: FilmResult, tmp_path: Path) -> None:
        wanted = IntendedChoice(LINKAGE, "table", ((0.0, 0.0, 9.0), (90.0, 90.0, 9.0)))
        record_pdf(JobRecord(found=RecordedFilm(film), only=True, intended=(wanted,)), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        start = text.index("closing off by (°)") + len("closing off by (°)")
        table, _, _ = text[start : text.index("Lost motion and toggle margins")].partition(" page ")
        cells = re.findall(rf"{NUMBER}|not seen|\*", table)
        for row in even_step_table(film.travel, LINKAGE, 10.0).to_dict("records"):
            assert [float(cells.pop(0)) for _ in range(3)] == [row["driver_deg"], row["driver_deg"], 9.0]
            for way in ("opening", "closing"):
                if np.isnan(row[f"{way}_deg"]):
                    assert cells.pop(0) == "not seen"
                    continue
                off = row[f"{way}_deg"] - row["driver_deg"]
                assert same(figure(cells.pop(0)), off)
                assert same(figure(cells.pop(0)), row[f"{way}_sd_deg"])
                if abs(off) > 9.0:
                    assert cells.pop(0) == "*"
        assert cells == []

    def test_many_columns_of_readings_are_set_below_one_another(
        self, film: FilmResult, tmp_path: Path
    ) -> None:
        names = tuple(f"column {n}" for n in range(20))
        readings = Readings("x", names, (tuple(float(n) + 0.125 for n in range(20)),))
        record_pdf(JobRecord(found=RecordedFilm(film), readings=readings), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        for n, name in enumerate(names):
            assert name in text
            assert f"{n}.125" in text
        assert text.count(" 0.125") == 3, "the first column stands in each table"

    def test_a_long_comment_goes_on_over_pages(self, film: FilmResult, tmp_path: Path) -> None:
        said = " ".join(f"word{n}" for n in range(500)) + "\n" + "x" * 600
        job = JobRecord(found=RecordedFilm(film), comments=(self.entry(Comment(said), "<i>A & B</i>"),))
        record_pdf(job, tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert re.findall(r"word(\d+)", text) == [str(n) for n in range(500)]
        assert "".join(text.split()).count("x" * 600) == 1
        assert "<i>A & B</i>" in text
