"""Who may do what, decided without any page: roles, shares, links, the store as one person may use it."""

from __future__ import annotations

import base64
import random
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from fake_result import write_fake_result
from sqlalchemy import insert, select
from stored import Clock, add_job, measured, run_of

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import ALONE, Level, Person, Right, Role, Shares, author, may
from strokecurve.app.access.sharing import DAY_S, KEY_FILE, MOST_DAYS, Sharing
from strokecurve.app.access.sign_in import SignIn
from strokecurve.app.page.authentication import LINK_COOKIE, person_of
from strokecurve.app.page.words import said_by
from strokecurve.app.report.blocks import Text
from strokecurve.app.report.job import Reviewed
from strokecurve.app.report.work import review_section
from strokecurve.app.store import schema
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.entries import no_job
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.removing import remove_job
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import Comment, Entry, FilmFacts, JobFacts, Provenance, Verdict

MAIL = "ann@works.example"
SEED = 20261126

# Who has which rights on a job: by role and part in it. Written out, not computed.
READING = {Right.READ, Right.COMMENT}
ON_A_JOB = {
    (Role.TECHNICIAN, Level.OWN): READING | {Right.CHANGE, Right.SHARE},
    (Role.TECHNICIAN, Level.CHANGE): READING | {Right.CHANGE},
    (Role.TECHNICIAN, Level.READ): READING,
    (Role.TECHNICIAN, Level.NONE): set(),
    (Role.REVIEWER, Level.OWN): READING,
    (Role.REVIEWER, Level.CHANGE): READING,
    (Role.REVIEWER, Level.READ): READING,
    (Role.REVIEWER, Level.NONE): set(),
    (Role.GUEST, Level.OWN): set(),
    (Role.GUEST, Level.CHANGE): set(),
    (Role.GUEST, Level.READ): set(),
    (Role.GUEST, Level.NONE): set(),
}
ANYWHERE = {
    Role.TECHNICIAN: {Right.ENTER, Right.START},
    Role.REVIEWER: {Right.ENTER},
    Role.GUEST: set(),
}


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Store:
    return Store(tmp_path / "store", clock)


def kept_sharing(store: Store) -> Sharing:
    return Sharing(store.database, store.folder, store.clock)


@pytest.fixture
def sharing(store: Store) -> Sharing:
    return kept_sharing(store)


def of(store: Store, person: Person) -> PersonalStore:
    return PersonalStore(store, lambda: person)


# Decisions


@pytest.mark.parametrize(("role", "level"), ON_A_JOB)
@pytest.mark.parametrize("right", Right)
def test_rights_on_a_job_are_those_of_the_table(role: Role, level: Level, right: Right) -> None:
    job = Shares("j", {MAIL: level, "somebody@else.example": Level.OWN})
    assert may(Person(role, MAIL), right, job) == (right in ON_A_JOB[role, level])


@pytest.mark.parametrize("role", ANYWHERE)
@pytest.mark.parametrize("right", Right)
def test_rights_away_from_any_job_are_those_of_the_table(role: Role, right: Right) -> None:
    assert may(Person(role, MAIL), right) == (right in ANYWHERE[role])


@pytest.mark.parametrize("right", Right)
@pytest.mark.parametrize("job", [None, Shares("j")])
def test_the_keeper_and_whoever_is_alone_may_do_everything(right: Right, job: Shares | None) -> None:
    assert may(ALONE, right, job)
    assert may(Person(Role.KEEPER, MAIL), right, job)


@pytest.mark.parametrize("role", [Role.GUEST, Role.REVIEWER, Role.TECHNICIAN])
@pytest.mark.parametrize("right", Right)
def test_a_link_adds_reading_of_its_own_job_and_nothing_else(role: Role, right: Right) -> None:
    holder = Person(role, MAIL, links={"j": "Rita"})
    assert may(holder, right, Shares("j")) == (right in READING)
    assert not may(holder, right, Shares("k"))
    assert may(Person(Role.GUEST, links={"j": "Rita"}), right) == (right is Right.ENTER)


def test_without_an_address_no_share_counts() -> None:
    assert not may(Person(Role.TECHNICIAN), Right.READ, Shares("j", {MAIL: Level.OWN}))


