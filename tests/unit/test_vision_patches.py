"""Shifts of markers told from their reduced pictures."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from squares import marker_light, square_corners, stored

from strokecurve.vision.edges.markers import marker_cells
from strokecurve.vision.edges.patches import Patches

SHAPE = (200, 240)
CENTRE = (118.0, 96.0)


def picture(shift_px: tuple[float, float], side_px: float, turned_deg: float = 0.0) -> np.ndarray:
    centre = (CENTRE[0] + shift_px[0], CENTRE[1] + shift_px[1])
    light = marker_light(SHAPE, centre, side_px, 0.4 + np.radians(turned_deg), 0.9, marker_cells(10))
    return stored(light, np.random.default_rng(1), 2.0)


def taken(side_px: float) -> Patches:
    return Patches.of(picture((0, 0), side_px), square_corners(CENTRE, side_px, 0.4)[None])


@pytest.mark.parametrize("side_px", [16, 30, 60, 100])
def test_a_shift_is_told_to_a_part_of_a_code_cell(side_px: float) -> None:
    """An edge fit starts safely within a third of a cell (test_vision_edges)."""
    patches = taken(side_px)
    reach = 3.4 * patches.ratio[0]
    shifts = [(0.0, 0.0), (0.4, -0.3), (reach, -0.5 * reach), (-reach, reach)]
    found = patches.shifts_in([picture(shift, side_px, turned_deg=2.0) for shift in shifts])
    assert_allclose(found[:, 0], shifts, rtol=0, atol=side_px / 6 / 5)


def test_each_marker_is_looked_for_in_each_picture() -> None:
    """Markers of other sizes and places move in other ways."""
    sides, centres = (30.0, 55.0), ((60.0, 70.0), (160.0, 110.0))
    moves = np.array([[(0.0, 0.0), (0.0, 0.0)], [(4.0, -3.0), (-6.0, 2.0)], [(-5.0, 1.0), (9.0, 7.0)]])

    def both(shifts: np.ndarray) -> np.ndarray:
        light = np.full(SHAPE, 0.75)
        for side, centre, shift, marker_id in zip(sides, centres, shifts, (10, 3), strict=True):
            at = (centre[0] + shift[0], centre[1] + shift[1])
            light += marker_light(SHAPE, at, side, 0.2, 0.9, marker_cells(marker_id)) - 0.75
        return stored(light)

    pictures = [both(shifts) for shifts in moves]
    quads = np.array([square_corners(c, s, 0.2) for c, s in zip(centres, sides, strict=True)])
    found = Patches.of(pictures[0], quads).shifts_in(pictures)
    assert_allclose(found, moves, rtol=0, atol=1.0)


def test_ten_bits_are_as_good_as_eight() -> None:
    shifted = picture((3.0, 2.0), 60)
    wide = (picture((0, 0), 60).astype(np.uint16) << 2, shifted.astype(np.uint16) << 2)
    patches = Patches.of(wide[0], square_corners(CENTRE, 60, 0.4)[None])
    assert_allclose(patches.shifts_in(wide[1:]), taken(60).shifts_in([shifted]), rtol=0, atol=0.05)


def test_near_the_border_nothing_is_told() -> None:
    luma = picture((0, 0), 60)
    near = square_corners((45.0, 96.0), 60, 0.4)
    patches = Patches.of(luma, np.stack([near, square_corners(CENTRE, 60, 0.4)]))
    assert patches.reduced[0] is None
    assert patches.reduced[1] is not None
    assert_array_equal(patches.shifts_in([picture((9.0, 0), 60)])[0, 0], np.zeros(2))


def test_an_even_picture_moves_nothing_far() -> None:
    """A washed-out frame has no likeness at all: the answer stays within reach, for the fit to refuse."""
    patches = taken(60)
    found = patches.shifts_in([np.full(SHAPE, 235, np.uint8)])
    assert np.isfinite(found).all()
    assert np.abs(found).max() <= 4.5 * patches.ratio[0]


def test_no_markers_is_no_error() -> None:
    luma = picture((0, 0), 60)
    assert Patches.of(luma, np.zeros((0, 4, 2))).shifts_in([luma]).shape == (1, 0, 2)
    assert Patches.none().shifts_in([luma, luma]).shape == (2, 0, 2)
