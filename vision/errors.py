"""What can go wrong between a video file and the motion of shafts."""

from __future__ import annotations


class VisionError(Exception):
    """A clip that cannot be used, said for the person who filmed it.

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


class VideoError(VisionError):
    """The file is not a video that can be measured."""


class DetectionError(VisionError):
    """The markers needed are not in the picture, or not long enough."""


class PoseError(VisionError):
    """Camera, card or hinges could not be found from the markers seen."""


class Cancelled(Exception):  # noqa: N818 - a request that was granted, not an error
    """Raised by ``JobControl.check`` when the person asked to stop."""
