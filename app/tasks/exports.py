"""Files that people ask for, made by a process of their own: records, bundles, clips with arms drawn in.

``python -m strokecurve.app.tasks.exports --store DIR --job ID --export ID``. They hold nothing that is not in
the store, so they live in files of their own, ``exports/JOB/EXPORT``, and are removed after a day, copies of
clips a month after their last use. One process writes ``state.json``, replaced whole each time; who wants it
stopped puts a file ``cancel`` beside it.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from strokecurve.app.store.jobs import RunState
from strokecurve.app.store.queue import STALE_AFTER_S
from strokecurve.app.store.store import Store
from strokecurve.app.tasks.control import TalkingControl
from strokecurve.app.tasks.executors import own_slots, start_process
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError, StoreError, no_room
from strokecurve.app.words.files import (
    EXPORTS,
    FRAMES_FILE,
    LARGEST_BUNDLE_BYTES,
    MB,
    check_space,
    new_id,
    remove,
    remove_old_exports,
)
from strokecurve.app.words.resource_limits import Limits, confine, one_of
from strokecurve.app.words.statements import is_id
from strokecurve.vision.control import JobControl
from strokecurve.vision.errors import Cancelled

KINDS = ("overlay", "frames", "record", "comparison", "bundle")
COPIED_FRAME_BYTES = 60_000
"""About what a frame of ``frames`` takes at most."""
SLOTS = "slots"
"""Folder of the locks of those who work: no more at once than the machine has room for."""
NICENESS = 5
"""It stands back behind the page, but before analyses: somebody waits for it."""
ASKS_AGAIN_AFTER_S = 600.0
"""What failed, for want of room perhaps, is asked for once more so long after."""
GONE = "The work stopped without a word: the computer was switched off or ran out of memory. Ask again."
OWN_FAULT = (
    "This could not be made because of a fault in strokecurve itself. Your films and results are kept."
)

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Export:
    """Something asked for, and where it stands.

    Attributes
    ----------
    export_id, job_id : str
    kind : str
        One of ``KINDS``.
    options : mapping
        What was asked for exactly.
    made_s : float
        When, seconds since 1970.
    state : RunState
    done, total, stage : int, int, str
        Progress; total is 0 while unknown.
    error : str or None
        One sentence for the person, if it failed.
    file : Path or None
        The file, once it is done; None for an overlay, which goes to the film's result.
    """

    export_id: str
    job_id: str
    kind: str
    options: Mapping[str, Any]
    made_s: float
    state: RunState
    done: int
    total: int
    stage: str
    error: str | None
    file: Path | None


def ask(store: Store, job_id: str, kind: str, **options: str | bool | None) -> Export:
    """Ask for something; a process of its own begins at once.

    Parameters
    ----------
    store : Store
    job_id : str
    kind : str
        ``overlay`` (``film``), ``frames`` (``film``; for ``overlay.draw_frame``), ``record`` (``film``, or
        ``found`` and ``left``; ``paper``), ``comparison`` (``found``, ``left``, ``paper``) or ``bundle``
        (``clips``).
    **options
        As named above; films by their ids.

    Raises
    ------
    StoreError
        If the disk does not take it.
    """
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is nothing that can be asked for")
    job = store.job(job_id)
    remove_old_exports(store.folder, store.clock())
    export_id = new_id()
    folder = _folder(store, job.job_id, export_id)
    request = {"kind": kind, "options": options, "made_s": store.clock()}
    try:
        folder.mkdir(parents=True)
        (folder / "export.json").write_text(json.dumps(request), encoding="utf-8")
        _write_state(folder, RunState.QUEUED)
        command = [sys.executable, "-m", "strokecurve.app.tasks.exports", "--store", str(store.folder)]
        start_process(store, [*command, "--job", job_id, "--export", export_id], folder / "log")
    except OSError as error:
        raise StoreError(f"This could not be begun: {error.strerror}.", "Make room on the disk.") from error
    return find(store, job_id, export_id)


def find(store: Store, job_id: str, export_id: str) -> Export:
    """Something asked for earlier.

    Raises
    ------
    StoreError
        If there is no such export.
    """
    try:
        if not is_id(job_id) or not is_id(export_id):
            raise ValueError("no ids of ours")
        folder = _folder(store, job_id, export_id)
        request = json.loads((folder / "export.json").read_text(encoding="utf-8"))
        state = json.loads((folder / "state.json").read_text(encoding="utf-8"))
        heartbeat_s = (folder / "state.json").stat().st_mtime
    except (OSError, ValueError) as error:
        raise StoreError("This is not kept any more.", "Ask for it again.") from error
    stands, sentence = RunState(state["state"]), state["error"]
    if not stands.ended and time.time() - heartbeat_s > STALE_AFTER_S:
        stands, sentence = RunState.FAILED, GONE
    file = folder / state["file"] if state["file"] else None
    return Export(
        export_id, job_id, request["kind"], request["options"], request["made_s"], stands,
        state["done"], state["total"], state["stage"], sentence, file,
    )  # fmt: skip


def newest(store: Store, job_id: str, kind: str, **options: str | bool | None) -> Export | None:
    """The newest of what was asked for of one kind, with these options; None if nothing was."""
    found = []
    for path in (store.folder / EXPORTS / job_id).glob("*/export.json"):
        try:
            export = find(store, job_id, path.parent.name)
        except StoreError:
            continue
        if export.kind == kind and all(export.options.get(key) == value for key, value in options.items()):
            found.append(export)
    return max(found, key=lambda export: export.made_s, default=None)


def asked_once(store: Store, job_id: str, kind: str, **options: str | bool | None) -> Export:
    """The newest of one kind with these options; asked for now if there is none that may be of use.

    Its being wanted is noted, so that a copy in use is kept. StoreError as for ``ask``.
    """
    there = newest(store, job_id, kind, **options)
    if there is None or (
        there.state is RunState.FAILED and store.clock() - there.made_s > ASKS_AGAIN_AFTER_S
    ):
        return ask(store, job_id, kind, **options)
    with suppress(OSError):
        os.utime(_folder(store, job_id, there.export_id))
    return there


def cancel(store: Store, export: Export) -> None:
    """Ask the process to stop; StoreError if that cannot be noted."""
    try:
        (_folder(store, export.job_id, export.export_id) / "cancel").touch()
    except OSError as error:
        raise StoreError(
            f"This cannot be stopped: {error.strerror}.", "Load the page again to see how it stands."
        ) from error


def _folder(store: Store, job_id: str, export_id: str) -> Path:
    return store.folder / EXPORTS / job_id / export_id


def _write_state(
    folder: Path,
    state: RunState,
    progress: tuple[int, int, str] = (0, 0, ""),
    error: str | None = None,
    file: str | None = None,
) -> None:
    """Replace the state as a whole."""
    done, total, stage = progress
    content = {
        "state": state.value,
        "done": int(done),
        "total": int(total),
        "stage": stage,
        "error": error,
        "file": file,
    }
    final, part = folder / "state.json", folder / f"state-{os.getpid()}.part"
    try:
        part.write_text(json.dumps(content), encoding="utf-8")
        os.replace(part, final)
    except OSError:
        remove(part)
        if not final.is_file():
            raise
        # A full disk has no room for another file, but the one that is there may be written over.
        with final.open("r+", encoding="utf-8") as file_there:
            file_there.write(json.dumps(content))
            file_there.truncate()


class _Heartbeat:
    """Writes progress beside the request, and looks whether to stop."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._last = (0, 0, "")

    def __call__(self, progress: tuple[int, int, str] | None) -> bool:
        """Take a sign of life."""
        self._last = progress or self._last
        try:
            _write_state(self._folder, RunState.RUNNING, self._last)
        except OSError as error:
            raise StoreError("No sign of life could be written.", "Check the disk.") from error
        return (self._folder / "cancel").exists()


