"""What the page shows beside the curve: films at check positions, tables to copy, links to places."""

from __future__ import annotations

import io
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pandas as pd
import pytest
from fake_result import LINKAGE, write_fake_result
from stored import add_film, add_job
from stored import measured as measure
from streamlit.testing.v1 import AppTest

import app.page
from app.comparing import compare
from app.jobs import Film
from app.page import keys
from app.page.copier import as_text
from app.record import IntendedChoice
from app.report import compared
from app.report.blocks import Table
from app.result_folder import read_result
from app.store import Store
from app.tables import even_step_table

HOME = Path(app.page.__file__).with_name("home.py")
PATIENCE_S = 30
TABLE = IntendedChoice(LINKAGE, "table", ((0.0, 0.0, 0.5), (90.0, 84.0, 0.5)))


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    made = Store(tmp_path / "store")
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(made.folder)])
    return made


def visit(film: Film, name: str) -> AppTest:
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    page.run()
    page.switch_page(f"{name}.py")
    page.query_params[keys.JOB] = film.job_id
    page.run()
    assert not page.exception
    return page


def all_html(page: AppTest) -> str:
    return "\n".join(str(element.proto.body) for element in page.get("html"))


def two_films(store: Store) -> tuple[Film, Film]:
    """As found, and as left with the driven shaft a little elsewhere."""

    def left(folder: Path) -> None:
        write_fake_result(folder)
        lines = (folder / "travel.csv").read_text().splitlines()
        moved = []
        for line in lines[1:]:
            *start, driven, sd = line.split(",")
            moved.append(",".join((*start, f"{float(driven) + 0.25}" if driven else "", sd)))
        (folder / "travel.csv").write_text("\n".join((lines[0], *moved)) + "\n")

    found = add_job(store, "found.mp4")
    measure(store, found, write_fake_result)
    after = add_film(store, store.job(found.job_id), "left.mp4", b"other", role="as left")
    measure(store, after, left)
    return store.film(found.film_id), store.film(after.film_id)


@pytest.mark.parametrize("intended", [None, TABLE], ids=["nothing intended", "a table"])
def test_both_films_stand_at_the_check_positions_as_in_the_record(
    store: Store, intended: IntendedChoice | None
) -> None:
    found, after = two_films(store)
    if intended is not None:
        store.add(found.job_id, intended)
    page = visit(found, "compare")
    tables = re.findall("<table.*?</table>", all_html(page), re.DOTALL)
    (table,) = [ET.fromstring(one) for one in tables if "every 10°" in one]
    films = [read_result(one.measured.result) for one in (found, after) if one.measured]
    comparison = compare(films[0], films[1], [intended] if intended else [])
    section = compared.linkage_section(comparison, comparison.linkages[0])
    (printed,) = [one for one in section.blocks if isinstance(one, Table) and "every 10°" in one.caption]
    assert table.findtext("caption") == printed.caption
    bodies = table.findall("tbody")
    assert len(bodies) == len(printed.rows) == 10
    for body, row in zip(bodies, printed.rows, strict=True):
        (title,), opening, closing = ([cell.text for cell in line] for line in body)
        if intended is None:
            assert title == f"motor {row[0]}°"
            assert opening == ["opening", row[1], row[3], row[5]]
            assert closing == ["closing", row[2], row[4], row[6]]
        else:
            assert title == f"motor {row[0]}°: intended {row[1]}, tolerance {row[2]}"
            assert opening == ["opening", row[3], row[5]]
            assert closing == ["closing", row[4], row[6]]
        assert "±" in closing[1]
    at_40 = [cell.text for cell in bodies[4][1]]
    assert at_40[1] == "not seen", "the film as found has a gap there in opening"


def test_a_copied_table_is_the_table_with_gaps_empty_and_formulas_as_text(store: Store) -> None:
    film = add_job(store)
    run = measure(store, film, write_fake_result)
    table = even_step_table(read_result(run.result).travel, LINKAGE, 10.0)
    text = as_text(table)
    pd.testing.assert_frame_equal(pd.read_csv(io.StringIO(text), sep="\t"), table, rtol=0, atol=0)
    assert "\t\t" in text.splitlines()[5], "the gap of the opening pass at 40 degrees"
    named = pd.DataFrame({"=1+1": ["@SUM(A1)", "damper", "-3"]})
    assert as_text(named).splitlines() == ["'=1+1", "'@SUM(A1)", "damper", "-3"]
