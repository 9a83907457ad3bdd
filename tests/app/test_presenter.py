"""Page, terminal and PDF say the same of a linkage: same words, same order, with units."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_result import LINKAGE
from recorded import full_result

from strokecurve.app.commands.summary import finding_lines, measured_lines
from strokecurve.app.page import condition, markup
from strokecurve.app.page import findings as findings_page
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.report.blocks import Block, Table
from strokecurve.app.report.film import condition_blocks, geometry_blocks, statements
from strokecurve.app.result import presenter
from strokecurve.app.result.reading import FilmResult

UNITS = ("°", "mm", presenter.NOT_AVAILABLE, presenter.NOT_DETERMINED, "not within half a turn")


@pytest.fixture
def film(tmp_path: Path) -> FilmResult:
    return full_result(tmp_path / "r")


def rows(film: FilmResult) -> dict[str, tuple[presenter.Row, ...]]:
    linkage = film.linkages[LINKAGE]
    return {
        "condition": presenter.condition_rows(linkage),
        "joints": presenter.joint_rows(linkage),
        "geometry": presenter.geometry_rows(linkage),
    }


def test_every_figure_has_its_unit_or_says_why_there_is_none(film: FilmResult) -> None:
    found = rows(film)
    assert {name: len(of) for name, of in found.items()} == {"condition": 7, "joints": 2, "geometry": 6}
    for row in (row for of in found.values() for row in of):
        assert any(unit in row.value for unit in UNITS), row


def test_the_pdf_has_the_same_tables(film: FilmResult) -> None:
    def tables(blocks: tuple[Block, ...]) -> list[tuple[tuple[str, ...], ...]]:
        return [block.rows for block in blocks if isinstance(block, Table)]

    linkage, found = (
        film.linkages[LINKAGE],
        {name: tuple((row.words, row.value, row.aside) for row in of) for name, of in rows(film).items()},
    )
    assert tables(condition_blocks(linkage))[:2] == [found["condition"], found["joints"]]
    assert tables(geometry_blocks(linkage)) == [found["geometry"]]


def test_the_terminal_has_the_same_words_and_figures_in_the_same_order(film: FilmResult) -> None:
    text = "\n".join(measured_lines(film.record))
    for of in rows(film).values():
        places = [text.index(row.words) for row in of]
        assert places == sorted(places)
        for row, at in zip(of, places, strict=True):
            line = text[at : text.index("\n", at) if "\n" in text[at:] else None]
            assert row.value in line
            assert row.aside in line


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What a page draws."""
    parts: list[str] = []
    for module in (condition, findings_page):
        monkeypatch.setattr(module.st, "html", parts.append)
        monkeypatch.setattr(module.st, "header", lambda *_, **__: None)
        monkeypatch.setattr(module.st, "button", lambda *_, **__: None)
    return parts


def test_the_page_has_the_same_words_and_figures(
    film: FilmResult, drawn: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole: Any = None
    loaded = LoadedResult(film.folder, film.angles, film.travel, dict(film.record))
    pages: tuple[Callable[[], None], ...] = (
        lambda: condition.show(whole, loaded, LINKAGE),
        lambda: condition.show_geometry(film.linkages[LINKAGE]),
        lambda: findings_page.show(whole, loaded),
    )
    monkeypatch.setattr(condition, "show_slips", lambda *_: None)
    monkeypatch.setattr(findings_page, "shown_at", lambda *_: None)
    for page in pages:
        page()
    text = "".join(drawn)
    for of in rows(film).values():
        places = [text.index(f"{markup.escape(row.words)}</") for row in of]
        assert places == sorted(places)
        assert all(markup.escape(row.value) in text for row in of)
    for one in map(presenter.shown, film.record["findings"]):
        for said in (one.text, one.where, one.measured, one.advice):
            assert markup.escape(said) in text


def test_findings_stand_in_one_order_with_figure_and_limit(film: FilmResult) -> None:
    found = film.record["findings"]
    expected = [presenter.shown(one) for one in presenter.in_order(found)]
    assert [one.severity for one in expected] == ["danger", "caution", "note"]
    printed = [(one.severity, one.where, one.figure, one.text, one.advice) for one in statements(found)]
    assert printed == [(e.severity, e.where, e.measured, e.text, e.advice) for e in expected]
    text = " ".join("\n".join(finding_lines(found)).split())
    for one in expected:
        measured = " ".join(one.measured.split())
        assert f"{one.severity.upper()} {one.where}: {one.text} Measured: {measured}. What to do:" in text
