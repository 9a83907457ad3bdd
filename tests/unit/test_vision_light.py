"""Relative light from luma numbers, against the transfer curve of Recommendation ITU-R BT.709."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from strokecurve.vision.edges.light import light_of_levels


def bt709(light: float) -> float:
    """Transfer as the recommendation states it: V = 1.099 L^0.45 - 0.099, or 4.5 L below 0.018."""
    return 4.5 * light if light < 0.018 else 1.099 * light**0.45 - 0.099


# Black and white of the luma signal at 8 and 10 bits (BT.709: 16 and 235, 64 and 940).
@pytest.mark.parametrize(
    "bits, full_range, black, white",
    [(8, False, 16, 235), (10, False, 64, 940), (8, True, 0, 255), (10, True, 0, 1023)],
)
def test_black_and_white_lie_where_the_recommendation_puts_them(
    bits: int, full_range: bool, black: int, white: int
) -> None:
    light = light_of_levels(bits, full_range)
    assert light.shape == (2**bits,)
    assert light[black] == 0.0
    assert_allclose(light[white], 1.0, rtol=0, atol=1e-12)


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("full_range", [False, True])
def test_it_undoes_the_published_curve(bits: int, full_range: bool) -> None:
    table = light_of_levels(bits, full_range)
    unit = 2 ** (bits - 8)
    black, span = (0, 2**bits - 1) if full_range else (16 * unit, 219 * unit)
    for light in (0.0, 0.005, 0.01, 0.018, 0.05, 0.18, 0.5, 0.9, 1.0):
        number = black + span * bt709(light)
        # Between whole numbers the table is interpolated: its curvature over one step is below 1e-4.
        assert_allclose(np.interp(number, np.arange(2**bits), table), light, rtol=0, atol=2e-4)


def test_middle_grey_is_the_published_signal() -> None:
    # An 18 % grey card gives 40.9 % signal by the formula (0.4090).
    assert_allclose(bt709(0.18), 0.409, rtol=0, atol=5e-4)
    light = light_of_levels(10, False)
    assert_allclose(light[64 + round(876 * 0.409)], 0.18, rtol=0, atol=1e-3)


@pytest.mark.parametrize("bits", [8, 10])
def test_it_rises_and_cannot_be_changed(bits: int) -> None:
    light = light_of_levels(bits, False)
    assert (np.diff(light[16 * 2 ** (bits - 8) :]) > 0).all()
    assert (np.diff(light) >= 0).all()
    assert light[-1] > 1.0
    with pytest.raises(ValueError, match="read-only"):
        light[3] = 0.0
