"""Closed by default: every method that a person is offered is listed with its right, and asks for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from stored import add_job, run_of
from strokecurve.app.access import offered
from strokecurve.app.access.offered import ASK_NOTHING, EACH, Takes, offers
from strokecurve.app.access.personal import PersonalExports, PersonalRuns, PersonalSharing, PersonalStore
from strokecurve.app.access.rules import Level, Person, Right, Role
from strokecurve.app.access.sharing import ReviewerLink, Sharing
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.jobs import Film, Run
from strokecurve.app.store.queue import RunQueue
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.tasks.exports import Export
from strokecurve.app.words.statements import Comment, FilmFacts, JobFacts, Verdict
from test_access_rules import MAIL, NOT_THERE, WHO, kept_sharing, of, refused

PARTS: Mapping[str, tuple[object, type, Mapping[str, Takes]]] = {
    "runs": (RunQueue, PersonalRuns, offered.ON_RUNS),
    "sharing": (Sharing, PersonalSharing, offered.ON_SHARING),
    "exports": (exports, PersonalExports, offered.ON_EXPORTS),
    "": (Store, PersonalStore, offered.ON_STORE),
}
"""By their names in the personal store: what everybody shares, what one person is given, and its table."""

# Who may call what, written out and not computed from the tables.
EVERYBODY = frozenset(WHO)
OWNERS = frozenset({"alone", "keeper", "owner"})
WORKERS = OWNERS | {"helper"}
READERS = WORKERS | {"reading technician", "reviewer", "link holder"}
BEGINNERS = WORKERS | {"reading technician", "other technician", "technician put out"}


@dataclass(frozen=True, slots=True)
class Given:
    """A job with a film, and the store as somebody may use it."""

    mine: PersonalStore
    film: Film
    run: Run
    link: ReviewerLink
    record: Export
    packed: Export
    bundle: Path
    foreign: Path
    """Bundle of a job that is not here."""

    @property
    def job(self) -> str:
        return self.film.job_id


Call = tuple[frozenset[str], Callable[[Given], object]]
CALLS: Mapping[str, tuple[Call, ...]] = {
    "jobs": ((EVERYBODY, lambda it: it.mine.jobs()),),
    "job": ((READERS, lambda it: it.mine.job(it.job)),),
    "film": ((READERS, lambda it: it.mine.film(it.film.film_id)),),
    "entries": ((READERS, lambda it: it.mine.entries(it.job, Comment)),),
    "latest": ((READERS, lambda it: it.mine.latest(it.job, JobFacts)),),
    "intended_entry": ((READERS, lambda it: it.mine.intended_entry(it.job, "motor:shaft1")),),
    "intended": ((READERS, lambda it: it.mine.intended(it.job, "motor:shaft1")),),
    "work_orders": ((READERS, lambda it: it.mine.work_orders(it.job)),),
    "bundle_bytes": ((WORKERS, lambda it: it.mine.bundle_bytes(it.job, True)),),
    "new_job": ((BEGINNERS, lambda it: it.mine.new_job()),),
    "receive": ((BEGINNERS, lambda it: it.mine.receive([b"x"], "x.mp4")),),
    "take_in": (
        (WORKERS, lambda it: it.mine.take_in(it.bundle)),
        (BEGINNERS, lambda it: it.mine.take_in(it.foreign)),
    ),
    "add": (
        (READERS, lambda it: it.mine.add(it.job, Comment("x"), "x")),
        (READERS, lambda it: it.mine.add(it.job, content=Verdict("accept"))),
        (WORKERS, lambda it: it.mine.add(it.job, JobFacts("x"))),
        (
            WORKERS,
            lambda it: it.mine.add(job_id=it.job, content=FilmFacts(None, "x"), film_id=it.film.film_id),
        ),
    ),
    "add_film": ((WORKERS, lambda it: it.mine.add_film(it.job, it.film.clip, FilmFacts(None, "x"))),),
    "analyse_again": ((WORKERS, lambda it: it.mine.analyse_again(it.film.film_id)),),
    "runs.run": ((READERS, lambda it: it.mine.runs.run(it.run.run_id)),),
    "runs.before": ((READERS, lambda it: it.mine.runs.before(it.run.run_id)),),
    "runs.request_cancel": ((WORKERS, lambda it: it.mine.runs.request_cancel(it.run.run_id)),),
    "sharing.shares": ((OWNERS, lambda it: it.mine.sharing.shares(it.job)),),
    "sharing.give": ((OWNERS, lambda it: it.mine.sharing.give(it.job, "x@y.example", Level.READ)),),
    "sharing.links": ((OWNERS, lambda it: it.mine.sharing.links(it.job)),),
    "sharing.make_link": ((OWNERS, lambda it: it.mine.sharing.make_link(it.job, "x", 1)),),
    "sharing.token": ((OWNERS, lambda it: it.mine.sharing.token(it.link)),),
    "sharing.is_open": ((OWNERS, lambda it: it.mine.sharing.is_open(it.link)),),
    "sharing.withdraw": ((OWNERS, lambda it: it.mine.sharing.withdraw(it.link)),),
    "exports.ask": (
        (READERS, lambda it: it.mine.exports.ask(it.job, "record", film=it.film.film_id)),
        (WORKERS, lambda it: it.mine.exports.ask(it.job, "bundle", clips=False)),
    ),
    "exports.newest": (
        (READERS, lambda it: it.mine.exports.newest(it.job, "record")),
        (WORKERS, lambda it: it.mine.exports.newest(it.job, kind="bundle")),
    ),
    "exports.find": (
        (READERS, lambda it: it.mine.exports.find(it.job, it.record.export_id)),
        (WORKERS, lambda it: it.mine.exports.find(it.job, it.packed.export_id)),
    ),
    "exports.cancel": (
        (READERS, lambda it: it.mine.exports.cancel(it.record)),
        (WORKERS, lambda it: it.mine.exports.cancel(it.packed)),
    ),
}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


@pytest.fixture
def give(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Given]:
    """Puts somebody before a job that is there already."""
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    film = add_job(store)
    bundle = export_job(store, film.job_id, tmp_path / "job.zip", clips=False)
    elsewhere = Store(tmp_path / "elsewhere")
    foreign = export_job(elsewhere, add_job(elsewhere).job_id, tmp_path / "foreign.zip", clips=False)
    link = kept_sharing(store).make_link(film.job_id, "prepared", 1, None)
    record = exports.ask(store, film.job_id, "record", film=film.film_id)
    packed = exports.ask(store, film.job_id, "bundle", clips=False)

    def given(who: str) -> Given:
        person, level, _ = WHO[who]
        mine = of(store, person or Person(Role.GUEST, links={film.job_id: "Rita"}))
        if level is not None:
            kept_sharing(store).give(film.job_id, MAIL, level, None)
        return Given(mine, film, run_of(film), link, record, packed, bundle, foreign)

    return given


def public(whole: object) -> set[str]:
    """Names that anybody may use of a class or a module."""
    return {name for name in dir(whole) if not name.startswith("_")}


def offered_names() -> set[str]:
    """Everything that a person is offered, as it is called."""
    names = set()
    for part, (_, personal, _) in PARTS.items():
        names |= {f"{part}.{name}".removeprefix(".") for name in public(personal) - ASK_NOTHING}
    return names


@pytest.mark.parametrize("part", PARTS)
def test_what_is_not_listed_does_not_exist_for_a_person(store: Store, part: str) -> None:
    shared, personal, table = PARTS[part]
    assert set(table) == public(personal) - ASK_NOTHING, "each method is listed with its right"
    assert personal.__mro__ == (personal, object)
    assert not hasattr(personal, "__getattr__")
    mine = of(store, WHO["keeper"][0])
    given = getattr(mine, part) if part else mine
    kept_back = public(shared) - set(table)
    assert kept_back
    assert {name for name in kept_back if hasattr(given, name)} <= {"runs"}
    assert {name for name in vars(given) if not name.startswith("_")} == (
        set() if part else set(PARTS) - {""}
    )


def test_every_method_offered_is_tried_here() -> None:
    assert set(CALLS) == offered_names()
    assert len(CALLS) > 25


@pytest.mark.parametrize("who", WHO)
def test_every_method_asks_everybody_for_its_right(give: Callable[[str], Given], who: str) -> None:
    it = give(who)
    for name, calls in CALLS.items():
        for number, (allowed, call) in enumerate(calls):
            sentence = refused(lambda call=call: call(it))
            assert (sentence is None) == (who in allowed), (name, number, sentence)
            if sentence is not None and who not in READERS and name not in ("new_job", "receive", "take_in"):
                not_there = {"film": "no film", "analyse_again": "no film"}.get(name, "no job")
                not_there = "no analysis" if name.startswith("runs.") else not_there
                assert not_there in sentence, name


@pytest.mark.parametrize("who", WHO)
def test_what_cannot_be_read_answers_as_what_is_not_there(give: Callable[[str], Given], who: str) -> None:
    it = give(who)
    nowhere = "0" * 32
    pairs: list[tuple[Callable[[], object], Callable[[], object]]] = [
        (lambda: it.mine.job(it.job), lambda: it.mine.job(nowhere)),
        (lambda: it.mine.film(it.film.film_id), lambda: it.mine.film(nowhere)),
        (lambda: it.mine.runs.run(it.run.run_id), lambda: it.mine.runs.run(nowhere)),
        (lambda: it.mine.analyse_again(it.film.film_id), lambda: it.mine.analyse_again(nowhere)),
        (
            lambda: it.mine.exports.find(it.job, it.record.export_id),
            lambda: it.mine.exports.find(nowhere, nowhere),
        ),
    ]
    for here, missing in pairs:
        assert refused(missing) is not None
        if who not in READERS:
            assert refused(here) == refused(missing)
    assert {job.job_id for job in it.mine.jobs()} == ({it.job} if who in READERS else set())


@pytest.mark.parametrize("who", WHO)
def test_what_asks_for_nothing_only_says_what_somebody_may_do(give: Callable[[str], Given], who: str) -> None:
    it = give(who)
    assert it.mine.may(Right.READ, it.job) == it.mine.may_on_film(Right.READ, it.film.film_id)
    assert it.mine.may(Right.READ, it.job) == (who in READERS)
    assert it.mine.may(Right.CHANGE, it.job) == (who in WORKERS)
    assert not it.mine.may_on_film(Right.READ, "0" * 32)
    assert refused(lambda: it.mine.must(Right.READ, it.job)) == (None if who in READERS else NOT_THERE)


def test_a_class_that_offers_what_is_not_listed_does_not_load() -> None:
    def offering(**methods: Callable[..., object]) -> type:
        return type("Offering", (), dict(methods))

    table = {"read": Takes(Right.READ, "job_id"), "all": Takes(Right.READ, EACH)}
    whole = {"read": lambda self, job_id: None, "all": lambda self: ()}
    assert offers(table)(offering(**whole))
    with pytest.raises(TypeError, match="secret"):
        offers(table)(offering(**whole, secret=lambda self: None))
    with pytest.raises(TypeError, match="all"):
        offers(table)(offering(read=whole["read"]))
    with pytest.raises(TypeError, match="no argument job_id"):
        offers(table)(offering(**whole | {"read": lambda self: None}))
