"""Files of a store: received in chunks, never half under a final name, known by size and checksum."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from strokecurve.app.words.errors import StoreError

CHUNK_BYTES = 1 << 20
SPARE_BYTES = 200 * CHUNK_BYTES
"""Disk space to leave free beside anything that is taken in, for results and for the database."""
LOOK_EVERY_BYTES = 16 * CHUNK_BYTES
"""How much is written between two looks at the free space."""
EXPORTS = "exports"
"""Folder of what is made on request: copies of what the store holds, so nothing is lost with them."""
EXPORTS_KEPT_S = 86_400.0
"""What was made yesterday may be out of date, and bundles with clips are large."""
FRAMES_FILE = "frames.mp4"
"""Copy of a clip in which every frame is found at once."""
FRAMES_KEPT_S = 30 * 86_400.0
"""Such a copy never is out of date, and people come back to a job for weeks; counted from its last use."""
MB = 1_000_000
"""What people are told sizes in."""
LARGEST_CLIP_BYTES = 2_100 * MB
LARGEST_BUNDLE_BYTES = 10 * LARGEST_CLIP_BYTES
"""A job with ten clips of the largest size."""
LARGEST_RECORD_BYTES = 5 * MB
"""Of the JSON files of a result; ``result.json`` of a long train takes 100 kB."""
SHORTER_CLIP = "Film a shorter clip, one stroke is enough, or choose a lower resolution."
PART = ".part-"
"""Begins the names of files and folders that are not complete."""
LEFT_AFTER_S = 86_400.0
"""A part untouched for a day belongs to nothing that still runs."""
CLIP_NAME = re.compile(r"([0-9a-f]{12,64})\.(?:mp4|mov)")
"""Files that the folder of clips may hold; the group is the clip's id."""
_SAFE_PART = r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}"
RESULT_NAME = re.compile(rf"(?:{_SAFE_PART}/)?{_SAFE_PART}\.(?:csv|json|npz|mp4|jpg|png|pdf)")
"""Files that a result folder may hold: at most one folder deep, of kinds that we write."""


def new_id() -> str:
    """A name of our own: 128 bits nobody can guess, safe in addresses and in file names."""
    return secrets.token_hex(16)


def new_part(folder: Path) -> Path:
    """A fresh name for something incomplete in a folder."""
    return folder / f"{PART}{new_id()}"


def chunks_of(stream: BinaryIO) -> Iterator[bytes]:
    """The rest of an open file in chunks."""
    return iter(lambda: stream.read(CHUNK_BYTES), b"")


def check_space(folder: Path, size_bytes: int, what: str) -> None:
    """Refuse what the disk has no room for.

    Raises
    ------
    StoreError
        With both figures.
    """
    free = shutil.disk_usage(folder).free
    if free < size_bytes + SPARE_BYTES:
        raise StoreError(
            f"There is not enough disk space for {what}: {size_bytes / 1e6:.0f} MB needed, "
            f"{free / 1e6:.0f} MB free, of which {SPARE_BYTES / 1e6:.0f} MB are kept for results.",
            "Free some space and try again.",
        )


def check_size(size_bytes: int, most_bytes: int, what: str, hint: str = SHORTER_CLIP) -> None:
    """Refuse what is too large; StoreError with the limit and with what to do."""
    if size_bytes > most_bytes:
        raise StoreError(f"{what[0].upper()}{what[1:]} is larger than {most_bytes / MB:.0f} MB.", hint)


def write_chunks(chunks: Iterable[bytes], path: Path, most_bytes: int, what: str) -> tuple[int, str]:
    """Write a file from chunks and see it safely onto the disk.

    Parameters
    ----------
    chunks : iterable of bytes
        Read one after the other; never more than one is kept.
    path : Path
        A part's name; what is there after an error is for the caller to remove.
    most_bytes : int
        Largest size accepted.
    what : str
        What to call it in messages.

    Returns
    -------
    (int, str)
        Size in bytes and SHA-256.

    Raises
    ------
    StoreError
        If it is too large or the disk fills up.
    """
    size, looked, digest = 0, 0, hashlib.sha256()
    with path.open("xb") as target:
        for chunk in chunks:
            size += len(chunk)
            check_size(size, most_bytes, what)
            if size - looked >= LOOK_EVERY_BYTES:
                check_space(path.parent, 0, what)
                looked = size
            digest.update(chunk)
            target.write(chunk)
        target.flush()
        os.fsync(target.fileno())
    return size, digest.hexdigest()


def measure_file(path: Path) -> tuple[int, str]:
    """Size in bytes and SHA-256 of a file."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return file.tell(), digest.hexdigest()


def settle(folder: Path) -> dict[str, tuple[int, str]]:
    """See a complete folder safely onto the disk.

    Returns
    -------
    dict of str to (int, str)
        Size and SHA-256 of every file by its name inside the folder, parts joined by ``/``.

    Raises
    ------
    ValueError
        If it holds something a result folder may not hold.
    """
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_dir() and not path.is_symlink():
            sync_folder(path)
            continue
        name = path.relative_to(folder).as_posix()
        if path.is_symlink() or not RESULT_NAME.fullmatch(name):
            raise ValueError(f"a result folder cannot hold {name!r}")
        with path.open("rb+") as file:
            os.fsync(file.fileno())
        found[name] = measure_file(path)
    sync_folder(folder)
    return found


def sync_folder(folder: Path) -> None:
    """See names in a folder safely onto the disk, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def remove(path: Path) -> None:
    """Remove a part, whatever it is; what cannot be removed now is removed as a leftover later."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return


def remove_leftovers(folder: Path, now_s: float | None = None) -> None:
    """Remove parts in a folder that nothing has touched for a day: broken uploads, killed runs."""
    now = time.time() if now_s is None else now_s
    for path in folder.glob(f"{PART}*"):
        try:
            newest = max(one.lstat().st_mtime for one in (path, *path.rglob("*")))
        except OSError:
            continue  # somebody else has just removed or finished it
        if newest < now - LEFT_AFTER_S:
            remove(path)


def remove_old_exports(folder: Path, now_s: float) -> None:
    """Remove what was made on request for the jobs of a store's folder and has been kept long enough."""
    for path in (folder / EXPORTS).glob("*/*"):
        kept_s = FRAMES_KEPT_S if (path / FRAMES_FILE).is_file() else EXPORTS_KEPT_S
        try:
            old = path.stat().st_mtime < now_s - kept_s
        except OSError:
            continue  # somebody else has just removed it
        if old:
            remove(path)
