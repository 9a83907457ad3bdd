"""Removes a job for good, or a clip that is no film's: nothing else takes anything out of a store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, delete, select

from strokecurve.app.store import schema
from strokecurve.app.store.entries import lock_job
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.row_validation import valid_rows
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import EXPORTS, remove


@dataclass(frozen=True, slots=True)
class Removed:
    """What was removed.

    Attributes
    ----------
    title : str
    films, entries, size_bytes : int
        Size of the clips and results.
    """

    title: str
    films: int
    entries: int
    size_bytes: int


def remove_job(store: Store, job_id: str) -> Removed:
    """Remove a job with its films, clips, results, logs and everything said about it.

    First the rows go, in one transaction, then the files. What is left of the files if this is killed in
    between is listed by ``check``.

    Parameters
    ----------
    store : Store
    job_id : str

    Raises
    ------
    StoreError
        If there is no such job, or an analysis of it is waiting or under way.
    """
    title = store.job(job_id).title
    with store.database.writing() as connection:
        lock_job(connection, job_id)
        paths, size = _files(store.folder, connection, job_id)
        films, entries = _remove_rows(connection, job_id)
    for path in paths:
        remove(path)
    return Removed(title, films, entries, size)


def remove_clip(store: Store, clip_id: str) -> None:
    """Remove a clip that was taken in but has become no film; one that is a film's stays.

    Raises
    ------
    StoreError
        If the database cannot be written.
    """
    clip, film = schema.clip, schema.film
    with store.database.writing() as connection:
        files = connection.execute(select(clip.c.file).where(clip.c.id == clip_id)).scalars().all()
        if connection.execute(select(film.c.id).where(film.c.clip_id == clip_id).limit(1)).first():
            return
        connection.execute(delete(clip).where(clip.c.id == clip_id))
    for name in files:
        remove(store.folder / "clips" / name)


def _files(folder: Path, connection: Connection, job_id: str) -> tuple[tuple[Path, ...], int]:
    """Files and folders of a job, and the size of clips and results."""
    film, clip, run, run_file = schema.film, schema.clip, schema.run, schema.run_file
    clips, runs = (
        list(valid_rows(table, connection.execute(select(table).join(film).where(film.c.job_id == job_id))))
        for table in (clip, run)
    )
    if any(not RunState(row.state).ended for row in runs):
        raise StoreError(
            "An analysis of this job is waiting or under way.",
            "Wait until it has ended, or cancel it on the page.",
        )
    sizes = select(run_file.c.size_bytes).where(run_file.c.run_id.in_([row.id for row in runs]))
    size = sum(row.size_bytes or 0 for row in clips) + sum(connection.execute(sizes).scalars())
    paths = (
        *(folder / "clips" / row.file for row in clips),
        *(folder / "results" / row.id for row in runs),
        *(folder / "logs" / f"{row.id}.log" for row in runs),
        folder / EXPORTS / job_id,
    )
    return paths, size


def _remove_rows(connection: Connection, job_id: str) -> tuple[int, int]:
    """Remove every row that belongs to a job; gives how many were films and entries."""
    film, run, run_file, entry = schema.film, schema.run, schema.run_file, schema.entry
    rows = connection.execute(select(film).where(film.c.job_id == job_id)).all()
    films, clips = [row.id for row in rows], [row.clip_id for row in rows]
    runs = select(run.c.id).where(run.c.film_id.in_(films))
    connection.execute(delete(run_file).where(run_file.c.run_id.in_(runs)))
    connection.execute(delete(run).where(run.c.film_id.in_(films)))
    connection.execute(delete(schema.provenance).where(schema.provenance.c.job_id == job_id))
    entries = connection.execute(delete(entry).where(entry.c.job_id == job_id)).rowcount
    for table in reversed(schema.metadata.sorted_tables):  # the films, and who may see the job
        if "job_id" in table.c:
            connection.execute(delete(table).where(table.c.job_id == job_id))
    connection.execute(delete(schema.clip).where(schema.clip.c.id.in_(clips)))
    connection.execute(delete(schema.job).where(schema.job.c.id == job_id))
    return len(films), int(entries)
