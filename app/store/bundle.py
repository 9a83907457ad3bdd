"""A job as one zip file that another strokecurve opens, comments on and sends back: layout and export.

The same job gives the same file bit for bit, wherever it is written: names are sorted, times fixed, contents
not compressed (pictures, clips and stages are already; compressors differ from machine to machine).

``manifest.json`` names every other file with size and checksum; ``job.json`` holds the job, its films and
runs with a result, and every entry; ``results/RUN/`` the result folders; ``clips/`` the clips if wanted;
``latest/`` what counts of the entries, for people who unpack the bundle, never read by strokecurve.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.metadata
import io
import json
import os
import re
import time
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from strokecurve.app.store import schema
from strokecurve.app.store.entries import entries_of
from strokecurve.app.store.jobs import Film, Job, Run, RunState
from strokecurve.app.store.queue import files_of
from strokecurve.app.store.store import Store
from strokecurve.app.words.columns import guarded, guarded_table
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import (
    CHUNK_BYTES,
    LARGEST_BUNDLE_BYTES,
    MB,
    check_size,
    check_space,
    new_part,
    remove,
    sync_folder,
)
from strokecurve.app.words.statements import (
    Choice,
    Comment,
    Done,
    Entry,
    FilmFacts,
    IntendedChoice,
    Proposals,
    Readings,
    RigText,
    Verdict,
    kind_of,
    to_mapping,
)

FORMAT = "strokecurve job"
FORMAT_VERSION = 1
MANIFEST = "manifest.json"
JOB = "job.json"
LATEST = "latest"
RESULTS = "results"
CLIPS = "clips"
SMALLER = "Leave the clips out: strokecurve takes no larger bundle in."
_TIME = (1980, 1, 1, 0, 0, 0)
"""The earliest time a zip file can hold; the true ones are in ``job.json``."""
_PERMISSIONS = 0o100644 << 16


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a bundle.

    Attributes
    ----------
    name : str
    size_bytes : int
    sha256 : str
    source : Path or bytes
        Where it comes from.
    """

    name: str
    size_bytes: int
    sha256: str
    source: Path | bytes


def export_job(store: Store, job_id: str, target: Path, clips: bool = False) -> Path:
    """Write a job as a bundle.

    Parameters
    ----------
    store : Store
    job_id : str
    target : Path
        The zip file; it is complete or not there.
    clips : bool
        Whether to include the clips that are in this store.

    Returns
    -------
    Path
        ``target``.

    Raises
    ------
    StoreError
        If there is no such job, a file of it is missing or damaged, or the disk is full.
    """
    target = Path(target).resolve()
    members = sorted(_members(store, store.job(job_id), clips), key=lambda member: member.name)
    manifest = _plain_json(
        {
            "format": FORMAT,
            "format_version": FORMAT_VERSION,
            "job_id": job_id,
            "versions": {"strokecurve": _version()},
            "files": [
                {"name": member.name, "size_bytes": member.size_bytes, "sha256": member.sha256}
                for member in members
            ],
        }
    )
    part = new_part(target.parent)
    size = sum(member.size_bytes for member in members)
    check_size(size, LARGEST_BUNDLE_BYTES, f"the bundle, with {size / MB:.0f} MB,", SMALLER)
    try:
        check_space(target.parent, size, "the bundle")
        with part.open("xb") as file:
            with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as bundle:
                # First, so that who opens a bundle sees at once what it is.
                for member in (_made(MANIFEST, manifest), *members):
                    _write(bundle, member)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, target)
        sync_folder(target.parent)
    except OSError as error:
        raise StoreError(
            f"The bundle cannot be written to {target.name}: {error.strerror}.", "Choose another place."
        ) from error
    finally:
        remove(part)
    return target


def bundle_bytes(store: Store, job: Job, clips: bool) -> int:
    """About how large the bundle of a job is: its clips, if wanted, and the files of its results."""
    run, run_file = schema.run, schema.run_file
    runs = [one.run_id for film in job.films for one in done_runs(film)]
    sizes = select(func.sum(run_file.c.size_bytes)).join(run).where(run.c.id.in_(runs))
    with store.database.reading() as connection:
        results = connection.execute(sizes).scalar() or 0
    kept = {film.clip.clip_id: film.clip.size_bytes or 0 for film in job.films if film.clip.here}
    return int(results) + (sum(kept.values()) if clips else 0)


