"""Damages the database file of a store at random places, and looks at what a person would be told then."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from strokecurve.app.store.maintenance import backup, check
from strokecurve.app.store.store import DATABASE_FILE, Store
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import KINDS

COMMANDS = ("open", "list", "check", "backup")
HEADER_BYTES = 100
"""Of an SQLite file; damage there keeps it from being opened, so most of it goes elsewhere."""


def settle(folder: Path) -> bytes:
    """Take what was written to a store's database out of its log; gives the whole file."""
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")
    return (folder / DATABASE_FILE).read_bytes()


def damaged(whole: bytes, count: int, seed: int) -> Iterator[bytes]:
    """Files with one to three stretches overwritten, now and then cut short."""
    chance = random.Random(seed)
    for _ in range(count):
        content = bytearray(whole)
        for _ in range(chance.randint(1, 3)):
            at = chance.randrange(HEADER_BYTES if chance.random() < 0.9 else 0, len(content))
            length = min(chance.choice((1, 1, 4, 32, 400)), len(content) - at)
            content[at : at + length] = chance.choice(
                (b"\xff" * length, bytes(length), chance.randbytes(length))
            )
        yield bytes(content[: chance.randrange(len(content))] if chance.random() < 0.1 else content)


def try_damaged(store: Path, content: bytes, place: Path) -> dict[str, str]:
    """Give a copy of a store another database and use it.

    Parameters
    ----------
    store : Path
        Folder of a whole store; it stays as it is.
    content : bytes
        Database of the copy.
    place : Path
        Folder for the copies; emptied first.

    Returns
    -------
    dict of str to str
        How each of ``COMMANDS`` ended: "done", "problems" or the sentence; other errors are raised.
    """
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(store, place / "copy")
    (place / "copy" / DATABASE_FILE).write_bytes(content)
    ends: dict[str, str] = {}
    for command in COMMANDS:
        try:
            ends[command] = _use(command, place)
        except InputError as error:
            ends[command] = error.message
        if "open" in ends and ends["open"] != "done":
            break
    return ends


def _use(command: str, place: Path) -> str:
    """Use the copy as the command of this name does."""
    store = Store(place / "copy")
    if command == "list":
        for job in store.jobs():
            for kind in KINDS.values():
                store.entries(job.job_id, kind)
    if command in ("check", "backup"):
        report = check(store) if command == "check" else backup(store, place / "backup")
        return "problems" if report.problems else "done"
    return "done"
