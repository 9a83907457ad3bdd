"""Processes started ahead: they do what they are told, once, and are gone when nobody needs them."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest
from killing import started_ahead, workers_of
from patience import PATIENCE_S
from stored import add_job, run_of
from test_worker import wait_for

from strokecurve.app.page import warming
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching, executors
from strokecurve.app.tasks.executors import DetachedExecutor
from strokecurve.app.tasks.prewarmed import PrewarmedWorker

WAITS = (
    "from strokecurve.app.tasks.prewarmed import told; words = told();"
    "print('nothing' if words is None else words, flush=True)"
)


def waiting(log: Path, program: str = WAITS) -> Callable[[], subprocess.Popen[bytes]]:
    """Starts a program that waits and prints what it is told."""

    def start() -> subprocess.Popen[bytes]:
        with log.open("ab") as stream:
            command = [sys.executable, "-c", program]
            return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=stream, bufsize=0)

    return start


def test_a_prewarmed_worker_does_what_it_is_told_once(tmp_path: Path) -> None:
    prewarmed = PrewarmedWorker(waiting(tmp_path / "log"))
    assert prewarmed.waits
    process = prewarmed.tell(["this", 1])
    assert process is not None
    assert process.wait() == 0
    assert (tmp_path / "log").read_text() == "['this', 1]\n"
    assert not prewarmed.waits
    assert prewarmed.tell("more") is None
    prewarmed.dismiss()  # does no harm to one that was told


@pytest.mark.parametrize("unused_s", [0.01, 600.0])
def test_a_prewarmed_worker_that_is_not_needed_ends_without_doing_anything(
    tmp_path: Path, unused_s: float
) -> None:
    prewarmed = PrewarmedWorker(waiting(tmp_path / "log"), unused_s)
    if unused_s > 1:
        prewarmed.dismiss()
    wait_for(lambda: not prewarmed.waits)
    wait_for(lambda: (tmp_path / "log").read_text() == "nothing\n")
    assert prewarmed.tell("late") is None


def test_a_prewarmed_worker_that_died_is_not_told_anything(tmp_path: Path) -> None:
    prewarmed = PrewarmedWorker(waiting(tmp_path / "log", "raise SystemExit(3)"))
    wait_for(lambda: not prewarmed.waits)
    assert prewarmed.tell("anything") is None


def test_half_a_line_is_nothing(tmp_path: Path) -> None:
    process = waiting(tmp_path / "log")()
    process.communicate(b'["cut o')
    assert (tmp_path / "log").read_text() == "nothing\n"


def test_an_executor_uses_what_was_prepared_and_goes_on_without(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with DetachedExecutor(log) as executor:
        executor.prepare(print, "prepared", flush=True)
        executor.prepare(print, "not a second time", flush=True)
        # One after the other: the two share a log, and a line may be written in two pieces.
        executor.submit(print, "called", flush=True).result(60)
        executor.submit(print, "called with nothing prepared", flush=True)
    lines = log.read_text().splitlines()
    assert lines.index("prepared") < lines.index("called")
    assert sorted(lines) == ["called", "called with nothing prepared", "prepared"]


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.delenv(executors.SCHEDULER_VARIABLE, raising=False)
    return Store(tmp_path / "store")


def test_an_analysis_goes_to_the_processes_that_wait_for_it(store: Store) -> None:
    dispatching.prewarm(store)
    dispatching.prewarm(store)
    (supervisor,) = started_ahead(store.folder)
    wait_for(lambda: workers_of(supervisor))
    (ready,) = workers_of(supervisor)
    run = run_of(add_job(store, clip=b"no video"))
    dispatching.prewarm(store)  # not while there is something to do
    dispatching.start(store, run)
    wait_for(lambda: store.runs.run(run.run_id).state.ended)
    seen = store.runs.run(run.run_id)
    assert (seen.state, seen.tries) == (RunState.FAILED, 1)
    assert seen.error is not None
    assert "is no video" in seen.error
    assert "is no video" in seen.log.read_text(), "what a worker prints is in the log of its run"
    psutil.wait_procs([supervisor, ready], timeout=PATIENCE_S)
    assert not started_ahead(store.folder)


@pytest.mark.skipif(sys.platform == "win32", reason="signals are of POSIX")
def test_a_worker_that_waits_ends_with_its_supervisor_and_the_next_analysis_goes_on_without(
    store: Store,
) -> None:
    dispatching.prewarm(store)
    (supervisor,) = started_ahead(store.folder)
    wait_for(lambda: workers_of(supervisor))
    (ready,) = workers_of(supervisor)
    supervisor.kill()
    psutil.wait_procs([ready], timeout=PATIENCE_S)
    assert not ready.is_running()
    run = run_of(add_job(store, clip=b"no video"))
    dispatching.start(store, run)
    wait_for(lambda: store.runs.run(run.run_id).state is RunState.FAILED)
    assert store.runs.run(run.run_id).tries == 1


def test_what_cannot_be_started_ahead_stands_in_nobodys_way(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip can still be sent, and waits: with a silent cluster, or without room for a process."""
    asked: list[str] = []
    monkeypatch.setenv(executors.SCHEDULER_VARIABLE, "tcp://127.0.0.1:1")
    monkeypatch.setattr(executors, "_client", asked.append)
    dispatching.prewarm(store)
    assert asked == [], "nobody waits for a cluster that is not needed yet"
    monkeypatch.delenv(executors.SCHEDULER_VARIABLE)

    def full(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    with monkeypatch.context() as patch:
        patch.setattr(executors, "start_detached", full)
        dispatching.prewarm(store)
    with monkeypatch.context() as patch:
        patch.setenv(executors.WORKERS_VARIABLE, "none")
        dispatching.prewarm(store)
    assert not started_ahead(store.folder)
    dispatching.prewarm(store)
    (supervisor,) = started_ahead(store.folder)
    supervisor.kill()


def test_an_executor_leaves_nothing_waiting_behind(tmp_path: Path) -> None:
    with DetachedExecutor(tmp_path / "log") as executor:
        executor.prepare(print, str(tmp_path), flush=True)
        assert started_ahead(tmp_path)
    assert not started_ahead(tmp_path)


def test_only_a_program_that_serves_the_page_starts_anything_ahead(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Store] = []
    monkeypatch.setattr(dispatching, "prewarm", asked.append)
    serving = threading.Event()
    monkeypatch.setattr(warming, "_serving", serving)
    warming.expect_clip(store)
    assert asked == []
    serving.set()
    warming.expect_clip(store)
    assert asked == [store]
