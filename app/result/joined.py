"""Results of several clips joined into one train: a folder for each clip, and what they show together."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from strokecurve.app.measure.join import Joined, JoinedTrain, SharedShaft, driven_elsewhere
from strokecurve.app.measure.progress import OneOf
from strokecurve.app.result.contents import (
    ANGLES_FILE,
    OVERLAY_FILE,
    RECORD_FILE,
    STAGES_FOLDER,
    TRAVEL_FILE,
    curve_columns,
    finding_entry,
    in_degrees,
    plain,
    train_entry,
    versions,
)
from strokecurve.app.result.writing import fresh_folder, move_in, write_files, write_record
from strokecurve.app.words.columns import Column, write_columns
from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.findings.findings import SEVERITIES, Finding
from strokecurve.vision.control import JobControl
from strokecurve.vision.motion.faults import Fault


def joined_columns(joined: Joined) -> dict[str, Column]:
    """``travel.csv`` of all linkages of all clips, and of each train from its first driver to its last shaft.

    Returns
    -------
    dict of str to list of str or ndarray, shape (N,)
        The columns of one clip's ``travel.csv``.
    """
    linkages = [link for part in joined.parts for link in part.measurement.linkages]
    return curve_columns(
        [*((link.name, link.curves) for link in linkages), *((t.name, t.curves) for t in joined.trains)]
    )


def joined_record(joined: Joined) -> dict[str, Any]:
    """Content of ``result.json`` of several clips; what is not known is None."""
    names = [part.name for part in joined.parts]
    content = {
        "clips": [
            {
                "folder": part.name,
                "file": part.measurement.clip.name,
                "sha256": part.measurement.clip.sha256,
                "linkages": [link.name for link in part.measurement.linkages],
            }
            for part in joined.parts
        ],
        "trains": [_train(train, names) for train in joined.trains],
        "shared_shafts": [_shared(shaft, names) for shaft in joined.shared],
        "findings": _findings(joined),
        "versions": versions(),
    }
    found: dict[str, Any] = plain(content)
    return found


def _train(train: JoinedTrain, names: Sequence[str]) -> dict[str, Any]:
    curves = train.curves
    entry = train_entry(
        train.shafts,
        Estimate(curves.driver_travel_rad, curves.driver_travel_sd_rad),
        Estimate(curves.driven_travel_rad, curves.driven_travel_sd_rad),
        train.slack,
    )
    return {**entry, "clips": [names[n] for n in train.parts]}


def _shared(shaft: SharedShaft, names: Sequence[str]) -> dict[str, Any]:
    roles = ("driven_in", "driver_in")
    entry: dict[str, Any] = {"name": shaft.name}
    for role, n, travel, sign in zip(roles, shaft.parts, shaft.travels, shaft.opening_signs, strict=True):
        entry[role] = {
            "clip": names[n],
            "travel_deg": in_degrees(travel),
            "opening": "ccw" if sign > 0 else "cw",
        }
    entry["difference_deg"] = in_degrees(shaft.difference)
    entry["other_side"] = shaft.opening_signs[0] != shaft.opening_signs[1]
    return entry


def _findings(joined: Joined) -> list[dict[str, Any]]:
    """Findings of all clips and of the join, the gravest first; not on the stroke of what is no motor."""
    found: list[tuple[str | None, Finding | Fault]] = [(None, finding) for finding in joined.findings]
    for n, part in enumerate(joined.parts):
        no_motors = driven_elsewhere(joined, n)
        usual = {
            link.name
            for link in part.measurement.linkages
            if link.name.split(":")[0] in no_motors and link.plan.rig.stroke_deg is None
        }
        own: list[Finding | Fault] = [*part.measurement.faults, *part.measurement.findings]
        for one in own:
            if one.code != "stroke" or one.where not in usual:
                found.append((part.name, one))
    found.sort(key=lambda entry: SEVERITIES.index(entry[1].severity))
    return [{**finding_entry(finding), "clip": clip} for clip, finding in found]


def folder_names(clips: Sequence[Path]) -> list[str]:
    """A folder for each clip, named by the clip's stem, with a number where two would be the same."""
    taken = {name.casefold() for name in (ANGLES_FILE, TRAVEL_FILE, RECORD_FILE, OVERLAY_FILE, STAGES_FOLDER)}
    names = []
    for clip in clips:
        name, count = clip.stem, 2
        while name.casefold() in taken:
            name, count = f"{clip.stem}-{count}", count + 1
        taken.add(name.casefold())
        names.append(name)
    return names


def write_joined(
    joined: Joined, clips: Sequence[Path], out: Path, job: JobControl, overlay: bool = False
) -> None:
    """Write the folders of all clips, the table of all curves and the record of the join.

    Parameters
    ----------
    joined : Joined
    clips : sequence of Path
        The clips, for the overlays.
    out : Path
        Folder; made if it is not there.
    job : JobControl
        Progress and stop.
    overlay : bool
        Also write ``overlay.mp4`` of each clip.

    Raises
    ------
    InputError
        If the folder cannot be written.
    Cancelled
        If the person asked to stop; the folder is as before.
    """
    out = Path(out).resolve()
    with fresh_folder(out) as fresh:
        for n, (part, clip) in enumerate(zip(joined.parts, clips, strict=True)):
            folder = fresh / part.name
            folder.mkdir()
            write_files(part.measurement, clip, folder, OneOf(job, n, len(clips)), overlay)
        write_columns(fresh / TRAVEL_FILE, joined_columns(joined))
        write_record(fresh / RECORD_FILE, joined_record(joined))
        job.check()
        _move_all_in(fresh, out, [part.name for part in joined.parts])


def _move_all_in(fresh: Path, out: Path, names: Sequence[str]) -> None:
    """Put everything in its place; the record goes first from the old and comes last of the new."""
    if out.exists():
        for name in names:
            if (out / name).exists() and not (out / name).is_dir():
                raise FileExistsError(errno.EEXIST, f"there is a file {name} in it")
        (out / RECORD_FILE).unlink(missing_ok=True)
        (out / ANGLES_FILE).unlink(missing_ok=True)  # of one clip measured into this folder before
        for name in names:
            move_in(fresh / name, out / name)
            shutil.rmtree(fresh / name, ignore_errors=True)
    move_in(fresh, out)