def test_an_entry_is_from_whoever_signed_in() -> None:
    ann = Person(Role.TECHNICIAN, MAIL, "Ann <b> Example\n")
    assert author(ann, "j", "The Keeper") == f"Ann b Example <{MAIL}>"
    assert author(Person(Role.REVIEWER, MAIL, "A" * 80), "j", None) == MAIL
    assert author(ALONE, "j", "Typed") == "Typed"
    assert author(ALONE, "j", None) is None


def test_who_came_by_a_link_cannot_pass_for_somebody_else() -> None:
    guest = Person(Role.GUEST, links={"j": "Rita"})
    assert author(guest, "j", "Ann Example") == "Ann Example (by the link for Rita)"
    assert author(guest, "j", None) == "no name given (by the link for Rita)"
    long = author(Person(Role.GUEST, links={"j": "R" * 80}), "j", "A" * 80)
    assert long is not None
    assert len(long) <= 80
    assert "by the link for R" in long


# The store as one person may use it


def refused(action: Callable[[], object]) -> str | None:
    """What a refusal says; None if it was let through."""
    try:
        action()
    except StoreError as error:
        return error.message
    return None


NOT_THERE = no_job().message


def attempts(store: Store, mine: PersonalStore, film: Film, bundle: Path) -> dict[str, Callable[[], object]]:
    """Everything that a page can do with a job."""
    job, run = film.job_id, run_of(film).run_id
    link = kept_sharing(store).make_link(job, "prepared", 1, None)
    return {
        "job": lambda: mine.job(job),
        "film": lambda: mine.film(film.film_id),
        "run": lambda: mine.runs.run(run),
        "entries": lambda: mine.entries(job, Comment),
        "latest": lambda: mine.latest(job, JobFacts),
        "intended": lambda: mine.intended(job, "motor:shaft1"),
        "intended entry": lambda: mine.intended_entry(job, "motor:shaft1"),
        "comment": lambda: mine.add(job, Comment("x"), "x"),
        "verdict": lambda: mine.add(job, Verdict("accept"), "x"),
        "facts": lambda: mine.add(job, JobFacts("x")),
        "film facts": lambda: mine.add(job, FilmFacts(None, "x"), film_id=film.film_id),
        "add film": lambda: mine.add_film(job, film.clip, FilmFacts(None, "x")),
        "again": lambda: mine.analyse_again(film.film_id),
        "cancel": lambda: mine.runs.request_cancel(run),
        "bundle": lambda: mine.take_in(bundle),
        "share": lambda: mine.sharing.give(job, "x@y.example", Level.READ),
        "link": lambda: mine.sharing.make_link(job, "x", 1),
        "withdraw": lambda: mine.sharing.withdraw(link),
        "new": mine.new_job,
        "receive": lambda: mine.receive([b"x"], "x.mp4"),
    }


READ_ONLY = {"job", "film", "run", "entries", "latest", "intended", "intended entry"}
SAYING = READ_ONLY | {"comment", "verdict"}
WORKING = SAYING | {"facts", "film facts", "add film", "again", "cancel", "bundle"}
BEGINNING = {"new", "receive"}
SHARING = {"share", "link", "withdraw"}
WHO = {
    "alone": (ALONE, None, WORKING | BEGINNING | SHARING),
    "keeper": (Person(Role.KEEPER, MAIL), None, WORKING | BEGINNING | SHARING),
    "owner": (Person(Role.TECHNICIAN, MAIL), Level.OWN, WORKING | BEGINNING | SHARING),
    "helper": (Person(Role.TECHNICIAN, MAIL), Level.CHANGE, WORKING | BEGINNING),
    "reading technician": (Person(Role.TECHNICIAN, MAIL), Level.READ, SAYING | BEGINNING),
    "other technician": (Person(Role.TECHNICIAN, MAIL), None, BEGINNING),
    "technician put out": (Person(Role.TECHNICIAN, MAIL), Level.NONE, BEGINNING),
    "reviewer": (Person(Role.REVIEWER, MAIL), Level.READ, SAYING),
    "other reviewer": (Person(Role.REVIEWER, MAIL), None, set()),
    "link holder": (None, None, SAYING),
    "not listed": (Person(Role.GUEST, MAIL), Level.OWN, set()),
    "nobody": (Person(Role.GUEST), None, set()),
}


