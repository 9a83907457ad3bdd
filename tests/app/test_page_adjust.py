"""The pages of comparison, adjustment and review without a browser: what keeps people from harm."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from adjusting import determined, jamming, more_travel
from fake_result import LINKAGE, write_fake_result
from stored import add_film, add_job
from stored import measured as measure
from streamlit.testing.v1 import AppTest
from test_page_unit import all_text, visit

from strokecurve.app.adjust import proposals as adjusting
from strokecurve.app.page import keys, markup, proposing
from strokecurve.app.report.of_job import work_orders
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.cautions import CAUTIONS, FIRING_STEP, SETTING_CAUTIONS
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import (
    Choice,
    Done,
    IntendedChoice,
    JobFacts,
    Proposals,
    Readings,
    Verdict,
)

MORE = IntendedChoice(LINKAGE, "table", tuple((u, v, None) for u, v in more_travel().tolist()))
READINGS = (
    "driver_deg,fuel_rate,o2_dry_pct,target_o2_dry_pct,driven_deg\n"
    "0,10,6.0,5.0,0\n30,20,5.0,4.5,25\n60,30,4.5,4.0,50\n90,40,4.0,3.5,70\n"
)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    kept = Store(tmp_path / "store")
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(kept.folder)])
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    return kept


def known(folder: Path) -> None:
    determined(write_fake_result(folder))


def measured(store: Store, write: Callable[[Path], object] = known, facts: JobFacts | None = None) -> Film:
    """A job with one film of a linkage whose geometry is known."""
    film = add_job(store, "first.mp4")
    if facts is not None:
        store.add(film.job_id, facts)
    measure(store, film, write)
    return store.film(film.film_id)


def later(store: Store, film: Film, role: str = "as left", *, done: bool = True) -> Film:
    """A further film of the job."""
    more = add_film(store, store.job(film.job_id), f"{role}.mp4", role.encode(), role=role)
    if done:
        measure(store, more, known)
    return store.film(more.film_id)


def warnings(page: AppTest) -> str:
    return "\n".join(one.value for one in page.warning)


def button(page: AppTest, label: str) -> Any:
    return next(one for one in page.button if one.label.startswith(label))


def selectbox(page: AppTest, label: str) -> Any:
    return next(one for one in page.selectbox if one.label == label)


def test_adjust_starts_from_the_newest_film_and_warns_of_an_older_one(store: Store) -> None:
    found = measured(store)
    trial = later(store, found, "trial")
    page = visit(found, "adjust")
    chosen = selectbox(page, "Film that shows the linkage now")
    assert chosen.value == trial.film_id
    assert "newer film" not in warnings(page)
    chosen.set_value(found.film_id).run()
    assert "A newer film is there: trial" in warnings(page)
    left = later(store, found, "as left")
    page.run()
    chosen = selectbox(page, "Film that shows the linkage now")
    assert chosen.value == left.film_id, "a film measured meanwhile is taken"


def test_a_newer_film_that_is_not_measured_is_spoken_of(store: Store) -> None:
    found = measured(store)
    later(store, found, done=False)
    assert "A newer film is not measured: as left" in warnings(visit(found, "adjust"))


def test_a_proposal_that_jams_a_shaft_behind_cannot_be_chosen(store: Store) -> None:
    film = measured(store, lambda folder: jamming(write_fake_result(folder)))
    store.add(film.job_id, MORE)
    page = visit(film, "adjust")
    assert not page.exception
    looked_at = selectbox(page, "Proposal to look at")
    jams = [n for n, words in enumerate(looked_at.options) if "jams" in words]
    assert jams
    assert not any("recommended" in looked_at.options[n] for n in jams)
    looked_at.select_index(jams[0]).run()
    assert "would jam" in page.error[0].value
    assert "shaft1:shaft2 JAMS within the stroke" in all_text(page)
    assert not [one for one in page.button if one.label.startswith("Choose proposal")]
    assert "Lock" not in all_text(page)
    answer = proposing.adjusted.__wrapped__  # what the page has in its cache
    run = film.measured
    assert run is not None
    whole = answer(str(run.result), LINKAGE, MORE, repr(MORE), None, False)
    with pytest.raises(InputError, match="would jam"):
        proposing.keep(store, film.job_id, film.film_id, whole.looking_at(jams[0] + 1))
    assert store.entries(film.job_id, Proposals) == ()


def test_the_search_runs_once_however_many_proposals_are_looked_at(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[object] = []
    search = adjusting.propose

    def counted(*arguments: Any) -> Any:
        calls.append(arguments)
        return search(*arguments)

    monkeypatch.setattr(adjusting, "propose", counted)
    film = measured(store)
    store.add(film.job_id, MORE)
    page = visit(film, "adjust")
    looked_at = selectbox(page, "Proposal to look at")
    for n in range(min(3, len(looked_at.options))):
        selectbox(page, "Proposal to look at").select_index(n).run()
        assert f"Proposal {n + 1}:" in all_text(page)
    assert len(calls) == 1


def test_what_is_typed_by_hand_ends_with_its_film(store: Store) -> None:
    found = measured(store)
    later(store, found)
    store.add(found.job_id, MORE)
    page = visit(found, "adjust")
    field = next(one for one in page.number_input if one.label.startswith("drive arm radius"))
    field.set_value(55.0).run()
    selectbox(page, "Proposal to look at").select_index(1).run()
    assert "With these figures" in all_text(page)
    selectbox(page, "Film that shows the linkage now").set_value(found.film_id).run()
    field = next(one for one in page.number_input if one.label.startswith("drive arm radius"))
    assert field.value == 70.0
    assert "With these figures" not in all_text(page)


@pytest.mark.slow
def test_warnings_go_on_record_with_the_choice_and_what_was_done_after_it(store: Store) -> None:
    film = measured(store)
    store.add(film.job_id, MORE)
    page = visit(film, "adjust")
    button(page, "Choose proposal").click().run()
    (order,) = work_orders(store, film.job_id)
    assert order.complete
    assert order.lines[0].startswith("Burner off, locked out")
    assert any("What may be changed was assumed" in note for note in order.notes)
    assert (order.film or "").startswith("first.mp4, taken in")
    (proposals,), (choice,) = (store.entries(film.job_id, kind) for kind in (Proposals, Choice))
    assert proposals.film_id == choice.film_id == film.film_id
    assert "Nothing is on record as carried out." in all_text(page)
    steps = [one for one in page.radio if one.label[:2].strip(".").isdigit() or one.label[0].isdigit()]
    assert len(steps) == len(order.lines)
    for one in steps:
        one.set_value("done")
    next(one for one in page.text_input if one.label == "Carried out by").set_value("A. Technician")
    button(page, "Put this on record").click().run()
    assert "Something is missing" in "\n".join(one.value for one in page.error)
    assert store.entries(film.job_id, Done) == ()
    page.date_input[0].set_value("2026-02-03")
    button(page, "Put this on record").click().run()
    (entry,) = store.entries(film.job_id, Done)
    assert (entry.content.by, entry.content.on) == ("A. Technician", "2026-02-03")
    assert "Carried out on 2026-02-03 by A. Technician" in all_text(page)
    assert "Put on record by " in all_text(page), "who said so, and whether it came in a bundle"


def test_nothing_is_carried_out_of_an_order_that_was_kept_without_its_warnings(store: Store) -> None:
    film = measured(store)
    steps = ["Lock the burner out.", f"{FIRING_STEP}, to the maker's instructions."]
    for more, forms in (({}, 0), ({"warnings": [], "notes": []}, 1)):
        text = json.dumps([{"touches": 1, "work_order": steps[: 2 - forms], **more}])
        kept = store.add(film.job_id, Proposals(LINKAGE, text), film_id=film.film_id)
        store.add(film.job_id, Choice(kept.entry_id, 0), film_id=film.film_id)
        page = visit(film, "adjust")
        assert not page.exception
        assert ("choose anew before anything is carried out" in warnings(page)) == (forms == 0)
        assert len([one for one in page.text_input if one.label == "Carried out by"]) == forms
        assert FIRING_STEP not in all_text(page)
        assert not [one for one in page.radio if FIRING_STEP in one.label]


@pytest.mark.parametrize("name", ["compare", "adjust"])
def test_cautions_stand_where_travel_is_intended_and_the_gravest_are_never_folded(
    store: Store, name: str
) -> None:
    page = visit(measured(store), name)
    text = all_text(page)
    for caution in (*CAUTIONS, *SETTING_CAUTIONS):
        assert markup.escape(caution) in text
    head = text[: text.index("<details>")]
    for caution in (CAUTIONS[0], CAUTIONS[-1]):
        assert markup.escape(caution) in head


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fuel", "usual"), [("Natural gas", "natural_gas"), ("gas and light oil", None), (None, None)]
)
def test_the_fuel_of_readings_is_the_jobs_or_asked_for(
    store: Store, fuel: str | None, usual: str | None
) -> None:
    film = measured(store, facts=JobFacts("b", None, fuel))
    store.add(film.job_id, Readings(READINGS, ("driver_deg",), ((0.0,),)))
    page = visit(film, "adjust")
    page.file_uploader(key=f"{keys.READINGS_CSV}_0").set_value(("r.csv", READINGS.encode(), "text/csv")).run()
    assert selectbox(page, "Fuel").value == usual
    button(page, "Work out the intended travel").click().run()
    if usual is None:
        assert "The fuel is not chosen." in "\n".join(one.value for one in page.error)
        assert store.intended(film.job_id, LINKAGE) is None
        selectbox(page, "Fuel").set_value("propane").run()
        button(page, "Work out the intended travel").click().run()
    chosen = store.intended(film.job_id, LINKAGE)
    assert chosen is not None
    assert (chosen.kind, chosen.fuel, chosen.approach) == ("readings", usual or "propane", "either")
    assert ("Make sure it is the same" in warnings(page)) == bool(fuel and usual is None)
    assert f"fuel: {(usual or 'propane').replace('_', ' ')}; approached: from either side" in all_text(page)
    # Another visitor finds what was chosen, not a fuel of the page's own.
    assert selectbox(visit(film, "adjust"), "Fuel").value == chosen.fuel


def test_somebody_elses_change_of_the_table_is_told_and_not_overwritten(store: Store) -> None:
    film = measured(store)
    first = IntendedChoice(LINKAGE, "table", ((0.0, 0.0, None), (90.0, 66.0, None)))
    store.add(film.job_id, first)
    page = visit(film, "compare")
    assert "changed elsewhere" not in warnings(page)
    other = IntendedChoice(LINKAGE, "table", ((0.0, 0.0, None), (50.0, 33.0, None), (90.0, 70.0, None)))
    store.add(film.job_id, other, "B. Other")
    page.run()
    assert "changed elsewhere meanwhile, by B" in warnings(page)
    assert store.intended(film.job_id, LINKAGE) == other
    page.run()
    assert "changed elsewhere" not in warnings(page)
    assert store.intended(film.job_id, LINKAGE) == other


def test_a_verdict_is_about_films(store: Store) -> None:
    found = measured(store)
    left = later(store, found)
    page = visit(found, "handover")
    page.radio(key=f"{keys.VERDICT}_{found.job_id}_0").set_value("accept")
    page.text_input(key=f"{keys.VERDICT}_{found.job_id}_0_name").set_value("R. Eviewer")
    films = page.multiselect[0]
    assert left.film_id in films.value
    films.set_value([])
    button(page, "Put this verdict on record").click().run()
    assert "A verdict is about films" in page.error[0].value
    page.multiselect[0].set_value([found.film_id])
    button(page, "Put this verdict on record").click().run()
    (entry,) = store.entries(found.job_id, Verdict)
    assert found.measured is not None
    assert entry.content.about == ((found.film_id, found.measured.run_id),)
    assert "It was not given on this film: as left" in all_text(page)
