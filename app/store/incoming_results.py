"""A result that comes from elsewhere: whatever reads it later is tried on it before it is kept."""

from __future__ import annotations

from pathlib import Path

from strokecurve.app.result.kept_pictures import LARGEST_PICTURE_BYTES, check_picture, is_kept_picture
from strokecurve.app.result.reading import AGAIN, LARGEST_TABLE_BYTES, read_result
from strokecurve.app.words.archive_limits import check_arrays
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import LARGEST_RECORD_BYTES, MB
from strokecurve.app.words.strict_json import strict_json

LARGEST_BYTES = {
    ".json": LARGEST_RECORD_BYTES,
    ".csv": LARGEST_TABLE_BYTES,
    ".jpg": LARGEST_PICTURE_BYTES,
    ".png": LARGEST_PICTURE_BYTES,
}
"""Files of a result that are read at once, by their ending; clips and tracks are read in pieces."""


def check_result(folder: Path, called: str) -> None:
    """Refuse a result folder that pages and records could not read, or not within what that may take.

    Parameters
    ----------
    folder : Path
    called : str
        What to call it in messages.

    Raises
    ------
    InputError
        With what is wrong.
    """
    read_result(folder, called, strict=True)
    for path in sorted(folder.rglob("*")):
        if not path.is_file():
            continue
        name = path.relative_to(folder).as_posix()
        most_bytes = LARGEST_BYTES.get(path.suffix)
        try:
            if most_bytes is not None and path.stat().st_size > most_bytes:
                raise ValueError(f"it is larger than {most_bytes / MB:.0f} MB")
            if path.suffix == ".npz":
                check_arrays(path)
            elif is_kept_picture(name):
                check_picture(path)
            elif path.suffix == ".json":
                strict_json(path.read_bytes(), name)
        except ValueError as error:
            raise InputError(f"{name} in {called} cannot be used: {error}.", AGAIN) from error
