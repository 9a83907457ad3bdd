"""The main job: a clip, or several of one train, and what is known of the rig in; a result folder out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from strokecurve.app.measure.clip import Measurement, analyse, path_of, sha256
from strokecurve.app.measure.join import Joined, Part, join
from strokecurve.app.measure.progress import OneOf
from strokecurve.app.measure.rig import Rig
from strokecurve.app.measure.settings import Settings
from strokecurve.app.result.joined import folder_names, write_joined
from strokecurve.app.result.writing import write_results
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.video.reader import ClipReader


def measure(
    clip: Path | ClipReader,
    out: Path,
    rig: Rig | None = None,
    job: JobControl | None = None,
    overlay: bool = False,
    settings: Settings | None = None,
) -> Measurement:
    """Measure a clip and write the result folder.

    Parameters
    ----------
    clip : Path or ClipReader
        The video; or, so that its decoder works while the program is still loading, a reader of it.
    out : Path
        Result folder; made if it is not there. Its files are replaced only when the new ones are complete.
    rig : Rig, optional
        Set-up file.
    job : JobControl, optional
        Progress and stop.
    overlay : bool
        Also write the clip with arms, rods and angles drawn in.
    settings : Settings, optional
        Limits.

    Returns
    -------
    Measurement

    Raises
    ------
    VisionError, KinematicsError, InputError
        If clip or set-up cannot be used; nothing is written then.
    Cancelled
        If the person asked to stop; nothing is written then.
    """
    job = job or Unattended()
    measurement = analyse(clip, rig, job, settings)
    write_results(measurement, path_of(clip), out, job, overlay)
    return measurement


def measure_several(
    clips: Sequence[Path | ClipReader],
    out: Path,
    rig: Rig | None = None,
    job: JobControl | None = None,
    overlay: bool = False,
    settings: Settings | None = None,
) -> Joined:
    """Measure clips that share shafts, join them into trains and write the result folder.

    Parameters
    ----------
    clips : sequence of Path or ClipReader
        Two or more; a reader's decoder may be at work already.
    out : Path
        Result folder; made if it is not there.
    rig : Rig, optional
        Set-up file for all clips; each shows the linkages of which it shows both shafts.
    job : JobControl, optional
        Progress and stop.
    overlay : bool
        Also write each clip with arms, rods and angles drawn in.
    settings : Settings, optional
        Limits.

    Returns
    -------
    Joined

    Raises
    ------
    VisionError, KinematicsError, InputError
        If a clip or the set-up cannot be used or the clips do not make a train; nothing is written then.
    Cancelled
        If the person asked to stop; nothing is written then.
    """
    rig, job, settings = rig or Rig(), job or Unattended(), settings or Settings()
    paths = [path_of(clip) for clip in clips]
    check_different(paths)
    for clip in clips[1:]:
        if not isinstance(clip, ClipReader):
            with ClipReader(clip):
                pass  # what is no video is told now, not after the work on the first clip
    names = folder_names(paths)
    parts = []
    for n, (clip, name) in enumerate(zip(clips, names, strict=True)):
        measured = _analyse(clip, name, rig, OneOf(job, n, len(clips)), settings)
        parts.append(Part(name, measured))
    _check_rig(rig, [part.measurement for part in parts])
    joined = join(parts, settings)
    write_joined(joined, paths, out, job, overlay)
    return joined


def check_different(paths: Sequence[Path]) -> None:
    """Refuse clips that are missing, or given twice, under whatever names."""
    for n, path in enumerate(paths):
        if not path.is_file():
            raise InputError(f"There is no file {path.name}.", "Check the name and the folder.")
        for other in paths[:n]:
            if other.stat().st_size == path.stat().st_size and (
                other.samefile(path) or sha256(other) == sha256(path)
            ):
                names = path.name if path.name == other.name else f"{other.name} and {path.name}"
                raise InputError(
                    f"The same clip is given twice: {names}.", "Give each clip once, or one clip alone."
                )


def _analyse(
    clip: Path | ClipReader, name: str, rig: Rig, job: JobControl, settings: Settings
) -> Measurement:
    """Measure one of the clips; what cannot be used is said with the clip's name."""
    try:
        return analyse(clip, rig, job, settings, part=True)
    except PLAIN_ERRORS as error:
        file = path_of(clip).name
        message = error.message if file in error.message else f"{name}: {error.message}"
        raise InputError(message, error.hint) from error


def _check_rig(rig: Rig, measured: Sequence[Measurement]) -> None:
    """Refuse a set-up file with a linkage that no clip shows."""
    shown = {
        (link.driver, link.driven)
        for link in rig.linkages
        for one in measured
        if {link.driver, link.driven} <= set(one.motion.names)
    }
    for link in rig.linkages:
        if (link.driver, link.driven) not in shown:
            raise InputError(
                f"The set-up file names the linkage {link.driver} to {link.driven}, which no clip shows.",
                "Correct the file, or give the clip with the markers of both shafts too.",
            )