@pytest.mark.parametrize("who", WHO)
def test_everybody_can_do_exactly_what_is_theirs(store: Store, tmp_path: Path, who: str) -> None:
    film = add_job(store)
    export_job(store, film.job_id, tmp_path / "job.zip", clips=False)
    person, level, allowed = WHO[who]
    person = person or Person(Role.GUEST, links={film.job_id: "Rita"})
    mine = of(store, person)
    if level is not None:
        kept_sharing(store).give(film.job_id, MAIL, level, None)
    tried = attempts(store, mine, film, tmp_path / "job.zip")
    outcome = {name: refused(action) for name, action in tried.items()}
    assert {name for name, sentence in outcome.items() if sentence is None} == allowed
    assert [job.job_id for job in mine.jobs() if job.job_id == film.job_id] == (
        [film.job_id] if "job" in allowed else []
    )
    if "job" not in allowed:
        nothing = of(store, person)
        assert outcome["job"] == refused(lambda: nothing.job("0" * 32)) == NOT_THERE
        assert outcome["run"] == refused(lambda: nothing.runs.run("0" * 32))
        assert outcome["film"] == refused(lambda: nothing.film("0" * 32))
        assert {outcome[name] for name in WORKING - READ_ONLY - {"again", "cancel", "bundle"}} == {NOT_THERE}


def test_refusals_leave_no_trace(store: Store, tmp_path: Path) -> None:
    film = add_job(store)
    export_job(store, film.job_id, tmp_path / "job.zip", clips=False)

    def rows() -> list[int]:
        with store.database.reading() as connection:
            tables = schema.metadata.sorted_tables
            return [len(connection.execute(select(table)).all()) for table in tables]

    mine = of(store, Person(Role.GUEST, MAIL))
    tried = attempts(store, mine, film, tmp_path / "job.zip")
    before = rows()
    assert all(refused(action) for action in tried.values())
    assert rows() == before
    assert len(list((store.folder / "clips").iterdir())) == 1


def test_a_new_job_is_its_makers_own_and_said_by_them(store: Store) -> None:
    ann = Person(Role.TECHNICIAN, MAIL, "Ann")
    mine = of(store, ann)
    job = mine.new_job(JobFacts("Invented burner"), author="Somebody else")
    assert mine.sharing.shares(job.job_id).levels == {MAIL: Level.OWN}
    assert store.entries(job.job_id, JobFacts)[0].author == f"Ann <{MAIL}>"
    mine.add(job.job_id, Comment("x"), "The Keeper")
    assert store.entries(job.job_id, Comment)[0].author == f"Ann <{MAIL}>"
    assert of(store, ALONE).new_job(JobFacts("x"), author="Typed").job_id
    assert [one.job_id for one in mine.jobs()] == [job.job_id]


def test_a_bundle_that_brings_a_new_job_makes_it_ones_own(store: Store, tmp_path: Path) -> None:
    other = Store(tmp_path / "other", store.clock)
    film = add_job(other)
    measured(other, film, write_fake_result)
    export_job(other, film.job_id, tmp_path / "job.zip", clips=True)
    mine = of(store, Person(Role.TECHNICIAN, MAIL))
    assert mine.take_in(tmp_path / "job.zip").new_job
    assert mine.may(Right.SHARE, film.job_id)
    assert not of(store, Person(Role.TECHNICIAN, "b@works.example")).may(Right.READ, film.job_id)


