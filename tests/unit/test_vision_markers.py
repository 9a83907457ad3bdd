"""Markers: maps from the unit square, the check of the code, and finding markers in a picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from strokecurve.vision.edges.markers import Detections, codes_agree, detect, homographies, marker_cells
from strokecurve.vision.edges.pixels import Pictures

UNIT_SQUARE = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
PAPER, INK = 200, 45


def quad(
    angle_deg: float, side_px: float, centre: tuple[float, float] = (100.0, 100.0)
) -> NDArray[np.float64]:
    """Corners (4, 2) of a square marker turned in the picture, its own first corner first."""
    a = np.deg2rad(angle_deg)
    half = 0.5 * side_px
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return square @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + centre


def drawn(marker_id: int, corners: NDArray[np.float64], size: int = 200) -> NDArray[np.uint8]:
    """Picture of one marker warped onto its corners with OpenCV."""
    cells, cell = 6, 20
    art = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), marker_id, cells * cell
    )
    art = np.where(art > 0, PAPER, INK).astype(np.uint8)
    # Pixel centres are whole numbers: the art's outline lies half a pixel outside its first pixel.
    outline = UNIT_SQUARE * cells * cell - 0.5
    to_picture = cv2.getPerspectiveTransform(outline, corners.astype(np.float32))
    return np.asarray(
        cv2.warpPerspective(art, to_picture, (size, size), flags=cv2.INTER_AREA, borderValue=PAPER), np.uint8
    )


def test_homographies_are_those_of_opencv() -> None:
    rng = np.random.default_rng(1)
    quads = np.array([quad(a, 60.0) + rng.uniform(-8, 8, (4, 2)) for a in range(0, 360, 30)])
    ours = homographies(quads)
    for h, corners in zip(ours, quads, strict=True):
        reference = cv2.getPerspectiveTransform(UNIT_SQUARE, corners.astype(np.float32))
        # OpenCV takes corners in single precision: 1e-5 of 100 px.
        assert_allclose(h, reference, rtol=2e-4, atol=2e-4)
        mapped = np.column_stack([UNIT_SQUARE, np.ones(4)]) @ h.T
        assert_allclose(mapped[:, :2] / mapped[:, 2:], corners, rtol=0, atol=1e-10)


def test_a_parallelogram_maps_without_perspective() -> None:
    h = homographies(np.array([[[0, 0], [10, 2], [13, 9], [3, 7.0]]]))[0]
    assert_allclose(h[2], [0, 0, 1], rtol=0, atol=1e-14)


def test_cells_are_those_of_the_open_dictionary() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker_id in range(50):
        cells = marker_cells(marker_id)
        assert cells.shape == (6, 6)
        assert not cells[[0, -1]].any()
        assert not cells[:, [0, -1]].any()
        bits = np.asarray(
            cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[marker_id : marker_id + 1], 4)
        )
        assert np.array_equal(cells[1:-1, 1:-1], bits.reshape(4, 4).astype(bool))


def agree_in(luma: np.ndarray, quads_px: np.ndarray, ids: np.ndarray, midlevel: np.ndarray) -> np.ndarray:
    """Check the markers of one picture."""
    return codes_agree(Pictures.of([luma]), np.zeros(len(ids), int), quads_px, ids, midlevel)


@pytest.mark.parametrize("angle_deg", [0, 37, 90, 135, 181, 270, 333])
def test_each_code_agrees_with_its_own_id_and_no_other(angle_deg: float) -> None:
    corners = quad(angle_deg, 48.0, (100.3, 99.6))
    everyone = np.arange(50)
    same = np.repeat(corners[None], 50, axis=0)
    middle = np.full((50, 4), 0.5 * (PAPER + INK))
    for marker_id in range(50):
        agree = agree_in(drawn(marker_id, corners), same, everyone, middle)
        assert np.flatnonzero(agree).tolist() == [marker_id]


def test_a_code_read_from_the_wrong_corner_does_not_agree() -> None:
    corners = quad(20.0, 60.0)
    for marker_id in range(50):
        turned = np.array([np.roll(corners, -turns, axis=0) for turns in (1, 2, 3)])
        agree = agree_in(
            drawn(marker_id, corners), turned, np.full(3, marker_id), np.full((3, 4), 0.5 * (PAPER + INK))
        )
        assert not agree.any()


def test_a_finger_on_one_data_cell_is_noticed_and_uneven_light_is_not() -> None:
    corners = quad(0.0, 96.0)
    picture = drawn(7, corners).astype(float)
    light = np.linspace(0.45, 1.0, 200)[None, :]
    # Halfway level at the middle of the top, right, bottom and left edges.
    x = np.array([100, 148, 100, 52])
    middle = 0.5 * (PAPER + INK) * light[0, x]
    uneven = np.rint(picture * light).astype(np.uint8)
    assert agree_in(uneven, corners[None], np.array([7]), middle[None]).all()
    row, column = 100 - 48 + 24, 100 - 48 + 24
    value = 0 if marker_cells(7)[1, 1] else 255
    uneven[row - 8 : row + 8, column - 8 : column + 8] = value
    assert not agree_in(uneven, corners[None], np.array([7]), middle[None]).any()


def test_no_markers_to_check_is_no_error() -> None:
    agree = agree_in(np.zeros((9, 9), np.uint8), np.zeros((0, 4, 2)), np.zeros(0, np.int64), np.zeros((0, 4)))
    assert agree.shape == (0,)


@pytest.mark.parametrize("marker_id, angle_deg", [(0, 0), (10, 45), (21, 100), (49, 260)])
def test_detect_finds_a_drawn_marker_in_its_own_orientation(marker_id: int, angle_deg: float) -> None:
    corners = quad(angle_deg, 70.0, (103.0, 97.0))
    found = detect(drawn(marker_id, corners), (1000.0, 500.0))
    assert found.ids.tolist() == [marker_id]
    # The detector only has to be right within about a pixel.
    assert_allclose(found.quads_px[0], corners + np.array([1000.0, 500.0]), rtol=0, atol=1.5)


def test_of_two_markers_with_one_id_the_larger_is_kept() -> None:
    both = np.hstack([drawn(5, quad(0, 40.0)), drawn(5, quad(0, 90.0))])
    found = detect(both)
    assert found.ids.tolist() == [5]
    assert np.ptp(found.quads_px[0, :, 0]) > 80
    assert found.quads_px[0, :, 0].min() > 200


def test_nothing_is_found_on_bare_paper() -> None:
    found = detect(np.full((120, 160), PAPER, np.uint8))
    empty = Detections.empty()
    assert found.ids.shape == empty.ids.shape == (0,)
    assert found.quads_px.shape == empty.quads_px.shape == (0, 4, 2)
