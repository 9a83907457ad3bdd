"""The page without a browser: what it shows of a store, and that errors are sentences."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from fake_result import LINKAGE, write_fake_result
from patience import PATIENCE_S
from recorded import full_result
from stored import add_film, add_job, run_of, send, uploads_of
from stored import measured as measure
from streamlit.testing.v1 import AppTest
from streamlit.testing.v1.element_tree import Button

import strokecurve.app.page
from strokecurve.app.measure.left_out import without_linkage
from strokecurve.app.page import keys, markup
from strokecurve.app.result import frames
from strokecurve.app.result.contents import finding_entry
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching, exports
from strokecurve.app.words.cautions import CAUTIONS, SETTING_CAUTIONS
from strokecurve.app.words.statements import Comment, FilmFacts, IntendedChoice, Verdict
from strokecurve.kinematics.errors import StrokeError

HOME = Path(strokecurve.app.page.__file__).with_name("home.py")
CLIP_PLACE = f"{keys.UPLOAD}_clip_new"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    made = Store(tmp_path / "store")
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(made.folder)])
    return made


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Ids of the runs whose worker was started; no process is."""
    ids: list[str] = []
    monkeypatch.setattr(dispatching, "tend", lambda store: None)
    monkeypatch.setattr(dispatching, "start", lambda store, run: ids.append(run.run_id))
    return ids


@pytest.fixture(autouse=True)
def _frames(monkeypatch: pytest.MonkeyPatch) -> None:
    """Grey frames, and no process that copies clips; drawing on real ones is tested with the overlay."""
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    _, grey = cv2.imencode(".jpg", np.full((90, 160, 3), 128, np.uint8))
    monkeypatch.setattr(frames, "frame_jpeg", lambda clip, folder, time_s, copy: grey.tobytes())


def measured(store: Store, *, findings: bool = True) -> Film:
    film = add_job(store, "as found.mp4")
    measure(store, film, lambda folder: write_fake_result(folder, findings=findings))
    return film


def visit(film: Film | None = None, name: str | None = None) -> AppTest:
    """The start, or a page of a film's job; without a name the one that the start leads on to."""
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    if film is not None and name is None:
        page.query_params[keys.JOB] = film.job_id
    page.run()
    if film is not None and name is not None:
        page.switch_page(f"{name}.py")
        page.query_params[keys.JOB] = film.job_id
        page.run()
    return page


def cancel_button(page: AppTest) -> Button:
    return next(button for button in page.button if button.label == "Cancel")


def send_to(store: Store, token: str, name: str, clip: bytes) -> None:
    """Send a clip to the place that a page gave for it."""
    send(uploads_of(store), token, clip, name)


def all_text(page: AppTest) -> str:
    pictures = r"data:image/png;base64,[^\"]*"  # any word may stand in them by chance
    parts = [re.sub(pictures, "", str(element.proto.body)) for element in page.get("html")]
    for kind in ("title", "header", "subheader", "error", "info", "button"):
        parts += [str(getattr(element, "value", "")) for element in page.get(kind)]
        parts += [str(getattr(element, "label", "")) for element in page.get(kind)]
    return "\n".join(parts)


def test_start_shows_cautions_first_then_the_work(store: Store) -> None:
    page = visit()
    assert not page.exception
    text = all_text(page)
    for caution in CAUTIONS:
        assert markup.escape(caution) in text
    titles = [markup.plain(title) for title in ("1. Prepare", "2. Film")]
    assert [header.value for header in page.header] == titles
    assert page.session_state[CLIP_PLACE], "a place to send a clip from"


def test_a_clip_sent_from_the_start_becomes_a_job_and_its_analysis_starts(
    store: Store, started: list[str]
) -> None:
    page = visit()
    send_to(store, page.session_state[CLIP_PLACE], "IMG <1>.MOV", b"clip bytes")
    (job,) = store.jobs()
    (film,) = job.films
    assert film.clip.path.read_bytes() == b"clip bytes"
    assert film.clip.path.suffix == ".mov"
    assert job.title == "IMG <1>.MOV"
    assert film.facts.role == "as found"
    assert started == [run_of(film).run_id]


def test_what_is_said_while_a_clip_is_on_its_way_counts(store: Store, started: list[str]) -> None:
    page = visit()
    token = page.session_state[CLIP_PLACE]
    page.segmented_control[0].set_value("trial").run()
    text = '[[shaft]]\nname = "motor"\nmarker = 10\nside_mm = 20\n'
    page.file_uploader(key=f"{keys.RIG_UPLOAD}_0").set_value(("rig.toml", text.encode(), "text/plain")).run()
    assert page.session_state[CLIP_PLACE] == token
    send_to(store, token, "a.mp4", b"clip")
    (film,) = store.jobs()[0].films
    assert film.facts.role == "trial"
    assert store.rig_toml(run_of(film)) == text


