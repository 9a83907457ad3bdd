"""Pictures of three positions that a result keeps in ``frames/``: whoever gets no clip sees the linkage."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

FOLDER = "frames"
WORDS = {"low-fire": "low fire", "middle": "middle of the opening pass", "high-fire": "high fire"}
"""Positions by their part of the file's name; the words are those of the record."""
LARGEST_PICTURE_BYTES = 10_000_000
"""A photograph of a position takes 300 kB."""
MOST_SIDE_PX = 4000
"""They are 1500 pixels wide at most; a picture of more would take much memory to show."""
_NAME = re.compile(rf"({'|'.join(WORDS)})-([0-9]{{1,8}})ms\.jpg")


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
