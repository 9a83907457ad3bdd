"""The record as PDF, read back: every figure is the stored one, nothing a person writes breaks it."""

from __future__ import annotations

import copy
import errno
import json
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_result import LINKAGE
from matplotlib.figure import Figure
from pypdf import PdfReader
from recorded import (
    NUMBER,
    SHA256,
    figure,
    figures_after,
    full_result,
    one_film,
    rename,
    same,
    unembedded_fonts,
    words,
)

from strokecurve.app.report.blocks import Bullets, Document, Section, Subheading, Table, Text
from strokecurve.app.report.cleaning import printable, shortened
from strokecurve.app.report.record import record_document, record_pdf
from strokecurve.app.report.typeset import pdf_bytes, write_pdf
from strokecurve.app.result.reading import FilmResult, read_result
from strokecurve.app.result.tables import even_step_table
from strokecurve.app.words.cautions import CAUTIONS
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.names import QUANTITY_WORDS

ROOT = Path(__file__).resolve().parents[2]
FOOT_PT = 18.0 / 25.4 * 72
HOSTILE = (
    '<b>&amp; "x" <para>',
    "W" * 200,
    "word-" * 40,
    "מנוע ראשי",
    "a\u202egpj.exe",
    "bell\x07nul\x00end",
    "$\\frac{$ %s {0}",
    "锅炉 🔥",
    "Größe ½ ° ± é",
)


