"""Runs on a cluster: a real Dask scheduler and two workers, the database on PostgreSQL, one worker killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import psutil
import pytest
from own_ports import own_port
from patience import PATIENCE_S
from postgres_server import new_database, running_server
from stored import add_job, run_of
from test_worker import wait_for

from strokecurve.app.store import scheduler
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import DATABASE_VARIABLE, Store
from strokecurve.app.tasks import dispatching, executors

pytest.importorskip("psycopg")
distributed = pytest.importorskip("distributed")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="process groups are of POSIX"),
]

FILMS = 3


@pytest.fixture
def database() -> Iterator[str]:
    with running_server() as server:
        yield new_database(server)


@pytest.fixture
def machines(tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """A scheduler, named in the environment, and two workers; gives the workers' process groups."""
    address = f"tcp://127.0.0.1:{own_port()}"
    monkeypatch.setenv(executors.SCHEDULER_VARIABLE, address)
    quiet = ["--no-dashboard", "--host", "127.0.0.1"]
    scheduler = ["scheduler", *quiet, "--port", address.rsplit(":", 1)[1]]
    one = ["worker", address, *quiet, "--nthreads", "1", "--no-nanny", "--local-directory", str(tmp_path)]
    with ExitStack() as stack, (tmp_path / "dask.log").open("wb") as log:
        pids = []
        for words in (scheduler, one, one):
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                env=os.environ | {DATABASE_VARIABLE: database},
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
            stack.callback(process.wait)
            stack.callback(end, process.pid)
            pids.append(process.pid)
        with distributed.Client(address, timeout=PATIENCE_S, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=PATIENCE_S)
        yield pids[1:]
        for client in executors._clients.values():  # the page's, kept as long as it lives
            client.close()
        executors._clients.clear()


def end(group: int) -> None:
    """Kill a process group, as if its machine were switched off."""
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return


def test_a_machine_switched_off_loses_no_film(
    tmp_path: Path,
    small_film: Path,
    database: str,
    machines: list[int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The page's patience; workers keep theirs. They give a sign five times a second.
    monkeypatch.setattr(scheduler, "STALE_AFTER_S", 5.0)
    store = Store(tmp_path / "shared", time.time, database)
    clip = (small_film / "good.mp4").read_bytes()
    films = [add_job(store, "good.mp4", clip) for _ in range(FILMS)]
    ids = [run_of(film).run_id for film in films]
    most = 0

    def states() -> list[RunState]:
        nonlocal most
        dispatching.tend(store)  # as a page does that somebody watches
        found = [store.runs.run(run_id).state for run_id in ids]
        most = max(most, found.count(RunState.RUNNING))
        return found

    wait_for(lambda: states().count(RunState.RUNNING) == 2)
    victim = machines[0]
    wait_for(lambda: any("--run" in child.cmdline() for child in psutil.Process(victim).children()))
    (child,) = psutil.Process(victim).children()
    its_run = child.cmdline()[child.cmdline().index("--run") + 1]
    end(victim)
    wait_for(lambda: all(state.ended for state in states()))
    runs = {run_id: store.runs.run(run_id) for run_id in ids}
    assert {run.state for run in runs.values()} == {RunState.DONE}, [run.error for run in runs.values()]
    assert {run_id for run_id, run in runs.items() if run.tries == 2} == {its_run}
    assert all(run.tries <= 2 for run in runs.values())
    assert most == 2
    report = check(store)
    assert report.problems == ()
    store.database.close()
