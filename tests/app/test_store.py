"""The job store: nothing is lost, nothing is taken twice, states only move as they may."""

from __future__ import annotations

import io
import sqlite3
import threading
from pathlib import Path

import pytest

from app import store as store_module
from app.jobs import IntendedChoice, Job, JobState
from app.store import GONE, STALE_AFTER_S, Store, StoreError, default_folder, display_label

CLIP = b"not a real clip, only bytes" * 100


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Store:
    return Store(tmp_path / "store", clock)


def add(store: Store, name: str = "IMG_1234.MOV") -> Job:
    return store.add_clip(io.BytesIO(CLIP), name, len(CLIP))


def test_clip_is_kept_whole_under_a_name_of_our_own(store: Store) -> None:
    job = add(store, "../../etc/pass wd.MOV")
    assert job.state is JobState.QUEUED
    assert job.clip.read_bytes() == CLIP
    assert job.clip.parent == store.folder / "clips"
    assert job.clip.name == f"{job.job_id}.mov"
    assert job.label == "pass wd.MOV"
    assert [path.name for path in job.clip.parent.iterdir()] == [job.clip.name]


@pytest.mark.parametrize(
    ("client_name", "label"),
    [
        ("C:\\clips\\a.mp4", "a.mp4"),
        ("/x/b.mov", "b.mov"),
        ("\x00\n", "clip"),
        ("", "clip"),
        ("a" * 300, "a" * 80),
    ],
)
def test_client_names_are_made_fit_for_display(client_name: str, label: str) -> None:
    assert display_label(client_name) == label


def test_unknown_ending_is_stored_with_a_known_one(store: Store) -> None:
    assert add(store, "clip.exe").clip.suffix == ".mp4"


def test_empty_clip_leaves_nothing(store: Store) -> None:
    with pytest.raises(StoreError, match="empty"):
        store.add_clip(io.BytesIO(b""), "a.mp4", 0)
    assert store.jobs() == ()
    assert list((store.folder / "clips").iterdir()) == []


