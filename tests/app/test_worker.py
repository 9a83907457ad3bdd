"""The worker: progress, cancel, failures in one sentence, and a process that stands on its own."""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from stored import add_job, run_of

from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.queue import GONE, STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import worker
from strokecurve.app.tasks.control import TALK_EVERY_S
from strokecurve.app.tasks.dispatching import start
from strokecurve.app.tasks.supervisor import worker_command
from strokecurve.app.tasks.worker import StoreControl, work_on
from strokecurve.app.words.files import chunks_of
from strokecurve.app.words.statements import FilmFacts
from strokecurve.vision.control import JobControl
from strokecurve.vision.errors import DetectionError

DEADLINE_S = 90.0
SAMPLE = Path(__file__).parents[2] / "sample_media" / "as_found.mp4"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path)


@pytest.fixture
def film(store: Store) -> Film:
    return add_job(store, "a.mp4", b"no video")


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


def test_result_lands_in_the_jobs_folder(store: Store, film: Film) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        assert clip == film.clip.path
        assert rig_toml is None
        control.report(3, 3, "writing")
        out.mkdir()
        (out / "result.json").write_text("{}")

    assert work_on(store, run_of(film).run_id, measure) is RunState.DONE
    seen = store.runs.run(run_of(film).run_id)
    assert (seen.state, seen.done, seen.total, seen.stage) == (RunState.DONE, 3, 3, "writing")
    assert (seen.result / "result.json").exists()


def test_a_run_is_worked_on_once(store: Store, film: Film) -> None:
    runs: list[Path] = []
    for _ in range(2):
        work_on(store, run_of(film).run_id, lambda clip, out, rig, control: runs.append(out))
    assert len(runs) == 1


def test_plain_errors_reach_the_person_as_they_are(store: Store, film: Film) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        raise DetectionError("Marker 10 was never seen.", "Move the camera closer.")

    assert work_on(store, run_of(film).run_id, measure) is RunState.FAILED
    assert store.runs.run(run_of(film).run_id).error == "Marker 10 was never seen. Move the camera closer."


def test_a_fault_of_our_own_is_said_as_ours_and_logged(
    store: Store, film: Film, caplog: pytest.LogCaptureFixture
) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        raise ZeroDivisionError("secret detail")

    with caplog.at_level(logging.ERROR):
        assert work_on(store, run_of(film).run_id, measure) is RunState.FAILED
    error = store.runs.run(run_of(film).run_id).error
    assert error is not None
    assert "fault in strokecurve itself" in error
    assert "secret detail" not in error
    assert "secret detail" in caplog.text


def test_cancel_stops_a_running_measurement(store: Store, film: Film) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        Store(store.folder).runs.request_cancel(run_of(film).run_id)
        deadline = time.monotonic() + DEADLINE_S
        while time.monotonic() < deadline:
            control.check()
            time.sleep(0.01)

    assert work_on(store, run_of(film).run_id, measure) is RunState.CANCELLED
    assert store.runs.run(run_of(film).run_id).error is None


def test_progress_is_written_at_most_five_times_a_second(
    store: Store, film: Film, monkeypatch: pytest.MonkeyPatch
) -> None:
    writes: list[float] = []
    heartbeat = store.runs.heartbeat

    def counted(run_id: str, attempt: int, progress: tuple[int, int, str] | None = None) -> bool:
        writes.append(time.monotonic())
        return heartbeat(run_id, attempt, progress)

    monkeypatch.setattr(store.runs, "heartbeat", counted)
    store.runs.claim(run_of(film).run_id)
    begun_s, step = time.monotonic(), 0
    with StoreControl(store, run_of(film).run_id, 1) as control:
        while len(writes) < 5 and time.monotonic() < begun_s + DEADLINE_S:
            step += 1
            control.report(step, 10**9, "stage")
            control.check()
            time.sleep(0.001)
    # One at the start, one at the end, and those between: far fewer than were reported.
    assert 6 <= len(writes) <= 2 + (writes[-1] - begun_s) / TALK_EVERY_S
    assert step > 10 * len(writes)
    assert store.runs.run(run_of(film).run_id).done == step


def test_heartbeat_goes_on_while_nothing_is_reported(store: Store, film: Film) -> None:
    store.runs.claim(run_of(film).run_id)
    before = store.runs.run(run_of(film).run_id).heartbeat_s
    with StoreControl(store, run_of(film).run_id, 1):
        wait_for(lambda: store.runs.run(run_of(film).run_id).heartbeat_s > before + 0.3)


def test_the_process_reports_a_bad_clip_in_one_sentence(store: Store, film: Film) -> None:
    start(store, run_of(film))
    wait_for(lambda: store.runs.run(run_of(film).run_id).state.ended)
    seen = store.runs.run(run_of(film).run_id)
    assert seen.state is RunState.FAILED
    assert seen.error is not None
    assert "Traceback" not in seen.error
    assert "fault in strokecurve" not in seen.error
    assert film.clip.path.exists()
    assert not seen.result.exists()


def add_sample(store: Store) -> Film:
    with SAMPLE.open("rb") as stream:
        clip = store.receive(chunks_of(stream), SAMPLE.name, SAMPLE.stat().st_size)
    return store.add_film(store.new_job().job_id, clip, FilmFacts("as found", SAMPLE.name))


@pytest.mark.slow
def test_a_killed_worker_leaves_a_sentence_and_no_half_result(store: Store) -> None:
    film = add_sample(store)
    run_id = run_of(film).run_id
    for attempt in (1, 2):
        assert store.runs.claim(run_id) == attempt
        with subprocess.Popen(worker_command(store, run_id, attempt)) as process:
            wait_for(lambda: store.runs.run(run_id).done > 0)
            process.kill()
        later = Store(store.folder, lambda: time.time() + STALE_AFTER_S + 1)
        later.runs.retry_stale()
    seen = store.runs.run(run_id)
    assert (seen.state, seen.error) == (RunState.FAILED, GONE)
    assert film.clip.path.stat().st_size == SAMPLE.stat().st_size
    assert not seen.result.exists()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="process groups are of POSIX")
def test_the_analysis_outlives_the_process_that_started_it(store: Store) -> None:
    film = add_sample(store)
    code = (
        "import os, signal; from pathlib import Path; "
        "from strokecurve.app.store.store import Store; from strokecurve.app.tasks.dispatching import start; "
        f"store = Store(Path({str(store.folder)!r})); start(store, store.runs.run({run_of(film).run_id!r})); "
        "os.killpg(0, signal.SIGKILL)"
    )
    starter = subprocess.run([sys.executable, "-c", code], start_new_session=True, check=False)
    assert starter.returncode == -signal.SIGKILL
    wait_for(lambda: store.runs.run(run_of(film).run_id).state.ended)
    assert store.runs.run(run_of(film).run_id).state is RunState.DONE
    assert (store.runs.run(run_of(film).run_id).result / "travel.csv").exists()


def test_command_line_with_unknown_run(
    store: Store, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Limits are for good: a browser that a later test starts would not get its memory.
    monkeypatch.setattr(worker, "confine", lambda: None)
    assert worker.main(["--store", str(store.folder), "--run", "nothing"]) == 2
    assert "no analysis" in capsys.readouterr().err
