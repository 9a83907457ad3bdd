"""The worker: progress, cancel, failures in one sentence, and a process that stands on its own."""

from __future__ import annotations

import io
import logging
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from app import worker
from app.jobs import Job, JobState
from app.store import GONE, STALE_AFTER_S, Store
from app.worker import StoreControl, run_job, start
from vision.control import JobControl
from vision.errors import DetectionError

DEADLINE_S = 90.0
SAMPLE = Path(__file__).parents[2] / "sample_media" / "as_found.mp4"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path)


@pytest.fixture
def job(store: Store) -> Job:
    return store.add_clip(io.BytesIO(b"no video"), "a.mp4", 8)


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


def test_result_lands_in_the_jobs_folder(store: Store, job: Job) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        assert clip == job.clip
        assert rig_toml is None
        control.report(3, 3, "writing")
        out.mkdir()
        (out / "result.json").write_text("{}")

    assert run_job(store, job.job_id, measure) is JobState.DONE
    seen = store.job(job.job_id)
    assert (seen.state, seen.done, seen.total, seen.stage) == (JobState.DONE, 3, 3, "writing")
    assert (seen.result / "result.json").exists()


def test_a_job_is_run_once(store: Store, job: Job) -> None:
    runs: list[Path] = []
    for _ in range(2):
        run_job(store, job.job_id, lambda clip, out, rig, control: runs.append(out))
    assert len(runs) == 1


def test_plain_errors_reach_the_person_as_they_are(store: Store, job: Job) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        raise DetectionError("Marker 10 was never seen.", "Move the camera closer.")

    assert run_job(store, job.job_id, measure) is JobState.FAILED
    assert store.job(job.job_id).error == "Marker 10 was never seen. Move the camera closer."


def test_a_fault_of_our_own_is_said_as_ours_and_logged(
    store: Store, job: Job, caplog: pytest.LogCaptureFixture
) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        raise ZeroDivisionError("secret detail")

    with caplog.at_level(logging.ERROR):
        assert run_job(store, job.job_id, measure) is JobState.FAILED
    error = store.job(job.job_id).error
    assert error is not None
    assert "fault in strokecurve itself" in error
    assert "secret detail" not in error
    assert "secret detail" in caplog.text


def test_cancel_stops_a_running_measurement(store: Store, job: Job) -> None:
    def measure(clip: Path, out: Path, rig_toml: str | None, control: JobControl) -> None:
        Store(store.folder).request_cancel(job.job_id)
        deadline = time.monotonic() + DEADLINE_S
        while time.monotonic() < deadline:
            control.check()
            time.sleep(0.01)

    assert run_job(store, job.job_id, measure) is JobState.CANCELLED
    assert store.job(job.job_id).error is None


def test_progress_is_written_at_most_five_times_a_second(
    store: Store, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    writes: list[float] = []
    beat = store.beat

    def counted(job_id: str, progress: tuple[int, int, str] | None = None) -> bool:
        writes.append(time.monotonic())
        return beat(job_id, progress)

    monkeypatch.setattr(store, "beat", counted)
    store.claim(job.job_id)
    with StoreControl(store, job.job_id) as control:
        end = time.monotonic() + 1.0
        step = 0
        while time.monotonic() < end:
            step += 1
            control.report(step, 10**9, "stage")
            control.check()
            time.sleep(0.001)
    # One at the start, one at the end, and at most five in the second between.
    assert 3 <= len(writes) <= 7
    assert store.job(job.job_id).done == step


def test_heartbeat_goes_on_while_nothing_is_reported(store: Store, job: Job) -> None:
    store.claim(job.job_id)
    before = store.job(job.job_id).heartbeat_s
    with StoreControl(store, job.job_id):
        wait_for(lambda: store.job(job.job_id).heartbeat_s > before + 0.3)


def test_the_process_reports_a_bad_clip_in_one_sentence(store: Store, job: Job) -> None:
    start(store, job)
    wait_for(lambda: store.job(job.job_id).state.ended)
    seen = store.job(job.job_id)
    assert seen.state is JobState.FAILED
    assert seen.error is not None
    assert "Traceback" not in seen.error
    assert "fault in strokecurve" not in seen.error
    assert seen.clip.exists()
    assert not seen.result.exists()


def add_sample(store: Store) -> Job:
    with SAMPLE.open("rb") as stream:
        return store.add_clip(stream, SAMPLE.name, SAMPLE.stat().st_size)


@pytest.mark.slow
def test_a_killed_worker_leaves_a_sentence_and_no_half_result(store: Store) -> None:
    job = add_sample(store)
    process = start(store, job)
    wait_for(lambda: store.job(job.job_id).done > 0)
    process.kill()
    process.wait()
    later = Store(store.folder, lambda: time.time() + STALE_AFTER_S + 1)
    later.fail_stale()
    seen = store.job(job.job_id)
    assert (seen.state, seen.error) == (JobState.FAILED, GONE)
    assert seen.clip.stat().st_size == SAMPLE.stat().st_size
    assert not seen.result.exists()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="process groups are of POSIX")
def test_the_analysis_outlives_the_process_that_started_it(store: Store) -> None:
    job = add_sample(store)
    code = (
        "import os, signal; from pathlib import Path; "
        "from app.store import Store; from app.worker import start; "
        f"store = Store(Path({str(store.folder)!r})); start(store, store.job({job.job_id!r})); "
        "os.killpg(0, signal.SIGKILL)"
    )
    starter = subprocess.run([sys.executable, "-c", code], start_new_session=True, check=False)
    assert starter.returncode == -signal.SIGKILL
    wait_for(lambda: store.job(job.job_id).state.ended)
    assert store.job(job.job_id).state is JobState.DONE
    assert (store.job(job.job_id).result / "travel.csv").exists()


def test_command_line_with_unknown_job(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    assert worker.main(["--store", str(store.folder), "--job", "nothing"]) == 2
    assert "no film" in capsys.readouterr().err