def work_on(store: Store, job_id: str, export_id: str) -> RunState:
    """Make what was asked for, and write how it ended."""
    export = find(store, job_id, export_id)
    folder = _folder(store, job_id, export_id)
    state, error, file = RunState.DONE, None, None
    try:
        with TalkingControl(_Heartbeat(folder)) as control:
            control.check()
            with one_of(own_slots(), store.folder / SLOTS, lambda: _wait(control)):
                file = _make(store, export, folder, control)
    except Cancelled:
        state = RunState.CANCELLED
    except PLAIN_ERRORS as reason:
        state, error = RunState.FAILED, f"{reason.message} {reason.hint}"
    except Exception as fault:
        logger.exception("fault while making %s", export.kind)
        state, error = RunState.FAILED, str(no_room(fault) or OWN_FAULT)
    _write_state(folder, state, error=error, file=file)
    return state


def _wait(control: JobControl) -> None:
    """Say that all slots are taken; stop if that is wanted."""
    control.report(0, 0, "waiting for a free slot")
    control.check()


def _make(store: Store, export: Export, folder: Path, control: JobControl) -> str | None:
    """Make one thing; gives the name of its file in the export's folder."""
    if export.kind == "overlay":
        _make_overlay(store, str(export.options["film"]), folder, control)
        return None
    if export.kind == "frames":
        _make_frames(store, str(export.options["film"]), folder / FRAMES_FILE, control)
        return FRAMES_FILE
    if export.kind == "bundle":
        from strokecurve.app.report.keep_pictures import keep_pictures
        from strokecurve.app.store.bundle import export_job

        control.report(0, 0, "drawing pictures of three positions")
        keep_pictures(store, export.job_id, control)
        control.report(0, 0, "packing the bundle")
        name = f"strokecurve-{export.job_id[:8]}.zip"
        export_job(store, export.job_id, folder / name, clips=bool(export.options.get("clips")))
        return name
    from strokecurve.app.report.of_job import record_of
    from strokecurve.app.report.record import comparison_pdf, record_pdf

    control.report(0, 0, "putting the record together")
    options = export.options
    record = record_of(store, export.job_id, options.get("film"), options.get("found"), options.get("left"))
    control.check()
    control.report(0, 0, "setting the pages")
    name = f"strokecurve-{export.kind}-{export.job_id[:8]}.pdf"
    write = record_pdf if export.kind == "record" else comparison_pdf
    write(record, folder / name, str(options.get("paper") or "a4"))
    return name


