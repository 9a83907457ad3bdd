"""Photographs in the record, and the record of a whole job, read back from the PDF."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import drawn_clips
import numpy as np
import pytest
from fake_result import LINKAGE
from pypdf import PdfReader
from recorded import NUMBER, figure, figures_after, full_result, one_film, same, words

from strokecurve.app.report.job import JobRecord, RecordedFilm, Reviewed, WorkOrder
from strokecurve.app.report.photographs import find_clip, moments
from strokecurve.app.report.record import comparison_pdf, record_pdf
from strokecurve.app.result.reading import FilmResult
from strokecurve.app.result.tables import even_step_table
from strokecurve.app.words.cautions import CAUTIONS, FIRING_STEP, NOT_OURS_TO_SAY, SETTING_CAUTIONS
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import measure_file
from strokecurve.app.words.statements import Comment, Done, Entry, IntendedChoice, Readings, Verdict

RIG = """
[[shaft]]
name = "pusher"
marker = 11
side_mm = 20
[[linkage]]
driver = "motor"
driven = "pusher"
opening = "ccw"
[linkage.tape]
drive_radius_mm = [80, 1]
driven_radius_mm = [90, 1]
[linkage.allow]
drive_radius_mm = { holes = [60, 70, 80] }
rod_mm = { min = 250, max = 350 }
[linkage.limits]
min_toggle_deg = 25
"""


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
            readings_film="as found, before.mp4",
            work_orders=(self.order(),),
            rig_toml=RIG,
            rig_remark="As given last; what is shown here was measured with it.",
            comments=(self.entry(Comment("Look at the pin.\nAgain.", 3.5, LINKAGE, 45.0), "R. Eviewer"),),
            reviews=(Reviewed(self.entry(Verdict("accept", "Good enough."), None), ("as left, after.mp4",)),),
        )

    def order(self, **more: Any) -> WorkOrder:
        proposal = {
            "changes": [{"name": "drive_radius_mm", "from": 96.0, "to": 78.25}],
            **{"rms_deg": 0.42, "rms_sd_deg": 0.11, "max_deg": 0.91, "max_sd_deg": 0.2},
            **{"min_drive_angle_deg": 36.2, "min_drive_angle_sd_deg": 0.8},
            **{"min_drive_angle_worst_deg": 31.44, "min_transmission_angle_deg": 41.0},
            **{"within_tolerance": True, "within_tolerance_share": 0.83},
            "curve": [[float(n), 0.85 * n] for n in (0, 1, 9, 10, 11, 15)],
            "curve_sd_deg": [0.0, 0.1, 0.11, 0.12, 0.12, 0.13],
        }
        done = Done("0" * 32, ("done", "not done"), "A. Technician", "2026-01-02", "Rod not needed.")
        order = WorkOrder(
            LINKAGE,
            ("Lock the burner out.", "Move the rod from 96 to 78 mm radius."),
            proposal,
            warnings=("Not known, so not looked at: shaft1:shaft2.",),
            behind=("shaft3 turns 60.0°.",),
            notes=("The rod may take any length.",),
            film="as found, before.mp4",
            done=self.entry(done, "B. Clerk"),
        )
        return replace(order, **more)

    def test_everything_said_is_in_the_record(self, tmp_path: Path) -> None:
        record_pdf(self.full_job(tmp_path), tmp_path / "job.pdf", "letter")
        text = words(tmp_path / "job.pdf").replace("\xa0", " ")
        for said in (
            "Linkage record: Burner 2",
            "site Plant & Co",
            "filmed on 2026-01-01 2026-01-02",
            "filmed by A. Person not available",
            "Verdict: accept name not given, 2026-01-02 00:00 UTC Films reviewed: as left, after.mp4. Good",
            "R. Eviewer, 2026-01-02 00:00 UTC, motor drives shaft1, at 45° of driver travel, at 3.5 s of",
            "Look at the pin. Again.",
            "Taken down with the film: as found, before.mp4. driver travel (°) O₂, dry (%) 0 5.15 90",
            "0 0 1.25 90 88.5 not given",
            "Move the rod from 96 to 78 mm radius.",
            "drive arm radius 96 mm 78.25 mm",
            "From the film: as found, before.mp4.",
            "Warnings: read before the first step ■ Not known, so not looked at: shaft1:shaft2.",
            "deviation from intended (RMS) 0.42° ± 0.11°",
            "largest deviation from intended 0.91° ± 0.20°",
            "smallest angle of rod and drive arm 36.2° ± 0.8° 31.4°",
            "smallest angle of rod and driven arm 41.0° (uncertainty not available)",
            "Within the tolerance everywhere; of all linkages that the measurement leaves possible, 83% are",
            "What it does to the shafts behind: • shaft3 turns 60.0°.",
            "What this rests on: • The rod may take any length.",
            "Carried out on 2026-01-02 by A. Technician Put on record by B. Clerk, 2026-01-02 00:00 UTC",
            "Steps done: 1; not done: 2.",
            NOT_OURS_TO_SAY,
            "Travel to expect after the change. ± is one standard deviation. driver (°) driven, to expect",
            "10 8.50 ± 0.12 15 12.75 ± 0.13",
            "Remark: Rod not needed.",
            "As given last; what is shown here was measured with it.",
            "pusher 11 20 mm",
            "driver opens counter-clockwise",
            "rod and arm line stay apart at least 25°",
            "drive arm radius 80.0 ± 1.0 mm 60 or 70 or 80 mm",
            "driven arm radius 90.0 ± 1.0 mm not to be changed",
            "rod length 250 to 350 mm",
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

    def test_cautions_and_warnings_stand_before_the_first_step(self, tmp_path: Path) -> None:
        record_pdf(self.full_job(tmp_path), tmp_path / "job.pdf")
        text = words(tmp_path / "job.pdf")
        order = text[text.rindex("Whenever settings are changed") :]
        first = order.index("Lock the burner out.")
        for needed in (*SETTING_CAUTIONS, "Not known, so not looked at"):
            assert 0 <= order.index(needed) < first, needed
        # And once more on the first page, before any figure.
        head = text[: text.index("What improved and what did not")]
        for needed in (*CAUTIONS, *SETTING_CAUTIONS):
            assert needed in head, needed

    def test_an_order_kept_without_its_warnings_says_so(self, film: FilmResult, tmp_path: Path) -> None:
        job = JobRecord(
            found=RecordedFilm(film),
            work_orders=(self.order(warnings=(), behind=(), notes=(), complete=False, film=None, done=None),),
        )
        record_pdf(job, tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert "without its warnings and what it rests on. Work the proposals out again" in text
        assert "From the film: not available." in text
        assert "Carried out: nothing is on record." in text

    def test_the_firing_step_of_an_earlier_version_is_no_step(self, film: FilmResult, tmp_path: Path) -> None:
        old = f"{FIRING_STEP}, to the maker's instructions. At every firing position check O2 and CO."
        order = self.order(lines=("Lock the burner out.", old), warnings=(), complete=False)
        record_pdf(JobRecord(found=RecordedFilm(film), work_orders=(order,)), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert "1. Lock the burner out." in text
        assert FIRING_STEP not in text
        assert "lighting the burner does not hold and is left out here" in text
        assert NOT_OURS_TO_SAY in text

    def test_what_was_carried_out_of_another_order_is_told(self, film: FilmResult, tmp_path: Path) -> None:
        done = self.entry(Done("0" * 32, ("done",), "A. Technician", "2026-01-02"), "B. Clerk")
        order = self.order(done=done, remarks=("On record is also another.",))
        record_pdf(JobRecord(found=RecordedFilm(film), work_orders=(order,)), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert "steps as ordered" not in text
        assert "its steps number 1, those of the order 2. What was done is not known" in text
        assert "On record is also another." in text

    def test_what_the_filming_cost_is_no_all_clear(self, tmp_path: Path) -> None:
        for severity, clear in (("caution", False), ("note", True)):

            def change(content: dict[str, Any], severity: str = severity) -> None:
                lost = {"code": "linkage_left_out", "where": "shaft1:shaft2", "severity": severity}
                figures = dict.fromkeys(("value", "sd", "p", "advice"))
                content["findings"] = [{**figures, **lost, "text": "This linkage was left out."}]

            record_pdf(one_film(full_result(tmp_path / severity, change)), tmp_path / "r.pdf")
            text = words(tmp_path / "r.pdf")
            assert ("No fault of the filming was found." in text) == clear
            assert ("Left out because of the filming: shaft1 drives shaft2." in text) != clear

    def test_a_verdict_on_another_film_does_not_stand_for_this_one(
        self, film: FilmResult, tmp_path: Path
    ) -> None:
        remark = "It was given before this film was taken in: after.mp4."
        review = Reviewed(self.entry(Verdict("accept"), "R. Eviewer"), (), False, (remark,))
        record_pdf(JobRecord(found=RecordedFilm(film), reviews=(review,)), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert "Verdict, but not on the film shown here last: accept" in text
        assert remark in text
        assert "Films reviewed: which were reviewed is not on record." in text

    def test_travel_from_readings_says_fuel_approach_and_film(self, film: FilmResult, tmp_path: Path) -> None:
        rows = ((0.0, 0.0, 1.0), (90.0, 88.0, 1.0))
        for choice, films, needed in (
            (
                IntendedChoice(LINKAGE, "readings", rows, "light_oil", "closing"),
                {LINKAGE: "as found, before.mp4"},
                "Worked out for the fuel: light oil. Positions approached: while closing. With the film: as "
                "found, before.mp4. The fuel of the job is given as “natural gas”.",
            ),
            (
                IntendedChoice(LINKAGE, "readings", rows),
                {},
                "Worked out for the fuel: not available. Positions approached: not available. With the film: "
                "not available.",
            ),
        ):
            job = JobRecord(
                found=RecordedFilm(film), fuel="natural gas", intended=(choice,), intended_films=films
            )
            record_pdf(job, tmp_path / "r.pdf")
            assert needed in words(tmp_path / "r.pdf")

    def test_a_set_up_that_cannot_be_read_any_more_is_printed_as_it_is(
        self, film: FilmResult, tmp_path: Path
    ) -> None:
        record_pdf(JobRecord(found=RecordedFilm(film), rig_toml="colour = 'red'"), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        assert "the key 'colour' is not known" in text
        assert "colour = 'red'" in text

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
