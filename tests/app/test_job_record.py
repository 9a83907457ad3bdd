"""What a record gathers from the store, and what it says about where each thing comes from."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from fake_result import LINKAGE, write_fake_result
from stored import Clock, add_film, measured

from strokecurve.app.report.of_job import record_of, work_orders
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.entries import insert_entry
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import new_id
from strokecurve.app.words.statements import (
    Choice,
    Done,
    Entry,
    IntendedChoice,
    JobFacts,
    Proposals,
    Readings,
    RigText,
    Verdict,
)

ROWS = ((0.0, 0.0, 1.0), (90.0, 66.0, 1.0))


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Store:
    return Store(tmp_path / "store", clock)


def film(store: Store, job_id: str, role: str, clock: Clock) -> Film:
    """A measured film; a minute passes before and after it."""
    clock.now += 60
    made = add_film(store, store.job(job_id), f"{role}.mov", role.encode() * 50, role)
    measured(store, made, write_fake_result)
    clock.now += 60
    return store.film(made.film_id)


@pytest.fixture
def found(store: Store, clock: Clock) -> Film:
    return film(store, store.new_job(JobFacts("boiler 2", None, "natural gas")).job_id, "as found", clock)


def about(*films: Film) -> tuple[tuple[str, str], ...]:
    return tuple((one.film_id, one.measured.run_id) for one in films if one.measured)


def test_a_verdict_from_before_the_film_as_left_does_not_stand_for_it(
    store: Store, found: Film, clock: Clock
) -> None:
    store.add(found.job_id, Verdict("accept"), "R. Eviewer")  # as an earlier version kept it
    left = film(store, found.job_id, "as left", clock)
    (one,) = record_of(store, found.job_id, None, found.film_id, left.film_id).reviews
    assert not one.holds
    assert one.films == ()
    (remark,) = one.remarks
    assert remark.startswith("It was given before this film was taken in: as left, as left.mov")
    (alone,) = record_of(store, found.job_id, found.film_id).reviews
    assert alone.holds
    assert alone.remarks == ()


def test_a_verdict_names_the_films_it_was_given_on(store: Store, found: Film, clock: Clock) -> None:
    left = film(store, found.job_id, "as left", clock)
    store.add(found.job_id, Verdict("adjust", None, about(found)), "R. Eviewer")
    (one,) = record_of(store, found.job_id, None, found.film_id, left.film_id).reviews
    assert not one.holds
    assert one.remarks[0].startswith("It was not given on this film: as left")
    store.add(found.job_id, Verdict("accept", None, about(found, left)), "R. Eviewer")
    (both,) = record_of(store, found.job_id, None, found.film_id, left.film_id).reviews
    assert both.holds
    assert both.remarks == ()
    assert [name.split(",")[0] for name in both.films] == ["as found", "as left"]
    # A later one on another film stands beside that on this film, not in its place.
    store.add(found.job_id, Verdict("film again", None, about(found)), "R. Eviewer")
    reviews = record_of(store, found.job_id, None, found.film_id, left.film_id).reviews
    assert [(one.entry.content.verdict, one.holds) for one in reviews] == [
        ("accept", True),
        ("film again", False),
    ]


def test_a_verdict_on_an_earlier_analysis_says_so(store: Store, found: Film, clock: Clock) -> None:
    store.add(found.job_id, Verdict("accept", None, about(found)), "R. Eviewer")
    clock.now += 60
    store.analyse_again(found.film_id)
    again = store.film(found.film_id)
    measured(store, again, write_fake_result)
    (one,) = record_of(store, found.job_id, found.film_id).reviews
    assert not one.holds
    assert "on another analysis of this film" in one.remarks[0]


def test_readings_and_intended_travel_say_with_which_film(store: Store, found: Film, clock: Clock) -> None:
    readings = Readings("x", ("driver_deg",), ((0.0,),))
    store.add(found.job_id, readings)
    store.add(found.job_id, IntendedChoice(LINKAGE, "readings", ROWS))
    earlier = record_of(store, found.job_id, found.film_id)
    assert earlier.readings_film is None
    assert earlier.intended_films == {}
    store.add(found.job_id, readings, film_id=found.film_id)
    choice = IntendedChoice(LINKAGE, "readings", ROWS, "propane", "closing")
    store.add(found.job_id, choice, film_id=found.film_id)
    record = record_of(store, found.job_id, found.film_id)
    assert (record.readings_film or "").startswith("as found, as found.mov, taken in 2026-")
    assert record.intended == (choice,)
    assert record.intended_films[LINKAGE] == record.readings_film


def chosen(store: Store, found: Film, more: dict[str, list[str]]) -> str:
    text = json.dumps([{"touches": 1, "work_order": ["one", "two"], **more}])
    proposals = store.add(found.job_id, Proposals(LINKAGE, text), "T.", found.film_id)
    return store.add(found.job_id, Choice(proposals.entry_id, 0), "T.").entry_id


def test_warnings_and_what_was_carried_out_belong_to_the_order_they_were_kept_with(
    store: Store, found: Film, tmp_path: Path
) -> None:
    chosen(store, found, {})
    (earlier,) = work_orders(store, found.job_id)
    assert not earlier.complete
    assert earlier.lines == ("one", "two")
    kept = {"warnings": ["beware"], "behind": ["shaft2 follows"], "notes": ["assumed"]}
    choice_id = chosen(store, found, kept)
    (order,) = work_orders(store, found.job_id)
    assert order.complete
    assert (order.warnings, order.behind, order.notes) == (("beware",), ("shaft2 follows",), ("assumed",))
    assert (order.film or "").startswith("as found, as found.mov")
    assert order.done is None
    for steps in (("done", "not done"), ("done", "done")):
        store.add(found.job_id, Done(choice_id, steps, "A. Technician", "2026-02-03", "see photograph"), "B.")
    (order,) = work_orders(store, found.job_id)
    assert order.done is not None
    assert order.done.content.steps == ("done", "done"), "what was said last counts"
    # It goes to a colleague and back like everything else on record.
    other = Store(tmp_path / "other")
    bundle = export_job(store, found.job_id, tmp_path / "job.zip")
    import_bundle(other, bundle)
    assert export_job(other, found.job_id, tmp_path / "back.zip").read_bytes() == bundle.read_bytes()
    assert work_orders(other, found.job_id) == (order,)
    # What is chosen anew has not been carried out.
    chosen(store, found, kept)
    (order,) = work_orders(store, found.job_id)
    assert order.done is None


KEPT: dict[str, list[str]] = {"warnings": [], "behind": [], "notes": []}


def carried_out(choice_id: str, *steps: str) -> Done:
    return Done(choice_id, steps, "A. Technician", "2026-02-03")


def unchecked(store: Store, job_id: str, content: Done, made_s: float) -> None:
    """Put on record what an earlier version took in without checking it."""
    with store.database.writing() as connection:
        insert_entry(connection, Entry(new_id(), job_id, None, made_s, None, content))


def test_what_was_carried_out_fits_a_work_order_of_the_job(store: Store, found: Film) -> None:
    choice_id = chosen(store, found, KEPT)
    other = store.new_job()
    proposals = store.entries(found.job_id, Proposals)[0].entry_id
    for job_id, content, words in (
        (found.job_id, carried_out(choice_id, "done"), "has 1 steps, its work order 2"),
        (found.job_id, carried_out(choice_id, "done", "done", "done"), "has 3 steps, its work order 2"),
        (found.job_id, carried_out("0" * 32, "done", "done"), "belongs to no proposal that was chosen"),
        (found.job_id, carried_out(proposals, "done", "done"), "belongs to no proposal that was chosen"),
        (other.job_id, carried_out(choice_id, "done", "done"), "belongs to no proposal that was chosen"),
    ):
        with pytest.raises(StoreError, match=words):
            store.add(job_id, content)
        assert store.entries(job_id, Done) == ()
    store.add(found.job_id, carried_out(choice_id, "done", "done"))
    (order,) = work_orders(store, found.job_id)
    assert order.told() == "All 2 steps as ordered."


def test_what_an_earlier_version_took_in_unchecked_is_told(
    store: Store, found: Film, clock: Clock, tmp_path: Path
) -> None:
    choice_id = chosen(store, found, KEPT)
    unchecked(store, found.job_id, carried_out(choice_id, "done"), clock.now + 60)
    unchecked(store, found.job_id, carried_out("0" * 32, "done"), clock.now + 61)
    (order,) = work_orders(store, found.job_id)
    assert "As ordered".casefold() not in order.told()
    assert "its steps number 1, those of the order 2" in order.told()
    assert order.remarks == (
        "On record is also what A. Technician carried out on 2026-02-03, of a work order that is not on "
        "record: what was done then is not known.",
    )
    assert sum("What was carried out" in problem for problem in check(store).problems) == 2
    bundle = export_job(store, found.job_id, tmp_path / "job.zip")
    assert import_bundle(store, bundle).entries == 0, "who has it already is not kept from merging"
    other = Store(tmp_path / "other")
    with pytest.raises(StoreError, match="What was carried out"):
        import_bundle(other, bundle)
    assert other.jobs() == ()


def test_entries_of_a_bundle_are_checked_in_whatever_order_they_come(
    store: Store, found: Film, tmp_path: Path
) -> None:
    choice_id = chosen(store, found, KEPT)
    # A clock that was wrong: before the choice it belongs to.
    unchecked(store, found.job_id, carried_out(choice_id, "done", "done"), 1.0)
    bundle = export_job(store, found.job_id, tmp_path / "job.zip")
    other = Store(tmp_path / "other")
    import_bundle(other, bundle)
    assert export_job(other, found.job_id, tmp_path / "back.zip").read_bytes() == bundle.read_bytes()
    assert check(other).problems == ()
    # And one that comes later, to a store that has the choice.
    store.add(found.job_id, carried_out(choice_id, "done", "done"))
    assert import_bundle(other, export_job(store, found.job_id, tmp_path / "more.zip")).entries == 1


def test_the_record_says_whether_a_film_was_measured_with_the_set_up(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    job = store.new_job(rig_toml='[[shaft]]\nname = "motor"\nmarker = 10\n')
    one = film(store, job.job_id, "as found", clock)
    assert "was measured with it" in (record_of(store, job.job_id, one.film_id).rig_remark or "")
    store.add(job.job_id, RigText('[[shaft]]\nname = "drive"\nmarker = 10\n'))
    record = record_of(store, job.job_id, one.film_id)
    assert '"drive"' in (record.rig_toml or "")
    assert "Measured with an earlier set-up, or with none: as found" in (record.rig_remark or "")
