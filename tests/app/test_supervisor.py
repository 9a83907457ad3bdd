"""The queue at work: a bounded number of runs at once, workers that crash or hang, other executors."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from stored import add_job, run_of
from test_worker import wait_for

from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.queue import GONE
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching, executors, supervisor
from strokecurve.app.tasks.executors import DetachedExecutor, Workplace, usual_slots, workplace
from strokecurve.app.tasks.supervisor import CRASHED, Patience, work_apart, work_through
from strokecurve.app.words.errors import InputError, StoreError

QUICK = Patience(look_every_s=0.05, hung_after_s=0.3)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def stand_in(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """Let another program be the worker; it is given the store, the run and the attempt."""
    monkeypatch.setattr(
        supervisor,
        "worker_command",
        lambda store, run_id, attempt: [
            sys.executable, "-c", program, str(store.folder), run_id, str(attempt)
        ],
    )  # fmt: skip


def test_a_run_is_worked_on_by_a_process_of_its_own(store: Store) -> None:
    run_id = run_of(add_job(store, clip=b"no video")).run_id
    work_apart(store, run_id)
    seen = store.runs.run(run_id)
    assert (seen.state, seen.tries) == (RunState.FAILED, 1)
    assert seen.error is not None
    assert "is no video" in seen.error
    work_apart(store, run_id)
    assert store.runs.run(run_id) == seen, "an ended run is not touched again"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are of POSIX")
@pytest.mark.parametrize(("end", "sentence"), [("SIGSEGV", CRASHED), ("SIGABRT", CRASHED), ("SIGKILL", GONE)])
def test_a_crash_ends_its_own_run_only(
    store: Store, monkeypatch: pytest.MonkeyPatch, end: str, sentence: str
) -> None:
    ids = [run_of(add_job(store)).run_id for _ in range(2)]
    stand_in(monkeypatch, f"import os, signal; os.kill(os.getpid(), signal.{end})")
    work_apart(store, ids[0])
    assert store.runs.run(ids[0]).state is RunState.QUEUED, "it waits once more"
    work_apart(store, ids[0])
    seen = store.runs.run(ids[0])
    assert (seen.state, seen.error, seen.tries) == (RunState.FAILED, sentence, 2)
    assert store.runs.run(ids[1]).state is RunState.QUEUED
    assert check(store).problems == ()


def test_a_worker_that_hangs_is_ended_with_a_sentence(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    run_id = run_of(add_job(store)).run_id
    stand_in(monkeypatch, "import time; time.sleep(600)")
    work_apart(store, run_id, QUICK)
    seen = store.runs.run(run_id)
    assert seen.state is RunState.FAILED
    assert seen.error is not None
    assert "no progress" in seen.error


def test_a_worker_that_hangs_is_ended_soon_after_somebody_cancels(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_id = run_of(add_job(store)).run_id
    stand_in(monkeypatch, "import time; time.sleep(600)")
    with ThreadPoolExecutor(1) as pool:
        patient = Patience(look_every_s=0.05, hung_after_s=600.0, stops_within_s=0.2)
        watching = pool.submit(work_apart, store, run_id, patient)
        wait_for(lambda: store.runs.run(run_id).state is RunState.RUNNING)
        store.runs.request_cancel(run_id)
        watching.result(60)
    seen = store.runs.run(run_id)
    assert (seen.state, seen.error, seen.tries) == (RunState.CANCELLED, None, 1)
    assert check(store).problems == ()


WORKS = """
import sys, time, pathlib
from strokecurve.app.store.store import Store
from strokecurve.app.store.jobs import RunState
store = Store(pathlib.Path(sys.argv[1]))
time.sleep(0.3)
store.runs.finish(sys.argv[2], int(sys.argv[3]), RunState.FAILED, "worked on")
"""


def test_any_executor_will_do_and_no_more_than_its_places_run_at_once(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the standard library's own pool: all runs end, never more at once than there are slots."""
    ids = [run_of(add_job(store)).run_id for _ in range(5)]
    stand_in(monkeypatch, WORKS)
    most = 0
    with ThreadPoolExecutor(4) as pool:
        monkeypatch.setattr(dispatching, "workplace", lambda *_: Workplace(pool, 2))
        watcher = Store(store.folder)

        def ended() -> bool:
            nonlocal most
            dispatching.tend(watcher)  # as a page would
            states = [watcher.runs.run(run_id).state for run_id in ids]
            most = max(most, states.count(RunState.RUNNING))
            return all(state.ended for state in states)

        wait_for(ended)
    assert most == 2
    assert {(store.runs.run(i).tries, store.runs.run(i).error) for i in ids} == {(1, "worked on")}


