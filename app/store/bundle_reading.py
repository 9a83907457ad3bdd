"""Opens a bundle that may come from anywhere: everything is checked before anything is believed."""

from __future__ import annotations

import csv
import json
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from strokecurve.app.result.reading import LARGEST_TABLE_BYTES, TooLargeError, table_bytes
from strokecurve.app.store.bundle import CLIPS, FORMAT, FORMAT_VERSION, JOB, LATEST, MANIFEST, RESULTS
from strokecurve.app.words.archive_limits import check_directory
from strokecurve.app.words.columns import is_formula
from strokecurve.app.words.errors import InputError, StoreError
from strokecurve.app.words.files import (
    CHUNK_BYTES,
    CLIP_NAME,
    LARGEST_BUNDLE_BYTES,
    LARGEST_CLIP_BYTES,
    LARGEST_RECORD_BYTES,
    MB,
    RESULT_NAME,
    write_chunks,
)
from strokecurve.app.words.statements import Entry, Proposals, from_mapping, is_id
from strokecurve.app.words.strict_json import strict_json

MOST_FILES = 5_000
"""A result has about ten files: hundreds of runs."""
MOST_ENTRIES = 20_000
"""Things on record about one job; a busy review has some hundred."""
LARGEST_JSON_BYTES = 60 * MB
"""A record of a job is some hundred kilobytes."""
MOST_RATIO = 200
"""Tables of numbers shrink to a tenth; a hundred times less is made to burst."""
DIRECTORY_BYTES = MOST_FILES * 400
"""Our names take less than 200 bytes each in a zip file's directory."""
EARLIEST_S, LATEST_S = 0.0, 4_102_444_800.0
"""Times that are believed: 1970 to 2100."""
_LATEST_NAME = re.compile(rf"{LATEST}/[A-Za-z0-9][A-Za-z0-9_-]{{0,80}}\.(?:csv|json|toml|txt)")
_RESULT = re.compile(rf"{RESULTS}/([0-9a-f]{{12,64}})/(.+)")
_CLIP = re.compile(rf"{CLIPS}/({CLIP_NAME.pattern})")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_BROKEN = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    OSError,
)
"""What the zip library raises for files that are none, or are damaged."""


@dataclass(frozen=True, slots=True)
class ClipRecord:
    """A clip as a bundle describes it."""

    clip_id: str
    file: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run with a result as a bundle describes it; ``files`` gives size and SHA-256 by name."""

    run_id: str
    made_s: float
    finished_s: float
    rig_id: str | None
    files: dict[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class FilmRecord:
    """A film as a bundle describes it."""

    film_id: str
    made_s: float
    clip: ClipRecord
    runs: tuple[RunRecord, ...]


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A job as a bundle describes it; ``clips_here`` are ids of clips whose file is in the bundle."""

    job_id: str
    made_s: float
    films: tuple[FilmRecord, ...]
    entries: tuple[Entry[Any], ...]
    clips_here: frozenset[str]


def refuse(what: str, hint: str = "Nothing was taken in; ask for the bundle again.") -> StoreError:
    """An error about a bundle."""
    return StoreError(what, hint)


