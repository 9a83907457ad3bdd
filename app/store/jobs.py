"""What the store gives out: jobs, their films, and the runs of a film's analysis."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from strokecurve.app.words.statements import FilmFacts, JobFacts


class RunState(StrEnum):
    """Where an analysis stands."""

    QUEUED = "queued"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen to the run."""
        return self in (RunState.DONE, RunState.FAILED, RunState.CANCELLED)


class FailureCause(StrEnum):
    """Why an analysis failed, where that was not the clip: what the program does about it hangs on this."""

    FAULT = "fault"  # a fault in strokecurve itself
    GONE = "gone"  # its worker gave no sign any more; if it ends after all, it is believed
    CRASHED = "crashed"  # its worker crashed


@dataclass(frozen=True, slots=True)
class Run:
    """One analysis of a film.

    Attributes
    ----------
    run_id, film_id : str
        Names of our own, safe in addresses and file names.
    rig_id : str or None
        Entry with the set-up it was made with.
    made_s, finished_s : float
        Seconds since 1970, UTC; ``finished_s`` is None until the run has ended.
    state : RunState
    tries : int
        How often a worker has been started for it.
    done, total, stage : int, int, str
        Progress as last reported; total is 0 while unknown.
    heartbeat_s : float
        When the worker last gave a sign; before it starts: when the run was handed out, 0 while it waits.
    cancel_requested : bool
    error : str or None
        One sentence for the person, if the run failed.
    cause : FailureCause or None
        Why it failed; None if it did not, or if the clip or the computer could not do what was asked.
    result : Path
        Folder of the result; complete if and only if the state is ``done``.
    log : Path
        Log of the worker.
    """

    run_id: str
    film_id: str
    rig_id: str | None
    made_s: float
    finished_s: float | None
    state: RunState
    tries: int
    done: int
    total: int
    stage: str
    heartbeat_s: float
    cancel_requested: bool
    error: str | None
    cause: FailureCause | None
    result: Path
    log: Path


@dataclass(frozen=True, slots=True)
class Clip:
    """One stored clip.

    Attributes
    ----------
    clip_id : str
    path : Path
        The file; there only if ``here``.
    size_bytes : int
    sha256 : str
    here : bool
        False if it is only known from a bundle without clips.
    """

    clip_id: str
    path: Path
    size_bytes: int
    sha256: str
    here: bool


@dataclass(frozen=True, slots=True)
class Film:
    """One film of a job.

    Attributes
    ----------
    film_id, job_id : str
    made_s : float
        When it was taken in.
    facts : FilmFacts
        The latest said about it.
    clip : Clip
    runs : tuple of Run
        Analyses in order of time; repeated ones come last.
    """

    film_id: str
    job_id: str
    made_s: float
    facts: FilmFacts
    clip: Clip
    runs: tuple[Run, ...]

    @property
    def run(self) -> Run | None:
        """The latest analysis."""
        return self.runs[-1] if self.runs else None

    @property
    def measured(self) -> Run | None:
        """The latest analysis that gave a result."""
        return next((run for run in reversed(self.runs) if run.state is RunState.DONE), None)


@dataclass(frozen=True, slots=True)
class Job:
    """One burner's linkage from first film to record.

    Attributes
    ----------
    job_id : str
    made_s : float
    facts : JobFacts
        The latest said about it.
    films : tuple of Film
        In order of time.
    """

    job_id: str
    made_s: float
    facts: JobFacts
    films: tuple[Film, ...]

    @property
    def title(self) -> str:
        """How lists call it: burner and site, else the name of its first film."""
        said = ", ".join(text for text in (self.facts.burner, self.facts.site) if text)
        return said or (self.films[0].facts.label if self.films else "New job")

    def latest(self, role: str) -> Film | None:
        """The newest film of a role."""
        return next((film for film in reversed(self.films) if film.facts.role == role), None)
