"""Input that cannot be used, and the one place that knows every such error."""

from __future__ import annotations

from kinematics.errors import KinematicsError
from vision.errors import VisionError


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


class StoreError(InputError):
    """The store of jobs cannot do what was asked, said for the person."""


PLAIN_ERRORS = (InputError, VisionError, KinematicsError)
"""Errors whose text is written for the person at the burner: shown as they are, exit status 2."""
