"""What the page shows beside the curve: films at check positions, tables to copy, links to places."""

from __future__ import annotations

import io
import json
import re
import sys
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path
from urllib.parse import parse_qs

import pandas as pd
import pytest
from fake_result import LINKAGE, write_fake_result
from patience import PATIENCE_S
from stored import add_film, add_job, run_of
from stored import measured as measure
from streamlit.testing.v1 import AppTest

import strokecurve.app.page
from strokecurve.app.page import keys, markup
from strokecurve.app.page.copier import as_text
from strokecurve.app.report import compared
from strokecurve.app.report.blocks import Table
from strokecurve.app.report.comparing import compare
from strokecurve.app.result.reading import read_result
from strokecurve.app.result.tables import even_step_table
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.jobs import FailureCause, Film, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import worker
from strokecurve.app.words.statements import Comment, IntendedChoice

HOME = Path(strokecurve.app.page.__file__).with_name("home.py")
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


def test_a_comment_tied_to_a_driver_travel_leads_to_its_moment(store: Store) -> None:
    film = add_job(store)
    measure(store, film, write_fake_result)
    for text, linkage, driver_deg in (
        ("rubs here", LINKAGE, 60.0),
        ("of the only linkage", None, 30.0),
        ("beyond the stroke", LINKAGE, 120.0),
        ("of a linkage that is not there", "shaft1:shaft2", 30.0),
    ):
        store.add(film.job_id, Comment(text, None, linkage, driver_deg), "A. Reviewer", film.film_id)
    page = visit(film, "handover")
    links = [one.proto for one in page.get("page_link") if one.proto.label == "Show this driver travel"]
    assert len(links) == 2
    assert all_html(page).count("No frame of this film shows the driver there.") == 2
    asked = [parse_qs(one.query_string) for one in links]
    # The driver runs from 1 s to 6 s over 90 degrees, so at 60 after 3.33 s more. The marker is
    # not seen from 3 to 3.4 s; a frame counts within a degree, and a degree takes 0.06 s.
    assert float(asked[0][keys.AT][0]) == pytest.approx(1 + 5 * 60 / 90, abs=0.06)
    assert float(asked[1][keys.AT][0]) == pytest.approx(1 + 5 * 30 / 90, abs=0.06)
    assert asked[0][keys.AT_LINKAGE] == [LINKAGE]

    page.switch_page("read.py")
    page.query_params[keys.JOB] = film.job_id
    page.query_params[keys.AT] = asked[0][keys.AT][0]
    page.run()
    assert not page.exception
    shown = next(one for one in page.slider if one.label == "Time in the clip (s)")
    assert shown.value == pytest.approx(float(asked[0][keys.AT][0]), abs=1e-3)


def test_a_link_chooses_the_linkage_that_it_is_about(store: Store) -> None:
    film = add_job(store)
    measure(store, film, lambda folder: with_second_linkage(write_fake_result(folder)))
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    page.run()
    page.switch_page("read.py")
    page.query_params[keys.JOB] = film.job_id
    page.query_params[keys.AT] = "4.333"
    page.query_params[keys.AT_LINKAGE] = "shaft1:motor"
    page.run()
    assert not page.exception
    choice = next(one for one in page.selectbox if one.label == "Linkage")
    assert choice.value == "shaft1:motor"
    choice.select(LINKAGE).run()
    assert next(one for one in page.selectbox if one.label == "Linkage").value == LINKAGE


def with_second_linkage(folder: Path) -> Path:
    """The same film with the linkage read the other way, too."""
    path = folder / "result.json"
    record = json.loads(path.read_text())
    record["linkages"].append(record["linkages"][0] | {"driver": "shaft1", "driven": "motor"})
    path.write_text(json.dumps(record))
    travel = pd.read_csv(folder / "travel.csv")
    other = travel.assign(
        linkage="shaft1:motor", driver_deg=travel["driven_deg"].round(6), driven_deg=travel["driver_deg"]
    )
    pd.concat([travel, other.dropna()]).to_csv(folder / "travel.csv", index=False)
    return folder


def test_a_film_that_came_without_a_result_was_not_cancelled(store: Store, tmp_path: Path) -> None:
    film = add_job(store)
    bundle = tmp_path / "job.zip"
    export_job(store, film.job_id, bundle)
    other = Store(tmp_path / "other")
    import_bundle(other, bundle)
    sys.argv[-1] = str(other.folder)
    page = visit(film, "film")
    said = all_html(page)
    assert "State: not analysed here." in said
    assert "cancelled" not in said
    start = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S).run()
    assert any(button.label.endswith("not analysed here") for button in start.button)
    assert "Jobs" in [one.value for one in start.header]


EARLIER = f"{worker.OWN_FAULT} The clip is kept; send the log file with your report: /srv/jobs/logs/1.log"


@pytest.mark.parametrize("kept", [worker.OWN_FAULT, EARLIER], ids=["now", "kept by an earlier version"])
@pytest.mark.parametrize("switches", [[], ["--unsafe-no-sign-in"]], ids=["here only", "served to others"])
def test_the_place_of_a_log_is_told_only_to_who_can_reach_it(
    store: Store, monkeypatch: pytest.MonkeyPatch, kept: str, switches: list[str]
) -> None:
    film = add_job(store)
    run = run_of(film)
    attempt = store.runs.claim(run.run_id)
    assert attempt is not None
    store.runs.finish(run.run_id, attempt, RunState.FAILED, kept, FailureCause.FAULT)
    monkeypatch.setattr(sys, "argv", [*sys.argv, *switches])
    (said,) = [one.value for one in visit(film, "film").error]
    assert said.startswith(markup.plain(worker.OWN_FAULT))
    assert "/srv/jobs" not in said
    if switches:
        assert str(store.folder) not in said.replace("\\", "")
        assert f"analysis {run.run_id[:8]} failed" in said
    else:
        assert str(run.log) in said.replace("\\", "")


def test_what_is_kept_of_a_fault_names_no_place(store: Store) -> None:
    def broken(clip: Path, out: Path, rig_toml: str | None, job: object) -> None:
        raise ZeroDivisionError

    film = add_job(store)
    worker.work_on(store, run_of(film).run_id, broken)
    seen = store.runs.run(run_of(film).run_id)
    assert (seen.error, seen.cause) == (worker.OWN_FAULT, FailureCause.FAULT)


def test_no_bundle_carries_the_place_of_a_log(store: Store, tmp_path: Path) -> None:
    film = add_job(store)
    attempt = store.runs.claim(run_of(film).run_id)
    assert attempt is not None
    store.runs.finish(run_of(film).run_id, attempt, RunState.FAILED, EARLIER)
    with zipfile.ZipFile(export_job(store, film.job_id, tmp_path / "job.zip")) as bundle:
        assert bundle.namelist()
        assert not any(b"/srv/jobs" in bundle.read(name) for name in bundle.namelist())