def test_what_came_in_a_bundle_says_so_whatever_name_its_sender_wrote(
    store: Store, clock: Clock, tmp_path: Path
) -> None:
    """A technician writes a verdict under a reviewer's name and takes it in as a bundle."""
    rita = "Rita <rita@office.example>"
    elsewhere = Store(tmp_path / "elsewhere", clock)
    film = add_job(elsewhere)
    measured(elsewhere, film, write_fake_result)
    elsewhere.add(film.job_id, Verdict("accept", "All well."), rita)
    export_job(elsewhere, film.job_id, tmp_path / "job.zip")
    clock.now += 60
    ann = of(store, Person(Role.TECHNICIAN, MAIL, "Ann"))
    ann.take_in(tmp_path / "job.zip")
    clock.now += 60
    reviewer = Person(Role.REVIEWER, "rita@office.example", "Rita")
    ann.sharing.give(film.job_id, "rita@office.example", Level.READ)
    of(store, reviewer).add(film.job_id, Verdict("adjust", "Not so."))
    forged, own = store.entries(film.job_id, Verdict)
    assert forged.author == own.author == rita
    assert (forged.provenance, own.provenance) == (Provenance(clock.now - 60, f"Ann <{MAIL}>"), None)
    for words in (said_by(forged), report_words(forged)):
        assert words.startswith(f"{rita}, 2026-02-02 ")
        assert f"; came in a bundle, taken in by Ann <{MAIL}> on 2026-02-02 " in words
    for words in (said_by(own), report_words(own)):
        assert "bundle" not in words
    again = export_job(store, film.job_id, tmp_path / "again.zip")
    assert ann.take_in(again).entries == 0, "what a store knows of an entry is no part of it"
    remove_job(store, film.job_id)
    assert store.jobs() == ()


def report_words(entry: Entry[Verdict]) -> str:
    """Who gave a verdict, as the record prints it."""
    section = review_section((Reviewed(entry, (), True, ()),))
    return next(block.words for block in section.blocks if isinstance(block, Text) and block.style == "small")


def test_a_bundle_that_only_names_somebody_elses_clip_does_not_get_it(store: Store, tmp_path: Path) -> None:
    film = add_job(store)
    clip = film.clip
    ann, bob = (of(store, Person(Role.TECHNICIAN, f"{name}@works.example")) for name in ("ann", "bob"))
    kept_sharing(store).give(film.job_id, "ann@works.example", Level.OWN, None)
    forger = Store(tmp_path / "forger", store.clock)
    with forger.database.writing() as connection:
        row = {"id": clip.clip_id, "made_s": 0.0, "file": clip.path.name, "here": 0}
        row |= {"size_bytes": clip.size_bytes, "sha256": clip.sha256}
        connection.execute(insert(schema.clip).values(row))
    job = forger.new_job().job_id
    forger.add_film(job, forger.clip(clip.clip_id), FilmFacts(None, "x"))
    export_job(forger, job, tmp_path / "forged.zip", clips=False)
    assert refused(lambda: bob.take_in(tmp_path / "forged.zip")) is not None
    with pytest.raises(StoreError):
        store.job(job)
    assert refused(lambda: ann.take_in(tmp_path / "forged.zip")) is None, "it is hers anyway"


# Shares and links as they are kept


def test_the_newest_share_counts(store: Store, sharing: Sharing) -> None:
    job = store.new_job().job_id
    for level in (Level.READ, Level.OWN, Level.NONE, Level.CHANGE, Level.NONE):
        sharing.give(job, "Ann@Works.example", level, "keeper")
        expected = {} if level is Level.NONE else {MAIL: level}
        assert sharing.shares(job).levels == expected
        assert sharing.all_shares()[job].levels == expected
    with pytest.raises(StoreError, match="no job"):
        sharing.give("0" * 32, MAIL, Level.READ, None)


def test_a_link_opens_its_job_until_it_ends_or_is_withdrawn(
    store: Store, sharing: Sharing, clock: Clock
) -> None:
    job = store.new_job().job_id
    link = sharing.make_link(job, " Rita ", 14, "ann")
    token = sharing.token(link)
    assert sharing.token(link) == token
    assert sharing.opened_by(token) == link == sharing.links(job)[0]
    assert sharing.held([token, token, "x"]) == {job: "Rita"}
    clock.now += 14 * DAY_S - 1
    assert sharing.opened_by(token) is not None
    clock.now += 1
    assert sharing.opened_by(token) is None
    second = sharing.make_link(job, "Rita", 14, "ann")
    other = store.new_job().job_id
    sharing.withdraw(other, second.link_id)
    assert sharing.opened_by(sharing.token(second)) is not None, "a link is withdrawn by its own job only"
    sharing.withdraw(job, second.link_id)
    assert sharing.opened_by(sharing.token(second)) is None
    assert sharing.links(job)[0].withdrawn_s == clock.now


