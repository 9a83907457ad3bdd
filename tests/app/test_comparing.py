"""The comparison as data: differences, their noise, what improved, what cannot be said."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_result import LINKAGE, LOST_DEG, driven_travel
from recorded import full_result, rename

from strokecurve.app.commands.compared_summary import compared_summary
from strokecurve.app.measure.settings import Settings
from strokecurve.app.report.comparing import CHECK_COLUMNS, Change, compare
from strokecurve.app.result.tables import even_step_table
from strokecurve.app.words.statements import IntendedChoice

CSV_DIGITS = 1e-9
"""Figures come from the same file: only rounding of sums is allowed for."""
EQUAL = IntendedChoice(LINKAGE, "equal", ())
TABLE = IntendedChoice(LINKAGE, "csv", ((0.0, 0.0, 2.0), (90.0, 90.0, 2.0)))


def change(found: float, left: float, found_sd: float, left_sd: float, goal: str = "less") -> Change:
    return Change("lost motion", "deg", found, found_sd, left, left_sd, 3.0, goal)


class TestChange:
    def test_difference_and_its_deviation(self) -> None:
        made = change(1.4, 0.5, 0.03, 0.04)
        assert made.difference == pytest.approx(-0.9, abs=CSV_DIGITS)
        assert made.difference_sd == pytest.approx(0.05, abs=CSV_DIGITS)
        assert made.sure is True
        assert made.better is True

    @pytest.mark.parametrize("goal, better", [("less", False), ("more", True), ("", None)])
    def test_direction(self, goal: str, better: bool | None) -> None:
        assert change(0.5, 1.4, 0.03, 0.04, goal).better is better

    def test_within_noise_is_not_judged(self) -> None:
        made = change(1.40, 1.30, 0.03, 0.04)
        assert made.sure is False
        assert made.better is None

    @pytest.mark.parametrize("gap", ["found", "left", "found_sd", "left_sd"])
    def test_nothing_is_said_without_value_or_uncertainty(self, gap: str) -> None:
        figures = {"found": 1.4, "left": 0.5, "found_sd": 0.03, "left_sd": 0.04} | {gap: math.nan}
        made = change(**figures)
        assert made.sure is None
        assert made.better is None

    def test_noise_is_hardly_ever_called_a_change(self) -> None:
        rng = np.random.default_rng(3)
        limit = Settings().sure_sigmas
        trials = 4000
        calls = 0
        for _ in range(trials):
            one, other = rng.normal(1.0, 0.05), rng.normal(1.0, 0.02)
            calls += Change("", "deg", one, 0.05, other, 0.02, limit).sure is True
        # Beyond three standard deviations lie 0.27 %; the count of 4000 trials scatters by a third of that.
        assert 0.0010 < calls / trials < 0.0050


class TestComparison:
    def test_check_positions_are_the_even_steps_of_both_films(self, tmp_path: Path) -> None:
        found, left = full_result(tmp_path / "found"), full_result(tmp_path / "left")
        checks = compare(found, left, [EQUAL]).linkages[0].checks
        steps = even_step_table(found.travel, LINKAGE, 10.0)
        assert tuple(checks.columns) == CHECK_COLUMNS
        assert checks["driver_deg"].tolist() == [10.0 * n for n in range(10)]
        for film in ("found", "left"):
            for column in ("opening_deg", "opening_sd_deg", "closing_deg"):
                np.testing.assert_allclose(
                    checks[f"{film}_{column}"], steps[column], rtol=0, atol=CSV_DIGITS, equal_nan=True
                )
        off = steps["closing_deg"] - steps["driver_deg"]
        np.testing.assert_allclose(checks["left_closing_deviation_deg"], off, rtol=0, atol=CSV_DIGITS)
        assert np.isnan(checks.loc[4, "found_opening_deg"]), "a gap at 40 degrees stays a gap"
        assert checks["change_closing_deg"].abs().max() == 0.0

    def test_a_film_that_goes_less_far_has_gaps_beyond(self, tmp_path: Path) -> None:
        found, left = full_result(tmp_path / "found"), full_result(tmp_path / "left")
        short = found.travel[found.travel["driver_deg"] <= 55]
        checks = (
            compare(type(found)(found.folder, found.record, short, found.angles), left).linkages[0].checks
        )
        assert len(checks) == 10
        assert checks.loc[6:, "found_closing_deg"].isna().all()
        assert checks.loc[6:, "left_closing_deg"].notna().all()

    def test_deviations_against_intended(self, tmp_path: Path) -> None:
        result = full_result(tmp_path / "found")
        linkage = compare(result, result, [TABLE]).linkages[0]
        grid = np.arange(91.0)
        edge = np.clip((90 - grid) / 2, 0, 1)
        off = driven_travel(grid) + LOST_DEG / 2 * edge - grid
        closing = linkage.deviations["found", "closing"]
        assert closing is not None
        # The table holds the travel with all its digits, so only the file's rounding remains.
        assert closing.max_deg == pytest.approx(off[np.argmax(np.abs(off))], abs=1e-6)
        assert closing.rms_deg == pytest.approx(float(np.sqrt(np.mean(off**2))), abs=1e-6)
        beyond, known = linkage.beyond_found or (0, 0)
        steps = linkage.checks
        columns = steps[["found_opening_deviation_deg", "found_closing_deviation_deg"]].to_numpy()
        assert known == int(np.isfinite(columns).sum()) == 19
        assert beyond == int((np.abs(columns) > 2.0).sum()) > 0

    def test_what_improved_and_what_did_not(self, tmp_path: Path) -> None:
        def repaired(record: dict[str, Any]) -> None:
            linkage = record["linkages"][0]
            linkage["slack_deg"] = {"value": 0.3, "sd": 0.03}
            linkage["min_transmission_angle_deg"] = {"value": 23.0, "sd": 0.7, "at_driver_deg": 88.0}
            record["findings"] = [f for f in record["findings"] if f["code"] != "lost_motion"]

        found, left = full_result(tmp_path / "found"), full_result(tmp_path / "left", repaired)
        comparison = compare(found, left, [EQUAL])
        sentence = comparison.sentence
        assert sentence.startswith("motor to shaft1: lost motion improved; ")
        assert "nothing became worse beyond noise" in sentence
        assert "smallest angle of rod and driven arm did not change beyond noise" in sentence
        assert "rod and drive arm" not in sentence, "41 degrees is far from in line, so it is not judged"
        assert [f["code"] for f in comparison.gone] == ["lost_motion"]
        assert [f["code"] for f in comparison.stayed] == ["toggle"]
        assert comparison.new == ()
        back = compare(left, found, [EQUAL])
        assert "lost motion became worse" in back.sentence
        assert [f["code"] for f in back.new] == ["lost_motion"]

    def test_without_intended_travel_it_is_not_judged(self, tmp_path: Path) -> None:
        result = full_result(tmp_path / "found")
        comparison = compare(result, result)
        assert "travel is not judged, as no intended travel was given" in comparison.sentence
        assert comparison.linkages[0].deviations == {}
        assert comparison.linkages[0].checks["intended_deg"].isna().all()

    def test_a_quantity_that_one_film_leaves_open_has_no_difference(self, tmp_path: Path) -> None:
        result = full_result(tmp_path / "found")
        start = compare(result, result).linkages[0].geometry[-1]
        assert start.words == "driven arm start angle"
        assert math.isnan(start.found)
        assert start.sure is None

    def test_linkages_of_one_film_alone_are_named(self, tmp_path: Path) -> None:
        found = full_result(tmp_path / "found")
        full_result(tmp_path / "left")
        left = rename(tmp_path / "left", {"motor": "motor", "shaft1": "gas valve"})
        comparison = compare(found, left)
        assert comparison.linkages == ()
        assert comparison.only_found == (LINKAGE,)
        assert comparison.only_left == ("motor:gas valve",)
        assert "no linkage in common" in comparison.sentence
        assert comparison.gone == comparison.new == (), "a linkage not filmed again is not mended"
        text = compared_summary(comparison)
        assert "motor drives gas valve: not compared, as only the film as left shows it." in text

    def test_text_for_the_terminal(self, tmp_path: Path) -> None:
        text = compared_summary(compare(*[full_result(tmp_path / n) for n in "ab"], [TABLE]))
        assert "lost motion                                1.400° ± 0.030°" in text.replace("\xa0", " ")
        assert "within noise" in text
        assert "does not say that a burner is safe to fire" in " ".join(text.split())
        assert max(len(line) for line in text.splitlines()) <= 115