def paths(value: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every entry of a record."""
    entries = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for key, inner in entries:
        yield (*before, key)
        yield from paths(inner, (*before, key))


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> FilmResult:
    return full_result(tmp_path_factory.mktemp("film") / "result")


@pytest.fixture(scope="module")
def record(film: FilmResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pdf") / "record.pdf"
    record_pdf(one_film(film), path)
    return path


class TestFiguresAreTheStoredOnes:
    def test_travel_of_the_shafts(self, film: FilmResult, record: Path) -> None:
        text = words(record)
        text = text[text.index("Shafts and travel") :]
        assert set(film.shafts) == {"motor", "shaft1"}
        for name, shaft in film.shafts.items():
            travel, sd, seen, frames, tilt = figures_after(text, f" {name}", 5)
            assert same(travel, shaft["travel_deg"])
            assert same(sd, shaft["travel_sd_deg"])
            assert same(seen, shaft["frames_measured"])
            assert same(frames, 420)
            assert same(tilt, shaft["axis_tilt_deg"])

    def test_geometry(self, film: FilmResult, record: Path) -> None:
        text = words(record)
        text = text[text.index("Geometry") :]
        for name, label in QUANTITY_WORDS.items():
            stored = film.linkages[LINKAGE]["geometry"][name]
            if not stored["determined"]:
                assert f"{label} not determined by this film" in text
                assert stored["settle"] in text
                continue
            value, sd = figures_after(text, label, 2)
            assert same(value, stored["value"])
            assert same(sd, stored["sd"])

    @pytest.mark.parametrize(
        "label, path",
        [
            ("lost motion (slack)", ("slack_deg",)),
            ("largest closing minus opening", ("hysteresis_max_deg",)),
            ("largest difference between passes of the same way", ("repeatability_deg",)),
            ("smallest angle of rod and drive arm", ("min_drive_angle_deg",)),
            ("smallest angle of rod and driven arm", ("min_transmission_angle_deg",)),
            ("driver travel to in line beyond low fire (drive arm)", ("travel_to_toggle_deg", "low_fire")),
            ("lost at the driven shaft drive pin", ("joint_play", "drive_pin", "play_mm")),
            ("0.05° driven pin", ("joint_play", "driven_pin", "play_mm")),
            ("driven arm 6.2 s 61.5°", ("slips", 0, "driven_deg")),
        ],
    )
    def test_condition(self, film: FilmResult, record: Path, label: str, path: tuple[Any, ...]) -> None:
        stored: Any = film.linkages[LINKAGE]
        for key in path:
            stored = stored[key]
        printed = figures_after(words(record), label, 3)
        assert same(printed[0], stored["value"])
        assert same(printed[1], stored["sd"])
        if "at_driver_deg" in stored:
            assert same(printed[2], stored["at_driver_deg"])

    @pytest.mark.parametrize(
        "printed",
        [
            "motor drives shaft1: # deg ± # deg, limit # deg Rod and driven arm",
            "motor drives shaft1: # deg ± # deg, limit # deg shaft1 lags",
            "film: # %, limit # % The marker",
            "motor # deg ± # deg clockwise # of # # deg",
            "drive arm radius # ± # mm pins",
            "driven arm radius # ± # mm pins",
            "rod length # ± # mm pins",
            "spacing of the shafts # ± # mm hinges",
            "drive arm start angle # deg ± # deg pins",
            "motor (°) opening pass (°) closing pass (°) closing minus opening (°) #",
            "lost motion (slack) # deg ± # deg",
            "largest closing minus opening # deg ± # deg # deg",
            "largest difference between passes of the same way # deg ± # deg # deg",
            "smallest angle of rod and drive arm # deg ± # deg # deg",
            "smallest angle of rod and driven arm # deg ± # deg # deg",
            "driver travel to in line beyond low fire (drive arm) # deg ± # deg",
            "drive pin # ± # mm # deg ± # deg",
            "driven pin # ± # mm # deg ± # deg",
            "driven arm # s # deg # deg ± # deg",
            "length # s, # frames, # frames a second",
            "picture # x # pixels",
        ],
    )
    def test_units(self, record: Path, printed: str) -> None:
        """Every figure with its unit, where # stands for a figure and deg for its sign."""
        pattern = re.escape(printed).replace(r"\#", NUMBER).replace(r"\ deg", "°")
        assert len(re.findall(pattern, words(record))) == 1

    def test_even_steps(self, film: FilmResult, record: Path) -> None:
        text = words(record)
        start = text.index("closing minus opening (°)") + len("closing minus opening (°)")
        cells = re.findall(rf"{NUMBER}|not seen", text[start : text.index("Lost motion and toggle margins")])
        columns = ("opening_deg", "opening_sd_deg", "closing_deg", "closing_sd_deg", "difference_deg")
        rows = even_step_table(film.travel, LINKAGE, 10.0).to_dict("records")
        assert len(rows) == 10
        for row in rows:
            assert float(cells.pop(0)) == row["driver_deg"]
            for column in (*columns, "difference_sd_deg"):
                if np.isnan(row[column]):
                    if not column.endswith("sd_deg"):
                        assert cells.pop(0) == "not seen"
                    continue
                assert same(figure(cells.pop(0)), row[column])

    def test_findings_sorted_with_figure_limit_and_advice(self, film: FilmResult, record: Path) -> None:
        text = words(record)
        places = [text.index(word) for word in ("▲ DANGER", "● CAUTION", "○ NOTE")]
        assert places == sorted(places)
        for finding in film.record["findings"]:
            assert finding["text"] in text
            assert f"What to do: {finding['advice']}" in text
            printed = figures_after(text[: text.index(finding["text"])].rpartition(": ")[2], "", 3)
            assert same(printed[0], finding["value"])
            assert same(printed[-1], finding["limit"])

    def test_clip_and_versions(self, film: FilmResult, record: Path) -> None:
        text = words(record)
        assert text.count(SHA256) == 2
        assert "14 s, 420 frames, 30 frames a second" in text
        assert "strokecurve 0.1.0, python 3.11.0, numpy 2.4.6" in text


class TestPages:
    def test_fonts_metadata_numbers_and_lines(self, record: Path) -> None:
        reader = PdfReader(record)
        assert unembedded_fonts(record) == set()
        assert reader.metadata is not None
        assert reader.metadata.title == "Linkage record: clip.mp4"
        count = len(reader.pages)
        for number, page in enumerate(reader.pages, start=1):
            text = page.extract_text()
            assert f"page {number} of {count}" in text
            assert ("Linkage record: clip.mp4, 2026-01-02" in text) == (number > 1)
        assert reader.outline[0]["/Title"] == "Findings about the linkage"
        for word in ("measured by", "adjusted by", "reviewed by", "name", "date", "signature"):
            assert word in words(record)

    def test_cautions_come_first_and_nothing_is_called_safe(self, record: Path) -> None:
        text = words(record)
        for caution in CAUTIONS:
            assert text.index(caution) < text.index("Findings about the linkage")
        assert re.findall(r"[^.;]*\bsafe\b[^.;]*", text) == [" it does not say that a burner is safe to fire"]

    def test_plots_are_lines_and_text(self, record: Path) -> None:
        text = words(record)
        assert "Travel of shaft1 against motor" in text
        assert "shaft1 travel (°)" in text
        for page in PdfReader(record).pages:
            assert not page.images

    def test_head_of_a_long_table_is_repeated(self) -> None:
        rows = tuple((str(n), f"{n}.5") for n in range(200))
        document = Document("t", "s", "r", (Section("Long", (Table(("step", "value"), rows, (1, 1)),)),))
        pages = [page.extract_text() for page in PdfReader(_stream(document)).pages]
        assert len(pages) > 3
        assert all("step" in page and "value" in page for page in pages)
        printed = re.findall(r"\b(\d+)\s+\1\.5", "\n".join(pages))
        assert printed == [str(n) for n in range(200)]

    @pytest.mark.parametrize("paper", ["a4", "letter"])
    def test_no_heading_stands_alone_at_the_foot(self, paper: str) -> None:
        table = Table(("step", "value"), tuple((str(n), "1") for n in range(30)), (1, 1), caption="caption")
        for lines in range(0, 60, 4):
            blocks = (Bullets(tuple("line" for _ in range(lines))),)
            sections = (
                Section("", blocks),
                Section("HEADING", (Subheading("HEADING"), Text("words"), Subheading("HEADING"), table)),
                Section("HEADING", (Subheading("HEADING"), table)),
            )
            for page in PdfReader(_stream(Document("t", "s", "r", sections), paper)).pages:
                lowest: list[tuple[float, str]] = []

                def see(text: str, _cm: Any, tm: Any, _font: Any, _size: Any, seen: Any = lowest) -> None:
                    if text.strip() and tm[5] + _cm[5] > FOOT_PT:
                        seen.append((tm[5] + _cm[5], text.strip()))

                page.extract_text(visitor_text=see)
                assert min(lowest)[1] not in {"HEADING", "caption", "step", "value"}


def _stream(document: Document, paper: str = "a4") -> Any:
    from io import BytesIO

    return BytesIO(pdf_bytes(document, paper))


class TestAnythingMayBeMissingOrStrange:
    @pytest.mark.parametrize("name", HOSTILE)
    def test_hostile_names(self, tmp_path: Path, name: str) -> None:
        def change(content: dict[str, Any]) -> None:
            content["clip"]["file"] = f"{name}.mp4"
            content["findings"][1] |= {"text": f"{name} {name}", "advice": name, "where": name}

        full_result(tmp_path / "r", change)
        result = rename(tmp_path / "r", {"motor": name, "shaft1": f"{name} 1"})
        record_pdf(one_film(result, burner=name, site=name, fuel=name), tmp_path / "r.pdf")
        text = "".join(words(tmp_path / "r.pdf").split())
        assert unembedded_fonts(tmp_path / "r.pdf") == set()
        whole = "".join(printable(name).split())
        if name.isascii() or name.startswith("Gr"):
            assert text.count(whole) >= 6
        assert "Names,datesandsignatures" in text

    def test_all_figures_missing(self, tmp_path: Path) -> None:
        def emptied(value: Any, key: str = "") -> Any:
            if isinstance(value, dict):
                return {k: emptied(v, k) for k, v in value.items()}
            if isinstance(value, list):
                return [emptied(v) for v in value if isinstance(v, dict)]
            kept = ("name", "driver", "driven", "severity", "text", "where", "determined", "code")
            return value if key in kept else None

        def change(content: dict[str, Any]) -> None:
            content.update(emptied(content))

        result = full_result(tmp_path / "r", change)
        record_pdf(one_film(result), tmp_path / "r.pdf")
        text = words(tmp_path / "r.pdf")
        for label in ("filmed on", "filmed by", "codec", "lost motion (slack)", "SHA-256"):
            assert f"{label} not available" in text
        assert "nan" not in text.lower().replace("nance", "")

    @pytest.mark.parametrize("role", ["clip", "shaft", "linkage", "finding"])
    def test_every_single_entry_may_be_missing(self, film: FilmResult, role: str) -> None:
        needed = {"name", "driver", "driven", "geometry", "severity", "text"}
        part = {
            "clip": film.record["clip"],
            "shaft": film.record["shafts"][0],
            "linkage": film.record["linkages"][0],
            "finding": film.record["findings"][0],
        }[role]
        for key in set(part) - needed:
            kept = part.pop(key)
            try:
                assert record_document(one_film(film)).sections
            finally:
                part[key] = kept

    @pytest.mark.parametrize("wrong", [3, [None], {"value": "x"}])
    def test_entries_of_a_wrong_kind_are_refused_or_not_available(
        self, film: FilmResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: Any
    ) -> None:
        for maker in ("travel_figure", "difference_figure"):
            monkeypatch.setattr(f"strokecurve.app.report.film.{maker}", lambda *_: Figure())
        shutil.copytree(film.folder, tmp_path / "r")
        target = tmp_path / "r" / "result.json"
        refused = 0
        for path in list(paths(film.record)):
            changed = copy.deepcopy(dict(film.record))
            parent: Any = changed
            for key in path[:-1]:
                parent = parent[key]
            parent[path[-1]] = wrong
            target.write_text(json.dumps(changed), encoding="utf-8")
            try:
                assert record_document(one_film(read_result(tmp_path / "r"))).sections
            except InputError:
                refused += 1
        assert 0 < refused < 60

    def test_a_film_without_any_linkage_or_frame(self, tmp_path: Path) -> None:
        def change(content: dict[str, Any]) -> None:
            content["linkages"], content["shafts"] = [], content["shafts"][:1]

        result = full_result(tmp_path / "r", change)
        empty = FilmResult(result.folder, result.record, result.travel[:0], result.angles[:0])
        record_pdf(one_film(empty), tmp_path / "r.pdf")
        assert "Not available: the clip is not with the result." in words(tmp_path / "r.pdf")

    def test_signs_that_print_nothing_are_shown(self) -> None:
        assert printable("a\u202eb\x00c\td") == "a\N{REPLACEMENT CHARACTER}b\N{REPLACEMENT CHARACTER}c d"
        assert printable("one\r\ntwo", lines=True) == "one\ntwo"
        assert printable("锅é") == "\N{WHITE VERTICAL RECTANGLE}é"
        assert shortened("abcdefghij", 7) == "abcd…ij"


class TestWriting:
    def test_a_full_disk_is_told_and_leaves_the_old_file(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(_handle: int) -> None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        target = tmp_path / "r.pdf"
        target.write_bytes(b"earlier")
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(InputError, match=r"cannot be written to r\.pdf: No space left"):
            write_pdf(Document("t", "s", "r", ()), target, "a4")
        assert target.read_bytes() == b"earlier"
        assert list(tmp_path.iterdir()) == [target]

    def test_a_folder_of_that_name(self, tmp_path: Path) -> None:
        (tmp_path / "r.pdf").mkdir()
        with pytest.raises(InputError, match="cannot be written"):
            write_pdf(Document("t", "s", "r", ()), tmp_path / "r.pdf", "a4")
        assert len(list(tmp_path.iterdir())) == 1

    def test_unknown_paper(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="Choose a4 or letter"):
            write_pdf(Document("t", "s", "r", ()), tmp_path / "r.pdf", "a3")
