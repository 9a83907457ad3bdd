"""Pictures of the record and the comparison: the values and words handed to them, and any name of a shaft."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from fake_result import LINKAGE, write_fake_result
from matplotlib.figure import Figure
from numpy.testing import assert_allclose
from reportlab.pdfbase import pdfmetrics

from strokecurve.app.report.sheet import REGULAR, register_fonts
from strokecurve.app.report.vector import PageRenderer
from strokecurve.app.result.plots import travel_figure
from strokecurve.app.result.plots_compare import (
    FILM_PENS,
    change_figure,
    difference_figure,
    films_deviation_figure,
    films_figure,
)
from strokecurve.app.result.tables import one_pass

EXACT = {"rtol": 0, "atol": 1e-9}
SHIFT_DEG = 2.5


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    found = pd.read_csv(write_fake_result(tmp_path_factory.mktemp("r") / "result") / "travel.csv")
    return {"as found": found, "as left": found.assign(driven_deg=found["driven_deg"] + SHIFT_DEG)}


def drawn(figure: Figure) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Lines by label; lines of one label stand behind one another."""
    lines: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for line in figure.axes[0].get_lines():
        data = np.asarray(line.get_xdata(), float), np.asarray(line.get_ydata(), float)
        lines.setdefault(str(line.get_label()), []).append(data)
    return {label: tuple(map(np.concatenate, zip(*parts, strict=True))) for label, parts in lines.items()}  # type: ignore[misc]


def test_both_films_and_the_intended_travel(films: dict[str, pd.DataFrame]) -> None:
    grid = np.linspace(0, 90, 10)
    lines = drawn(films_figure(films, LINKAGE, (grid, grid, np.full(10, np.nan))))
    for film, travel in films.items():
        assert_allclose(lines[film][1], one_pass(travel, LINKAGE, "opening")["driven_deg"], **EXACT)
    closing = np.concatenate(
        [one_pass(travel, LINKAGE, "closing")["driven_deg"] for travel in films.values()]
    )
    assert_allclose(lines["_same"][1], closing, **EXACT)
    assert_allclose(lines["intended"][1], grid, **EXACT)


def test_films_are_told_apart_without_colour() -> None:
    assert len({str(pen.style) for pen in FILM_PENS.values()}) == len(FILM_PENS)


def test_change_is_left_minus_found_and_keeps_gaps(films: dict[str, pd.DataFrame]) -> None:
    lines = drawn(change_figure(films, LINKAGE))
    opening = lines["opening pass"][1]
    assert np.isnan(opening[37:43]).all()
    assert_allclose(opening[~np.isnan(opening)], SHIFT_DEG, **EXACT)
    assert_allclose(lines["closing pass"][1], SHIFT_DEG, **EXACT)


def test_difference_of_the_passes(films: dict[str, pd.DataFrame]) -> None:
    travel = films["as found"]
    passes = [one_pass(travel, LINKAGE, way)["driven_deg"].to_numpy() for way in ("closing", "opening")]
    line = drawn(difference_figure(travel, LINKAGE))["closing minus opening"]
    assert_allclose(line[1], passes[0] - passes[1], **EXACT)


def test_deviation_with_tolerance(films: dict[str, pd.DataFrame]) -> None:
    figure = films_deviation_figure(films, LINKAGE, lambda x: (x, np.full(x.shape, 1.5)))
    rows = one_pass(films["as left"], LINKAGE, "opening")
    assert_allclose(drawn(figure)["as left"][1], rows["driven_deg"] - rows["driver_deg"], **EXACT)
    legend = figure.axes[0].get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == [
        *("as found", "as left", "tolerance", "opening pass", "closing pass")
    ]


@pytest.mark.parametrize("name", ["$\\frac{$", "a_b^c", "%d {0}", "<b>"])
def test_names_are_text_whatever_they_hold(films: dict[str, pd.DataFrame], name: str) -> None:
    linkage = f"{name}:{name}2"
    renamed = {film: travel.assign(linkage=linkage) for film, travel in films.items()}
    for figure in (
        travel_figure(renamed["as found"], linkage),
        difference_figure(renamed["as found"], linkage),
        films_figure(renamed, linkage),
        change_figure(renamed, linkage),
    ):
        figure.savefig(io.BytesIO(), format="png", dpi=30)
        assert figure.axes[0].get_xlabel() == f"{name} travel (°)"


def test_text_takes_the_room_it_has_on_the_page() -> None:
    register_fonts()
    figure = Figure()
    text = figure.text(0, 0, "shaft1 travel (°)", size=11, family="DejaVu Sans")
    width, height, below = PageRenderer(None, (100, 100)).get_text_width_height_descent(
        text.get_text(), text.get_fontproperties(), False
    )
    assert width == pytest.approx(pdfmetrics.stringWidth("shaft1 travel (°)", REGULAR, 11), abs=1e-9)
    assert 0 < below < height < 11 * 1.2, "one line of type"
