"""Pictures of three positions that a result keeps in ``frames/``, so that who gets no clip sees the linkage.

A clip is hostile input, so a confined process draws them: ``python -m app.kept_pictures CLIP RESULT FOLDER``.
"""

from __future__ import annotations

import logging
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from app.errors import PLAIN_ERRORS, InputError, StoreError
from app.jobs import Film
from app.limits import Limits, confine
from app.store import Store
from vision.control import JobControl

FOLDER = "frames"
WORDS = {"low-fire": "low fire", "middle": "middle of the opening pass", "high-fire": "high fire"}
"""Positions by their part of the file's name; the words are those of the record."""
LARGEST_PICTURE_BYTES = 10_000_000
"""A photograph of a position takes 300 kB."""
MOST_SIDE_PX = 4000
"""They are 1500 pixels wide at most; a picture of more would take much memory to show."""
DRAWN_WITHIN_S = 120.0
LIMITS = Limits(cpu_s=120, niceness=5)
"""Three frames, each to be found from seconds before it."""
_NAME = re.compile(rf"({'|'.join(WORDS)})-([0-9]{{1,8}})ms\.jpg")

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class KeptPicture:
    """A picture of a position, arms, rods and angles drawn in.

    Attributes
    ----------
    words : str
        The position.
    time_s : float
        Its moment in the clip, to the millisecond.
    path : Path
        A JPEG file.
    """

    words: str
    time_s: float
    path: Path


def file_name(words: str, time_s: float) -> str:
    """Name of the picture of a position inside a result folder."""
    part = next(part for part, said in WORDS.items() if said == words)
    return f"{FOLDER}/{part}-{round(1000 * time_s)}ms.jpg"


def kept_pictures(folder: Path) -> tuple[KeptPicture, ...]:
    """The pictures in a result folder that can be shown, from low to high fire, one for each position.

    Parameters
    ----------
    folder : Path
        The result folder.
    """
    found: dict[str, KeptPicture] = {}
    for path in sorted((folder / FOLDER).glob("*.jpg")):
        named = _NAME.fullmatch(path.name)
        if named and named[1] not in found:
            try:
                check_picture(path)
            except ValueError:
                continue
            found[named[1]] = KeptPicture(WORDS[named[1]], int(named[2]) / 1000, path)
    return tuple(found[part] for part in WORDS if part in found)


def is_kept_picture(name: str) -> bool:
    """Whether a file of a result is one of the pictures, by its name; no other one is shown."""
    folder, _, file = name.partition("/")
    return folder == FOLDER and _NAME.fullmatch(file) is not None


def check_picture(path: Path) -> None:
    """Refuse a picture that is none or would take much memory to show; only its head is read.

    Raises
    ------
    ValueError
        With what is wrong, in a few words.
    """
    try:
        if path.stat().st_size > LARGEST_PICTURE_BYTES:
            raise ValueError(f"it is larger than {LARGEST_PICTURE_BYTES / 1e6:.0f} MB")
        with Image.open(path, formats=("JPEG",)) as picture:
            size = picture.size
    except (OSError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise ValueError("it is no JPEG picture, or far too large") from error
    if max(size) > MOST_SIDE_PX:
        raise ValueError(f"it has more than {MOST_SIDE_PX} pixels a side")


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
    command = [sys.executable, "-m", "app.kept_pictures", str(clip), str(result), str(place)]
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
    from app.report.job import RecordedFilm
    from app.report.photographs import photographs_from_clip
    from app.result_folder import read_result

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