class BundleReader:
    """A bundle that is open, its directory and manifest checked.

    Parameters
    ----------
    file : binary file
        Can seek.

    Raises
    ------
    StoreError
        With one sentence for whatever is wrong.
    """

    def __init__(self, file: BinaryIO) -> None:
        with _readably():
            if not check_directory(file, MOST_FILES + 1, DIRECTORY_BYTES):
                raise refuse(f"The bundle holds too many files; at most {MOST_FILES} are taken.")
            self._zip = zipfile.ZipFile(file)
        self._infos = check_members(self._zip.infolist(), _length(file))
        if MANIFEST not in self._infos:
            raise refuse("This is not a bundle of strokecurve: it has no manifest.")
        manifest = self._json(MANIFEST)
        self.job_id, self.files = check_manifest(manifest)
        self._compare_names()
        self.total_bytes = sum(size for size, _ in self.files.values())

    def _compare_names(self) -> None:
        names = set(self._infos) - {MANIFEST}
        for name in sorted(names ^ set(self.files)):
            if name in names:
                raise refuse(f"The bundle holds a file that its manifest does not name: {name[:80]!r}.")
            raise refuse(f"A file of the bundle is missing: {name[:80]!r}.")
        for name, (size, _) in self.files.items():
            if self._infos[name].file_size != size:
                raise refuse(f"A file of the bundle has not the size its manifest states: {name[:80]!r}.")

    def _json(self, name: str, most_bytes: int | None = None) -> Any:
        """A small file as JSON; its checksum is compared when it is copied."""
        if self._infos[name].file_size > (most_bytes or LARGEST_JSON_BYTES):
            raise refuse(f"{name} in the bundle is too large.")
        with _readably():
            content = self._zip.read(name)
        try:
            return strict_json(content, f"{name} in the bundle")
        except InputError as error:
            raise refuse(error.message) from error

    def record(self) -> JobRecord:
        """The job described in the bundle, checked against the bundle's files."""
        if JOB not in self.files:
            raise refuse("The bundle holds no job.")
        try:
            record = parse_record(self._json(JOB), self.job_id, self.files)
        except InputError as error:
            raise refuse(error.message) from error
        except (KeyError, TypeError, AttributeError) as error:
            raise refuse("The job in the bundle is not written as it should be.") from error
        for film in record.films:
            for run in film.runs:
                self._check_result(run, film.clip)
        return record

    def _check_result(self, run: RunRecord, clip: ClipRecord) -> None:
        """Check that a result has the form pages rely on, and is about the film's clip."""
        if "result.json" not in run.files:
            raise refuse("A result in the bundle is not complete.")
        result = self._json(f"{RESULTS}/{run.run_id}/result.json", LARGEST_RECORD_BYTES)
        form = {"clip": dict, "shafts": list, "linkages": list, "findings": list, "versions": dict}
        if not isinstance(result, dict) or any(not isinstance(result.get(k), t) for k, t in form.items()):
            raise refuse("A result in the bundle has not the form of a result.")
        if result["clip"].get("sha256", clip.sha256) != clip.sha256:
            raise refuse("A result in the bundle belongs to another clip than its film.")
        check_signs(result, "A result")

    def _chunks(self, name: str) -> Iterator[bytes]:
        """A file in chunks; what goes wrong while reading is told from what goes wrong while writing."""
        with _readably(), self._zip.open(name) as source:
            while chunk := source.read(CHUNK_BYTES):
                yield chunk

    def copy_to(self, folder: Path) -> None:
        """Copy every file into a folder under its name in the bundle, comparing checksums on the way.

        Copies for people are compared, too, but not kept.
        """
        for number, (name, (size, sha256)) in enumerate(sorted(self.files.items())):
            keep = not name.startswith(f"{LATEST}/")
            path = folder / name if keep else folder / f"latest-{number}"
            path.parent.mkdir(parents=True, exist_ok=True)
            found = write_chunks(self._chunks(name), path, size, "a file of the bundle")
            if found != (size, sha256):
                raise refuse(f"A file of the bundle is damaged, its checksum is wrong: {name[:80]!r}.")
            if name.endswith(".csv"):
                check_table(path)
            if not keep:
                path.unlink()


