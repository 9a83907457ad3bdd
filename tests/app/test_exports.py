"""Things made outside the page: how they stand, how they end, what is left of them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from drawn_clips import picture
from drawn_clips import write as write_clip
from fake_result import write_fake_result
from patience import PATIENCE_S
from recorded import words
from stored import add_job, measured, uploads_of

from strokecurve.app.access.upload_sessions import UploadSession
from strokecurve.app.access.uploads import open_session
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.queue import STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import EXPORTS_KEPT_S, FRAMES_KEPT_S, LARGEST_BUNDLE_BYTES
from strokecurve.app.words.resource_limits import Limits
from strokecurve.app.words.statements import Choice, Comment, IntendedChoice, JobFacts, Proposals
from strokecurve.vision.control import JobControl
from strokecurve.vision.errors import Cancelled
from strokecurve.vision.video.reader import ClipReader


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A store whose orders start no process; tests work on them themselves."""
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    return Store(tmp_path / "store")


@pytest.fixture
def film(store: Store) -> Film:
    added = add_job(store, "found.mp4")
    measured(store, added, write_fake_result)
    return store.film(added.film_id)


def test_a_record_holds_what_the_job_holds(store: Store, film: Film) -> None:
    store.add(film.job_id, JobFacts("Burner B", "Works (invented)", "natural gas"))
    store.add(film.job_id, Comment("Rod end worn."), "B. Reviewer")
    store.add(film.job_id, IntendedChoice("motor:shaft1", "equal", ()))
    text = '[{"changes": [], "work_order": ["Re-clamp the driven arm."]}]'
    proposals = store.add(film.job_id, Proposals("motor:shaft1", text))
    store.add(film.job_id, Choice(proposals.entry_id, 0))
    asked = exports.ask(store, film.job_id, "record", film=film.film_id, paper="letter")
    assert asked.state is RunState.QUEUED
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.DONE
    done = exports.newest(store, film.job_id, "record", film=film.film_id)
    assert done is not None
    assert done.file is not None
    found = words(done.file)
    for needed in ("Burner B", "Rod end worn.", "B. Reviewer", "Re-clamp the driven arm."):
        assert needed in found
    assert exports.newest(store, film.job_id, "record", film="other") is None


def test_what_cannot_be_made_ends_with_a_sentence(store: Store, film: Film) -> None:
    asked = exports.ask(store, film.job_id, "record", film="0" * 32)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.FAILED
    failed = exports.find(store, film.job_id, asked.export_id)
    assert failed.error is not None
    assert failed.error.startswith("A film of this record is not measured.")
    assert failed.file is None


def test_a_fault_is_not_shown_in_detail(store: Store, film: Film, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*anything: Any) -> str:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(exports, "_make", broken)
    asked = exports.ask(store, film.job_id, "bundle", clips=False)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.FAILED
    assert exports.find(store, film.job_id, asked.export_id).error == exports.OWN_FAULT


def test_what_is_stopped_leaves_nothing_in_the_result(
    store: Store, film: Film, monkeypatch: pytest.MonkeyPatch
) -> None:
    def drawn(clip: Path, folder: Path, target: Path, job: JobControl) -> None:
        target.write_bytes(b"half")
        exports.cancel(store, asked)
        job.report(1, 2, "drawing")
        raise Cancelled

    monkeypatch.setattr("strokecurve.app.result.overlay.write_overlay", drawn)
    asked = exports.ask(store, film.job_id, "overlay", film=film.film_id)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.CANCELLED
    assert film.measured is not None
    assert not (film.measured.result / "overlay.mp4").exists()
    assert not list((store.folder / exports.EXPORTS).rglob("overlay.mp4"))


def test_what_is_gone_cannot_be_stopped_and_that_is_said(store: Store, film: Film) -> None:
    asked = exports.ask(store, film.job_id, "bundle", clips=False)
    shutil.rmtree(store.folder / exports.EXPORTS)
    with pytest.raises(StoreError, match="cannot be stopped"):
        exports.cancel(store, asked)


def test_an_overlay_goes_to_the_result_of_its_film(
    store: Store, film: Film, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "strokecurve.app.result.overlay.write_overlay",
        lambda clip, folder, target, job: target.write_bytes(b"drawn"),
    )
    asked = exports.ask(store, film.job_id, "overlay", film=film.film_id)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.DONE
    assert film.measured is not None
    assert (film.measured.result / "overlay.mp4").read_bytes() == b"drawn"