def test_a_wrong_set_up_file_is_said_before_the_clip_is_taken(store: Store, started: list[str]) -> None:
    page = visit()
    key = f"{keys.RIG_UPLOAD}_0"
    page.file_uploader(key=key).set_value(("rig.toml", b'[[shaft]]\ncolour = "red"\n', "text/plain")).run()
    assert "'colour'" in page.error[0].value
    assert store.jobs() == ()


def test_running_job_shows_progress_and_can_be_cancelled(store: Store) -> None:
    job = add_job(store)
    store.runs.claim(run_of(job).run_id)
    store.runs.heartbeat(run_of(job).run_id, 1, (30, 120, "following the markers"))
    page = visit(job)
    assert page.get("progress")[0].proto.text == "following the markers: 25%"
    cancel_button(page).click().run()
    assert store.runs.run(run_of(job).run_id).cancel_requested
    assert page.get("progress")[0].proto.text == "Stopping ..."


def test_cancelled_film_can_be_analysed_again(store: Store, started: list[str]) -> None:
    job = add_job(store)
    store.runs.request_cancel(run_of(job).run_id)
    page = visit(job)
    page.button(key=f"{keys.AGAIN}_{job.film_id}").click().run()
    film = store.film(job.film_id)
    assert len(film.runs) == 2
    assert started == [run_of(film).run_id]
    assert page.query_params[keys.JOB] == job.job_id
    assert cancel_button(page).label == "Cancel"


def test_failed_job_says_its_sentence(store: Store) -> None:
    job = add_job(store)
    store.runs.claim(run_of(job).run_id)
    sentence = "Marker 10 was never seen. Move the camera closer."
    store.runs.finish(run_of(job).run_id, 1, RunState.FAILED, sentence)
    assert visit(job).error[0].value == "Marker 10 was never seen. Move the camera closer."


def test_unknown_address_is_said_and_the_start_shown(store: Store) -> None:
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    page.query_params[keys.JOB] = "nothing"
    page.run()
    assert "no job" in page.error[0].value
    assert markup.plain("2. Film") in [header.value for header in page.header]


def test_measured_film_shows_everything(store: Store) -> None:
    page = visit(measured(store))
    assert not page.exception
    assert not page.error
    headers = [header.value for header in page.header]
    for needed in (
        "Findings",
        "Travel curve",
        "Travel at even steps",
        "Geometry",
    ):
        assert needed in headers
    text = all_text(page).replace("\N{NO-BREAK SPACE}", " ")
    assert text.index("Rod and driven arm") < text.index("lags behind") < text.index("was hidden")
    assert "high-fire end &lt;b&gt;" in text, "words from the record must not become markup"
    assert "70.2 ± 0.4 mm" in text
    assert "24.0° ± 0.7°, limit 30°" in text
    assert "not determined by this film" in text
    assert "not seen" in text, "the gap at 40 degrees must be said"
    assert "measure the radius of the driven arm" in text
    assert "safe" not in text.lower()


def test_no_findings_is_no_clearance(store: Store) -> None:
    text = all_text(visit(measured(store, findings=False)))
    assert "Nothing to report" in text
    assert "says nothing about combustion" in text
    assert "safe" not in text.lower()


def test_step_can_be_chosen(store: Store) -> None:
    page = visit(measured(store))
    rows_before = all_text(page).count('<th scope="row">5</th>')
    page.get("button_group")[0].set_value(5).run()
    assert rows_before == 0
    assert '<th scope="row">5</th>' in all_text(page)


def test_the_moment_moves_by_single_frames_and_stops_at_the_ends(store: Store) -> None:
    page = visit(measured(store))
    page.button(key=keys.FRAME_BACK).click().run()
    assert page.slider[0].value == 0
    page.button(key=keys.FRAME_ON).click().run()
    page.button(key=keys.FRAME_ON).click().run()
    assert abs(page.slider[0].value - 2 / 30) < 1e-6
    assert not page.exception


@pytest.mark.parametrize("severity", ["caution", "note"])
def test_a_linkage_left_out_because_of_the_filming_is_no_all_clear(store: Store, severity: str) -> None:
    def left_out(folder: Path) -> None:
        path = write_fake_result(folder, findings=False) / "result.json"
        record = json.loads(path.read_text())
        record["findings"] = [
            finding_entry(without_linkage("shaft1:shaft2", StrokeError("Too few frames.", "Film again.")))
        ]
        record["findings"][0]["severity"] = severity
        path.write_text(json.dumps(record))

    film = add_job(store, "as found.mp4")
    measure(store, film, left_out)
    page = visit(film, "film")
    assert not page.exception
    text = all_text(page)
    assert ("No fault of the filming was found." in text) == (severity == "note")
    assert ("This linkage was left out. Too few frames." in text) == (severity != "note")


