"""Kills programs at random instants, with ``kill -9``, and looks whether everything acknowledged is there.

What is killed are the real processes: supervisors and workers on a real film, and those that make records.
Uploads and comments are made by a program that calls what the page calls, over and over: ``python killing.py
STORE upload|comment JOB`` prints a line for each that it has acknowledged. The page is the real command, with
a visitor who comments over its own protocol while a film that the page began is analysed.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import random
import re
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from fake_result import write_fake_result
from pypdf import PdfReader
from stored import add_film, measured, run_of, send, uploads_of
from visitor import Visitor
from websockets.exceptions import ConnectionClosed

from strokecurve.app.access.upload_sessions import UploadSession
from strokecurve.app.access.uploads import open_session
from strokecurve.app.store import scheduler
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.queue import STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching, exports
from strokecurve.app.tasks.supervisor import work_apart
from strokecurve.app.words.files import chunks_of, new_id
from strokecurve.app.words.statements import Comment, FilmFacts, JobFacts

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
KINDS = ("upload", "comment", "analysis", "report", "page")
CLIP_BYTES = 1 << 20
READY_S = 1.5
"""At most so long between the start of a process ahead and its clip; it is ready after about half of it."""
PAGE_S = 8.0
"""Longest time until the page is killed: it is opened, and then commented on some dozens of times."""
ACTING_S = 0.5
"""Longest time that uploads and comments go on before their program is killed: some dozens of them."""
DEADLINE_S = 180.0
PATIENCE_S = 5.0
"""How long the page waits here for a silent worker, and for one to begin, so that 200 kills take minutes."""


# What is killed


def act(folder: Path, kind: str, job_id: str) -> None:
    """Upload or comment without end; acknowledge each on a line."""
    store = Store(folder)
    mine = uploads_of(store)
    dispatching.start = lambda store, run: None  # analyses are killed elsewhere
    print("ready", flush=True)
    number = 0
    while True:
        number += 1
        if kind == "comment":
            text = f"comment {os.getpid()} {number}"
            print(store.add(job_id, Comment(text), "reviewer").entry_id, text, sep="\t", flush=True)
            continue
        content = random.Random(number).randbytes(CLIP_BYTES)
        session = open_session(mine, UploadSession("", "clip", job_id, FilmFacts("trial", "b.mp4")))
        film_id = send(mine, session.token, content)["film"]
        print(film_id, hashlib.sha256(content).hexdigest(), sep="\t", flush=True)


# Who kills


@dataclass(slots=True)
class Ledger:
    """Everything acknowledged so far.

    Attributes
    ----------
    films, comments : dict of str to str
        Checksum of a film's clip, text of a comment, by their ids.
    results : dict of str to int
        Number of files of a run's result.
    records : dict of Path to str
        Checksum of a record that was said to be done.
    """

    films: dict[str, str] = field(default_factory=dict)
    comments: dict[str, str] = field(default_factory=dict)
    results: dict[str, int] = field(default_factory=dict)
    records: dict[Path, str] = field(default_factory=dict)


class Killer:
    """Kills what works on a store, at instants drawn at random, and keeps the ledger.

    Parameters
    ----------
    folder : Path
        Of the store, which is made.
    film : Path
        A clip that can be measured.
    rng : Random
    """

    def __init__(self, folder: Path, film: Path, rng: random.Random) -> None:
        scheduler.STALE_AFTER_S = scheduler.STARTS_WITHIN_S = PATIENCE_S
        self.store = Store(folder)
        self.rng = rng
        self.ledger = Ledger()
        self.ends: Counter[str] = Counter()
        self.job_id = self.store.new_job(JobFacts("Burner (invented)")).job_id
        recorded = add_film(self.store, self.store.job(self.job_id), "found.mp4")
        measured(self.store, recorded, write_fake_result)
        self.recorded_id = recorded.film_id
        with film.open("rb") as stream:
            clip = self.store.receive(chunks_of(stream), film.name)
        added = self.store.add_film(self.job_id, clip, FilmFacts("as found", film.name))
        self.film_id = added.film_id
        started_s = time.monotonic()
        work_apart(self.store, run_of(added).run_id)
        assert self.store.film(self.film_id).measured is not None, self.store.film(self.film_id).run
        self.analysis_s = time.monotonic() - started_s + 1.0  # with the supervisor's own start
        started_s = time.monotonic()
        wait_until(self._record().state_ended)
        self.record_s = time.monotonic() - started_s

    def kill(self, kind: str) -> None:
        """Kill one program while it does something of this kind, then look at everything."""
        act: dict[str, Callable[[], str]] = {
            "analysis": self._kill_analysis,
            "report": self._kill_report,
            "page": self._kill_page,
        }
        how = act[kind]() if kind in act else self._kill_actor(kind)
        self.ends[f"{kind}: {how}"] += 1
        self.look()

    def look(self) -> None:
        """Compare the store with the ledger, and check it."""
        store = Store(self.store.folder)
        job = store.job(self.job_id)
        films = {film.film_id: film.clip.sha256 for film in job.films}
        assert films.items() >= self.ledger.films.items()
        comments = {entry.entry_id: entry.content.text for entry in store.entries(self.job_id, Comment)}
        assert comments.items() >= self.ledger.comments.items()
        for run_id, files in self.ledger.results.items():
            run = store.runs.run(run_id)
            assert run.state is RunState.DONE
            assert sum(path.is_file() for path in run.result.rglob("*")) == files
        for path, sha256 in self.ledger.records.items():
            assert hashlib.sha256(path.read_bytes()).hexdigest() == sha256
        assert check(store).problems == ()

    def _kill_actor(self, kind: str) -> str:
        command = [sys.executable, str(HERE / "killing.py"), str(self.store.folder), kind, self.job_id]
        paths = os.environ | {"PYTHONPATH": f"{ROOT}:{HERE}"}
        with subprocess.Popen(command, env=paths, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            time.sleep(self.rng.uniform(0.0, ACTING_S))
            process.kill()
            lines = [line for line in process.stdout if line.endswith("\n")]
        said = dict(line.rstrip("\n").split("\t") for line in lines)
        (self.ledger.comments if kind == "comment" else self.ledger.films).update(said)
        for run in self.store.runs.waiting():  # no films: nobody shall try to measure them
            self.store.runs.request_cancel(run.run_id)
        return "killed"

    def _kill_analysis(self) -> str:
        """Kill the worker, its supervisor, or both (as if the machine were switched off) on a film."""
        while True:
            ready: set[psutil.Process] = set()
            if self.rng.random() < 0.5:  # as on a page that expected the clip
                earlier = started_ahead(self.store.folder)
                dispatching.prewarm(self.store)
                time.sleep(self.rng.uniform(0.0, READY_S))
                ready = started_ahead(self.store.folder) - earlier
            run_id = self.store.analyse_again(self.film_id).run_id
            whom = self.rng.choice(("worker", "supervisor", "both"))
            dispatching.tend(self.store)
            time.sleep(self.rng.uniform(0.0, self.analysis_s))
            found = processes_with(run_id)
            for supervisor in ready:
                found["supervisor"] = supervisor
                for process in workers_of(supervisor):
                    found["worker"] = process
            names = ("worker", "supervisor") if whom == "both" else (whom,)
            killed = end({name: found[name] for name in names if name in found})

            def ended(run_id: str = run_id) -> bool:
                dispatching.tend(self.store)
                return self.store.runs.run(run_id).state.ended

            wait_until(ended)
            run = self.store.runs.run(run_id)
            assert run.state is RunState.DONE, run.error
            self.ledger.results[run_id] = sum(path.is_file() for path in run.result.rglob("*"))
            if killed:
                return f"{' and '.join(killed)}{' started ahead' if ready else ''}, tries {run.tries}"

    def _kill_report(self) -> str:
        while True:
            asked = self._record()
            time.sleep(self.rng.uniform(0.0, self.record_s))
            if not end(processes_with(asked.export_id)):
                continue
            state = asked.folder / "state.json"
            silent_s = state.stat().st_mtime - 2 * STALE_AFTER_S
            os.utime(state, (silent_s, silent_s))  # so long after the kill
            if asked.state() is RunState.DONE:
                self._keep(asked)
                return "after its end"
            assert asked.find().error == exports.GONE
            again = self._record()
            wait_until(again.state_ended)
            self._keep(again)
            return "killed, made again"

    def _kill_page(self) -> str:
        """Kill the page while somebody comments on it, and while an analysis goes on that it began."""
        run_id = self.store.analyse_again(self.film_id).run_id
        command = [sys.executable, "-m", "strokecurve.app.commands.cli", "--no-browser", "--port", "0"]
        said: list[str] = []
        with subprocess.Popen(
            [*command, "--store", str(self.store.folder)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        ) as starter:
            assert starter.stdout is not None
            found = re.search(r"http://[\w.:]+", starter.stdout.readline())
            assert found is not None
            both = {
                "server": psutil.Process(starter.pid).children()[0],
                "starter": psutil.Process(starter.pid),
            }
            killer = threading.Timer(self.rng.uniform(0.0, PAGE_S), end, (both,))
            killer.start()
            asyncio.run(self._comment_until_killed(found[0], said))
            killer.join()
        if self.store.runs.run(run_id).state is RunState.QUEUED:
            dispatching.tend(self.store)  # killed before it had looked at the queue: the next page does
        wait_until(lambda: self.store.runs.run(run_id).state.ended)
        run = self.store.runs.run(run_id)
        assert (run.state, run.tries) == (RunState.DONE, 1), run.error
        self.ledger.results[run_id] = sum(path.is_file() for path in run.result.rglob("*"))
        there = {e.content.text: e.entry_id for e in self.store.entries(self.job_id, Comment)}
        assert set(said) <= set(there)
        self.ledger.comments.update({there[text]: text for text in said})
        return "killed"

    async def _comment_until_killed(self, address: str, said: list[str]) -> None:
        """Put one comment after the other on record; those in ``said`` were acknowledged."""
        visitor = Visitor(address)
        try:
            await visitor.open("handover", job=self.job_id)
            while True:
                field_there, send = (
                    visitor.find("text_area", "Comment"),
                    visitor.find("button", "Put this comment"),
                )
                assert field_there is not None
                assert send is not None
                text = f"on the page {new_id()}"
                visitor.fill(field_there, text)
                await visitor.touch(send)
                said.append(text)
        except (ConnectionClosed, OSError):
            assert visitor.errors == []

    def _keep(self, asked: Asked) -> None:
        """Write a record that was said to be done into the ledger."""
        file = asked.find().file
        assert file is not None
        assert len(PdfReader(file).pages) > 0
        self.ledger.records[file] = hashlib.sha256(file.read_bytes()).hexdigest()

    def _record(self) -> Asked:
        one = exports.ask(self.store, self.job_id, "record", film=self.recorded_id, paper="a4")
        return Asked(self.store, self.job_id, one.export_id)


@dataclass(frozen=True, slots=True)
class Asked:
    """A record that was asked for."""

    store: Store
    job_id: str
    export_id: str

    @property
    def folder(self) -> Path:
        return self.store.folder / exports.EXPORTS / self.job_id / self.export_id

    def find(self) -> exports.Export:
        return exports.find(self.store, self.job_id, self.export_id)

    def state(self) -> RunState:
        return self.find().state

    def state_ended(self) -> bool:
        return self.state().ended


def processes_with(name: str) -> dict[str, psutil.Process]:
    """The running worker and supervisor of a run, or what makes an export, by its id in the command line."""
    found = {}
    for process in psutil.process_iter(["cmdline", "status"]):
        words = process.info["cmdline"] or []
        if any(name in word for word in words) and process.info["status"] != psutil.STATUS_ZOMBIE:
            found["supervisor" if "strokecurve.app.tasks.executors" in words else "worker"] = process
    return found


def started_ahead(folder: Path) -> set[psutil.Process]:
    """Supervisors of a store that were started before there was a run for them."""
    return {
        process
        for process in psutil.process_iter(["cmdline"])
        if "--wait" in (words := process.info["cmdline"] or []) and any(str(folder) in word for word in words)
    }


def workers_of(supervisor: psutil.Process) -> list[psutil.Process]:
    """The worker that a supervisor started, as long as both are there."""
    try:
        return [
            process
            for process in supervisor.children()
            if "strokecurve.app.tasks.worker" in process.cmdline()
        ]
    except psutil.NoSuchProcess:
        return []


def end(processes: dict[str, psutil.Process]) -> list[str]:
    """Kill processes at once and wait until they are gone; gives the names of those that had not ended."""
    killed = []
    for name, process in processes.items():
        try:
            process.kill()
        except psutil.NoSuchProcess:
            continue
        killed.append(name)
    psutil.wait_procs(processes.values(), DEADLINE_S)
    return killed


def wait_until(condition: Callable[[], bool]) -> None:
    """Wait for something that must come."""
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.1)


if __name__ == "__main__":
    act(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
