"""Intended travel: reading tables as people make them, and deviations from it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from strokecurve.app.intended.given import (
    checked_rows,
    deviation,
    intended_travel,
    rows_from_cells,
    rows_from_csv,
)
from strokecurve.app.words.errors import PLAIN_ERRORS
from strokecurve.app.words.statements import IntendedChoice

EXACT = {"rtol": 0, "atol": 1e-9}
EQUAL = IntendedChoice("motor:shaft1", "equal", ())


@pytest.mark.parametrize(
    "content",
    [
        b"driver_deg,driven_deg\n0,0\n45,30.5\n90,80\n",
        b"\xef\xbb\xbfdriver_deg, driven_deg\r\n0, 0\r\n45, 30.5\r\n90, 80\r\n",
        b"driver_deg;driven_deg\n0;0\n45;30,5\n90;80\n",
        b"driven_deg,driver_deg\n80,90\n0,0\n,20\n30.5,45\n",
    ],
)
def test_tables_as_office_programs_write_them(content: bytes) -> None:
    assert rows_from_csv(content) == ((0, 0, None), (45, 30.5, None), (90, 80, None))


def test_tolerance_may_be_given_for_some_rows() -> None:
    rows = rows_from_csv(b"driver_deg,driven_deg,tolerance_deg\n0,0,\n90,80,1.5\n")
    assert rows == ((0, 0, None), (90, 80, 1.5))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "cannot be read as a table"),
        (b"\xff\xfe\x00\x01", "not a text file"),
        (b"a,b\n1,2\n", "no column driver_deg"),
        (b"driver_deg,driven_deg,colour\n0,0,red\n", "'colour'"),
        (b"driver_deg,driven_deg\n0,0\n45,thirty\n", "line 3"),
        (b"driver_deg,driven_deg\n0,0\n", "two or more rows"),
        (b"driver_deg,driven_deg\n,1\n2,3\n", "no driver travel"),
        (b"driver_deg,driven_deg\n0,0\n0,1\n90,80\n", "above the one before"),
        (b"driver_deg,driven_deg\n0,0\n1e-320,1\n90,80\n", "above the one before"),
        (b"driver_deg,driven_deg\n0,0\n900,80\n", "beyond 360"),
        (b"driver_deg,driven_deg,tolerance_deg\n0,0,-1\n90,80,1\n", "negative"),
        (b"driver_deg,driven_deg\n0,0\n90,inf\n", "missing"),
    ],
)
def test_what_cannot_be_used_is_said(content: bytes, words: str) -> None:
    with pytest.raises(PLAIN_ERRORS, match=words):
        rows_from_csv(content)


def test_typed_cells_with_comma_or_point_and_empty_rows() -> None:
    cells = pd.DataFrame(
        {
            "driver_deg": ["0", "10", "45", None],
            "driven_deg": [" 0", "", "30,5", None],
            "tolerance_deg": ["", "", "1.5", ""],
        }
    )
    assert rows_from_cells(cells, "row", first=1) == ((0, 0, None), (45, 30.5, 1.5))


def test_typed_cell_that_is_no_number_is_named() -> None:
    cells = pd.DataFrame({"driver_deg": ["0", "45"], "driven_deg": ["0", "3O"], "tolerance_deg": ["", ""]})
    with pytest.raises(
        PLAIN_ERRORS, match="In row 2 of the intended travel driven_deg is '3O', not a number"
    ):
        rows_from_cells(cells, "row", first=1)


def test_typed_rows_without_driven_travel_do_not_count() -> None:
    nothing = math.nan
    rows = checked_rows([(90, 80, nothing), (10, nothing, nothing), (0, 0, 2.0), (None, None, None)])
    assert rows == ((0, 0, 2.0), (90, 80, None))


def test_equal_travel_is_the_diagonal() -> None:
    driver = np.array([0.0, 12.3, 90])
    driven, tolerance = intended_travel(EQUAL, driver)
    assert_allclose(driven, driver, **EXACT)
    assert np.isnan(tolerance).all()


def test_tables_are_not_continued_beyond_their_rows() -> None:
    table = IntendedChoice("a:b", "table", ((10.0, 0.0, 1.0), (50.0, 20.0, 3.0)))
    driven, tolerance = intended_travel(table, np.array([0.0, 10, 30, 50, 60]))
    assert_allclose(driven, [np.nan, 0, 10, 20, np.nan], **EXACT)
    assert_allclose(tolerance, [np.nan, 1, 2, 3, np.nan], **EXACT)


def test_largest_and_rms_deviation() -> None:
    measured = pd.DataFrame(
        {
            "driver_deg": [0.0, 30, 60, 90],
            "driven_deg": [0.0, 27, np.nan, 94],
            "sd_deg": [0.1, 0.1, np.nan, 0.2],
        }
    )
    found = deviation(measured, EQUAL)
    assert found is not None
    assert_allclose(found.max_deg, 4, **EXACT)
    assert_allclose(found.max_sd_deg, 0.2, **EXACT)
    assert_allclose(found.at_driver_deg, 90, **EXACT)
    assert_allclose(found.rms_deg, math.sqrt((0 + 9 + 16) / 3), **EXACT)
    assert found.positions == 3


def test_rms_uncertainty_covers_a_common_error() -> None:
    """If every position is off by one standard deviation the same way, the RMS moves by as much as stated."""
    driver = np.arange(0.0, 91, 10)
    off = 0.5 + 0.02 * driver
    sd = np.full(driver.size, 0.05)
    found = deviation(pd.DataFrame({"driver_deg": driver, "driven_deg": driver + off, "sd_deg": sd}), EQUAL)
    assert found is not None
    moved = math.sqrt(float(np.mean((off + sd) ** 2))) - math.sqrt(float(np.mean(off**2)))
    # The RMS is curved in the offset; over one standard deviation by less than 2 %.
    assert_allclose(found.rms_sd_deg, moved, rtol=0.02, atol=0)


def test_nothing_in_common() -> None:
    table = IntendedChoice("a:b", "table", ((10.0, 0.0, None), (50.0, 20.0, None)))
    measured = pd.DataFrame({"driver_deg": [60.0], "driven_deg": [1.0], "sd_deg": [0.1]})
    assert deviation(measured, table) is None
