"""Does one thing with a store and kills itself (as ``kill -9`` would) at the n-th step that reaches the disk.

``python dying.py STORE ACTION N [FILE]``; with N = 0 it lives and prints how many such steps there are.
"""

from __future__ import annotations

import os
import signal
import sys
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


if __name__ == "__main__":
    kill_at = int(sys.argv[3])
    opened = Store(Path(sys.argv[1]))
    os.fsync = counted(os.fsync)
    os.replace = counted(os.replace)
    event.listen(Engine, "commit", lambda connection: step())
    actions = {"upload": upload, "chunks": send_chunk, "complete": complete, "import": take_in}
    actions[sys.argv[2]](opened, sys.argv[-1])
    print("steps", steps)
