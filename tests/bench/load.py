"""Twenty people and a queue: ``PYTHONPATH=tests/app:. python tests/bench/load.py [PEOPLE CLIPS SEED]``.

The page is the real command. People are connections that speak the page's protocol
(``tests/app/visitor.py``): some watch the analyses of their clips, the others read a measured film frame by
frame, open other pages and comment, with a few seconds between two things. Prints how long interactions took
until everything was there, and the most memory the page and all workers took together (what several processes
share is counted once).
"""

from __future__ import annotations

import asyncio
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from stored import run_of
from visitor import Visitor, percentile

from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.tasks.supervisor import work_apart
from strokecurve.app.words.files import chunks_of
from strokecurve.app.words.statements import FilmFacts

FILM = Path(__file__).resolve().parents[2] / "sample_media" / "as_found.mp4"
THINKS_S = (2.0, 6.0)
"""Between two things that a person does."""
ENOUGH_S = 60.0
"""People go on for at least so long, and until the queue is empty."""
UP_S = 15.0
"""The page has been up for so long when people come: it loads its libraries in its first seconds."""
READY = re.compile(r"open at (http://[\w.:]+)/")


@dataclass(slots=True)
class Memory:
    """Most memory, in bytes, of the page and of everything that works on its store."""

    folder: Path
    server: psutil.Process
    over: threading.Event = field(default_factory=threading.Event)
    most: Counter[str] = field(default_factory=Counter)

    def watch(self) -> None:
        """Look once a second until it is over."""
        while not self.over.wait(1.0):
            now: Counter[str] = Counter()
            for process in psutil.process_iter(["cmdline"]):
                words = process.info["cmdline"] or []
                ours = any(str(self.folder) in word for word in words)
                try:
                    if ours:
                        page = "streamlit" in words or process.pid == self.server.pid
                        now["page" if page else "workers"] += process.memory_full_info().pss
                except (psutil.NoSuchProcess, psutil.AccessDenied):
                    continue
            now["together"] = now["page"] + now["workers"]
            for name, size in now.items():
                self.most[name] = max(self.most[name], size)


def add(store: Store, clip: Path) -> Film:
    """A job with one film."""
    with clip.open("rb") as stream:
        kept = store.receive(chunks_of(stream), clip.name)
    return store.add_film(store.new_job().job_id, kept, FilmFacts("as found", clip.name))


async def watching(visitor: Visitor, store: Store, film: Film, until_s: float) -> None:
    """Watch the analysis of a film, then read it."""
    await visitor.open("film", job=film.job_id, film=film.film_id)
    while not store.runs.run(run_of(film).run_id).state.ended:
        await visitor.think(1.0)
    await reading(visitor, film, random.Random(film.film_id), until_s)


async def reading(visitor: Visitor, film: Film, rng: random.Random, until_s: float) -> None:
    """Read a measured film: frames, other pages, now and then a comment."""
    while time.monotonic() < until_s:
        page = rng.choice(("read", "read", "read", "compare", "handover", ""))
        await visitor.open(page, job=film.job_id, film=film.film_id) if page else await visitor.open("")
        await visitor.think(rng.uniform(*THINKS_S))
        for _ in range(5 if page == "read" else 0):
            slider, button = (
                visitor.find("slider", "Time in the clip"),
                visitor.find("button", "One frame on"),
            )
            if slider is not None and rng.random() < 0.5:
                await visitor.touch(slider, rng.uniform(0.0, slider.greatest))
            elif button is not None:
                await visitor.touch(button)
            await visitor.think(rng.uniform(*THINKS_S))
        text = visitor.find("text_area", "Comment") if page == "handover" else None
        if text is not None:
            visitor.fill(text, f"Look at this once more ({rng.randrange(1000)}).")
            send = visitor.find("button", "Put this comment")
            if send is not None:
                await visitor.touch(send)


