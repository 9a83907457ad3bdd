"""A database file that a disk has damaged: plain sentences from every command, and no file lost over it."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from database_damage import COMMANDS, damaged, settle, try_damaged
from fake_result import write_fake_result
from sqlalchemy import text
from stored import Clock, commented_film

from strokecurve.app.store.jobs import Film
from strokecurve.app.store.maintenance import backup, check
from strokecurve.app.store.removing import remove_job
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import KINDS


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store", Clock())


@pytest.fixture
def film(store: Store) -> Film:
    return commented_film(store, write_fake_result)


def test_random_damage_ends_every_command_with_a_sentence(store: Store, film: Film, tmp_path: Path) -> None:
    whole = settle(store.folder)
    ends = {name: Counter[str]() for name in COMMANDS}
    for content in damaged(whole, 150, seed=1):
        for name, end in try_damaged(store.folder, content, tmp_path / "place").items():
            ends[name][end] += 1
    assert all(ends[name]["done"] for name in COMMANDS), "some damage meets only empty places"
    assert all(len(sentences) > 1 for sentences in ends.values())


@pytest.mark.parametrize("spot", [b"technician", b'"look"', b"# rig"])
def test_a_page_of_rows_that_is_overwritten_is_told(
    store: Store, film: Film, tmp_path: Path, spot: bytes
) -> None:
    content = bytearray(settle(store.folder))
    at = content.rindex(spot)
    page = at - at % 4096
    content[page + 8 : page + 40] = b"\xff" * 32
    ends = try_damaged(store.folder, bytes(content), tmp_path / "place")
    assert ends["check"] == "problems" or "cannot be read: it is damaged" in ends["check"]


def read_all(store: Store, film: Film) -> None:
    for job in store.jobs():
        for kind in KINDS.values():
            store.entries(job.job_id, kind)


def remove(store: Store, film: Film) -> None:
    remove_job(store, film.job_id)


@pytest.mark.parametrize(
    ("statement", "place", "refused"),
    [
        ("UPDATE entry SET content_json = x'ff' WHERE kind = 'comment'", "content_json", [read_all]),
        ("UPDATE film SET made_s = 'soon'", "made_s", [read_all, remove]),
        ("UPDATE clip SET file = '../elsewhere.mp4'", "file", [read_all, remove]),
        ("UPDATE clip SET file = ''", "file", [read_all, remove]),
        ("UPDATE run_file SET name = '../../elsewhere.csv' WHERE name = 'travel.csv'", "name", []),
        ("UPDATE run SET done = 'many'", "done", [read_all, remove]),
        ("UPDATE run SET state = 'spell'", "state", [read_all, remove]),
    ],
)
def test_a_value_that_is_not_ours_is_told_and_nothing_is_done_with_it(
    store: Store,
    film: Film,
    tmp_path: Path,
    statement: str,
    place: str,
    refused: list[Callable[[Store, Film], None]],
) -> None:
    with closing(sqlite3.connect(store.folder / "jobs.sqlite")) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute(statement)
    wrong = f"{place} is wrong in a row of {statement.split()[1]}"
    assert any(wrong in problem for problem in check(store).problems)
    files = {path for path in tmp_path.rglob("*") if path.is_file()}
    for use in refused:
        with pytest.raises(StoreError, match=wrong):
            use(store, film)
    assert files == {path for path in tmp_path.rglob("*") if path.is_file()}


def test_names_that_lead_out_of_the_store_are_not_copied(store: Store, film: Film, tmp_path: Path) -> None:
    (tmp_path / "elsewhere.mp4").write_bytes(b"not ours")
    with store.database.writing() as connection:
        connection.execute(text("UPDATE clip SET file = '../../elsewhere.mp4'"))
    with pytest.raises(StoreError, match="file is wrong in a row of clip"):
        backup(store, tmp_path / "backup")
    assert not (tmp_path / "backup").exists()
