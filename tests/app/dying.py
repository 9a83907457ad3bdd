"""Acts on a store and kills itself (as ``kill -9`` would) at the n-th step that reaches the disk.

``python dying.py`` reads a line of JSON for each thing to do: ``[STORE, ACTION, N, FILE]``. It is done by a
process forked from this one, which has loaded the libraries; with N = 0 that process lives and prints how
many such steps there are. A line of JSON says how it ended: status, output and complaints.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fake_result import write_fake_result
from sqlalchemy import Engine, event
from stored import run_of, send, uploads_of

from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.statements import FilmFacts

steps = 0
kill_at = 0


def step() -> None:
    """Count a step; the last one never happens."""
    global steps  # noqa: PLW0603  # the counter is the whole point of this program
    steps += 1
    if steps == kill_at:
        os.kill(os.getpid(), signal.SIGKILL)


def counted(function: Callable[..., Any]) -> Callable[..., Any]:
    def counting(*arguments: Any) -> Any:
        step()
        return function(*arguments)

    return counting


def upload(store: Store, _file: str) -> None:
    clip = store.receive([b"clip " * 100] * 5, "b.mp4", 2500)
    film = store.add_film(store.jobs()[0].job_id, clip, FilmFacts("trial", "b.mp4"))
    print("acknowledged", film.film_id, flush=True)


def send_chunk(store: Store, file: str) -> None:
    """Send a clip to the session named in a file, or what is missing of it."""
    dispatching.start = lambda store, run: None
    token, clip = Path(file).read_text().split()
    arrived = send(uploads_of(store), token, bytes.fromhex(clip), chunk_bytes=1000)
    print("acknowledged", arrived["film"], flush=True)


def complete(store: Store, _file: str) -> None:
    run = run_of(store.jobs()[0].films[0])
    attempt = store.runs.claim(run.run_id)
    assert attempt is not None
    work = store.runs.work_folder(run.run_id, attempt)
    write_fake_result(work)
    store.runs.complete(run.run_id, attempt, work)


def take_in(store: Store, file: str) -> None:
    import_bundle(store, Path(file))


ACTIONS = {"upload": upload, "chunks": send_chunk, "complete": complete, "import": take_in}


def act(store: str, action: str, at: int, file: str) -> None:
    """Do one thing, as all that this process does."""
    global kill_at  # noqa: PLW0603  # as above
    kill_at = at
    opened = Store(Path(store))
    os.fsync = counted(os.fsync)
    os.replace = counted(os.replace)
    event.listen(Engine, "commit", lambda connection: step())
    ACTIONS[action](opened, file)
    print("steps", steps)


def act_apart(asked: list[Any]) -> tuple[int, str, str]:
    """Let a process do one thing; gives its status (less than 0: the signal), output and complaints."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            status = 1
            try:
                os.dup2(out.fileno(), 1)
                os.dup2(err.fileno(), 2)
                act(*asked)
                sys.stdout.flush()
                status = 0
            except BaseException:
                os.write(2, traceback.format_exc().encode())
            finally:
                os._exit(status)  # nothing of the parent's is tidied up here
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        return status, *(os.pread(one.fileno(), 1 << 20, 0).decode() for one in (out, err))


if __name__ == "__main__":
    for line in sys.stdin:
        print(json.dumps(act_apart(json.loads(line))), flush=True)