def check_table(path: Path) -> None:
    """Refuse a table with a cell that an office program would work out: none that we send holds one.

    Raises
    ------
    StoreError
        If there is such a cell, or it is no table.
    """
    try:
        table_bytes(path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            if any(is_formula(cell) for row in csv.reader(file) for cell in row):
                raise refuse("A table in the bundle holds a formula.")
    except TooLargeError as error:
        raise refuse(f"A table in the bundle cannot be used: {error}.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise refuse("A table in the bundle cannot be read.") from error


def check_signs(found: object, what: str) -> None:
    """Refuse JSON with halves of signs in it, which can be neither written nor shown."""
    try:
        json.dumps(found, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise refuse(f"{what} in the bundle holds signs that cannot be shown.") from error


@contextmanager
def _readably() -> Iterator[None]:
    """Turn what the zip library raises into a sentence."""
    try:
        yield
    except StoreError:
        raise
    except _BROKEN as error:
        raise refuse("The bundle cannot be read: it is no zip file or is damaged.") from error


def _length(file: BinaryIO) -> int:
    return file.seek(0, 2)


def check_members(infos: list[zipfile.ZipInfo], length: int) -> dict[str, zipfile.ZipInfo]:
    """Files of a zip file by name, if all of them are such as we take.

    Parameters
    ----------
    infos : list of ZipInfo
    length : int
        Size of the zip file.

    Raises
    ------
    StoreError
        For tricks with names, links, encryption, and what would burst.
    """
    found: dict[str, zipfile.ZipInfo] = {}
    folded: set[str] = set()
    total = 0
    for info in infos:
        name = info.orig_filename
        parts = name.split("/")
        if "\\" in name or "\0" in name or ":" in name or {"", ".", ".."} & set(parts):
            raise refuse(f"The bundle holds a file name that leads elsewhere: {name[:80]!r}.")
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise refuse(f"The bundle holds a link or something else that is no file: {name[:80]!r}.")
        if info.flag_bits & 0x1 or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise refuse("The bundle is encrypted or packed in a way that is not taken.")
        if name.casefold() in folded:
            raise refuse(f"The bundle holds a file twice: {name[:80]!r}.")
        largest = {"json": LARGEST_JSON_BYTES, "csv": LARGEST_TABLE_BYTES}.get(
            name.rpartition(".")[2].lower(), LARGEST_CLIP_BYTES
        )
        total += info.file_size
        if total > LARGEST_BUNDLE_BYTES:
            raise refuse(
                f"The bundle is larger than {LARGEST_BUNDLE_BYTES / MB:.0f} MB.",
                "Ask for it without the clips.",
            )
        if info.file_size > largest:
            raise refuse(f"A file of the bundle is too large: {name[:80]!r}, {info.file_size / 1e6:.0f} MB.")
        if info.file_size > MOST_RATIO * max(info.compress_size, 1) + CHUNK_BYTES:
            raise refuse("The bundle is packed so tightly that it was made to burst.")
        folded.add(name.casefold())
        found[name] = info
    if total > MOST_RATIO * length:
        raise refuse("The bundle is packed so tightly that it was made to burst.")
    return found


def check_manifest(manifest: Any) -> tuple[str, dict[str, tuple[int, str]]]:
    """Job and files that a manifest names: size and SHA-256 by name."""
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise refuse("This is not a bundle of strokecurve.")
    version = manifest.get("format_version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise refuse("The manifest of the bundle gives no format version.")
    if version > FORMAT_VERSION:
        raise refuse(
            "The bundle was written by a newer strokecurve.", "Update strokecurve; nothing was taken in."
        )
    job_id, listed = manifest.get("job_id"), manifest.get("files")
    if not is_id(job_id) or not isinstance(listed, list):
        raise refuse("The manifest of the bundle is not written as it should be.")
    files: dict[str, tuple[int, str]] = {}
    for one in listed:
        if not isinstance(one, dict) or set(one) != {"name", "size_bytes", "sha256"}:
            raise refuse("The manifest of the bundle is not written as it should be.")
        name, size, sha256 = one["name"], one["size_bytes"], one["sha256"]
        if not isinstance(name, str) or not _known(name):
            raise refuse(f"The bundle holds a file that is not known: {str(name)[:80]!r}.")
        whole = isinstance(size, int) and not isinstance(size, bool) and size >= 0
        if not whole or not isinstance(sha256, str) or not _SHA256.fullmatch(sha256) or name in files:
            raise refuse("The manifest of the bundle is not written as it should be.")
        files[name] = (size, sha256)
    return str(job_id), files


def _known(name: str) -> bool:
    """Whether a bundle may hold a file of this name."""
    result = _RESULT.fullmatch(name)
    if result:
        return RESULT_NAME.fullmatch(result.group(2)) is not None
    return name == JOB or _CLIP.fullmatch(name) is not None or _LATEST_NAME.fullmatch(name) is not None


def parse_record(found: Any, job_id: str, files: dict[str, tuple[int, str]]) -> JobRecord:
    """The job in ``job.json``; KeyError, TypeError or AttributeError if it is not written as it should be.

    Raises
    ------
    StoreError, InputError
        If it contradicts itself or the bundle's files.
    """
    if found["job"]["id"] != job_id:
        raise refuse("The job in the bundle is not the one its manifest names.")
    results: dict[str, dict[str, tuple[int, str]]] = {}
    clips: dict[str, tuple[int, str]] = {}
    for name, facts in files.items():
        if result := _RESULT.fullmatch(name):
            results.setdefault(result.group(1), {})[result.group(2)] = facts
        elif clip := _CLIP.fullmatch(name):
            clips[clip.group(1)] = facts
    films = tuple(_film(one, results) for one in found["films"])
    described = {film.clip.file: (film.clip.size_bytes, film.clip.sha256) for film in films}
    if any(described.get(file) != facts for file, facts in clips.items()):
        raise refuse("A clip in the bundle is not that of its film.")
    if set(results) != {run.run_id for film in films for run in film.runs}:
        raise refuse("The results in the bundle are not those of its films.")
    if len(found["entries"]) > MOST_ENTRIES:
        raise refuse(f"The bundle holds too many entries; at most {MOST_ENTRIES} are taken.")
    entries = tuple(_entry(one, job_id) for one in found["entries"])
    for ids in ([f.film_id for f in films], [r.run_id for f in films for r in f.runs],
                [e.entry_id for e in entries]):  # fmt: skip
        if len(set(ids)) != len(ids):
            raise refuse("The job in the bundle says something twice.")
    here = frozenset(film.clip.clip_id for film in films if film.clip.file in clips)
    return JobRecord(job_id, _time(found["job"]["made_s"]), films, entries, here)


def _film(one: Any, results: dict[str, dict[str, tuple[int, str]]]) -> FilmRecord:
    clip = one["clip"]
    named = _CLIP.fullmatch(f"{CLIPS}/{clip['file']}")
    size, sha256 = clip["size_bytes"], clip["sha256"]
    whole = isinstance(size, int) and not isinstance(size, bool) and 0 < size <= LARGEST_CLIP_BYTES
    if named is None or named.group(2) != clip["id"] or not whole:
        raise refuse("A clip in the bundle is not described as it should be.")
    if not _SHA256.fullmatch(sha256):
        raise refuse("A clip in the bundle has no checksum.")
    runs = tuple(
        RunRecord(
            _id(run["id"]),
            _time(run["made_s"]),
            _time(run["finished_s"]),
            None if run["rig_id"] is None else _id(run["rig_id"]),
            results.get(run["id"], {}),
        )
        for run in one["runs"]
    )
    return FilmRecord(
        _id(one["id"]), _time(one["made_s"]), ClipRecord(_id(clip["id"]), clip["file"], size, sha256), runs
    )


def _entry(one: Any, job_id: str) -> Entry[Any]:
    film_id = None if one["film_id"] is None else _id(one["film_id"])
    content = from_mapping(str(one["kind"]), one["content"])
    if isinstance(content, Proposals):
        check_signs(content.all(), "A list of proposals")
    return Entry(_id(one["id"]), job_id, film_id, _time(one["made_s"]), one["author"], content)


def _id(value: object) -> str:
    if not is_id(value):
        raise refuse("The job in the bundle uses names that are not ours.")
    return str(value)


def _time(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not EARLIEST_S <= value <= LATEST_S:
        raise refuse("The job in the bundle holds a time that cannot be.")
    return float(value)
