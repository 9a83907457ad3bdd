"""The marker sheet: what is on it, at what size, and whether a detector reads the printed page."""

from __future__ import annotations

import subprocess
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from needs import need_program
from numpy.testing import assert_allclose

from strokecurve.app.report.sheet import write_sheet
from strokecurve.app.words.cautions import CAUTIONS
from strokecurve.app.words.errors import InputError
from strokecurve.vision.edges.edges import CELLS_PER_SIDE
from strokecurve.vision.edges.markers import CARD_IDS
from strokecurve.vision.sheet import (
    LABEL_STRIP_MM,
    LOOSE_IDS,
    PAPERS_WH_MM,
    QUIET_CELLS,
    SheetPage,
    layout,
    marker_bits,
    place_in_words,
)

DPI = 300
PLACE_MM = 0.1
"""One pixel at 300 dpi is 0.085 mm: positions must be right to about one pixel."""
SIZE_MM = 0.17
"""Corners of a black square are found to about a pixel on either side."""
POINTS_PER_MM = 72 / 25.4
PAPERS = tuple(PAPERS_WH_MM)


@pytest.fixture(scope="module", params=PAPERS)
def sheet_pdf(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    path = tmp_path_factory.mktemp("sheet") / f"{request.param}.pdf"
    write_sheet(path, request.param)
    return request.param, path


def words_of(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def test_card_centres_are_the_agreed_rectangle() -> None:
    card = layout("a4").pages[0]
    centres = {marker.marker_id: np.array(marker.centre_xy_mm) for marker in card.markers}
    assert tuple(centres) == CARD_IDS
    assert all(marker.side_mm == 40 for marker in card.markers)
    assert_allclose(centres[1] - centres[0], [140, 0], rtol=0, atol=1e-9)
    assert_allclose(centres[2] - centres[1], [0, 90], rtol=0, atol=1e-9)
    assert_allclose(centres[3] - centres[0], [0, 90], rtol=0, atol=1e-9)


@pytest.mark.parametrize("paper", PAPERS)
def test_everything_lies_on_the_paper(paper: str) -> None:
    sheet = layout(paper)
    for page in sheet.pages:
        assert page.cuts_xywh_mm
        for left, top, width, height in page.cuts_xywh_mm:
            assert left >= 4.5, "printers leave about 4 mm of the edge white (common practice)"
            assert left + width <= sheet.size_wh_mm[0] - 4.5
            assert top + height <= sheet.size_wh_mm[1] - 45
            assert top >= 0


@pytest.mark.parametrize("page", layout("a4").pages + layout("letter").pages)
def test_quiet_zones_are_white_and_at_least_one_cell(page: SheetPage) -> None:
    boxes = []
    assert page.markers
    for marker in page.markers:
        quiet_mm = QUIET_CELLS * marker.side_mm / CELLS_PER_SIDE
        assert quiet_mm >= marker.side_mm / 6
        reach = marker.side_mm / 2 + quiet_mm
        boxes.append((np.array(marker.centre_xy_mm), reach))
        from_centre = abs(marker.label_xy_mm[1] - marker.centre_xy_mm[1])
        assert from_centre >= reach + 1.2, "small print must stay outside the quiet zone"
        assert from_centre <= reach + LABEL_STRIP_MM
    for index, (centre, reach) in enumerate(boxes):
        for other, other_reach in boxes[index + 1 :]:
            assert np.max(np.abs(centre - other)) >= reach + other_reach - 1e-9


def test_bits_are_those_of_the_dictionary() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker_id in (*CARD_IDS, *LOOSE_IDS):
        bits = marker_bits(marker_id)
        assert bits.shape == (6, 6)
        assert bits[0].all()
        assert bits[-1].all()
        inner = (~bits[1:-1, 1:-1]).astype(np.uint8)
        packed = cv2.aruco.Dictionary.getByteListFromBits(inner)
        assert np.array_equal(packed[0, :, 0], dictionary.bytesList[marker_id, :, 0])


def test_no_bits_outside_the_dictionary() -> None:
    with pytest.raises(ValueError, match="expected 0 to 49"):
        marker_bits(50)


def test_page_size_and_words(sheet_pdf: tuple[str, Path]) -> None:
    paper, path = sheet_pdf
    reader = pypdf.PdfReader(path)
    assert len(reader.pages) == 4
    for page in reader.pages:
        width, height = (float(value) / POINTS_PER_MM for value in page.mediabox[2:])
        assert_allclose((width, height), PAPERS_WH_MM[paper], rtol=0, atol=0.01)
    words = words_of(path)
    for caution in CAUTIONS:
        assert caution in words
    for marker_id in (*CARD_IDS, *LOOSE_IDS):
        assert " ".join(place_in_words(marker_id).split()) in words
    for needed in ("100 mm", "4 in", "this side up", "Print at 100 %", "low fire"):
        assert needed in words


def test_fonts_are_embedded(sheet_pdf: tuple[str, Path]) -> None:
    _, path = sheet_pdf
    for page in pypdf.PdfReader(path).pages:
        for font in page["/Resources"]["/Font"].values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()


def test_a_detector_reads_the_print_at_the_right_places(sheet_pdf: tuple[str, Path], tmp_path: Path) -> None:
    pdftoppm = need_program("pdftoppm")
    paper, path = sheet_pdf
    subprocess.run([pdftoppm, "-gray", "-r", str(DPI), "-png", str(path), str(tmp_path / "page")], check=True)
    pictures = sorted(tmp_path.glob("page-*.png"))
    assert len(pictures) == 4
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    for picture, page in zip(pictures[1:], layout(paper).pages, strict=True):
        corners, ids, _ = detector.detectMarkers(cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE))
        # Pixel (0, 0) is the centre of the first pixel, the page starts at its corner.
        seen = {
            int(marker_id): (quad[0] + 0.5) * 25.4 / DPI
            for marker_id, quad in zip(ids.reshape(-1), corners, strict=True)
        }
        assert set(seen) == {marker.marker_id for marker in page.markers}
        for marker in page.markers:
            quad = seen[marker.marker_id]
            assert_allclose(quad.mean(axis=0), marker.centre_xy_mm, rtol=0, atol=PLACE_MM)
            assert_allclose(quad, marker.corners_xy_mm, rtol=0, atol=SIZE_MM)


def test_rulers_are_true_to_scale(sheet_pdf: tuple[str, Path], tmp_path: Path) -> None:
    pdftoppm = need_program("pdftoppm")
    paper, path = sheet_pdf
    subprocess.run(
        [pdftoppm, "-gray", "-r", str(DPI), "-f", "2", "-l", "2", "-png", str(path), str(tmp_path / "page")],
        check=True,
    )
    picture = cv2.imread(str(next(tmp_path.glob("page-*.png"))), cv2.IMREAD_GRAYSCALE)
    below = layout(paper).pages[0].below_mm
    rows = picture[round((below + 5) / 25.4 * DPI) : round((below + 40) / 25.4 * DPI)] < 128
    lengths_mm = set()
    for row in rows:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        if edges.size:
            lengths_mm.add(round(float(np.max(edges[1::2] - edges[::2])) * 25.4 / DPI, 1))
    for length in (100.0, 101.6):
        assert min(abs(length - found) for found in lengths_mm) <= 0.2


def test_unknown_paper_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Choose a4 or letter"):
        write_sheet(tmp_path / "x.pdf", "a3")
    assert list(tmp_path.iterdir()) == []


def test_no_folder_no_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_sheet(tmp_path / "nowhere" / "x.pdf", "a4")
