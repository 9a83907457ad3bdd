"""The jobs people have started: films, analyses, and everything put on record, kept on disk.

One folder holds everything: ``jobs.sqlite`` (unless another database is given), ``clips/`` (uploads under
names of our own), ``results/`` (one folder a run) and ``logs/``. Nothing is ever overwritten or deleted here.
Every call is one short transaction, so any number of processes may share a store.
"""

from __future__ import annotations

import os
import re
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, cast

from sqlalchemy import ColumnElement, Connection, Row, insert, select
from sqlalchemy.engine import URL

from strokecurve.app.store import schema
from strokecurve.app.store.database import Database
from strokecurve.app.store.entries import add_entry, entries_of, entry_from, lock_job, no_job
from strokecurve.app.store.jobs import Clip, Film, Job, Run
from strokecurve.app.store.migrations import migrate
from strokecurve.app.store.queue import RunQueue, queue_run
from strokecurve.app.store.row_validation import damaged_list, valid_row, valid_rows
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import (
    LARGEST_CLIP_BYTES,
    check_size,
    check_space,
    measure_file,
    new_id,
    new_part,
    remove,
    remove_leftovers,
    remove_old_exports,
    sync_folder,
    write_chunks,
)
from strokecurve.app.words.statements import (
    LABEL_LENGTH,
    C,
    Content,
    Entry,
    FilmFacts,
    IntendedChoice,
    JobFacts,
    RigText,
    kind_of,
)

__all__ = ["DATABASE_VARIABLE", "Store", "StoreError", "default_folder", "display_label"]

DATABASE_FILE = "jobs.sqlite"
DATABASE_VARIABLE = "STROKECURVE_DATABASE"
"""Environment variable with the address of another database; never an argument, which others could read."""
CLIP_ENDINGS = (".mp4", ".mov")
FOLDERS = ("clips", "results", "logs", "incoming")


def default_folder() -> Path:
    """Folder for the jobs of the person logged in, by the custom of the operating system."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    return base / "strokecurve"


def own_database(folder: Path) -> URL:
    """Address of the database in a store's own folder, whatever the environment names."""
    return URL.create("sqlite", database=str(Path(folder).expanduser().resolve() / DATABASE_FILE))


def display_label(client_name: str) -> str:
    """A client's file name made fit for display: last part only, printable, not too long."""
    last = re.split(r"[\\/]", client_name)[-1]
    clean = "".join(character for character in last if character.isprintable()).strip()
    return clean[:LABEL_LENGTH].strip() or "clip"


