"""The store as one person may use it: what is listed in ``app.access.offered``, and nothing else.

Pages and routes that serve people are handed one of these, so none of them can forget to ask. Entries carry
the person's name. What a person may not see answers exactly as what is not there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import BinaryIO

from strokecurve.app.access.offered import ON_EXPORTS, ON_RUNS, ON_SHARING, ON_STORE, Rights, offers
from strokecurve.app.access.rules import Level, Person, Right, Role, Shares, author, right_to_export
from strokecurve.app.access.sharing import ReviewerLink, Sharing
from strokecurve.app.report.job import WorkOrder
from strokecurve.app.report.of_job import work_orders
from strokecurve.app.store.bundle import bundle_bytes
from strokecurve.app.store.bundle_import import Merged, import_bundle
from strokecurve.app.store.jobs import Clip, Film, Job, Run
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.tasks.exports import Export
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import LARGEST_CLIP_BYTES
from strokecurve.app.words.statements import C, Entry, FilmFacts, IntendedChoice, JobFacts


@offers(ON_RUNS)
class PersonalRuns:
    """Runs as one person may see and stop them."""

    def __init__(self, store: Store, rights: Rights) -> None:
        self._runs = store.runs
        self._rights = rights

    def run(self, run_id: str) -> Run:
        """One run by its id."""
        return self._runs.run(run_id)

    def before(self, run_id: str) -> int | None:
        """How many runs get a worker before this one; None if it does not wait for one."""
        return self._runs.before(run_id)

    def request_cancel(self, run_id: str) -> None:
        """Ask the worker to stop."""
        self._runs.request_cancel(run_id)


@offers(ON_SHARING)
class PersonalSharing:
    """Shares and links as one person may see and change them."""

    def __init__(self, store: Store, rights: Rights) -> None:
        self._store = store
        self._sharing = Sharing(store.database, store.folder, store.clock)
        self._rights = rights

    def shares(self, job_id: str) -> Shares:
        """Who has a part in a job."""
        return self._sharing.shares(job_id)

    def give(self, job_id: str, mail: str, level: Level) -> None:
        """Give somebody a part in a job, or take it away."""
        self._sharing.give(job_id, mail, level, self._rights.person.words)

    def links(self, job_id: str) -> tuple[ReviewerLink, ...]:
        """Every link of a job, the newest first."""
        return self._sharing.links(job_id)

    def make_link(self, job_id: str, label: str, days: float) -> ReviewerLink:
        """Make a link for a reviewer."""
        return self._sharing.make_link(job_id, label, days, self._rights.person.words)

    def withdraw(self, link: ReviewerLink) -> None:
        """Withdraw a link."""
        self._sharing.withdraw(link.job_id, link.link_id)

    def token(self, link: ReviewerLink) -> str:
        """What stands in the address of a link."""
        return self._sharing.token(link)

    def is_open(self, link: ReviewerLink) -> bool:
        """Whether a link lets anybody in now."""
        return link.open_at(self._store.clock())


@offers(ON_EXPORTS)
class PersonalExports:
    """Files made on request as one person may ask for them and fetch them."""

    def __init__(self, store: Store, rights: Rights) -> None:
        self._store = store
        self._rights = rights

    def ask(self, job_id: str, kind: str, **options: str | bool | None) -> Export:
        """Ask for something, as ``app.tasks.exports.ask``."""
        return exports.ask(self._store, job_id, kind, **options)

    def newest(self, job_id: str, kind: str, **options: str | bool | None) -> Export | None:
        """The newest of what was asked for of one kind, with these options; None if nothing was."""
        return exports.newest(self._store, job_id, kind, **options)

    def find(self, job_id: str, export_id: str) -> Export:
        """Something asked for earlier."""
        found = exports.find(self._store, job_id, export_id)
        self._rights.must(right_to_export(found.kind), job_id)
        return found

    def cancel(self, export: Export) -> None:
        """Ask for something to be stopped."""
        exports.cancel(self._store, export)


@offers(ON_STORE)
class PersonalStore:
    """A store that is open already, for one person.

    Parameters
    ----------
    store : Store
        Shared by everybody; nothing is opened again.
    who : callable
        Gives the person as they are now, as a link may be withdrawn between two calls.

    Attributes
    ----------
    runs : PersonalRuns
    sharing : PersonalSharing
    exports : PersonalExports
    """

    def __init__(self, store: Store, who: Callable[[], Person]) -> None:
        self._store = store
        self._rights = Rights(store, who)
        self.runs = PersonalRuns(store, self._rights)
        self.sharing = PersonalSharing(store, self._rights)
        self.exports = PersonalExports(store, self._rights)

    # Rights

    @property
    def person(self) -> Person:
        """Whom it is for."""
        return self._rights.person

    def may(self, right: Right, job_id: str | None = None) -> bool:
        """Whether the person may do something, on a job if one is named."""
        return self._rights.may(right, job_id)

    def may_on_film(self, right: Right, film_id: str) -> bool:
        """Whether the person may do something on the job of a film; not if there is no such film."""
        try:
            return self._rights.may(right, self._store.job_of(film_id))
        except StoreError:
            return False

    def must(self, right: Right, job_id: str | None = None) -> None:
        """Refuse what the person may not do; what they may not even read is not there."""
        self._rights.must(right, job_id)

    # Reading

    def jobs(self) -> tuple[Job, ...]:
        """All jobs that may be read, newest first."""
        return self._store.jobs()

    def job(self, job_id: str) -> Job:
        """One job by its id."""
        return self._store.job(job_id)

    def film(self, film_id: str) -> Film:
        """One film by its id."""
        return self._store.film(film_id)

    def entries(self, job_id: str, kind: type[C]) -> tuple[Entry[C], ...]:
        """Everything of one kind on record about a job, in order of time."""
        return self._store.entries(job_id, kind)

    def latest(self, job_id: str, kind: type[C]) -> Entry[C] | None:
        """What counts of one kind; None if nothing was said."""
        return self._store.latest(job_id, kind)

    def intended_entry(
        self, job_id: str, linkage: str, kind: str | None = None
    ) -> Entry[IntendedChoice] | None:
        """The intended travel chosen last for a linkage (of one kind, if asked for), or None."""
        return self._store.intended_entry(job_id, linkage, kind)

    def intended(self, job_id: str, linkage: str) -> IntendedChoice | None:
        """What `intended_entry` says, without who said it and when."""
        return self._store.intended(job_id, linkage)

    def work_orders(self, job_id: str) -> tuple[WorkOrder, ...]:
        """The work orders that count, as ``app.report.of_job.work_orders``."""
        return work_orders(self._store, job_id)

    def bundle_bytes(self, job_id: str, clips: bool) -> int:
        """Size that the bundle of a job will have, with or without its clips."""
        return bundle_bytes(self._store, self._store.job(job_id), clips)

    # Writing

    def new_job(
        self, facts: JobFacts | None = None, rig_toml: str | None = None, author: str | None = None
    ) -> Job:
        """Start a job; it is the person's own."""
        person = self.person
        job = self._store.new_job(facts, rig_toml, author if person.role is Role.ALONE else person.words)
        self._own(job.job_id)
        return job

    def receive(
        self,
        chunks: Iterable[bytes],
        client_name: str,
        size_bytes: int | None = None,
        most_bytes: int = LARGEST_CLIP_BYTES,
    ) -> Clip:
        """Keep a clip that arrives in chunks."""
        return self._store.receive(chunks, client_name, size_bytes, most_bytes)

    def add_film(self, job_id: str, clip: Clip, facts: FilmFacts, author: str | None = None) -> Film:
        """Make a clip a film of a job and queue its analysis."""
        return self._store.add_film(job_id, clip, facts, self._name(job_id, author))

    def analyse_again(self, film_id: str) -> Run:
        """Queue another analysis of a film."""
        return self._store.analyse_again(film_id)

    def add(self, job_id: str, content: C, author: str | None = None, film_id: str | None = None) -> Entry[C]:
        """Put something on record under the person's name."""
        return self._store.add(job_id, content, self._name(job_id, author), film_id)

    def take_in(self, bundle: Path | BinaryIO) -> Merged:
        """Take a bundle in; its job becomes the person's own if it was not here before."""
        merged = import_bundle(self._store, bundle, self._check_merge, self.person.words)
        if merged.new_job:
            self._own(merged.job_id)
        return merged

    def _name(self, job_id: str, typed: str | None) -> str | None:
        """Whom an entry is from."""
        return author(self.person, job_id, typed)

    def _own(self, job_id: str) -> None:
        """Make a job that has just come into the store the person's own."""
        person = self.person
        if person.mail is not None:
            sharing = Sharing(self._store.database, self._store.folder, self._store.clock)
            sharing.give(job_id, person.mail, Level.OWN, person.words)

    def _check_merge(self, job_id: str) -> None:
        """Refuse a bundle of a job that is here and is not the person's to change."""
        try:
            self._store.job(job_id)
        except StoreError:
            return
        if not self.may(Right.CHANGE, job_id):
            raise StoreError(
                "The bundle cannot be taken in: its job is not yours to change here.",
                "Ask the keeper to share the job with you.",
            )
