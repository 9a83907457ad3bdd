"""Draws the pictures that a result keeps, so that who gets no clip sees the linkage.

A clip is hostile input, so a confined process draws them:
``python -m strokecurve.app.report.keep_pictures CLIP RESULT FOLDER``.
"""

from __future__ import annotations

import logging
import subprocess
import sys
import tempfile
from pathlib import Path

from strokecurve.app.report.job import RecordedFilm
from strokecurve.app.report.photographs import photographs_from_clip
from strokecurve.app.result.kept_pictures import FOLDER, file_name, kept_pictures
from strokecurve.app.result.reading import read_result
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError, StoreError
from strokecurve.app.words.resource_limits import Limits, confine
from strokecurve.vision.control import JobControl

DRAWN_WITHIN_S = 120.0
LIMITS = Limits(cpu_s=120, niceness=5)
"""Three frames, each to be found from seconds before it."""

logger = logging.getLogger(__name__)


def keep_pictures(store: Store, job_id: str, job: JobControl | None = None) -> tuple[Film, ...]:
    """Draw the pictures of a job's films that have none yet and add them to the results shown.

    Parameters
    ----------
    store : Store
    job_id : str
    job : JobControl, optional
        Asked between two films whether to stop.

    Returns
    -------
    tuple of Film
        Measured films whose clip is here, but of which no picture can be drawn or kept.
    """
    without = []
    for film in store.job(job_id).films:
        if job is not None:
            job.check()
        run = film.measured
        if run is None or not film.clip.here or kept_pictures(run.result):
            continue
        try:
            with tempfile.TemporaryDirectory() as place:
                _draw_apart(film.clip.path, run.result, Path(place))
                for path in sorted(Path(place).glob(f"{FOLDER}/*.jpg")):
                    store.runs.add_file(run.run_id, f"{FOLDER}/{path.name}", path)
        except (InputError, OSError) as error:
            logger.warning("no pictures of a film: %s", error)
            without.append(film)
    return tuple(without)


def _draw_apart(clip: Path, result: Path, place: Path) -> None:
    """Draw in a process of its own; InputError if that gives no picture."""
    command = [
        sys.executable,
        "-m",
        "strokecurve.app.report.keep_pictures",
        str(clip),
        str(result),
        str(place),
    ]
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=DRAWN_WITHIN_S, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise StoreError("Drawing took too long.", "Send the clip, too.") from error
    if done.returncode != 0:
        raise StoreError("Nothing can be drawn.", done.stderr.decode(errors="replace")[-500:])


def main(arguments: list[str]) -> int:
    """Write the pictures below a folder; exit status 2 if there is nothing to draw or it cannot be drawn."""
    clip, result, place = map(Path, arguments)
    confine(LIMITS)
    try:
        pictures = photographs_from_clip(RecordedFilm(read_result(result), clip))
    except PLAIN_ERRORS as reason:
        print(f"{reason.message} {reason.hint}", file=sys.stderr)
        return 2
    (place / FOLDER).mkdir()
    for (words, time_s), picture in pictures.items():
        (place / file_name(words, time_s)).write_bytes(picture.jpeg)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
