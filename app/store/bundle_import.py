"""Takes a bundle into a store: a job not yet there is added, one that is there is merged.

Everything is copied beside the store's files and checked first; then rows are written and names are moved
in one transaction. Whenever that stops, the store is as before or has taken in the whole bundle.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, insert, select, update

from strokecurve.app.store import schema
from strokecurve.app.store.bundle import CLIPS, RESULTS, result_member
from strokecurve.app.store.bundle_reading import (
    BundleReader,
    ClipRecord,
    FilmRecord,
    JobRecord,
    RunRecord,
    refuse,
)
from strokecurve.app.store.entries import (
    check_place,
    entries_of,
    film_ids,
    insert_entry,
    note_provenance,
    proposal_counts,
)
from strokecurve.app.store.incoming_results import check_result
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.queue import files_of, record_files
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import InputError, StoreError
from strokecurve.app.words.files import check_space, new_part, remove, sync_folder
from strokecurve.app.words.statements import FilmFacts, Provenance, RigText

CLOCKS_APART_S = 86_400.0
"""How far another computer's clock may be ahead. Later entries are never put before those that are there, so
one from a clock years ahead would spoil the times of all that is said afterwards."""
REMADE = ("overlay.mp4", "frames/")
"""Files that each side may have drawn for itself; its own stays. All others must agree."""


@dataclass(frozen=True, slots=True)
class Merged:
    """What a bundle brought.

    Attributes
    ----------
    job_id : str
    new_job : bool
    films, runs, entries, clips : int
        How many of each were not there before.
    """

    job_id: str
    new_job: bool
    films: int
    runs: int
    entries: int
    clips: int

    def told(self) -> str:
        """What the bundle brought, in words."""
        counts = (
            (self.films, "film", "films"),
            (self.runs, "result", "results"),
            (self.entries, "entry", "entries"),
            (self.clips, "clip", "clips"),
        )
        new = ", ".join(f"{number} {one if number == 1 else many}" for number, one, many in counts if number)
        kind = "A new job was taken in" if self.new_job else "The bundle was merged into its job"
        return f"{kind}. New: {new or 'nothing'}."


@dataclass(slots=True)
class _Moves:
    """Files to move once all rows are written."""

    pairs: list[tuple[Path, Path]] = field(default_factory=list)

    def carry_out(self) -> None:
        """Move all or none; what is in the way belongs to nothing: an import that was killed left it."""
        done: list[Path] = []
        try:
            for source, target in self.pairs:
                target.parent.mkdir(exist_ok=True)
                if source.is_dir():
                    remove(target)
                os.replace(source, target)
                done.append(target)
            for folder in {target.parent for target in done}:
                sync_folder(folder)
        except BaseException:
            for target in done:
                remove(target)
            raise


def import_bundle(
    store: Store,
    bundle: Path | BinaryIO,
    check_job: Callable[[str], None] | None = None,
    by: str | None = None,
) -> Merged:
    """Take a bundle in.

    Parameters
    ----------
    store : Store
    bundle : Path or binary file that can seek
    check_job : callable, optional
        Raises StoreError if a bundle of a job, given by its id, is not to be taken in.
    by : str, optional
        Who takes it in; kept with every entry that it brings.

    Returns
    -------
    Merged

    Raises
    ------
    StoreError
        With one sentence, if anything about the bundle is wrong or it contradicts the store. Nothing has
        changed then.
    """
    if isinstance(bundle, Path):
        try:
            with bundle.open("rb") as file:
                return import_bundle(store, file, check_job, by)
        except OSError as error:
            raise StoreError(
                f"The bundle {bundle.name} cannot be read: {error.strerror}.", "Choose another file."
            ) from error
    reader = BundleReader(bundle)
    record = reader.record()
    check_clock(record, store.clock())
    if check_job is not None:
        check_job(record.job_id)
    incoming = new_part(store.folder / "incoming")
    moves = _Moves()
    try:
        check_space(store.folder, reader.total_bytes, "this bundle")
        incoming.mkdir()
        reader.copy_to(incoming)
        check_results(record, incoming / RESULTS)
        with store.database.writing() as connection:
            merged = _Merge(store, connection, record, incoming, moves, check_job, by).carry_out()
            moves.carry_out()
    except OSError as error:
        raise StoreError(
            f"The bundle could not be taken in: {error.strerror}.", "Check the disk and try again."
        ) from error
    finally:
        remove(incoming)
    return merged


def check_clock(record: JobRecord, now_s: float) -> None:
    """Refuse what comes from a clock that is far ahead of ours; StoreError says from when it is."""
    runs = [run for film in record.films for run in film.runs]
    latest_s = max(
        record.made_s,
        *(film.made_s for film in record.films),
        *(time_s for run in runs for time_s in (run.made_s, run.finished_s)),
        *(entry.made_s for entry in record.entries),
    )
    if latest_s > now_s + CLOCKS_APART_S:
        when, now = (time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(one)) for one in (latest_s, now_s))
        raise refuse(
            f"The bundle holds something from {when}, and here it is {now}.",
            "Set the clock of that computer or of this one right, then ask for the bundle again.",
        )


def check_results(record: JobRecord, folder: Path) -> None:
    """Refuse results that pages could not read; StoreError says what is wrong with which file."""
    for film in record.films:
        for run in film.runs:
            try:
                check_result(folder / run.run_id, "a result in the bundle")
            except InputError as error:
                raise refuse(error.message) from error


class _Merge:
    """One merge inside its transaction."""

    def __init__(
        self,
        store: Store,
        connection: Connection,
        record: JobRecord,
        incoming: Path,
        moves: _Moves,
        check_job: Callable[[str], None] | None = None,
        by: str | None = None,
    ) -> None:
        self.store = store
        self.provenance = Provenance(store.clock(), by)
        self.connection = connection
        self.record = record
        self.incoming = incoming
        self.moves = moves
        self.check_job = check_job

    def carry_out(self) -> Merged:
        """Write every row that is not there yet, refusing whatever contradicts one that is."""
        record = self.record
        job = {"id": record.job_id, "made_s": record.made_s}
        new_job = self._put(schema.job, job)
        clips = sum(self._clip(clip) for clip in {film.clip for film in record.films})
        films = sum(self._film(film) for film in record.films)
        entries = self._entries()
        runs = sum(self._run(film, run) for film in record.films for run in film.runs)
        return Merged(record.job_id, new_job, films, runs, entries, clips)

    def _put(self, table: Any, row: dict[str, Any], more: dict[str, Any] | None = None) -> bool:
        """Insert a row unless it is there already; False if it is, an error if it is there otherwise."""
        there = self.connection.execute(select(table).where(table.c.id == row["id"])).mappings().first()
        if there is None:
            self.connection.execute(insert(table).values(row | (more or {})))
            return True
        if any(there[name] != value for name, value in row.items()):
            raise contradiction()
        return False

    def _clip(self, clip: ClipRecord) -> bool:
        """Take in a clip, or its file if only that is new."""
        row = {"id": clip.clip_id, "file": clip.file, "size_bytes": clip.size_bytes, "sha256": clip.sha256}
        self._put(schema.clip, row, {"made_s": self.record.made_s, "here": 0})
        table = schema.clip
        here = self.connection.execute(select(table.c.here).where(table.c.id == clip.clip_id)).scalar_one()
        if here or clip.clip_id not in self.record.clips_here:
            return False
        self.connection.execute(update(table).where(table.c.id == clip.clip_id).values(here=1))
        self.moves.pairs.append((self.incoming / CLIPS / clip.file, self.store.folder / "clips" / clip.file))
        return True

    def _film(self, film: FilmRecord) -> bool:
        row = {"id": film.film_id, "job_id": self.record.job_id, "clip_id": film.clip.clip_id}
        is_new = self._put(schema.film, row | {"made_s": film.made_s})
        if is_new and film.clip.clip_id not in self.record.clips_here and self.check_job is not None:
            # Who knows a clip by its name only does not get it by naming it in a bundle of their own.
            table = schema.film
            users = select(table.c.job_id).where(table.c.clip_id == film.clip.clip_id).distinct()
            for job_id in self.connection.execute(users).scalars().all():
                if job_id != self.record.job_id:
                    self.check_job(job_id)
        return is_new

    def _entries(self) -> int:
        """Unite the entries of both sides."""
        job_id, table = self.record.job_id, schema.entry
        ids = [entry.entry_id for entry in self.record.entries]
        elsewhere = select(table.c.id).where(table.c.id.in_(ids), table.c.job_id != job_id)
        there = {entry.entry_id: entry for entry in entries_of(self.connection, job_id)}
        known = [entry for entry in self.record.entries if entry.entry_id in there]
        if self.connection.execute(elsewhere).first() or any(there[e.entry_id] != e for e in known):
            raise contradiction()
        fresh = [entry for entry in self.record.entries if entry.entry_id not in there]
        films = film_ids(self.connection, job_id)
        proposals = proposal_counts((*there.values(), *fresh))
        for entry in fresh:
            try:
                check_place(entry, films, proposals)
            except StoreError as error:
                raise refuse(error.message) from error
            insert_entry(self.connection, entry)
            note_provenance(self.connection, entry, self.provenance)
        every = (*there.values(), *fresh)
        if films - {entry.film_id for entry in every if isinstance(entry.content, FilmFacts)}:
            raise refuse("The bundle holds a film about which nothing is said.")
        rigs = {entry.entry_id for entry in every if isinstance(entry.content, RigText)}
        if {run.rig_id for film in self.record.films for run in film.runs} - rigs - {None}:
            raise refuse("A result in the bundle was made with a set-up that is not there.")
        return len(fresh)

    def _run(self, film: FilmRecord, run: RunRecord) -> bool:
        """Take in a run, or those of its files that are new."""
        done = {"state": RunState.DONE.value, "finished_s": run.finished_s, "error": None, "cause": None}
        row = {"id": run.run_id, "film_id": film.film_id, "rig_id": run.rig_id, "made_s": run.made_s}
        idle = {"tries": 1, "done": 0, "total": 0, "stage": "", "cancel_requested": 0}
        results = self.store.folder / "results"
        source, target = self.incoming / RESULTS / run.run_id, results / run.run_id
        is_new = self._put(schema.run, row, done | idle | {"heartbeat_s": run.finished_s})
        this = schema.run.c.id == run.run_id
        if not is_new:
            # A store restored from an older backup may know the run from before it was done.
            changed = self.connection.execute(
                update(schema.run).where(this, schema.run.c.state != RunState.DONE.value).values(done)
            )
            is_new = changed.rowcount == 1
        if is_new:
            record_files(self.connection, run.run_id, run.files)
            self.moves.pairs.append((source, target))
            return True
        there = files_of(self.connection, run.run_id)
        for name, facts in run.files.items():
            if name not in there:
                record_files(self.connection, run.run_id, {name: facts})
                self.moves.pairs.append((source / name, target / name))
            elif there[name] != facts and not name.startswith(REMADE):
                ours = result_member(self.store, run.run_id, name, there[name])
                if (ours.size_bytes, ours.sha256) != facts:
                    raise contradiction()
        return False


def contradiction() -> StoreError:
    """What to say if the same name stands for different things on both sides."""
    return refuse(
        "The bundle contradicts this store: something that both hold under one name differs.",
        "Nothing was taken in; compare both with strokecurve check.",
    )
