"""Where runs are worked on: executors in the sense of ``concurrent.futures``, one of which a setting chooses.

By default `DetachedExecutor`: every call in a process of its own on this machine, which outlives the page.
With the address of a Dask scheduler in ``STROKECURVE_SCHEDULER`` the calls go to its workers instead; they
need strokecurve and ``STROKECURVE_DATABASE`` (a PostgreSQL database) in their environment and the store's
folder at the same path, on a disk that all share. Their clocks must agree to within seconds.
"""

from __future__ import annotations

import importlib
import json
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future, wait
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import psutil

from strokecurve.app.store.store import Store
from strokecurve.app.tasks.prewarmed import PrewarmedWorker, told
from strokecurve.app.words.errors import InputError, StoreError
from strokecurve.app.words.resource_limits import Limits, stand_back

WORKERS_VARIABLE = "STROKECURVE_WORKERS"
"""Environment variable with the number of runs that may be worked on at once."""
SCHEDULER_VARIABLE = "STROKECURVE_SCHEDULER"
"""Environment variable with the address of a Dask scheduler, such as ``tcp://host:8786``."""
MEMORY_OF_A_RUN_BYTES = 3 << 29
"""1.5 GB: what 4K film takes (measured: 1.2 GB), with something left for the page."""
CONNECTS_WITHIN_S = 5.0
ASKS_AGAIN_AFTER_S = 30.0
"""A scheduler that did not answer is left alone for so long: every look at a page would wait for it."""


@dataclass(frozen=True, slots=True)
class Workplace:
    """Who works on runs.

    Attributes
    ----------
    executor : Executor
    slots : int
        Runs that may be worked on at once.
    """

    executor: Executor
    slots: int


def workplace(folder: Path, environment: Mapping[str, str] | None = None) -> Workplace:
    """The workplace that the environment of this program names.

    Parameters
    ----------
    folder : Path
        The store's folder, for the log.
    environment : mapping, optional
        Further variables for processes on this machine.

    Raises
    ------
    InputError
        If a setting cannot be used.
    StoreError
        If the cluster does not answer.
    """
    address = os.environ.get(SCHEDULER_VARIABLE)
    if address:
        return _cluster(address, _wanted_slots())
    return Workplace(_own_executor(folder, tuple((environment or {}).items())), own_slots())


@cache
def _own_executor(folder: Path, environment: tuple[tuple[str, str], ...]) -> DetachedExecutor:
    """The executor of a store, one only: it keeps a prewarmed worker."""
    return DetachedExecutor(folder / "logs" / "queue.log", dict(environment))


def own_slots() -> int:
    """How much may be worked on at once on this machine: as set, else as is usual."""
    return _wanted_slots() or usual_slots()