def test_equal_travel_is_kept_with_the_film(store: Store) -> None:
    job = measured(store)
    page = visit(job, "compare")
    page.radio[0].set_value("equal").run()
    assert store.intended(job.job_id, LINKAGE) == IntendedChoice(LINKAGE, "equal", ())
    assert "largest deviation" in all_text(page)
    assert "largest deviation" in all_text(visit(job, "compare")), "a second visitor must find it, too"
    page.radio[0].set_value("none").run()
    assert "largest deviation" not in all_text(page)


def test_a_table_used_before_comes_back_when_its_kind_is_chosen_again(store: Store) -> None:
    job = measured(store)
    table = IntendedChoice(LINKAGE, "csv", ((0.0, 0.0, None), (90.0, 66.0, None)))
    store.add(job.job_id, table)
    page = visit(job, "compare")
    assert page.radio[0].value == "csv"
    page.radio[0].set_value("equal").run()
    page.radio[0].set_value("csv").run()
    assert store.intended(job.job_id, LINKAGE) == table


def test_what_another_device_chose_is_shown_and_not_overwritten(store: Store) -> None:
    job = measured(store)
    page = visit(job, "compare")
    page.radio[0].set_value("equal").run()
    store.add(job.job_id, IntendedChoice(LINKAGE, "none", ()))
    page.run()
    assert page.radio[0].value == "none"
    assert store.intended(job.job_id, LINKAGE) == IntendedChoice(LINKAGE, "none", ())


def test_an_empty_sheet_to_type_into_compares_nothing(store: Store) -> None:
    page = visit(measured(store), "compare")
    page.radio[0].set_value("table").run()
    assert not page.exception
    assert "two rows or more" in page.info[0].value
    assert "largest deviation" not in all_text(page)


def test_uploaded_table_is_kept_and_a_bad_one_changes_nothing(store: Store) -> None:
    job = measured(store)
    page = visit(job, "compare")
    page.radio[0].set_value("csv").run()
    key = f"{keys.INTENDED_CSV}_{job.job_id}_{LINKAGE}"
    good = b"driver_deg,driven_deg,tolerance_deg\n0,0,1\n90,66,1\n"
    page.file_uploader(key=key).set_value(("t.csv", good, "text/csv")).run()
    kept = IntendedChoice(LINKAGE, "csv", ((0.0, 0.0, 1.0), (90.0, 66.0, 1.0)))
    assert store.intended(job.job_id, LINKAGE) == kept
    page.file_uploader(key=key).set_value(("t.csv", b"driver_deg,driven_deg\n0,x\n", "text/csv")).run()
    assert "line 2" in page.error[0].value
    assert store.intended(job.job_id, LINKAGE) == kept
    assert "largest deviation" in all_text(page)


def test_lost_result_is_said_and_the_clip_kept(store: Store) -> None:
    job = measured(store)
    shutil.rmtree(run_of(job).result)
    page = visit(job)
    assert "result.json in the result of this film cannot be read" in page.error[0].value
    assert job.clip.path.exists()


def test_a_fault_in_one_part_leaves_the_others_standing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(clip: Path, folder: Path, time_s: float, copy: Path | None) -> None:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(frames, "frame_jpeg", broken)
    page = visit(measured(store))
    assert "fault in strokecurve itself" in page.error[0].value
    assert "secret detail" not in all_text(page)
    assert "Geometry" in [header.value for header in page.header]


def test_damaged_store_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "jobs.sqlite").write_bytes(b"garbage " * 1000)
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(tmp_path)])
    assert "cannot be read" in visit().error[0].value


def test_a_further_film_is_added_to_the_open_job(store: Store, started: list[str]) -> None:
    film = measured(store)
    store.add(film.job_id, FilmFacts("as found", "as found.mp4"), film_id=film.film_id)
    page = visit(film, "film")
    assert not page.exception
    assert page.segmented_control[-1].value == "as left", "what a further film usually shows"
    send_to(store, page.session_state[f"{keys.UPLOAD}_clip_{film.job_id}"], "b.mp4", b"clip")
    found, left = store.job(film.job_id).films
    assert (found.facts.role, left.facts.role) == ("as found", "as left")
    assert started == [run_of(left).run_id]


