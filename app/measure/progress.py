"""Progress of work on several clips, one after the other."""

from __future__ import annotations

from strokecurve.vision.control import JobControl


class OneOf:
    """Reports the work on one of several clips as a part of the whole.

    Parameters
    ----------
    job : JobControl
        Whom to report to.
    number, count : int
        Which clip it is, from 0, of how many.

    Notes
    -----
    Work on a clip has stages of different length, the first by far the longest. The share never falls: a
    later stage of the clip stands at its end.
    """

    def __init__(self, job: JobControl, number: int, count: int) -> None:
        self._job = job
        self._number = number
        self._count = count
        self._share = 0.0

    def report(self, done: int, total: int, label: str) -> None:
        """Pass on a stage's progress as the share of all clips, in thousandths."""
        if total > 0:
            self._share = max(self._share, min(done / total, 1.0))
        done_of_all = round(1000 * (self._number + self._share) / self._count)
        self._job.report(done_of_all, 1000, f"clip {self._number + 1} of {self._count}, {label}")

    def check(self) -> None:
        """Pass on the wish to stop."""
        self._job.check()