class Store:
    """The jobs in one folder.

    Parameters
    ----------
    folder : Path
        Made if missing.
    clock : callable
        Gives seconds since 1970; another clock may be handed in.
    database : str or URL, optional
        SQLAlchemy address of the database; by default the environment's, else ``own_database``.

    Raises
    ------
    StoreError
        If the folder cannot be made or holds a store of a newer version.
    """

    def __init__(
        self, folder: Path, clock: Callable[[], float] = time.time, database: str | URL | None = None
    ) -> None:
        self.folder = Path(folder).expanduser().resolve()
        self.clock = clock
        try:
            # Clips show somebody's plant: other people of this computer have no business in a new folder.
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            for name in FOLDERS:
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"The folder for jobs, {self.folder}, cannot be used: {error.strerror}.",
                "Choose another with --store.",
            ) from error
        own = own_database(self.folder)
        chosen = database or os.environ.get(DATABASE_VARIABLE) or own
        self.address = None if chosen is own else _written(chosen)
        self.database = Database(
            chosen, str(own.database) if chosen == own else f"the database named in {DATABASE_VARIABLE}"
        )
        migrate(self.database, clock)
        self.runs = RunQueue(self.database, self.folder, clock)
        self.remove_leftovers()

    @property
    def own_environment(self) -> dict[str, str]:
        """Variables that let another process open the same store."""
        return {} if self.address is None else {DATABASE_VARIABLE: self.address}

    def remove_leftovers(self) -> None:
        """Remove what broken uploads, killed runs and imports left, or what was made, more than a day ago."""
        for name in ("clips", "results", "incoming"):
            remove_leftovers(self.folder / name, self.clock())
        remove_old_exports(self.folder, self.clock())

    # Clips and films

    def receive(
        self,
        chunks: Iterable[bytes],
        client_name: str,
        size_bytes: int | None = None,
        most_bytes: int = LARGEST_CLIP_BYTES,
    ) -> Clip:
        """Keep a clip that arrives in chunks.

        Parameters
        ----------
        chunks : iterable of bytes
            The clip; goes straight to the disk.
        client_name : str
            Name given by the person's device; only its ending counts.
        size_bytes : int, optional
            Size announced: the free disk space is checked first, and fewer bytes mean the upload broke off.
        most_bytes : int
            Largest size accepted.

        Returns
        -------
        Clip
            Safely on the disk; ``add_film`` makes it a film of a job.

        Raises
        ------
        StoreError
            If the clip is empty, too large or incomplete, or the disk is full. Nothing is left of it then.
        """
        check_size(size_bytes or 0, most_bytes, "this clip")
        check_space(self.folder, size_bytes or 0, "this clip")
        part = new_part(self.folder / "clips")
        try:
            size, sha256 = write_chunks(chunks, part, most_bytes, "this clip")
            if size == 0:
                raise StoreError("The clip is empty: it has no bytes.", "Film again or copy the file again.")
            if size_bytes is not None and size != size_bytes:
                raise StoreError(
                    f"The upload broke off: {size} of {size_bytes} bytes arrived.", "Upload the clip again."
                )
            return self._keep_clip(part, client_name, new_id(), size, sha256)
        except OSError as error:
            raise _not_stored(error) from error
        finally:
            remove(part)

    def adopt(self, file: Path, client_name: str, clip_id: str) -> Clip:
        """Keep a clip that has arrived completely and lies safely on the store's disk; it is moved.

        Parameters
        ----------
        file : Path
        client_name : str
            As for ``receive``.
        clip_id : str
            Name for it, from ``new_id``.

        Returns
        -------
        Clip

        Raises
        ------
        StoreError
            If the disk does not take it.
        """
        try:
            return self._keep_clip(file, client_name, clip_id, *measure_file(file))
        except OSError as error:
            raise _not_stored(error) from error

    def _keep_clip(self, file: Path, client_name: str, clip_id: str, size: int, sha256: str) -> Clip:
        """Write that a clip is here and give it its name."""
        ending = Path(client_name).suffix.lower()
        name = clip_id + (ending if ending in CLIP_ENDINGS else ".mp4")
        clips = self.folder / "clips"
        row = {"id": clip_id, "made_s": self.clock(), "file": name, "here": 1}
        with self.database.writing() as connection:
            connection.execute(insert(schema.clip).values(row | {"size_bytes": size, "sha256": sha256}))
            os.replace(file, clips / name)
            sync_folder(clips)
        return Clip(clip_id, clips / name, size, sha256, here=True)

    def clip(self, clip_id: str) -> Clip:
        """A clip that was received, by its id; raises StoreError if there is none."""
        table = schema.clip
        with self.database.reading() as connection:
            row = connection.execute(select(table).where(table.c.id == clip_id)).first()
        if row is None:
            raise StoreError("There is no clip of this name in this store.", "Upload it again.")
        return self._clip_from(row)

    def _clip_from(self, row: Row[Any]) -> Clip:
        """A database row as a clip; raises StoreError if it is damaged."""
        valid_row(schema.clip, row)
        path = self.folder / "clips" / row.file
        return Clip(row.id, path, row.size_bytes, row.sha256, bool(row.here))

    def new_job(
        self, facts: JobFacts | None = None, rig_toml: str | None = None, author: str | None = None
    ) -> Job:
        """Start a job without any film."""
        job_id, now = new_id(), self.clock()
        with self.database.writing() as connection:
            connection.execute(insert(schema.job).values(id=job_id, made_s=now))
            if facts is not None:
                add_entry(connection, job_id, facts, now, author)
            if rig_toml is not None:
                add_entry(connection, job_id, RigText(rig_toml), now, author)
        return self.job(job_id)

    def add_film(self, job_id: str, clip: Clip, facts: FilmFacts, author: str | None = None) -> Film:
        """Make a clip a film of a job and queue its analysis with the job's latest set-up.

        Raises
        ------
        StoreError
            If there is no such job or clip, or the clip is a film of another job.
        """
        film_id, now = new_id(), self.clock()
        film = schema.film
        with self.database.writing() as connection:
            lock_job(connection, job_id)
            known = connection.execute(select(schema.clip.c.id).where(schema.clip.c.id == clip.clip_id))
            users = connection.execute(select(film.c.job_id).where(film.c.clip_id == clip.clip_id)).scalars()
            if known.first() is None or any(user != job_id for user in users):
                raise StoreError("This clip cannot be added to the job.", "Upload it again.")
            connection.execute(
                insert(film).values(id=film_id, job_id=job_id, clip_id=clip.clip_id, made_s=now)
            )
            add_entry(connection, job_id, facts, now, author, film_id)
            queue_run(connection, film_id, self._rig_id(connection, job_id), now)
        return self.film(film_id)

    def analyse_again(self, film_id: str) -> Run:
        """Queue another analysis of a film with the job's latest set-up; earlier runs stay as they are."""
        film = self.film(film_id)
        if not film.clip.here:
            raise StoreError(
                "The clip of this film is not in this store; it came without its clip.",
                "Ask for a bundle with clips.",
            )
        with self.database.writing() as connection:
            rig_id = self._rig_id(connection, film.job_id)
            run_id = queue_run(connection, film_id, rig_id, self.clock())
        return self.runs.run(run_id)

    @staticmethod
    def _rig_id(connection: Connection, job_id: str) -> str | None:
        """Entry with the latest set-up of a job."""
        entries = entries_of(connection, job_id, kind_of(RigText))
        return entries[-1].entry_id if entries else None

    def rig_toml(self, run: Run) -> str | None:
        """The set-up a run is to be made with."""
        if run.rig_id is None:
            return None
        with self.database.reading() as connection:
            row = connection.execute(select(schema.entry).where(schema.entry.c.id == run.rig_id)).one()
        return cast(RigText, entry_from(row).content).toml

    # Jobs

    def job(self, job_id: str) -> Job:
        """One job by its id.

        Raises
        ------
        StoreError
            If there is none.
        """
        with self.database.reading() as connection:
            found = self._jobs(connection, schema.job.c.id == job_id)
        if not found:
            raise no_job()
        return found[0]

    def jobs(self) -> tuple[Job, ...]:
        """All jobs, newest first."""
        with self.database.reading() as connection:
            return self._jobs(connection, None)

    def film(self, film_id: str) -> Film:
        """One film by its id; raises StoreError if there is none."""
        with self.database.reading() as connection:
            job_id = connection.execute(
                select(schema.film.c.job_id).where(schema.film.c.id == film_id)
            ).scalar()
            jobs = self._jobs(connection, schema.job.c.id == job_id) if job_id else ()
        for job in jobs:
            return next(film for film in job.films if film.film_id == film_id)
        raise no_film()

    def job_of(self, film_id: str) -> str:
        """Id of the job of a film, without reading the job; raises StoreError if there is no such film."""
        query = select(schema.film.c.job_id).where(schema.film.c.id == film_id)
        with self.database.reading() as connection:
            job_id = connection.execute(query).scalar()
        if job_id is None:
            raise no_film()
        return str(job_id)

    def film_of_clip(self, clip_id: str) -> Film | None:
        """The film that a clip was made; None if it was made none."""
        query = select(schema.film.c.id).where(schema.film.c.clip_id == clip_id).limit(1)
        with self.database.reading() as connection:
            film_id = connection.execute(query).scalar()
        return None if film_id is None else self.film(film_id)

    def _jobs(self, connection: Connection, which: ColumnElement[bool] | None) -> tuple[Job, ...]:
        """Jobs with their films and runs, newest first."""
        job, film, run, entry = schema.job, schema.film, schema.run, schema.entry
        by_time = select(job).order_by(job.c.made_s.desc(), job.c.id)
        query = by_time if which is None else by_time.where(which)
        jobs = connection.execute(query).all()
        ids = [row.id for row in jobs] if which is not None else None

        def rows(query: Any, of: Any) -> Iterable[Row[Any]]:
            return connection.execute(query if ids is None else query.where(of.in_(ids))).all()

        facts: dict[tuple[str, str], Content] = {}  # the last of each job and film counts
        kinds = (about_job, about_film) = (kind_of(JobFacts), kind_of(FilmFacts))
        said = select(entry).where(entry.c.kind.in_(kinds)).order_by(entry.c.made_s, entry.c.id)
        for row in rows(said, entry.c.job_id):
            facts[row.kind, row.film_id or row.job_id] = entry_from(row).content
        runs: dict[str, list[Run]] = defaultdict(list)
        joined = select(run).join(film, run.c.film_id == film.c.id).order_by(run.c.made_s, run.c.id)
        for row in rows(joined, film.c.job_id):
            runs[row.film_id].append(self.runs.run_from(row))
        films: dict[str, list[Film]] = defaultdict(list)
        used = select(schema.clip).join(film, film.c.clip_id == schema.clip.c.id)
        clips = {row.id: self._clip_from(row) for row in rows(used, film.c.job_id)}
        for row in valid_rows(film, rows(select(film).order_by(film.c.made_s, film.c.id), film.c.job_id)):
            about, clip = facts.get((about_film, row.id)), clips.get(row.clip_id)
            if about is None or clip is None:
                raise damaged_list("a film has lost its clip or what was said about it")
            said_of_it, its_runs = cast(FilmFacts, about), tuple(runs[row.id])
            films[row.job_id].append(Film(row.id, row.job_id, row.made_s, said_of_it, clip, its_runs))
        return tuple(
            Job(
                row.id,
                row.made_s,
                cast(JobFacts, facts.get((about_job, row.id), JobFacts())),
                tuple(films[row.id]),
            )
            for row in valid_rows(job, jobs)
        )

    # What is on record

    def add(self, job_id: str, content: C, author: str | None = None, film_id: str | None = None) -> Entry[C]:
        """Put something on record.

        Parameters
        ----------
        job_id : str
        content : one of ``app.words.statements.Content``
            Earlier ones stay; the latest counts.
        author : str, optional
        film_id : str, optional
            Film it is about.

        Raises
        ------
        StoreError
            If the job is not there or the entry refers to what is not.
        """
        with self.database.writing() as connection:
            return add_entry(connection, job_id, content, self.clock(), author, film_id)

    def entries(self, job_id: str, kind: type[C]) -> tuple[Entry[C], ...]:
        """Everything of one kind on record about a job, in order of time."""
        with self.database.reading() as connection:
            return entries_of(connection, job_id, kind_of(kind))

    def latest(self, job_id: str, kind: type[C]) -> Entry[C] | None:
        """What counts of one kind; None if nothing was said."""
        found = self.entries(job_id, kind)
        return found[-1] if found else None

    def intended_entry(
        self, job_id: str, linkage: str, kind: str | None = None
    ) -> Entry[IntendedChoice] | None:
        """The intended travel chosen last for a linkage (of one kind, if asked for), or None."""
        for entry in reversed(self.entries(job_id, IntendedChoice)):
            if entry.content.linkage == linkage and kind in (None, entry.content.kind):
                return entry
        return None

    def intended(self, job_id: str, linkage: str) -> IntendedChoice | None:
        """What `intended_entry` says, without who said it and when."""
        entry = self.intended_entry(job_id, linkage)
        return entry.content if entry else None


def _written(address: str | URL) -> str:
    """A database address as text, for other processes of ours only: it may hold a password."""
    return address if isinstance(address, str) else address.render_as_string(hide_password=False)


def no_film() -> StoreError:
    """What to say of a film that is not there."""
    return StoreError("There is no film of this name in this store.", "Choose one from the list of jobs.")


def _not_stored(error: OSError) -> StoreError:
    return StoreError(f"The clip could not be stored: {error.strerror}.", "Check the disk and upload again.")