def test_broken_upload_leaves_nothing_and_keeps_what_was_there(store: Store) -> None:
    earlier = add(store)

    class Broken(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            raise OSError(5, "the line broke")

    with pytest.raises(StoreError, match="the line broke"):
        store.add_clip(Broken(), "a.mp4", 10)
    assert [job.job_id for job in store.jobs()] == [earlier.job_id]
    assert [path.name for path in (store.folder / "clips").iterdir()] == [earlier.clip.name]


def test_full_disk_is_said_before_writing(store: Store) -> None:
    with pytest.raises(StoreError, match="not enough disk space"):
        store.add_clip(io.BytesIO(CLIP), "a.mp4", 10**18)


def test_jobs_newest_first_and_found_by_another_store_object(store: Store, clock: Clock) -> None:
    first = add(store)
    clock.now += 5
    second = add(store)
    again = Store(store.folder)
    assert [job.job_id for job in again.jobs()] == [second.job_id, first.job_id]


def test_unknown_job(store: Store) -> None:
    with pytest.raises(StoreError, match="no film"):
        store.job("nothing")


def test_only_one_worker_gets_a_job(store: Store) -> None:
    job = add(store)
    taken: list[bool] = []
    workers = [
        threading.Thread(target=lambda: taken.append(Store(store.folder, store.clock).claim(job.job_id)))
        for _ in range(8)
    ]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(taken) == [False] * 7 + [True]


def test_progress_and_end(store: Store, clock: Clock) -> None:
    job = add(store)
    store.claim(job.job_id)
    assert store.beat(job.job_id, (30, 90, "following markers")) is False
    seen = store.job(job.job_id)
    assert (seen.state, seen.done, seen.total, seen.stage) == (JobState.RUNNING, 30, 90, "following markers")
    clock.now += 7
    store.finish(job.job_id, JobState.DONE)
    seen = store.job(job.job_id)
    assert (seen.state, seen.finished_s, seen.error) == (JobState.DONE, clock.now, None)


def test_an_ended_job_does_not_change_any_more(store: Store) -> None:
    job = add(store)
    store.claim(job.job_id)
    store.finish(job.job_id, JobState.FAILED, "No markers.")
    store.finish(job.job_id, JobState.DONE)
    store.beat(job.job_id, (1, 2, "x"))
    store.request_cancel(job.job_id)
    seen = store.job(job.job_id)
    assert (seen.state, seen.error, seen.done, seen.cancel_requested) == (
        JobState.FAILED,
        "No markers.",
        0,
        False,
    )


def test_a_job_cannot_end_as_running(store: Store) -> None:
    with pytest.raises(ValueError, match="cannot end"):
        store.finish(add(store).job_id, JobState.RUNNING)


def test_cancel_of_a_waiting_job_is_immediate(store: Store) -> None:
    job = add(store)
    store.request_cancel(job.job_id)
    assert store.job(job.job_id).state is JobState.CANCELLED
    assert store.claim(job.job_id) is False


def test_cancel_of_a_running_job_reaches_the_worker(store: Store) -> None:
    job = add(store)
    store.claim(job.job_id)
    store.request_cancel(job.job_id)
    assert store.job(job.job_id).state is JobState.RUNNING
    assert store.beat(job.job_id) is True


@pytest.mark.parametrize("claimed", [True, False])
def test_silence_means_failed_with_a_sentence(store: Store, clock: Clock, claimed: bool) -> None:
    job = add(store)
    if claimed:
        store.claim(job.job_id)
    clock.now += STALE_AFTER_S - 1
    store.fail_stale()
    assert not store.job(job.job_id).state.ended
    clock.now += 2
    store.fail_stale()
    seen = store.job(job.job_id)
    assert (seen.state, seen.error) == (JobState.FAILED, GONE)
    assert seen.clip.exists()


def test_silence_after_cancel_means_cancelled(store: Store, clock: Clock) -> None:
    job = add(store)
    store.claim(job.job_id)
    store.request_cancel(job.job_id)
    clock.now += STALE_AFTER_S + 1
    store.fail_stale()
    assert store.job(job.job_id).state is JobState.CANCELLED


def test_a_worker_taken_for_dead_is_believed_when_it_ends(store: Store, clock: Clock) -> None:
    job = add(store)
    store.claim(job.job_id)
    clock.now += STALE_AFTER_S + 1
    store.fail_stale()
    store.finish(job.job_id, JobState.DONE)
    seen = store.job(job.job_id)
    assert (seen.state, seen.error) == (JobState.DONE, None)


def test_again_is_a_new_job_on_the_same_clip(store: Store) -> None:
    job = store.add_clip(io.BytesIO(CLIP), "a.mp4", len(CLIP), rig_toml="[[shaft]]\n")
    again = store.add_again(job.job_id)
    assert again.job_id != job.job_id
    assert (again.clip, again.label, again.rig_toml) == (job.clip, job.label, job.rig_toml)
    assert again.result != job.result
    assert len(store.jobs()) == 2


def test_newest_intended_travel_counts_and_older_ones_stay(store: Store) -> None:
    job = add(store)
    assert store.intended(job.job_id, "motor:shaft1") is None
    table = IntendedChoice("motor:shaft1", "table", ((0.0, 0.0, None), (45.0, 30.5, 1.0)))
    store.set_intended(job.job_id, IntendedChoice("motor:shaft1", "equal", ()))
    store.set_intended(job.job_id, table)
    assert store.intended(job.job_id, "motor:shaft1") == table
    assert store.intended(job.job_id, "motor:shaft2") is None
    assert store.intended(job.job_id, "motor:shaft1", "equal") == IntendedChoice("motor:shaft1", "equal", ())
    with sqlite3.connect(store.folder / "jobs.sqlite") as connection:
        assert connection.execute("SELECT count(*) FROM intended").fetchone()[0] == 2
    connection.close()


def test_write_ahead_log_is_on(store: Store) -> None:
    connection = sqlite3.connect(store.folder / "jobs.sqlite")
    assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    connection.close()


def test_an_older_store_is_brought_up_to_date_without_loss(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Store(tmp_path)
    job = add(old)
    longer = (*store_module.MIGRATIONS, "ALTER TABLE job ADD COLUMN site TEXT")
    monkeypatch.setattr(store_module, "MIGRATIONS", longer)
    assert Store(tmp_path).job(job.job_id).label == job.label
    assert Store(tmp_path).jobs()[0].job_id == job.job_id


def test_a_newer_store_is_refused_untouched(tmp_path: Path) -> None:
    Store(tmp_path)
    connection = sqlite3.connect(tmp_path / "jobs.sqlite")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreError, match="newer strokecurve"):
        Store(tmp_path)


def test_a_damaged_list_is_said_in_words_and_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "jobs.sqlite").write_bytes(b"garbage " * 1000)
    with pytest.raises(StoreError, match="cannot be read"):
        Store(tmp_path)
    assert (tmp_path / "jobs.sqlite").read_bytes() == b"garbage " * 1000


def test_a_folder_that_cannot_be_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="--store"):
        Store(tmp_path / "file" / "store")


def test_default_folder_is_the_persons_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    assert default_folder() == tmp_path / "strokecurve"
    monkeypatch.setattr("sys.platform", "darwin")
    assert default_folder().parts[-3:] == ("Library", "Application Support", "strokecurve")
