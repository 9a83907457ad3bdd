"""Pictures and tables: tested by the values and words handed to them, not by pixels."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from fake_result import LINKAGE, LOST_DEG, SHAFTS, fake_record, write_fake_result
from matplotlib.colors import to_rgb
from numpy.testing import assert_allclose

from strokecurve.app.result.plots import PENS, SHAFT_PENS, angles_figure, deviation_figure, travel_figure
from strokecurve.app.result.tables import (
    COMPARED_COLUMNS,
    EVEN_STEP_COLUMNS,
    GEOMETRY_COLUMNS,
    compared_table,
    even_step_table,
    geometry_table,
)

EXACT = {"rtol": 0, "atol": 1e-9}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_fake_result(tmp_path_factory.mktemp("r") / "result")


@pytest.fixture(scope="module")
def travel(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "travel.csv")


@pytest.fixture(scope="module")
def angles(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "angles.csv")


def lines(figure: object) -> dict[str, object]:
    return {line.get_label(): line for line in figure.axes[0].get_lines()}  # type: ignore[attr-defined]


def test_travel_curve_shows_both_passes_as_measured(travel: pd.DataFrame) -> None:
    drawn = lines(travel_figure(travel, LINKAGE))
    for name in ("opening", "closing"):
        rows = travel[travel["pass"] == name]
        assert_allclose(drawn[f"{name} pass"].get_xdata(), rows["driver_deg"], **EXACT)
        assert_allclose(drawn[f"{name} pass"].get_ydata(), rows["driven_deg"], **EXACT)
    assert np.isnan(drawn["opening pass"].get_ydata()[40]), "a gap must stay a gap"


def test_axes_carry_names_and_units(travel: pd.DataFrame, angles: pd.DataFrame) -> None:
    axes = travel_figure(travel, LINKAGE).axes[0]
    assert axes.get_xlabel() == "motor travel (°)"
    assert axes.get_ylabel() == "shaft1 travel (°)"
    axes = angles_figure(angles, SHAFTS, at_s=3.0).axes[0]
    assert axes.get_xlabel() == "time (s)"
    assert "(°)" in axes.get_ylabel()


def test_series_differ_by_line_style_and_name_as_well_as_colour(travel: pd.DataFrame) -> None:
    figure = travel_figure(travel, LINKAGE, (np.array([0.0, 90]), np.array([0.0, 90])))
    drawn = {label: line for label, line in lines(figure).items() if not label.startswith("_")}
    assert set(drawn) == {"opening pass", "closing pass", "intended"}
    assert len({str(line._dash_pattern) for line in drawn.values()}) == 3
    legend = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert sorted(legend) == sorted(drawn)


def test_every_line_stands_out_from_white() -> None:
    """Contrast of at least 4.5 to 1 by the formula of WCAG 2.2 (relative luminance)."""
    for pen in (*PENS.values(), *SHAFT_PENS):
        channels = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(pen.colour)]
        luminance = float(np.dot(channels, [0.2126, 0.7152, 0.0722]))
        assert 1.05 / (luminance + 0.05) >= 4.5, pen


def test_drawing_leaves_global_settings_alone_and_can_be_saved(travel: pd.DataFrame) -> None:
    before = dict(mpl.rcParams)
    picture = io.BytesIO()
    travel_figure(travel, LINKAGE).savefig(picture, format="png")
    assert dict(mpl.rcParams) == before
    assert picture.getvalue().startswith(b"\x89PNG")


def test_a_pass_without_data_is_left_out(travel: pd.DataFrame) -> None:
    only = travel[travel["pass"] == "opening"]
    assert "closing pass" not in lines(travel_figure(only, LINKAGE))


def test_angles_of_all_shafts(angles: pd.DataFrame) -> None:
    drawn = lines(angles_figure(angles, SHAFTS))
    assert set(drawn) == set(SHAFTS)
    assert_allclose(drawn["shaft1"].get_ydata(), angles["shaft1_deg"], **EXACT)


def test_even_steps_are_the_measured_values_at_these_steps(travel: pd.DataFrame) -> None:
    table = even_step_table(travel, LINKAGE, 10)
    assert tuple(table.columns) == EVEN_STEP_COLUMNS
    assert_allclose(table["driver_deg"], np.arange(0, 91, 10), **EXACT)
    closing = travel[travel["pass"] == "closing"].set_index("driver_deg")["driven_deg"]
    assert_allclose(table["closing_deg"], closing.loc[table["driver_deg"]], **EXACT)
    assert np.isnan(table.loc[4, "opening_deg"]), "40 degrees lies in the gap"
    assert np.isnan(table.loc[4, "difference_deg"])
    assert_allclose(table.loc[5, "difference_deg"], LOST_DEG, **EXACT)
    sd = 0.015
    assert_allclose(table.loc[5, "difference_sd_deg"], sd * np.sqrt(2), **EXACT)


def test_steps_between_grid_points_are_interpolated_but_never_across_a_gap() -> None:
    travel = pd.DataFrame(
        {
            "linkage": LINKAGE,
            "pass": "opening",
            "driver_deg": [0.0, 2.0, 4.0, 6.0, 8.0],
            "driven_deg": [0.0, 1.0, np.nan, 4.0, 6.0],
            "sd_deg": 0.1,
        }
    )
    table = even_step_table(travel, LINKAGE, 1)
    assert_allclose(table["opening_deg"], [0, 0.5, 1, np.nan, np.nan, np.nan, 4, 5, 6], **EXACT)
    assert table["closing_deg"].isna().all()


def test_no_travel_gives_an_empty_table(travel: pd.DataFrame) -> None:
    assert len(even_step_table(travel, "motor:shaft9", 10)) == 0


def test_step_must_be_positive(travel: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="more than 0"):
        even_step_table(travel, LINKAGE, 0)


def test_compared_table_and_its_picture(travel: pd.DataFrame) -> None:
    steps = even_step_table(travel, LINKAGE, 10)
    intended = steps["driver_deg"].to_numpy(float)
    table = compared_table(steps, intended, np.full(len(steps), 1.5))
    assert tuple(table.columns) == EVEN_STEP_COLUMNS + COMPARED_COLUMNS
    assert_allclose(table["closing_deviation_deg"], steps["closing_deg"] - steps["driver_deg"], **EXACT)
    drawn = lines(deviation_figure(table, LINKAGE))
    assert_allclose(drawn["closing pass"].get_ydata(), table["closing_deviation_deg"], **EXACT)


def test_geometry_rows_keep_value_and_uncertainty() -> None:
    table = geometry_table(fake_record(True, 80.0)["linkages"][0]["geometry"])
    assert tuple(table.columns) == GEOMETRY_COLUMNS
    row = table[table["quantity"] == "rod_mm"].iloc[0]
    assert (row["value"], row["sd"], row["unit"], row["words"]) == (300.4, 1.2, "mm", "rod length")
    assert row["evidence"] == "pins"
    assert list(table["determined"]) == [True] * 5 + [False]
    assert table.iloc[-1]["settle"] == "measure the radius of the driven arm"
