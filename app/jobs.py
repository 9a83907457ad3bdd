"""What the store keeps: jobs, their states, and the intended travel chosen for them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class JobState(StrEnum):
    """Where a job stands."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen to the job."""
        return self in (JobState.DONE, JobState.FAILED, JobState.CANCELLED)


@dataclass(frozen=True, slots=True)
class Job:
    """One clip and what became of it.

    Attributes
    ----------
    job_id : str
        Name of our own, safe in addresses and file names.
    created_s, finished_s : float
        Seconds since 1970, UTC; ``finished_s`` is None until the job has ended.
    label : str
        The clip's name as the person's device gave it. For display only.
    clip : Path
        The stored clip.
    result : Path
        Folder of the result; complete if and only if the state is ``done``.
    log : Path
        Log of the worker.
    rig_toml : str or None
        Text of the set-up file that came with the clip.
    state : JobState
    done, total, stage : int, int, str
        Progress as last reported; total is 0 while unknown.
    heartbeat_s : float
        When the worker (or, before it starts, the upload) last gave a sign.
    cancel_requested : bool
    error : str or None
        One sentence for the person, if the job failed.
    """

    job_id: str
    created_s: float
    finished_s: float | None
    label: str
    clip: Path
    result: Path
    log: Path
    rig_toml: str | None
    state: JobState
    done: int
    total: int
    stage: str
    heartbeat_s: float
    cancel_requested: bool
    error: str | None


@dataclass(frozen=True, slots=True)
class IntendedChoice:
    """Intended travel chosen for one linkage.

    Attributes
    ----------
    linkage : str
        ``driver:driven``.
    kind : str
        ``none``, ``equal``, ``table`` (typed in) or ``csv``.
    rows : tuple of (driver_deg, driven_deg, tolerance_deg or None)
        Empty unless there is a table.
    """

    linkage: str
    kind: str
    rows: tuple[tuple[float, float, float | None], ...]
