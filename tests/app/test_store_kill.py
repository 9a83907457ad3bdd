"""Several processes on one store, and processes killed at any step: the store is whole afterwards."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from fake_result import write_fake_result
from stored import add_job, measured, uploads_of

from strokecurve.app.access.upload_sessions import UploadSession
from strokecurve.app.access.uploads import open_session
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.queue import STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.words.files import PART
from strokecurve.app.words.statements import Comment, JobFacts

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Where in the course of an action it is killed: at its first step, its last, and between."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store with one job, whose film waits."""
    made = Store(tmp_path / "store")
    add_job(made)
    return made


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle of another job with its clip."""
    folder = tmp_path_factory.mktemp("sender")
    sender = Store(folder / "store")
    film = add_job(sender, clip=b"another clip", rig_toml="# rig\n")
    measured(sender, film, write_fake_result)
    sender.add(film.job_id, Comment("look"), "technician", film.film_id)
    return export_job(sender, film.job_id, folder / "job.zip", clips=True)


@dataclass(frozen=True, slots=True)
class Ended:
    """How a process ended: its status, less than 0 for a signal, and what it printed and complained of."""

    returncode: int
    stdout: str
    stderr: str


@cache
def actor() -> subprocess.Popen[str]:
    """What starts a process for each action."""
    return subprocess.Popen(
        [sys.executable, str(HERE / "dying.py")],
        cwd=ROOT,
        env={"PYTHONPATH": f"{ROOT}:{HERE}", "PATH": ""},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.fixture(scope="module", autouse=True)
def _no_actor_is_left() -> Iterator[None]:
    yield
    if actor.cache_info().currsize:
        with actor():  # closes its input, which ends it
            actor.cache_clear()


def run(store: Store, action: str, kill_at: int, file: Path | str = "-") -> Ended:
    """Let another process act on the store."""
    acting = actor()
    assert acting.stdin is not None
    assert acting.stdout is not None
    acting.stdin.write(json.dumps([str(store.folder), action, kill_at, str(file)]) + "\n")
    acting.stdin.flush()
    return Ended(*json.loads(acting.stdout.readline()))


def steps_of(tmp_path: Path, action: str, file: Path | str = "-") -> int:
    """How many steps an action has that reach the disk."""
    trial = Store(tmp_path / "trial")
    add_job(trial)
    ended = run(trial, action, 0, file)
    assert ended.returncode == 0, ended.stderr
    return int(ended.stdout.split()[-1])


def kill_at_shares(tmp_path: Path, store: Store, action: str, file: Path | str = "-") -> list[str]:
    """Kill an action at several steps, each time checking that the store is whole; gives what it printed."""
    steps = steps_of(tmp_path, action, file)
    assert steps >= len(SHARES)
    printed = []
    for share in SHARES:
        ended = run(store, action, 1 + round(share * (steps - 1)), file)
        assert ended.returncode == -signal.SIGKILL, ended.stderr
        assert check(Store(store.folder)).problems == ()
        printed.append(ended.stdout)
    return printed


@pytest.mark.slow
def test_an_upload_killed_at_any_step(tmp_path: Path, store: Store) -> None:
    before = store.jobs()[0].films
    printed = kill_at_shares(tmp_path, store, "upload")
    films = store.jobs()[0].films
    assert films[: len(before)] == before
    acknowledged = {line.split()[1] for line in printed if line}
    assert acknowledged <= {film.film_id for film in films}
    ended = run(store, "upload", 0)
    assert ended.stdout.split()[1] in {film.film_id for film in store.jobs()[0].films}
    later = Store(store.folder, lambda: time.time() + 90_000)
    assert not list((later.folder / "clips").glob(f"{PART}*")), "leftovers go after a day"
    assert check(later).problems == ()


@pytest.mark.slow
def test_an_upload_in_chunks_goes_on_after_a_kill_at_any_step(tmp_path: Path, store: Store) -> None:
    content = bytes(range(256)) * 10

    def asked(where: Store, name: str) -> Path:
        mine = uploads_of(where)
        session = open_session(mine, UploadSession("", "clip", where.jobs()[0].job_id))
        file = tmp_path / name
        file.write_text(f"{session.token} {content.hex()}")
        return file

    trial = Store(tmp_path / "trial")
    add_job(trial)
    steps = int(run(trial, "chunks", 0, asked(trial, "trial.txt")).stdout.split()[-1])
    assert steps > 12
    for kill_at in range(1, steps + 1, 2):
        before = {film.film_id for film in store.jobs()[0].films}
        file = asked(store, f"{kill_at}.txt")
        ended = run(store, "chunks", kill_at, file)
        assert ended.returncode == -signal.SIGKILL, ended.stderr
        assert check(Store(store.folder)).problems == ()
        ended = run(store, "chunks", 0, file)
        assert ended.returncode == 0, ended.stderr
        new = [film for film in store.jobs()[0].films if film.film_id not in before]
        assert [film.film_id for film in new] == [ended.stdout.split()[1]]
        assert new[0].clip.path.read_bytes() == content


@pytest.mark.slow
def test_an_import_killed_at_any_step(tmp_path: Path, store: Store, bundle: Path) -> None:
    kill_at_shares(tmp_path, store, "import", bundle)
    assert len(store.jobs()) == 1, "each was killed before it was complete"
    merged = import_bundle(store, bundle)
    assert (merged.new_job, merged.runs, merged.clips) == (True, 1, 1)
    report = check(store)
    assert (report.problems, report.notes) == ((), ())
    again = export_job(store, merged.job_id, tmp_path / "again.zip", clips=True)
    assert again.read_bytes() == bundle.read_bytes()


def test_a_result_killed_on_its_way_in_is_made_again(tmp_path: Path, store: Store) -> None:
    steps = steps_of(tmp_path, "complete")
    run_id = store.runs.waiting()[0].run_id
    ended = run(store, "complete", steps)  # when all is moved and only the commit is missing
    assert ended.returncode == -signal.SIGKILL
    assert store.runs.run(run_id).state is RunState.RUNNING
    assert check(store).problems == ()
    (again,) = Store(store.folder, lambda: time.time() + STALE_AFTER_S + 1).runs.retry_stale()
    assert again.run_id == run_id
    assert run(store, "complete", 0).returncode == 0
    assert store.runs.run(run_id).state is RunState.DONE
    report = check(store)
    assert (report.problems, report.notes) == ((), ())


def test_many_writers_on_one_job(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    job = store.new_job(JobFacts("boiler 2"))
    code = (
        "import sys; from pathlib import Path\n"
        "from strokecurve.app.store.store import Store\n"
        "from strokecurve.app.words.statements import Comment, FilmFacts\n"
        "store = Store(Path(sys.argv[1]))\n"
        "for number in range(20):\n"
        "    store.add(sys.argv[2], Comment(f'{sys.argv[3]} {number}'), sys.argv[3])\n"
        "    if number % 10 == 0:\n"
        "        clip = store.receive([sys.argv[3].encode()], 'a.mp4')\n"
        "        store.add_film(sys.argv[2], clip, FilmFacts(None, 'a.mp4'))\n"
    )
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(store.folder), job.job_id, f"writer{n}"], cwd=ROOT)
        for n in range(4)
    ]
    assert [writer.wait() for writer in writers] == [0] * 4
    comments = store.entries(job.job_id, Comment)
    assert len({entry.made_s for entry in comments}) == len(comments) == 80
    for n in range(4):
        mine = [entry.content.text for entry in comments if entry.author == f"writer{n}"]
        assert mine == [f"writer{n} {number}" for number in range(20)], "each in the order it was said"
    assert len(store.job(job.job_id).films) == 8
    assert check(store).problems == ()


def test_many_first_openers(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from strokecurve.app.store.store import Store;"
        "Store(pathlib.Path(sys.argv[1])).new_job()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "store")]
    openers = [subprocess.Popen(command, cwd=ROOT) for _ in range(4)]
    assert [opener.wait() for opener in openers] == [0] * 4
    assert len(Store(tmp_path / "store").jobs()) == 4


FULL_DISK = """
import pathlib, resource, sys
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.words.errors import StoreError
from strokecurve.app.store.maintenance import check
from strokecurve.app.words.statements import Comment
from strokecurve.app.store.store import Store

resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # no file may grow any more, as on a full disk
store = Store(pathlib.Path(sys.argv[1]))
job = store.jobs()[0]
attempts = {
    "comment": lambda: store.add(job.job_id, Comment("x")),
    "upload": lambda: store.receive([b"clip"], "a.mp4"),
    "again": lambda: store.analyse_again(job.films[0].film_id),
    "import": lambda: import_bundle(store, pathlib.Path(sys.argv[2])),
}
for name, attempt in attempts.items():
    try:
        attempt()
    except StoreError as error:
        print(name, error.message)
print("read", len(store.jobs()), len(store.entries(job.job_id, Comment)), check(store).problems)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of processes are of POSIX")
def test_a_full_disk_is_said_and_every_job_stays_readable(store: Store, bundle: Path) -> None:
    job_id = store.jobs()[0].job_id
    store.add(job_id, Comment("before"))
    command = [sys.executable, "-c", FULL_DISK, str(store.folder), str(bundle)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
    *refusals, read = ended.stdout.splitlines()
    assert [line.split()[0] for line in refusals] == ["comment", "upload", "again", "import"]
    assert all("cannot be written" in line or "could not be" in line for line in refusals), refusals
    assert read == "read 1 1 ()"
    assert import_bundle(store, bundle).new_job
    assert check(store).problems == ()
