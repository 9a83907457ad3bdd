"""The result folder of a measurement: tables, record, intermediate stages.

Files are written into a folder of their own beside the target and moved in at the end, so a run that is
killed leaves nothing half-written under a final name, and earlier results stay until new ones are whole.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from strokecurve.app.measure.clip import Measurement
from strokecurve.app.result.contents import (
    ANGLES_FILE,
    OVERLAY_FILE,
    RECORD_FILE,
    STAGES_FOLDER,
    TRAVEL_FILE,
    angles_columns,
    plain,
    record,
    travel_columns,
)
from strokecurve.app.words.columns import write_columns
from strokecurve.app.words.errors import InputError
from strokecurve.vision.control import JobControl, Unattended


def write_results(
    measurement: Measurement, clip: Path, out: Path, job: JobControl | None = None, overlay: bool = False
) -> None:
    """Write the result folder.

    Parameters
    ----------
    measurement : Measurement
    clip : Path
        The clip, for the overlay.
    out : Path
        Folder; made if it is not there.
    job : JobControl, optional
        Progress and stop.
    overlay : bool
        Also write ``overlay.mp4``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    Cancelled
        If the person asked to stop; the folder is as before.
    """
    job = job or Unattended()
    out = Path(out).resolve()
    with fresh_folder(out) as fresh:
        write_files(measurement, clip, fresh, job, overlay)
        job.check()
        move_in(fresh, out)


@contextmanager
def fresh_folder(out: Path) -> Iterator[Path]:
    """A hidden folder beside a result folder, gone in the end; InputError if anything cannot be written."""
    fresh = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
        yield fresh
    except OSError as error:
        reason = error.strerror or "it failed"
        raise InputError(
            f"The results cannot be written to {out.name}: {reason}.",
            "Choose another folder or make room on the disk.",
        ) from error
    finally:
        if fresh is not None:
            shutil.rmtree(fresh, ignore_errors=True)


def write_files(
    measurement: Measurement, clip: Path, folder: Path, job: JobControl, overlay: bool = False
) -> None:
    """Write all files of a result into an empty folder; arguments as for `write_results`."""
    from strokecurve.app.result.overlay import write_overlay

    write_columns(folder / ANGLES_FILE, angles_columns(measurement))
    write_columns(folder / TRAVEL_FILE, travel_columns(measurement))
    _write_stages(measurement, folder / STAGES_FOLDER)
    write_record(folder / RECORD_FILE, record(measurement))
    if overlay:
        write_overlay(clip, folder, folder / OVERLAY_FILE, job)


def write_record(path: Path, content: dict[str, Any]) -> None:
    """Write ``result.json``."""
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _write_stages(measurement: Measurement, folder: Path) -> None:
    folder.mkdir()
    measurement.tracks.save(folder / "edges.npz")
    measurement.motion.save(folder / "shafts.npz")
    for n, linkage in enumerate(measurement.linkages):
        if linkage.rod is not None:
            linkage.rod.save(folder / f"rod{n}.npz")
    pins = [
        {
            "linkage": linkage.name,
            "drive_pin_mm": linkage.pins[0].on_arm_mm.tolist(),
            "driven_pin_mm": linkage.pins[1].on_arm_mm.tolist(),
            "arm_markers": list(linkage.arm_markers),
        }
        for linkage in measurement.linkages
        if linkage.pins is not None
    ]
    (folder / "pins.json").write_text(json.dumps(plain(pins), indent=1), encoding="utf-8")


def move_in(fresh: Path, out: Path) -> None:
    """Put a complete folder in its place; the record goes last, so it never describes files not yet there."""
    fresh.chmod(0o755)
    if not out.exists():
        os.replace(fresh, out)
        return
    shutil.rmtree(out / STAGES_FOLDER, ignore_errors=True)
    (out / OVERLAY_FILE).unlink(missing_ok=True)
    for entry in sorted(fresh.iterdir(), key=lambda p: p.name == RECORD_FILE):
        os.replace(entry, out / entry.name)
