"""Entries of a job in the database: read, checked for what they refer to, and added in order of time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from strokecurve.app.store import schema
from strokecurve.app.store.row_validation import valid_row
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import new_id
from strokecurve.app.words.statements import (
    Choice,
    Comment,
    Content,
    Done,
    Entry,
    FilmFacts,
    JobFacts,
    Proposals,
    Provenance,
    RigText,
    from_json,
    kind_of,
    sentences,
    to_json,
)

TICK_S = 1e-6
"""Least distance in time of two entries of a job."""


@dataclass(frozen=True, slots=True)
class ProposalCounts:
    """What a choice and what was carried out of it are checked against.

    Attributes
    ----------
    in_list : mapping of str to int
        Number of proposals of each list, by the id of its entry.
    steps : mapping of str to int
        Number of steps of the work order of each choice, by the id of its entry.
    """

    in_list: Mapping[str, int]
    steps: Mapping[str, int]


def entry_from(row: Row[Any], provenance: Provenance | None = None) -> Entry[Any]:
    """A database row as an entry; raises InputError if it is damaged."""
    valid_row(schema.entry, row)
    content = from_json(row.kind, row.content_json)
    return Entry(row.id, row.job_id, row.film_id, row.made_s, row.author, content, provenance)


def entries_of(connection: Connection, job_id: str, kind: str | None = None) -> tuple[Entry[Any], ...]:
    """Entries of a job, of one kind if asked for, in order of time."""
    table, taken = schema.entry, schema.provenance
    came = select(taken).where(taken.c.job_id == job_id)
    provenance = {row.entry_id: Provenance(row.made_s, row.made_by) for row in connection.execute(came)}
    query = select(table).where(table.c.job_id == job_id).order_by(table.c.made_s, table.c.id)
    if kind is not None:
        query = query.where(table.c.kind == kind)
    return tuple(entry_from(row, provenance.get(row.id)) for row in connection.execute(query))


def check_place(entry: Entry[Any], films: set[str], proposals: ProposalCounts) -> None:
    """Check that what an entry refers to is there.

    Parameters
    ----------
    entry : Entry
    films : set of str
        Ids of the job's films.
    proposals : ProposalCounts
        Of all entries of the job, in whatever order they come.

    Raises
    ------
    StoreError
        If it is not.
    """
    content = entry.content
    if entry.film_id is not None and entry.film_id not in films:
        raise StoreError("An entry is about a film that does not belong to this job.", "Choose another film.")
    if isinstance(content, FilmFacts) and entry.film_id is None:
        raise StoreError("What is said about a film names no film.", "Choose a film.")
    if isinstance(content, JobFacts | RigText) and entry.film_id is not None:
        raise StoreError("What is said about the whole job names a film.", "Leave the film out.")
    if isinstance(content, Comment) and content.time_s is not None and entry.film_id is None:
        raise StoreError("A comment is tied to a moment but to no film.", "Choose a film.")
    if isinstance(content, Choice) and content.number >= proposals.in_list.get(content.proposals_id, 0):
        raise StoreError(
            "The proposal chosen does not belong to this job.", "Choose one of the job's proposals."
        )
    if isinstance(content, Done):
        _check_done(content, proposals.steps.get(content.choice_id))


def _check_done(done: Done, ordered: int | None) -> None:
    """Check what was carried out against the number of steps of its work order; None if there is none."""
    if ordered is None:
        raise StoreError(
            "What was carried out belongs to no proposal that was chosen in this job.",
            "Choose a proposal first.",
        )
    if len(done.steps) != ordered:
        raise StoreError(
            f"What was carried out has {len(done.steps)} steps, its work order {ordered}.",
            "Say for each step of the work order what became of it.",
        )


def film_ids(connection: Connection, job_id: str) -> set[str]:
    """Ids of a job's films."""
    film = schema.film
    return set(connection.execute(select(film.c.id).where(film.c.job_id == job_id)).scalars())


def proposal_counts(entries: tuple[Entry[Any], ...]) -> ProposalCounts:
    """How many proposals each list has, and how many steps the work order of each choice."""
    steps = {
        entry.entry_id: [len(sentences(one, "work_order")) for one in entry.content.all()]
        for entry in entries
        if isinstance(entry.content, Proposals)
    }
    chosen = {entry.entry_id: entry.content for entry in entries if isinstance(entry.content, Choice)}
    return ProposalCounts(
        {entry_id: len(of) for entry_id, of in steps.items()},
        {
            entry_id: steps[choice.proposals_id][choice.number]
            for entry_id, choice in chosen.items()
            if choice.number < len(steps.get(choice.proposals_id, ()))
        },
    )


def add_entry(
    connection: Connection,
    job_id: str,
    content: Content,
    now_s: float,
    author: str | None = None,
    film_id: str | None = None,
) -> Entry[Any]:
    """Add an entry on a connection that writes.

    Its time is the clock's, but never before that of an entry that is there already, so that the order
    stays that in which people saw things even if the clocks of two computers differ.

    Raises
    ------
    StoreError
        If the job is not there or the entry refers to what is not.
    """
    lock_job(connection, job_id)
    table = schema.entry
    last_s = connection.execute(select(func.max(table.c.made_s)).where(table.c.job_id == job_id)).scalar()
    made_s = round(max(now_s, (last_s or 0.0) + TICK_S), 6)
    entry = Entry(new_id(), job_id, film_id, made_s, author, content)
    wanted = ("proposals", "choice") if isinstance(content, Choice | Done) else ()
    there = tuple(one for kind in wanted for one in entries_of(connection, job_id, kind))
    check_place(entry, film_ids(connection, job_id), proposal_counts(there))
    insert_entry(connection, entry)
    return entry


def insert_entry(connection: Connection, entry: Entry[Any]) -> None:
    """Write an entry as it is."""
    connection.execute(
        insert(schema.entry).values(
            id=entry.entry_id,
            job_id=entry.job_id,
            film_id=entry.film_id,
            kind=kind_of(entry.content),
            made_s=entry.made_s,
            author=entry.author,
            content_json=to_json(entry.content),
        )
    )


def note_provenance(connection: Connection, entry: Entry[Any], provenance: Provenance) -> None:
    """Write down that an entry came in a bundle."""
    connection.execute(
        insert(schema.provenance).values(
            entry_id=entry.entry_id, job_id=entry.job_id, made_s=provenance.made_s, made_by=provenance.by
        )
    )


def lock_job(connection: Connection, job_id: str) -> None:
    """Hold up other writers of a job until the transaction ends.

    Raises
    ------
    StoreError
        If there is no such job.
    """
    # SQLite has one writer at a time anyway and ignores the lock.
    query = select(schema.job.c.id).where(schema.job.c.id == job_id).with_for_update()
    if connection.execute(query).first() is None:
        raise no_job()


def no_job() -> StoreError:
    """What to say to an address that belongs to no job."""
    return StoreError("This address belongs to no job in this store.", "Choose one from the list of jobs.")