def test_a_reviewer_may_hold_links_to_many_jobs_and_old_ones_take_no_places(
    store: Store, sharing: Sharing, clock: Clock, tmp_path: Path
) -> None:
    """Cookies as a browser sends them after a year of reviews: 40 that have ended, 40 withdrawn, 40 open."""
    cookies, loaded = {}, {}
    for number in range(120):
        job = store.new_job().job_id
        link = sharing.make_link(job, f"Rita {number}", 1 if number < 40 else 14, "ann")
        cookies[f"{LINK_COOKIE}{job}"] = sharing.token(link)
        if 40 <= number < 80:
            sharing.withdraw(job, link.link_id)
        elif number >= 80:
            loaded[job] = f"Rita {number}"
    clock.now += 2 * DAY_S
    redirect = "https://linkage.example/oauth2callback"
    sign_in = SignIn("https://id.example/", "strokecurve", redirect, 12, {}, {}, "s" * 40, "c" * 40)
    person = person_of(sign_in, None, cookies, sharing, clock())
    assert person.links == loaded


@pytest.mark.parametrize(
    ("label", "days"), [("", 14), (" ", 14), ("a\nb", 14), ("x" * 81, 14), ("x", 0), ("x", MOST_DAYS + 1)]
)
def test_a_link_that_makes_no_sense_is_refused(
    store: Store, sharing: Sharing, label: str, days: float
) -> None:
    job = store.new_job().job_id
    with pytest.raises(StoreError):
        sharing.make_link(job, label, days, None)
    assert sharing.links(job) == ()


def test_the_key_of_links_is_for_its_owner_only_and_not_in_the_database(
    store: Store, sharing: Sharing
) -> None:
    assert sharing.opened_by("anything") is None
    file = store.folder / KEY_FILE
    assert not file.exists(), "looking at a token makes no key"
    job = store.new_job().job_id
    token = sharing.token(sharing.make_link(job, "Rita", 1, None))
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    key = file.read_text()
    assert len(key) == 64
    assert Sharing(store.database, store.folder, store.clock).opened_by(token) is not None
    files = list(store.folder.glob("jobs.sqlite*"))
    assert files
    assert all(key.encode() not in path.read_bytes() for path in files)
    file.write_text("0" * 64)
    assert sharing.opened_by(token) is None, "signed with another key"


def forged(token: str, number: int, chance: random.Random) -> str:
    """A token that is nearly right, or not at all."""
    signs = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_."
    kind = number % 5
    if kind == 0:
        return "".join(chance.choices(signs, k=len(token)))
    if kind == 1:
        return token[: chance.randrange(len(token) - 1)]
    if kind == 2:
        at = chance.randrange(len(token) - 1)  # the last sign holds bits that nothing reads
        return token[:at] + chance.choice([sign for sign in signs if sign != token[at]]) + token[at + 1 :]
    payload, _, signature = token.rpartition(".")
    if kind == 3:
        return f"{payload}.{''.join(chance.choices(signs[:-1], k=len(signature)))}"
    invented = base64.urlsafe_b64encode(f'["{chance.randbytes(16).hex()}", 9e9]'.encode()).rstrip(b"=")
    return f"{invented.decode()}.{signature}"


def test_a_thousand_guessed_tokens_open_nothing(store: Store, sharing: Sharing) -> None:
    chance = random.Random(SEED)
    token = sharing.token(sharing.make_link(store.new_job().job_id, "Rita", 14, None))
    for number in range(1000):
        guess = forged(token, number, chance)
        assert guess != token
        assert sharing.opened_by(guess) is None, guess
    assert sharing.opened_by("x" * 1_000_000) is None
    assert sharing.opened_by(token) is not None


def test_ids_are_random_and_never_repeat(store: Store) -> None:
    ids = [store.new_job().job_id for _ in range(20)]
    assert len(set(ids)) == 20
    assert all(len(one) == 32 and int(one, 16) >= 0 for one in ids)
    assert len({one[:4] for one in ids}) > 15, "no counter in front"