def test_one_supervisor_works_through_the_queue_without_a_page(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids = [run_of(add_job(store)).run_id for _ in range(3)]
    stand_in(monkeypatch, WORKS.replace("0.3", "0"))
    (first,) = store.runs.dispatch(1)
    work_through(str(store.folder), first.run_id, 1)
    assert [store.runs.run(run_id).error for run_id in ids] == ["worked on"] * 3


def test_a_worker_that_cannot_be_started_is_said_and_the_run_waits(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_id = run_of(add_job(store)).run_id

    class Full(ThreadPoolExecutor):
        def submit(self, *_: object, **__: object) -> None:  # type: ignore[override]  # never gives a future
            raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(dispatching, "workplace", lambda *_: Workplace(Full(), 1))
    with pytest.raises(StoreError, match="No worker could be started"):
        dispatching.tend(store)
    assert store.runs.before(run_id) == 0
    dispatching.start(store, store.runs.run(run_id))  # who queued it is not troubled
    assert [one.tries for one in store.runs.dispatch(1)] == [1]


# Executors


def test_a_detached_process_makes_the_call_and_tells_how_it_ended(tmp_path: Path) -> None:
    with DetachedExecutor(tmp_path / "log", {"GREETING": "hello"}) as executor:
        made = executor.submit(subprocess.check_call, [sys.executable, "-c", "print('called', flush=True)"])
        failed = executor.submit(subprocess.check_call, [sys.executable, "-c", "raise SystemExit(3)"])
        told = executor.submit(
            subprocess.check_call,
            [sys.executable, "-c", "import os; print(os.environ['GREETING'], flush=True)"],
        )
    assert made.done()
    assert made.result() is None
    assert isinstance(failed.exception(), ChildProcessError)
    told.result()
    lines = (tmp_path / "log").read_text().splitlines()
    assert "called" in lines
    assert "hello" in lines


@pytest.mark.skipif(sys.platform == "win32", reason="process groups are of POSIX")
def test_a_detached_process_outlives_who_started_it(tmp_path: Path) -> None:
    witness = tmp_path / "witness"
    late = f"import time, pathlib; time.sleep(0.5); pathlib.Path({str(witness)!r}).touch()"
    code = (
        "import os, signal, subprocess, sys, pathlib\n"
        "from strokecurve.app.tasks.executors import DetachedExecutor\n"
        f"executor = DetachedExecutor(pathlib.Path({str(tmp_path / 'log')!r}))\n"
        f"executor.submit(subprocess.check_call, [sys.executable, '-c', {late!r}])\n"
        "os.killpg(0, signal.SIGKILL)"
    )
    starter = subprocess.run([sys.executable, "-c", code], start_new_session=True, check=False)
    assert starter.returncode == -signal.SIGKILL
    wait_for(witness.exists)


def test_slots_are_set_or_follow_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(executors.SCHEDULER_VARIABLE, raising=False)
    monkeypatch.setenv(executors.WORKERS_VARIABLE, "3")
    there = workplace(tmp_path)
    assert (type(there.executor), there.slots) == (DetachedExecutor, 3)
    monkeypatch.delenv(executors.WORKERS_VARIABLE)
    assert workplace(tmp_path).slots == usual_slots() >= 1
    for wrong in ("0", "-1", "two", "1.5"):
        monkeypatch.setenv(executors.WORKERS_VARIABLE, wrong)
        with pytest.raises(InputError, match="no number of analyses"):
            workplace(tmp_path)


@pytest.mark.parametrize(("memory_gb", "slots"), [(1, 1), (4, 2), (64, 8)])
def test_slots_by_cores_and_memory(monkeypatch: pytest.MonkeyPatch, memory_gb: int, slots: int) -> None:
    memory = executors.psutil.virtual_memory()._replace(total=memory_gb << 30)
    monkeypatch.setattr(executors.psutil, "virtual_memory", lambda: memory)
    monkeypatch.setattr(executors.os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    assert usual_slots() == slots


def test_a_cluster_that_does_not_answer_is_said_once_and_not_waited_for_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    asked = []

    def refuse(address: str, **_: object) -> None:
        asked.append(address)
        raise OSError("timed out")

    monkeypatch.setattr(distributed, "Client", refuse)
    monkeypatch.setenv(executors.SCHEDULER_VARIABLE, "tcp://127.0.0.1:1")
    monkeypatch.setattr(executors, "_refused_s", {})
    run_id = run_of(add_job(store)).run_id
    for _ in range(2):
        with pytest.raises(StoreError, match="does not answer"):
            dispatching.tend(store)
    assert asked == ["tcp://127.0.0.1:1"]
    assert store.runs.before(run_id) == 0


def test_many_who_dispatch_at_once_never_dispatch_twice(store: Store) -> None:
    ids = {run_of(add_job(store)).run_id for _ in range(6)}
    given: list[str] = []
    ready = threading.Barrier(6)

    def ask() -> None:
        mine = Store(store.folder)
        ready.wait()
        given.extend(run.run_id for run in mine.runs.dispatch(4))

    askers = [threading.Thread(target=ask) for _ in range(6)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert len(given) == len(set(given)) == 4
    assert set(given) < ids