def test_the_page_of_adjustments_says_what_the_film_does_not_determine(store: Store) -> None:
    film = measured(store)
    store.add(film.job_id, IntendedChoice(LINKAGE, "equal", ()))
    page = visit(film, "adjust")
    assert not page.exception
    assert len(page.error) == 1
    assert "driven arm start angle" in page.error[0].value
    for caution in SETTING_CAUTIONS:
        assert markup.escape(caution) in all_text(page)


def test_pages_of_a_job_without_film_lead_to_the_films(store: Store) -> None:
    job = store.new_job()
    for name in ("read", "compare", "adjust"):
        page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S).run()
        page.switch_page(f"{name}.py")
        page.query_params[keys.JOB] = job.job_id
        page.run()
        assert not page.exception
        assert not page.error
        assert "film" in page.info[0].value


def test_a_page_without_job_leads_to_the_start(store: Store) -> None:
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S).run()
    page.switch_page("handover.py").run()
    assert not page.exception
    assert "No job is open" in page.info[0].value


def test_every_kind_of_figure_of_a_result_is_shown(store: Store) -> None:
    film = add_job(store, "full.mp4")
    measure(store, film, full_result)
    text = all_text(visit(film)).replace("\N{NO-BREAK SPACE}", " ")
    for needed in (
        "driver travel to in line beyond low fire (drive arm)",
        "17.2° ± 0.4°",
        "not within half a turn",
        "1.44 ± 0.11 mm",
        "Slip of the driven arm: 2.52° ± 0.08°",
        "Show the slip in the film, at 6.2 s",
        "largest difference between passes of the same way",
        "0.31° ± 0.06°",
    ):
        assert needed in text, needed


def test_the_film_chosen_goes_into_the_address(store: Store) -> None:
    found = measured(store)
    left = add_film(store, store.job(found.job_id), "as left.mp4", b"other", role="as left")
    measure(store, left, lambda folder: write_fake_result(folder, findings=False))
    page = visit(found)
    assert page.selectbox[0].value == left.film_id, "the newest measured film comes first"
    page.selectbox[0].set_value(found.film_id).run()
    assert page.query_params[keys.FILM] in (found.film_id, [found.film_id])
    assert "lags behind" in all_text(page)
    assert page.selectbox[0].value == found.film_id


def test_travel_worked_out_from_readings_can_be_chosen_again(store: Store) -> None:
    film = measured(store)
    worked = IntendedChoice(LINKAGE, "readings", ((0.0, 0.0, 0.5), (90.0, 66.0, 0.5)))
    store.add(film.job_id, worked)
    page = visit(film, "compare")
    page.radio[0].set_value("equal").run()
    page.radio[0].set_value("readings").run()
    assert store.intended(film.job_id, LINKAGE) == worked


def test_a_comment_and_a_verdict_go_on_record(store: Store) -> None:
    film = measured(store)
    page = visit(film, "handover")
    assert not page.exception
    name, text = f"{keys.COMMENT}_{film.job_id}_0_name", f"{keys.COMMENT}_{film.job_id}_0_text"
    page.text_input(key=name).set_value("B. <Reviewer>")
    page.text_area(key=text).set_value("Worn & loose.")
    send = next(one for one in page.button if one.label == "Put this comment on record")
    send.click().run()
    entry = store.entries(film.job_id, Comment)[0]
    assert (entry.author, entry.content.text) == ("B. <Reviewer>", "Worn & loose.")
    assert "B. &lt;Reviewer&gt;" in all_text(page)
    assert "Worn &amp; loose." in all_text(page)
    next(one for one in page.button if one.label == "Put this verdict on record").click().run()
    assert "needs a choice and a name" in page.error[0].value
    assert store.entries(film.job_id, Verdict) == ()


def test_a_result_that_does_not_say_which_way_a_shaft_opens_is_still_shown(store: Store) -> None:
    job = measured(store)
    path = run_of(job).result / "result.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["shafts"][0].pop("opening")
    record["shafts"][1]["travel_deg"] = None
    path.write_text(json.dumps(record), encoding="utf-8")
    page = visit(job)
    assert not page.exception
    assert "motor, way of opening not known" in all_text(page)
    assert "shaft1, opens clockwise" in all_text(page)
    assert "Geometry" in [header.value for header in page.header], "the rest of the page stands"


def test_a_result_of_another_form_is_said_in_a_sentence(store: Store) -> None:
    job = measured(store)
    path = run_of(job).result / "result.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["shafts"][1]["travel_deg"] = "far"
    path.write_text(json.dumps(record), encoding="utf-8")
    page = visit(job)
    assert not page.exception
    assert "cannot be used: shafts\\[1\\].travel\\_deg is no number" in page.error[0].value
