"""Input that cannot be used, and the one place that knows every such error."""

from __future__ import annotations

import errno

from strokecurve.kinematics.errors import KinematicsError
from strokecurve.vision.errors import VisionError


class InputError(Exception):
    """A file or setting from the person that cannot be used.

    Parameters
    ----------
    message : str
        What is wrong.
    hint : str
        What to do about it.
    """

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(f"{message} {hint}")
        self.message = message
        self.hint = hint


FULL_DISK = tuple(getattr(errno, name) for name in ("ENOSPC", "EDQUOT", "EFBIG") if hasattr(errno, name))
"""Numbers of ``OSError`` that mean there is no room: on the disk, for this person, for a file this large."""


def no_room(error: BaseException) -> InputError | None:
    """What to say of a disk that is full; None if an error is something else."""
    if not isinstance(error, OSError) or error.errno not in FULL_DISK:
        return None
    return InputError("There is no room left on the disk.", "Make room and try again.")


class StoreError(InputError):
    """The store of jobs cannot do what was asked, said for the person."""


PLAIN_ERRORS = (InputError, VisionError, KinematicsError)
"""Errors whose text is written for the person at the burner: shown as they are, exit status 2."""
