"""Does things with a store on a small disk that is full after so many bytes, more each time, up to enough.

``unshare -rm python filling.py PLACE FILM ACTION STEP_KB MOST`` mounts a disk in memory at PLACE, which only
this program sees, and prints one line of JSON for each try: bytes left, how it ended, what was wrong then.
The look at the free space before anything is written is switched off, so that the writes themselves fail.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from fake_result import write_fake_result
from stored import add_film, measured, run_of, send, uploads_of

from strokecurve.app.access.upload_sessions import UploadSession
from strokecurve.app.access.uploads import open_session
from strokecurve.app.commands.cli import main as command
from strokecurve.app.store import maintenance as keeping
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching, exports
from strokecurve.app.tasks.worker import work_on
from strokecurve.app.words.errors import PLAIN_ERRORS
from strokecurve.app.words.statements import Comment, FilmFacts, JobFacts

DISK_BYTES = 96 << 20
UPLOAD_BYTES = 300_000
PAGE_BYTES = 4096


def unlooked() -> None:
    """Let nobody look at the free space."""
    for name, module in tuple(sys.modules.items()):
        if name.startswith("strokecurve.app.") and hasattr(module, "check_space"):
            module.check_space = lambda *_: None


def make_store(folder: Path, film: Path) -> None:
    """A store with a measured film, comments, and a film that waits to be measured."""
    made_one = Store(folder)
    job = made_one.new_job(JobFacts("Burner (invented)"))
    first = add_film(made_one, job, "found.mp4")
    measured(made_one, first, write_fake_result)
    made_one.add(job.job_id, Comment("before"), "reviewer", first.film_id)
    clip = made_one.receive([film.read_bytes()], film.name)
    made_one.add_film(job.job_id, clip, FilmFacts("as left", film.name))


# What is tried: each gives the sentence it ended with, or None if it was done


def upload(opened: Store, _place: Path) -> str | None:
    dispatching.start = lambda store, run: None
    mine = uploads_of(opened)
    asked = UploadSession("", "clip", opened.jobs()[0].job_id, FilmFacts("trial", "b.mp4"))
    send(mine, open_session(mine, asked).token, bytes(UPLOAD_BYTES), chunk_bytes=UPLOAD_BYTES // 10)
    return None


def comment(opened: Store, _place: Path) -> str | None:
    opened.add(opened.jobs()[0].job_id, Comment("said " * 1000), "reviewer")
    return None


def analysis(opened: Store, _place: Path) -> str | None:
    run_id = run_of(opened.jobs()[0].films[1]).run_id
    state = work_on(opened, run_id)
    return None if state is RunState.DONE else opened.runs.run(run_id).error


def report(opened: Store, _place: Path) -> str | None:
    job = opened.jobs()[0]
    asked = exports.ask(opened, job.job_id, "record", film=job.films[0].film_id, paper="a4")
    exports.work_on(opened, job.job_id, asked.export_id)
    return exports.find(opened, job.job_id, asked.export_id).error


def by_command(*words: str) -> str | None:
    """Run a command; gives the line it ended with if its exit status is 2."""
    errors = io.StringIO()
    with contextlib.redirect_stderr(errors), contextlib.redirect_stdout(io.StringIO()):
        status = command(words)
    if status == 0:
        return None
    (line,) = errors.getvalue().splitlines()
    assert status == 2, (status, line)
    return line


def backup(opened: Store, place: Path) -> str | None:
    return by_command("backup", str(place / "backup"), "--store", str(opened.folder))


def bundle(opened: Store, place: Path) -> str | None:
    out = ["--out", str(place / "job.zip"), "--store", str(opened.folder)]
    return by_command("export", opened.jobs()[0].job_id, "--clips", *out)


def take_in(opened: Store, place: Path) -> str | None:
    return by_command("import", str(place.parent / "other.zip"), "--store", str(opened.folder))


def restore(opened: Store, place: Path) -> str | None:
    return by_command("restore", str(place.parent / "pristine"), "--store", str(place / "restored"))


def record_file(opened: Store, place: Path) -> str | None:
    run = opened.jobs()[0].films[0].measured
    assert run is not None
    return by_command("report", str(run.result), "--out", str(place / "record.pdf"))


def measuring(opened: Store, place: Path) -> str | None:
    clip = opened.jobs()[0].films[1].clip.path
    return by_command("measure", str(clip), "--out", str(place / "result"), "--overlay")


Action = Callable[[Store, Path], str | None]
ACTIONS: dict[str, Action] = {
    "upload": upload,
    "comment": comment,
    "analysis": analysis,
    "report": report,
    "backup": backup,
    "bundle": bundle,
    "import": take_in,
    "restore": restore,
    "report command": record_file,
    "measure command": measuring,
}


def free_bytes(place: Path) -> int:
    found = os.statvfs(place)
    return found.f_bavail * found.f_frsize


def attempt(place: Path, action: Action, left_bytes: int) -> dict[str, object]:
    """Try once on a fresh copy of the store; gives how it ended, and what is wrong afterwards."""
    for path in place.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    shutil.copytree(place.parent / "pristine", place / "store")
    opened = Store(place / "store")
    before = standing(opened)
    with (place / "ballast").open("wb") as ballast:
        os.posix_fallocate(ballast.fileno(), 0, free_bytes(place) - left_bytes)
    try:
        ended = action(opened, place)
    except PLAIN_ERRORS as error:
        ended = f"{error.message} {error.hint}"
    readable = standing(Store(place / "store"))  # with the disk still full
    (place / "ballast").unlink()
    wrong = list(keeping.check(Store(place / "store")).problems)
    afterwards = standing(Store(place / "store"))
    if not before.items() <= readable.items() or not before.items() <= afterwards.items():
        wrong.append("something earlier is gone")
    return {"left_bytes": left_bytes, "ended": ended, "wrong": wrong}


def standing(opened: Store) -> dict[str, str]:
    """What a store holds, by name."""
    found = {}
    for job in opened.jobs():
        found |= {e.entry_id: e.content.text for e in opened.entries(job.job_id, Comment)}
        for film in job.films:
            found[film.film_id] = str(film.clip.sha256)
            if film.measured is not None:
                found[film.measured.run_id] = str(sorted(p.name for p in film.measured.result.iterdir()))
    return found


def main(place: Path, film: Path, name: str, step_kb: float, most: int) -> None:
    """Try with more and more room until it is done three times over, or for ``most`` steps."""
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(place)], check=True)
    exports.start_process = lambda *_: None  # exports are worked on here
    make_store(place.parent / "pristine", film)
    other = Store(place.parent / "other")
    sent = add_film(other, other.new_job(JobFacts("Burner 2 (invented)")), "a.mp4", bytes(100_000))
    measured(other, sent, write_fake_result)
    export_job(other, sent.job_id, place.parent / "other.zip", clips=True)
    unlooked()
    done, left = 0, 0
    for _ in range(most):
        tried = attempt(place, ACTIONS[name], left)
        print(json.dumps(tried), flush=True)
        done = done + 1 if tried["ended"] is None else 0
        if done == 3:
            return
        left += max(PAGE_BYTES, int(step_kb * 1024) // PAGE_BYTES * PAGE_BYTES)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], float(sys.argv[4]), int(sys.argv[5]))
