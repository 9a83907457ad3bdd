"""The store as one person may use it: every call asks ``app.access.rules``, and entries carry their name.

Pages and routes that serve people are handed one of these, so none of them can forget to ask. What a
person may not see answers exactly as what is not there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import BinaryIO

from strokecurve.app.access import rules as access
from strokecurve.app.access.rules import Level, Person, Right, Role, Shares, may
from strokecurve.app.access.sharing import ReviewerLink, Sharing
from strokecurve.app.store.bundle_import import Merged, import_bundle
from strokecurve.app.store.entries import no_job
from strokecurve.app.store.jobs import Clip, Film, Job, Run
from strokecurve.app.store.queue import RunQueue
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import LARGEST_CLIP_BYTES
from strokecurve.app.words.statements import C, Entry, FilmFacts, JobFacts


class PersonalRuns(RunQueue):
    """Runs as one person may see and stop them."""

    def __init__(self, runs: RunQueue, store: PersonalStore) -> None:
        vars(self).update(vars(runs))
        self._all = runs
        self._store = store

    def run(self, run_id: str) -> Run:
        """One run by its id, if its job may be read."""
        run = self._all.run(run_id)
        if not self._store.may_on_film(Right.READ, run.film_id):
            raise StoreError("There is no analysis of this name.", "Choose one from the list of jobs.")
        return run

    def request_cancel(self, run_id: str) -> None:
        """Ask the worker to stop."""
        self._store.must_on_film(Right.CHANGE, self.run(run_id).film_id)
        self._all.request_cancel(run_id)


class PersonalStore(Store):
    """A store that is open already, for one person.

    Parameters
    ----------
    store : Store
        Shared by everybody; nothing is opened again.
    who : callable
        Gives the person as they are now, as a link may be withdrawn between two calls.
    """

    def __init__(self, store: Store, who: Callable[[], Person]) -> None:
        vars(self).update(vars(store))
        self._all = store
        self._who = who
        self.sharing = Sharing(store.database, store.folder, store.clock)
        self.runs = PersonalRuns(store.runs, self)

    @property
    def person(self) -> Person:
        """Whom it is for."""
        return self._who()

    # Rights

    def may(self, right: Right, job_id: str | None = None) -> bool:
        """Whether the person may do something, on a job if one is named."""
        person = self.person
        if person.role in (Role.ALONE, Role.KEEPER) or job_id is None:
            return may(person, right)
        return may(person, right, self.sharing.shares(job_id))

    def must(self, right: Right, job_id: str | None = None) -> None:
        """Refuse what the person may not do; what they may not even read is not there."""
        if self.may(right, job_id):
            return
        if job_id is not None and not self.may(Right.READ, job_id):
            raise no_job()
        raise StoreError("You may not do this here.", "Ask whoever owns the job, or the keeper.")

    def may_on_film(self, right: Right, film_id: str) -> bool:
        """Whether the person may do something on the job of a film."""
        try:
            return self.may(right, self._all.job_of(film_id))
        except StoreError:
            return False

    def must_on_film(self, right: Right, film_id: str) -> None:
        """Refuse what the person may not do on the job of a film."""
        self.must(right, self._all.job_of(film_id))

    # Reading

    def job(self, job_id: str) -> Job:
        """One job by its id, if it may be read."""
        self.must(Right.READ, job_id)
        return self._all.job(job_id)

    def jobs(self) -> tuple[Job, ...]:
        """All jobs that may be read, newest first."""
        person = self.person
        if person.role in (Role.ALONE, Role.KEEPER):
            return self._all.jobs()
        shares = self.sharing.all_shares()
        return tuple(
            job
            for job in self._all.jobs()
            if may(person, Right.READ, shares.get(job.job_id, Shares(job.job_id)))
        )

    def film(self, film_id: str) -> Film:
        """One film by its id, if its job may be read."""
        if not self.may_on_film(Right.READ, film_id):
            raise StoreError(
                "There is no film of this name in this store.", "Choose one from the list of jobs."
            )
        return self._all.film(film_id)

    def entries(self, job_id: str, kind: type[C]) -> tuple[Entry[C], ...]:
        """Everything of one kind on record about a job, in order of time."""
        self.must(Right.READ, job_id)
        return self._all.entries(job_id, kind)

    # Writing

    def receive(
        self,
        chunks: Iterable[bytes],
        client_name: str,
        size_bytes: int | None = None,
        most_bytes: int = LARGEST_CLIP_BYTES,
    ) -> Clip:
        """Keep a clip that arrives in chunks."""
        self.must(Right.START)
        return self._all.receive(chunks, client_name, size_bytes, most_bytes)

    def adopt(self, file: Path, client_name: str, clip_id: str) -> Clip:
        """Keep a clip that has arrived completely."""
        self.must(Right.START)
        return self._all.adopt(file, client_name, clip_id)

    def new_job(
        self, facts: JobFacts | None = None, rig_toml: str | None = None, author: str | None = None
    ) -> Job:
        """Start a job; it is the person's own."""
        self.must(Right.START)
        person = self.person
        said_by = author if person.role is Role.ALONE else person.words
        job = self._all.new_job(facts, rig_toml, said_by)
        self.own(job.job_id)
        return job

    def own(self, job_id: str) -> None:
        """Make a job that has just come into the store the person's own."""
        person = self.person
        if person.mail is not None:
            self.sharing.give(job_id, person.mail, Level.OWN, person.words)

    def add_film(self, job_id: str, clip: Clip, facts: FilmFacts, author: str | None = None) -> Film:
        """Make a clip a film of a job and queue its analysis."""
        self.must(Right.CHANGE, job_id)
        return self._all.add_film(job_id, clip, facts, access.author(self.person, job_id, author))

    def analyse_again(self, film_id: str) -> Run:
        """Queue another analysis of a film."""
        self.must_on_film(Right.CHANGE, film_id)
        return self._all.analyse_again(film_id)

    def add(self, job_id: str, content: C, author: str | None = None, film_id: str | None = None) -> Entry[C]:
        """Put something on record under the person's name."""
        self.must(access.right_to_say(content), job_id)
        return self._all.add(job_id, content, access.author(self.person, job_id, author), film_id)

    # Sharing

    def share(self, job_id: str, mail: str, level: Level) -> None:
        """Give somebody a part in a job, or take it away."""
        self.must(Right.SHARE, job_id)
        self.sharing.give(job_id, mail, level, self.person.words)

    def make_link(self, job_id: str, label: str, days: float) -> ReviewerLink:
        """Make a link for a reviewer."""
        self.must(Right.SHARE, job_id)
        return self.sharing.make_link(job_id, label, days, self.person.words)

    def withdraw_link(self, link: ReviewerLink) -> None:
        """Withdraw a link."""
        self.must(Right.SHARE, link.job_id)
        self.sharing.withdraw(link.job_id, link.link_id)

    # Bundles

    def take_in(self, bundle: Path | BinaryIO) -> Merged:
        """Take a bundle in; its job becomes the person's own if it was not here before."""
        self.must(Right.START)
        merged = import_bundle(self._all, bundle, self._check_merge, self.person.words)
        if merged.new_job:
            self.own(merged.job_id)
        return merged

    def _check_merge(self, job_id: str) -> None:
        """Refuse a bundle of a job that is here and is not the person's to change."""
        try:
            self._all.job(job_id)
        except StoreError:
            return
        if not self.may(Right.CHANGE, job_id):
            raise StoreError(
                "The bundle cannot be taken in: its job is not yours to change here.",
                "Ask the keeper to share the job with you.",
            )