async def everybody(address: str, store: Store, people: int, clips: int, seed: int) -> list[Visitor]:
    """Let people do what they do until the queue is empty and for a minute at least."""
    rng = random.Random(seed)
    measured = next(film for job in store.jobs() for film in job.films)
    films = [add(store, FILM) for _ in range(clips)]
    visitors = [Visitor(address) for _ in range(people)]
    until_s = time.monotonic() + ENOUGH_S

    async def one(number: int) -> None:
        await visitors[number].think(rng.uniform(0.0, THINKS_S[1]))  # they do not come all at once
        if number < clips:
            await watching(visitors[number], store, films[number], until_s)
        else:
            while time.monotonic() < until_s or unfinished():
                await reading(visitors[number], measured, rng, time.monotonic() + 1.0)
        await visitors[number].leave()

    def unfinished() -> bool:
        return any(not store.runs.run(run_of(film).run_id).state.ended for film in films)

    began_s = time.monotonic()
    await asyncio.gather(*(one(number) for number in range(people)))
    states = Counter(store.runs.run(run_of(film).run_id).state for film in films)
    ends = [store.runs.run(run_of(film).run_id).finished_s or 0.0 for film in films]
    took_s = max(ends) - min(run_of(film).made_s for film in films)
    ended = ", ".join(f"{number} {state}" for state, number in states.items())
    there_s = time.monotonic() - began_s
    print(f"{clips} clips: {ended}, the last after {took_s:.0f} s; people were there for {there_s:.0f} s")
    assert states == {RunState.DONE: clips}
    return visitors


def tell(visitors: list[Visitor]) -> None:
    """Print how long things took."""
    kinds: dict[str, list[float]] = defaultdict(list)
    for visitor in visitors:
        for name, took_s in visitor.interactions:
            kinds[name].append(took_s)
    kinds["all interactions"] = [t for visitor in visitors for _, t in visitor.interactions]
    kinds["the page's own looks"] = [t for visitor in visitors for t in visitor.polls_s]
    for name, values in sorted(kinds.items()):
        half, most = percentile(values, 0.5), percentile(values, 0.95)
        slowest = max(values, default=0.0)
        print(f"{name:40s} {len(values):5d}  median {half:.2f} s  95 % {most:.2f} s  most {slowest:.2f} s")
    errors = Counter(error for visitor in visitors for error in visitor.errors)
    print(f"errors shown: {dict(errors)}")


def main(people: int = 20, clips: int = 8, seed: int = 1) -> None:
    """Serve the page, let people in, print what was measured."""
    if hasattr(os, "getloadavg"):
        print(f"processes that wanted a core in the five minutes before: {os.getloadavg()[1]:.1f}")
    with tempfile.TemporaryDirectory() as place:
        store = Store(Path(place) / "store")
        first = add(store, FILM)
        work_apart(store, run_of(first).run_id)
        while (copy := exports.newest(store, first.job_id, "frames")) is not None and not copy.state.ended:
            time.sleep(0.2)  # a film that was measured some time ago
        command = [
            sys.executable,
            "-m",
            "strokecurve.app.commands.cli",
            "--no-browser",
            "--store",
            str(store.folder),
            "--port",
            "0",
        ]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            found = READY.search(server.stdout.readline())
            assert found is not None
            memory = Memory(store.folder, psutil.Process(server.pid))
            watcher = threading.Thread(target=memory.watch)
            watcher.start()
            time.sleep(UP_S)
            try:
                visitors = asyncio.run(everybody(found[1], store, people, clips, seed))
            finally:
                memory.over.set()
                watcher.join()
                server.send_signal(signal.SIGINT)
        tell(visitors)
        sizes = ", ".join(f"{name} {size / 1e6:.0f} MB" for name, size in sorted(memory.most.items()))
        print(f"{people} people; most memory: {sizes}; {os.cpu_count()} cores")
        assert check(store).problems == ()


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
