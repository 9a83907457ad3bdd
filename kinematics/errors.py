"""What can go wrong between angles and statements about a linkage."""

from __future__ import annotations


class KinematicsError(Exception):
    """Numbers that cannot be used, said for the person who reads the result.

    Parameters
    ----------
    message : str
        What is wrong: the thing, what was expected, what was found.
    hint : str
        What to do about it.
    """

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(f"{message} {hint}")
        self.message = message
        self.hint = hint


class GeometryError(KinematicsError):
    """A linkage that cannot close, or lengths that are no lengths."""


class StrokeError(KinematicsError):
    """No stroke can be told from the angles given."""


class FitError(KinematicsError):
    """A fit that cannot be made from the data given."""