def usual_slots() -> int:
    """As many runs at once as this machine has cores and memory for; one at least."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(cores, int(psutil.virtual_memory().total) // MEMORY_OF_A_RUN_BYTES))


def _wanted_slots() -> int | None:
    """The number in ``STROKECURVE_WORKERS``, if there is one."""
    text = os.environ.get(WORKERS_VARIABLE)
    if not text:
        return None
    if not text.isdecimal() or int(text) == 0:
        raise InputError(
            f"{WORKERS_VARIABLE} is {text!r}, which is no number of analyses.",
            "Give 1 or more, or leave it out.",
        )
    return int(text)


# On this machine


class DetachedExecutor(Executor):
    """Makes each call in a process of its own that outlives this one.

    Only functions of modules can be called, with arguments that JSON knows; their results are not handed
    back: a future gives None, or `ChildProcessError` if the process failed. It is known here only as long as
    this program lives.

    Parameters
    ----------
    log : Path
        What the processes print is added there.
    environment : mapping, optional
        Variables for the processes beside those of this one.
    """

    def __init__(self, log: Path, environment: Mapping[str, str] | None = None) -> None:
        self._log = log
        self._environment = dict(environment or {})
        self._begun: set[Future[Any]] = set()
        self._prewarmed: PrewarmedWorker | None = None
        self._preparing = threading.Lock()

    def prepare(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> None:
        """Start a process ahead that makes this call and then waits for the next `submit`.

        There is one at most; a second one is not started.
        """
        words = ("--wait", *_words(fn, args, kwargs))
        with self._preparing:
            if self._prewarmed is not None:
                if self._prewarmed.waits:
                    return
                self._prewarmed.dismiss()
            self._prewarmed = PrewarmedWorker(lambda: self._start(*words, stdin=subprocess.PIPE))

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Let the process make the call that was started ahead, or start one; OSError if it cannot be."""
        words = _words(fn, args, kwargs)
        with self._preparing:
            prewarmed, self._prewarmed = self._prewarmed, None
        process = (prewarmed.tell(words) if prewarmed is not None else None) or self._start(*words)
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        self._begun.add(future)
        future.add_done_callback(self._begun.discard)
        # A daemon: nothing here may wait for the process when this program ends.
        threading.Thread(target=_pass_on_end, args=(process, future), daemon=True).start()
        return future

    def _start(self, *words: str, stdin: int = subprocess.DEVNULL) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "strokecurve.app.tasks.executors", *words]
        return start_detached(command, self._log, self._environment, stdin)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Wait for the processes if wanted; they are never ended, but one that was not told anything is."""
        with self._preparing:
            if self._prewarmed is not None:
                self._prewarmed.dismiss()
        if wait:
            _wait_for(self._begun)


def _words(fn: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> tuple[str, str]:
    """A call as it stands on a command line."""
    return f"{fn.__module__}:{fn.__qualname__}", json.dumps([args, kwargs])


def _wait_for(futures: set[Future[Any]]) -> None:
    wait(tuple(futures))


def _pass_on_end(process: subprocess.Popen[bytes], future: Future[Any]) -> None:
    status = process.wait()
    if status == 0:
        future.set_result(None)
    else:
        future.set_exception(ChildProcessError(f"the process ended with status {status}"))


def start_detached(
    command: list[str], log: Path, environment: Mapping[str, str], stdin: int = subprocess.DEVNULL
) -> subprocess.Popen[bytes]:
    """Start a process that outlives this one and does not share its terminal; gives the process."""
    options: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        options = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}
    with log.open("ab") as stream:
        return subprocess.Popen(
            command,
            stdin=stdin,
            stdout=stream,
            stderr=stream,
            bufsize=0,
            env=os.environ | environment,
            **options,
        )


def start_process(store: Store, command: list[str], log: Path) -> None:
    """Start a process that works on a store and outlives the page."""
    process = start_detached(command, log, store.own_environment)
    # Waited for in a thread, so that an ended process does not stay behind as a zombie of the page.
    threading.Thread(target=process.wait, daemon=True).start()


def main(arguments: list[str]) -> None:
    """Make one call, in the process that `DetachedExecutor` started for it; or one, and one it is told of."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    stand_back(Limits().niceness)
    waits = arguments[0] == "--wait"
    _call(*arguments[waits:])
    words = told() if waits else None
    if words is not None:
        _call(*words)


def _call(function: str, given: str) -> None:
    module, _, name = function.partition(":")
    args, kwargs = json.loads(given)
    getattr(importlib.import_module(module), name)(*args, **kwargs)


# On a cluster

_clients: dict[str, Any] = {}
_refused_s: dict[str, float] = {}
_connecting = threading.Lock()


def _cluster(address: str, wanted: int | None) -> Workplace:
    """The workers of a Dask scheduler, one run for each of their threads."""
    client = _client(address)
    try:
        threads = int(client.scheduler_info()["total_threads"])
    except OSError as error:
        raise _no_answer(address) from error
    # Not "pure": the same call made again is to be made again, not answered with the old outcome.
    return Workplace(client.get_executor(pure=False), threads if wanted is None else min(wanted, threads))


def _client(address: str) -> Any:
    """A connection to a scheduler, kept while it stands."""
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            f"{SCHEDULER_VARIABLE} is set, but the library for clusters is not installed.",
            "Install strokecurve[cluster], or leave the variable out.",
        ) from error
    with _connecting:
        client = _clients.get(address)
        if client is not None and client.status == "running":
            return client
        silent_since_s = _refused_s.get(address)
        if silent_since_s is not None and time.monotonic() - silent_since_s < ASKS_AGAIN_AFTER_S:
            raise _no_answer(address)
        if client is not None:
            client.close(timeout=CONNECTS_WITHIN_S)
        try:
            _clients[address] = Client(  # type: ignore[no-untyped-call]  # the library has no types for it
                address, timeout=CONNECTS_WITHIN_S, set_as_default=False
            )
        except (OSError, ValueError, TypeError) as error:
            _refused_s[address] = time.monotonic()
            raise _no_answer(address) from error
        return _clients[address]


def _no_answer(address: str) -> StoreError:
    return StoreError(
        f"The cluster at {address} does not answer; analyses wait until it does.",
        f"Start its scheduler, or correct {SCHEDULER_VARIABLE}. Clips and results are untouched.",
    )


if __name__ == "__main__":
    main(sys.argv[1:])