def test_a_copy_to_move_about_in_is_made_of_a_real_clip_only(store: Store, film: Film) -> None:
    asked = exports.ask(store, film.job_id, "frames", film=film.film_id)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.FAILED, "its bytes are no video"
    clip = write_clip(store.folder / "real.mp4", lambda number: picture(), frames=5)
    real = add_job(store, "real.mp4", clip.read_bytes())
    asked = exports.ask(store, real.job_id, "frames", film=real.film_id)
    assert exports.work_on(store, real.job_id, asked.export_id) is RunState.DONE
    copy = exports.find(store, real.job_id, asked.export_id).file
    assert copy is not None
    with ClipReader(copy) as reader:
        assert reader.facts.declared_frames == 5


def test_silent_work_counts_as_failed(store: Store, film: Film) -> None:
    asked = exports.ask(store, film.job_id, "bundle", clips=False)
    state = store.folder / exports.EXPORTS / film.job_id / asked.export_id / "state.json"
    long_ago = state.stat().st_mtime - 2 * STALE_AFTER_S
    os.utime(state, (long_ago, long_ago))
    gone = exports.find(store, film.job_id, asked.export_id)
    assert gone.state is RunState.FAILED
    assert gone.error == exports.GONE


@pytest.mark.parametrize("who", ["asks again", "opens the store", "looks at the page"])
def test_what_is_old_is_removed_and_said_to_be_gone(store: Store, film: Film, who: str) -> None:
    asked = exports.ask(store, film.job_id, "bundle", clips=False)
    folder = store.folder / exports.EXPORTS / film.job_id / asked.export_id
    new = exports.ask(store, film.job_id, "record", film=film.film_id)
    long_ago = folder.stat().st_mtime - EXPORTS_KEPT_S - 10
    os.utime(folder, (long_ago, long_ago))
    match who:
        case "asks again":
            exports.ask(store, film.job_id, "bundle", clips=False)
        case "opens the store":
            Store(store.folder)
        case "looks at the page":
            open_session(uploads_of(store), UploadSession("", "clip"))
    assert not folder.exists()
    assert exports.find(store, film.job_id, new.export_id).state is RunState.QUEUED
    with pytest.raises(StoreError, match="not kept any more"):
        exports.find(store, film.job_id, asked.export_id)


def test_the_copy_to_move_about_in_is_kept_while_it_is_used(
    store: Store, film: Film, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exports, "_make_frames", lambda _store, _film, target, _control: target.touch())
    copy = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
    exports.work_on(store, film.job_id, copy.export_id)
    folder = store.folder / exports.EXPORTS / film.job_id / copy.export_id
    week_ago = folder.stat().st_mtime - 7 * 86_400
    os.utime(folder, (week_ago, week_ago))
    Store(store.folder)
    again = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
    assert again.export_id == copy.export_id
    assert again.file is not None
    assert again.file.is_file()
    assert folder.stat().st_mtime > week_ago + 6 * 86_400, "its use counts"
    long_ago = folder.stat().st_mtime - FRAMES_KEPT_S - 10
    os.utime(folder, (long_ago, long_ago))
    Store(store.folder)
    assert not folder.exists()


def test_what_failed_is_asked_for_again_after_a_while(
    store: Store, film: Film, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
    with monkeypatch.context() as patch:
        patch.setattr(exports, "_make_frames", stop)
        assert exports.work_on(store, film.job_id, first.export_id) is RunState.FAILED
    assert exports.asked_once(store, film.job_id, "frames", film=film.film_id).export_id == first.export_id
    now_s = store.clock()
    monkeypatch.setattr(store, "clock", lambda: now_s + exports.ASKS_AGAIN_AFTER_S + 1)
    again = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
    assert again.export_id != first.export_id


def stop(*_: object) -> None:
    raise StoreError("The disk is full.", "Make room.")


def test_a_bundle_may_become_larger_than_anything_else() -> None:
    assert exports.limits_for("bundle").file_bytes > LARGEST_BUNDLE_BYTES
    assert exports.limits_for("record").file_bytes == Limits().file_bytes
    assert exports.limits_for("record").niceness == exports.NICENESS


def test_names_from_an_address_never_lead_out_of_the_folder(store: Store) -> None:
    with pytest.raises(StoreError, match="not kept"):
        exports.find(store, "..", "../clips")


def test_works_as_a_process(store: Store, film: Film) -> None:
    asked = exports.ask(store, film.job_id, "bundle", clips=True)
    command = [sys.executable, "-m", "strokecurve.app.tasks.exports", "--store", str(store.folder)]
    subprocess.run(
        [*command, "--job", film.job_id, "--export", asked.export_id], check=True, timeout=PATIENCE_S
    )
    done = exports.find(store, film.job_id, asked.export_id)
    assert done.state is RunState.DONE
    assert done.file is not None
    assert done.file.read_bytes().startswith(b"PK")
