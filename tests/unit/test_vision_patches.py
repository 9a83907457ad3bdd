"""Shifts of markers told from their reduced pictures."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from squares import marker_light, square_corners, stored

from vision.markers import marker_cells
from vision.patches import Patch

SHAPE = (200, 240)
CENTRE = (118.0, 96.0)


def picture(shift_px: tuple[float, float], side_px: float, turned_deg: float = 0.0) -> np.ndarray:
    centre = (CENTRE[0] + shift_px[0], CENTRE[1] + shift_px[1])
    light = marker_light(SHAPE, centre, side_px, 0.4 + np.radians(turned_deg), 0.9, marker_cells(10))
    return stored(light, np.random.default_rng(1), 2.0)


def taken(side_px: float) -> Patch:
    patch = Patch.of(picture((0, 0), side_px), square_corners(CENTRE, side_px, 0.4))
    assert patch is not None
    return patch


@pytest.mark.parametrize("side_px", [16, 30, 60, 100])
def test_a_shift_is_told_to_a_part_of_a_code_cell(side_px: float) -> None:
    """An edge fit starts safely within a third of a cell (test_vision_edges)."""
    patch = taken(side_px)
    reach = 3.4 * patch.ratio
    for shift in ((0.0, 0.0), (0.4, -0.3), (reach, -0.5 * reach), (-reach, reach)):
        found = patch.shift_in(picture(shift, side_px, turned_deg=2.0))
        assert_allclose(found, shift, rtol=0, atol=side_px / 6 / 3)


def test_ten_bits_are_as_good_as_eight() -> None:
    shifted = picture((3.0, 2.0), 60)
    wide = (picture((0, 0), 60).astype(np.uint16) << 2, shifted.astype(np.uint16) << 2)
    patch = Patch.of(wide[0], square_corners(CENTRE, 60, 0.4))
    assert patch is not None
    assert_allclose(patch.shift_in(wide[1]), taken(60).shift_in(shifted), rtol=0, atol=0.05)


def test_near_the_border_nothing_is_told() -> None:
    luma = picture((0, 0), 60)
    assert Patch.of(luma, square_corners((20.0, 96.0), 60, 0.4)) is None
    near = Patch.of(luma, square_corners((45.0, 96.0), 60, 0.4))
    assert near is not None
    assert_array_equal(near.shift_in(luma), np.zeros(2))


def test_an_even_picture_moves_nothing_far() -> None:
    """A washed-out frame has no likeness at all: the answer stays within reach, for the fit to refuse."""
    patch = taken(60)
    found = patch.shift_in(np.full(SHAPE, 235, np.uint8))
    assert np.isfinite(found).all()
    assert np.abs(found).max() <= 4 * patch.ratio
