"""How numbers reach people."""

from __future__ import annotations

import math

import pytest

from strokecurve.app.words.estimates import format_estimate, format_exact


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")


@pytest.mark.parametrize(
    ("value", "sd", "expected"),
    [
        # The three examples of the Particle Data Group's rule (Review of Particle Physics, Introduction;
        # quoted from memory).
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        (14.674, 0.964, "14.7 ± 1.0"),
        (80.04, 0.36, "80.0 ± 0.4"),
        (300.2, 3.54, "300.2 ± 3.5"),
        (300.2, 3.55, "300 ± 4"),
        (1234.0, 120.0, "1230 ± 120"),
        (1234.0, 990.0, "1200 ± 1000"),
        (-0.001, 0.2, "0.00 ± 0.20"),
        (1e-9, 0.02, "0.000 ± 0.020"),
        (-24.487, 0.015, "-24.487 ± 0.015"),
        (-1234.0, 120.0, "-1230 ± 120"),
    ],
)
def test_digits_follow_the_standard_deviation(value: float, sd: float, expected: str) -> None:
    assert plain(format_estimate(value, sd)) == expected


@pytest.mark.parametrize("sd", [None, math.nan])
def test_missing_uncertainty_is_said(sd: float | None) -> None:
    assert plain(format_estimate(80.149, sd, "mm")) == "80.1 mm (uncertainty not available)"


@pytest.mark.parametrize("value", [None, math.nan])
def test_missing_value_is_said(value: float | None) -> None:
    assert format_estimate(value, 0.1, "mm") == "not available"


def test_endless_uncertainty_is_no_figure() -> None:
    assert "not determined" in format_estimate(80.0, math.inf, "mm")


def test_negative_sd_is_refused() -> None:
    with pytest.raises(ValueError, match="expected 0 or more"):
        format_estimate(1.0, -0.1)


@pytest.mark.parametrize(
    ("value", "sd"), [(v, s) for v in (0.3, 17.77, 299.6) for s in (0.0123, 0.0951, 0.5, 4.2, 9.6)]
)
def test_rounding_never_moves_the_value_by_more_than_half_a_last_digit(value: float, sd: float) -> None:
    shown_value, shown_sd = (float(part) for part in plain(format_estimate(value, sd)).split(" ± "))
    # The last digit kept is at most about a third of the standard deviation.
    assert abs(shown_value - value) <= sd * 0.55
    assert abs(shown_sd - sd) <= sd * 0.15
    digits = plain(format_estimate(value, sd)).split(" ± ")[1].replace(".", "").lstrip("0")
    assert len(digits) <= 2


def test_units() -> None:
    assert plain(format_estimate(12.3, 0.1, "deg")) == "12.30° ± 0.10°"
    assert format_exact(90.0, "deg") == "90°"
    assert plain(format_exact(2.5, "mm")) == "2.5 mm"
    assert format_exact(-0.0, "deg") == "0°"
    assert format_exact(1200.0) == "1200"