def _version() -> str:
    """Version of strokecurve; unknown where it runs without being installed."""
    try:
        return importlib.metadata.version("strokecurve")
    except importlib.metadata.PackageNotFoundError:
        return "unknown"


def _write(bundle: zipfile.ZipFile, member: Member) -> None:
    """Copy a file into the bundle, making sure that it still is what the store recorded."""
    info = zipfile.ZipInfo(member.name, _TIME)
    info.create_system = 3
    info.external_attr = _PERMISSIONS
    info.file_size = member.size_bytes
    digest = hashlib.sha256()
    try:
        with bundle.open(info, "w") as target:
            for chunk in _chunks(member.source):
                digest.update(chunk)
                target.write(chunk)
    except FileNotFoundError as error:
        raise _changed(member) from error
    if digest.hexdigest() != member.sha256:
        raise _changed(member)


def _chunks(source: Path | bytes) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    with source.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            yield chunk


def _changed(member: Member) -> StoreError:
    return StoreError(
        f"A file of this job is missing or damaged: {member.name}.",
        "Run strokecurve check, and restore the file from a backup or analyse the film again.",
    )


def _made(name: str, content: bytes) -> Member:
    return Member(name, len(content), hashlib.sha256(content).hexdigest(), content)


def _members(store: Store, job: Job, clips: bool) -> Iterator[Member]:
    """Every file of the bundle but its manifest."""
    with store.database.reading() as connection:
        entries = entries_of(connection, job.job_id)
        results = {
            run.run_id: files_of(connection, run.run_id) for film in job.films for run in done_runs(film)
        }
    yield _made(JOB, _plain_json(job_record(job, entries)))
    for name, content in readable_copies(entries):
        yield _made(f"{LATEST}/{name}", content)
    for run_id, files in results.items():
        for name, (size, sha256) in files.items():
            yield result_member(store, run_id, name, (size, sha256))
    kept = {film.clip.clip_id: film.clip for film in job.films if film.clip.here}
    for clip in kept.values() if clips else ():
        yield Member(f"{CLIPS}/{clip.path.name}", clip.size_bytes, clip.sha256, clip.path)


def result_member(store: Store, run_id: str, name: str, facts: tuple[int, str]) -> Member:
    """A file of a result as it is sent: tables without formulas, all others as they are.

    Parameters
    ----------
    store : Store
    run_id, name : str
    facts : (int, str)
        Size and SHA-256 on record.

    Returns
    -------
    Member
    """
    source = store.folder / RESULTS / run_id / name
    member = Member(f"{RESULTS}/{run_id}/{name}", *facts, source)
    if not name.endswith(".csv"):
        return member
    try:
        content = source.read_bytes()
    except OSError:
        return member  # where it is missing or damaged, writing it says so
    changed = guarded_table(content)
    if changed is None or hashlib.sha256(content).hexdigest() != member.sha256:
        return member
    return _made(member.name, changed)


def done_runs(film: Film) -> tuple[Run, ...]:
    """Runs that gave a result; others mean nothing elsewhere."""
    return tuple(run for run in film.runs if run.state is RunState.DONE)


def job_record(job: Job, entries: Iterable[Entry[Any]]) -> dict[str, Any]:
    """Content of ``job.json``."""
    return {
        "job": {"id": job.job_id, "made_s": job.made_s},
        "films": [
            {
                "id": film.film_id,
                "made_s": film.made_s,
                "clip": {
                    "id": film.clip.clip_id,
                    "file": film.clip.path.name,
                    "size_bytes": film.clip.size_bytes,
                    "sha256": film.clip.sha256,
                },
                "runs": [
                    {
                        "id": run.run_id,
                        "made_s": run.made_s,
                        "finished_s": run.finished_s,
                        "rig_id": run.rig_id,
                    }
                    for run in done_runs(film)
                ],
            }
            for film in job.films
        ],
        "entries": [
            {
                "id": entry.entry_id,
                "film_id": entry.film_id,
                "kind": kind_of(entry.content),
                "made_s": entry.made_s,
                "author": entry.author,
                "content": to_mapping(entry.content),
            }
            for entry in entries
        ],
    }


