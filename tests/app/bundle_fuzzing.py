"""Runs the command ``import`` over changed bundles in a confined process and says how each ended.

As a program: ``python bundle_fuzzing.py PLACE`` takes every file of ``PLACE/cases`` into a copy of the store
``PLACE/kept`` and prints a line of JSON for each. That store holds an earlier job with a measured film.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import re
import resource
import shutil
import sqlite3
import sys
import time
from pathlib import Path
from typing import Any

import streamlit as st
from clip_fuzzing import base_clips
from confined import HANG_S, assert_ended_well, rows_of, say, write_cases
from stored import add_film, measured
from streamlit.testing.v1 import AppTest

import strokecurve.app.page
from strokecurve.app.commands.cli import main
from strokecurve.app.page import keys
from strokecurve.app.report.of_job import record_of
from strokecurve.app.result import frames
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import DATABASE_FILE, Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.errors import PLAIN_ERRORS
from strokecurve.app.words.resource_limits import confine
from strokecurve.app.words.statements import Comment, IntendedChoice, JobFacts, Proposals

MOST_MB = 1000
"""The libraries with the page take 500 MB, reading a table of the largest size taken some hundred more."""
LINKAGE = "motor:shaft1"
HOME = Path(strokecurve.app.page.__file__).with_name("home.py")
SHOWN = {"Travel, low fire to high fire", "Findings", "A moment of the film"}
"""Parts of the page to read a film that are there even if it shows no linkage."""


def measured_film(place: Path) -> tuple[Path, Path]:
    """A film and its result, made in a folder."""
    base_clips(place)
    film, result = place / "good.mp4", place / "result"
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert main(["measure", str(film), "--out", str(result)]) == 0
    return film, result


def lay_out(place: Path, film: Path, result: Path) -> bytes:
    """Make ``kept`` in an empty folder, of a film and its result; gives a good bundle of another store."""
    clip = film.read_bytes()

    def write(folder: Path) -> None:
        shutil.copytree(result, folder)

    kept, sender = Store(place / "kept"), Store(place / "sender")
    for store in (kept, sender):
        job = store.new_job(JobFacts("boiler 2"), "# rig\n")
        one = add_film(store, job, "a.mp4", clip, "as found")
        measured(store, one, write)
        store.add(job.job_id, Comment("look", 1.0, LINKAGE, 30.0), "technician", one.film_id)
        store.add(job.job_id, Proposals(LINKAGE, '[{"touches": 1}]'))
        store.add(job.job_id, IntendedChoice(LINKAGE, "equal", ()))
    good = export_job(sender, sender.jobs()[0].job_id, place / "good.zip", clips=True).read_bytes()
    shutil.rmtree(place / "sender")
    (place / "good.zip").unlink()
    return good


def try_batch(bundles: list[bytes], place: Path) -> list[tuple[str, float]]:
    """How each bundle ended, and how long it took; an assertion fails where one ended badly."""
    shutil.rmtree(place / "cases", ignore_errors=True)
    names = write_cases(place / "cases", bundles, ".zip")
    rows = rows_of(__file__, place, count=len(bundles))
    for row in rows:
        assert_ended_well(row)
        assert row["problems"] == [], row
        assert row["earlier_as_before"], row
        assert row["status"] == 0 or row["all_as_before"], row
        assert row["beside"] == ["cases", "kept", "store"], row
        assert row["shown"] == "", row
        assert row["peak_mb"] < MOST_MB, row
    assert sorted(path.name for path in (place / "cases").iterdir()) == names
    return [(_kind(row), row["took_s"]) for row in rows]


def _kind(row: dict[str, Any]) -> str:
    """What was said, without what is special to one bundle."""
    if row["status"] == 0:
        return "taken in"
    return re.sub(r"'[^']*'|[\d,.]*\d", "~", row["said"].split(". ")[0].split(": ")[0])[:90]


def contents(folder: Path) -> dict[str, str]:
    """Checksum of every file in a folder, but of the database, which `rows` tells of."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(DATABASE_FILE)
    }


def rows(store: Path) -> set[str]:
    """Everything in a store's database, row by row."""
    with contextlib.closing(sqlite3.connect(store / DATABASE_FILE)) as database:
        tables = [name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {f"{name} {row!r}" for name in tables for row in database.execute(f'SELECT * FROM "{name}"')}


class _Faults(logging.Handler):
    """Keeps the traces of faults that a part of the page hid."""

    def __init__(self) -> None:
        super().__init__()
        self.traces = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.traces += logging.Formatter().format(record)


def shown(store: Store, earlier: set[str]) -> str:
    """What is wrong with what was taken in, as records and the page read it; empty if nothing is."""
    for job in store.jobs():
        if job.job_id in earlier:
            continue
        for film in job.films:
            try:
                if film.measured is not None:
                    record_of(store, job.job_id, film.film_id)
            except PLAIN_ERRORS as error:
                return str(error)
        # Every store here has the same place, so that its results would be taken for those of the one before.
        st.cache_resource.clear()
        st.cache_data.clear()
        told = _Faults()
        logging.getLogger("strokecurve.app.page.shell").addHandler(told)
        sys.argv = ["home.py", "--store", str(store.folder)]
        page = AppTest.from_file(str(HOME), default_timeout=HANG_S)
        page.query_params[keys.JOB] = job.job_id
        page.run()
        page.switch_page("read.py")
        page.query_params[keys.JOB] = job.job_id
        page.run()
        faults = [one.value for one in page.exception] + [one.value for one in page.error]
        headers = {one.value for one in page.header}
        if faults or (any(film.measured for film in job.films) and not headers >= SHOWN):
            return f"{faults}, {sorted(headers)}\n{told.traces}"
    return ""


def import_all(place: Path) -> None:
    """Take every bundle in, each into a store of its own that is as ``kept``."""
    confine()
    kept, store = place / "kept", place / "store"
    # No process that draws or copies clips: those are tried with damaged clips.
    exports.start_process = lambda store, command, log: None
    frames.frame_jpeg = lambda clip, folder, time_s, copy: b"a frame"
    earlier = {job.job_id for job in Store(kept).jobs()}
    files_before, rows_before = contents(kept), rows(kept)
    for bundle in sorted((place / "cases").iterdir()):
        shutil.rmtree(store, ignore_errors=True)
        shutil.copytree(kept, store)
        content = bundle.read_bytes()
        said, printed = io.StringIO(), io.StringIO()
        began_s = time.monotonic()
        with contextlib.redirect_stderr(said), contextlib.redirect_stdout(printed):
            status = main(["import", str(bundle), "--store", str(store)])
        took_s = time.monotonic() - began_s
        files, there = contents(store), rows(store)
        say(
            status=status,
            said=said.getvalue(),
            took_s=took_s,
            problems=[*check(Store(store)).problems, *check(Store(store)).notes],
            earlier_as_before=files_before.items() <= files.items()
            and rows_before <= there
            and contents(kept) == files_before
            and bundle.read_bytes() == content,
            all_as_before=files == files_before and there == rows_before,
            beside=sorted(path.name for path in place.iterdir()),
            shown=shown(Store(store), earlier) if status == 0 else "",
            peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000,
        )
    shutil.rmtree(store, ignore_errors=True)


if __name__ == "__main__":
    import_all(Path(sys.argv[1]))