def _make_overlay(store: Store, film_id: str, folder: Path, control: JobControl) -> None:
    """Draw into a film's clip and add that to its result."""
    from strokecurve.app.result.contents import OVERLAY_FILE
    from strokecurve.app.result.overlay import write_overlay

    film = store.film(film_id)
    run = film.measured
    if run is None or not film.clip.here:
        raise InputError("There is nothing to draw into: the clip or its result is not here.", "Measure it.")
    target = folder / OVERLAY_FILE
    try:
        write_overlay(film.clip.path, run.result, target, control)
        store.runs.add_file(run.run_id, OVERLAY_FILE, target)
    finally:
        remove(target)


def _make_frames(store: Store, film_id: str, target: Path, control: JobControl) -> None:
    """Make the copy of a film's clip that is quick to move about in."""
    from strokecurve.vision.video.pictures import write_copy
    from strokecurve.vision.video.reader import ClipReader

    clip = store.film(film_id).clip
    if not clip.here:
        raise InputError("The clip is not in this store.", "Ask for a bundle with clips.")
    with ClipReader(clip.path) as reader:
        frames = reader.facts.declared_frames or 0
    check_space(store.folder, frames * COPIED_FRAME_BYTES, "a copy of the clip to move about in")
    write_copy(clip.path, target, frames, control)


def limits_for(kind: str) -> Limits:
    """What making something may take: a bundle holds many clips, everything else less than two."""
    usual = Limits(niceness=NICENESS)
    # Names and checksums in the bundle come on top of what it holds.
    return replace(usual, file_bytes=LARGEST_BUNDLE_BYTES + 100 * MB) if kind == "bundle" else usual


def main(arguments: list[str] | None = None) -> int:
    """Make one thing from the command line; exit status 0 if it ended as done, 2 otherwise."""
    parser = argparse.ArgumentParser(
        prog="python -m strokecurve.app.tasks.exports", description="Make what was asked for."
    )
    parser.add_argument("--store", type=Path, required=True, help="folder of the jobs")
    parser.add_argument("--job", required=True, help="id of the job")
    parser.add_argument("--export", required=True, help="id of the export")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    try:
        store = Store(chosen.store)
        confine(limits_for(find(store, chosen.job, chosen.export).kind))
        state = work_on(store, chosen.job, chosen.export)
    except PLAIN_ERRORS as reason:
        print(f"{reason.message} {reason.hint}", file=sys.stderr)
        return 2
    return 0 if state is RunState.DONE else 2


if __name__ == "__main__":
    sys.exit(main())