def _plain_json(content: object) -> bytes:
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, indent=1, allow_nan=False)
    return (text + "\n").encode("utf-8")


def readable_copies(entries: Iterable[Entry[Any]]) -> Iterator[tuple[str, bytes]]:
    """What counts of a job's entries as files for people: name and content."""
    latest: dict[tuple[str, str], Any] = {}
    remarks = []
    entries = tuple(entries)
    known = {entry.entry_id: entry.content for entry in entries}
    films = {
        str(entry.film_id): ", ".join(filter(None, (entry.content.role, entry.content.label)))
        for entry in entries
        if isinstance(entry.content, FilmFacts)
    }
    for entry in entries:
        content = entry.content
        latest[kind_of(content), getattr(content, "linkage", None) or ""] = content
        if words := _words(content, known, films):
            remarks.append(_remark(entry, words))
    if remarks:
        yield "comments.txt", "\n".join(remarks).encode("utf-8")
    for number, ((_, linkage), content) in enumerate(sorted(latest.items(), key=lambda item: item[0])):
        match content:
            case RigText(toml):
                yield "rig.toml", toml.encode("utf-8")
            case Readings(columns=columns, rows=rows):
                yield "readings.csv", _table(columns, rows)
            case IntendedChoice(rows=rows) if rows:
                columns = ("driver_deg", "driven_deg", "tolerance_deg")
                yield f"intended-{number}-{_slug(linkage)}.csv", _table(columns, rows)
            case Proposals(proposals_json=text):
                yield f"proposals-{number}-{_slug(linkage)}.json", text.encode("utf-8")


def _slug(linkage: str) -> str:
    """A linkage's name as part of a file name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", linkage).strip("-")[:40] or "linkage"


def _remark(entry: Entry[Any], words: str) -> str:
    """What was said as a paragraph of text."""
    when = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(entry.made_s))
    return f"{when}, {entry.author or 'no name'}: {words.strip()}\n"


def _words(content: object, known: Mapping[str, Any], films: Mapping[str, str]) -> str:
    """What a comment, verdict, choice or piece of work says; nothing of other entries.

    Parameters
    ----------
    content : object
    known : mapping of str to content
        What every entry of the job says, by id, in order of time.
    films : mapping of str to str
        Films in words, by id.
    """
    match content:
        case Comment(text=text):
            return text
        case Verdict(verdict=verdict, text=text, about=about):
            reviewed = "; ".join(f"{films.get(film, film)} (analysis {run})" for film, run in about)
            return f"[verdict: {verdict}{f', on {reviewed}' if reviewed else ''}] {text or ''}"
        case Choice():
            return f"[chosen: {_chosen(content, known)}]"
        case Done(choice_id=choice_id, steps=steps, by=by, on=on, remark=remark):
            states = ", ".join(f"step {number} {state}" for number, state in enumerate(steps, 1))
            chosen = _chosen(known.get(choice_id), known)
            return f"[carried out by {by} on {on}: {chosen}; {states}] {remark or ''}"
    return ""


def _chosen(choice: object, known: Mapping[str, Any]) -> str:
    """A chosen proposal in words, counted from 1; the list in ``latest/`` may be a later one."""
    if not isinstance(choice, Choice):
        return "a proposal"
    proposals = known.get(choice.proposals_id)
    if not isinstance(proposals, Proposals):
        return f"proposal {choice.number + 1}"
    later = [one for one in known.values() if isinstance(one, Proposals) and one.linkage == proposals.linkage]
    worked_out = "" if later[-1] is proposals else " (of an earlier list, which job.json holds)"
    return f"proposal {choice.number + 1} of {proposals.linkage}{worked_out}"


def _table(columns: Iterable[str], rows: Iterable[Iterable[float | None]]) -> bytes:
    """A table as CSV; a column's name that an office program would take for a formula is marked as text."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    names = [re.sub(r"[\s;,|]+", " ", name) for name in columns]
    writer.writerow(map(guarded, names))
    writer.writerows(["" if value is None else value for value in row] for row in rows)
    return text.getvalue().encode("utf-8")
