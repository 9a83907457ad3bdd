"""Starting the page: where it listens, what it opens, how it ends."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from patience import PATIENCE_S
from stored import run_of

from strokecurve.app.page import launch, sample
from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import Readings


def test_wanted_port_is_taken_or_refused_in_words() -> None:
    with socket.socket() as busy:
        busy.bind((launch.ADDRESS, 0))
        busy.listen()
        port = busy.getsockname()[1]
        with pytest.raises(InputError, match=f"Port {port} cannot be used"):
            launch.free_port(port)
    assert launch.free_port(port) == port
    with pytest.raises(InputError, match="--port"):
        launch.free_port(700_000)


def test_without_a_wish_any_free_port_will_do(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as busy:
        busy.bind((launch.ADDRESS, 0))
        busy.listen()
        monkeypatch.setattr(launch, "USUAL_PORT", busy.getsockname()[1])
        assert launch.free_port(None) != launch.USUAL_PORT


def test_only_this_computer_is_served_and_nothing_is_reported_home() -> None:
    words = launch.command(Path("store"), 1234)
    for needed in ("--server.address=127.0.0.1", "--browser.gatherUsageStats=false", "--server.port=1234"):
        assert needed in words
    assert words[-2:] == ["--store", "store"]


def test_sample_is_loaded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[str] = []
    monkeypatch.setattr(dispatching, "start", lambda store, run: started.append(run.run_id))
    monkeypatch.setattr(dispatching, "tend", lambda store: None)
    store = Store(tmp_path)
    film = sample.load_sample(store)
    job = store.job(film.job_id)
    assert "invented" in job.title
    assert [one.facts.role for one in job.films] == ["as found", "as left"]
    for one in job.films:
        assert "invented" in one.facts.label
        assert one.clip.path.read_bytes() == sample.sample_file(sample.FILMS[one.facts.role]).read_bytes()
    assert store.latest(job.job_id, Readings) is not None
    assert sample.load_sample(store).film_id == film.film_id
    assert started == [run_of(one).run_id for one in job.films]
    run = run_of(job.films[1])
    store.runs.claim(run.run_id)
    store.runs.finish(run.run_id, 1, RunState.FAILED, "x")
    assert sample.load_sample(store).job_id != job.job_id


def test_missing_sample_is_said_and_leaves_no_job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sample, "FILMS", {"as found": "as_found.mp4", "as left": "none.mp4"})
    store = Store(tmp_path)
    with pytest.raises(InputError, match=r"none\.mp4"):
        sample.load_sample(store)
    assert store.jobs() == ()


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_serves_until_it_is_stopped(tmp_path: Path, ending: signal.Signals) -> None:
    code = (
        # A program begun in the background of a shell script would ignore Ctrl-C, and so would this one.
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "import sys; from pathlib import Path; from strokecurve.app.page.launch import serve; "
        f"sys.exit(serve(Path({str(tmp_path)!r}), None, browser=False))"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            address = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
            assert address is not None
            with urllib.request.urlopen(f"{address[0]}_stcore/health", timeout=PATIENCE_S) as answer:
                assert answer.status == 200
            process.send_signal(ending)
            assert process.wait(timeout=PATIENCE_S) == 0
        finally:
            process.kill()
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(f"{address[0]}_stcore/health", timeout=5)
