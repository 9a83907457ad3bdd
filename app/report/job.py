"""What a record may hold: one film at least, everything else as far as it is there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.record import Comment, Entry, IntendedChoice, Readings, Verdict
from app.result_folder import FilmResult


@dataclass(frozen=True, slots=True)
class RecordedFilm:
    """One film with what is said about it.

    Attributes
    ----------
    result : FilmResult
    clip : Path or None
        The clip itself, for photographs; None if it is not at hand.
    label : str or None
        Name to show; None for that in the result.
    filmed_by : str or None
    filmed_on : str or None
        ``YYYY-MM-DD``.
    """

    result: FilmResult
    clip: Path | None = None
    label: str | None = None
    filmed_by: str | None = None
    filmed_on: str | None = None


@dataclass(frozen=True, slots=True)
class WorkOrder:
    """The adjustment that was chosen.

    Attributes
    ----------
    linkage : str
        ``driver:driven``.
    lines : tuple of str
        What to do, step by step.
    proposal : mapping or None
        Its entry of ``proposals.json``: ``changes`` with ``name``, ``from``, ``to``; ``rms_deg``,
        ``max_deg``, ``min_drive_angle_deg``, ``min_transmission_angle_deg`` as predicted.
    done : str or None
        What is said to have been done of it.
    """

    linkage: str
    lines: tuple[str, ...]
    proposal: Mapping[str, Any] | None = None
    done: str | None = None


@dataclass(frozen=True, slots=True)
class JobRecord:
    """Everything a record may hold.

    Attributes
    ----------
    found, left : RecordedFilm or None
        The film as found and as left; a record of one film alone has it in ``found`` and ``only`` set.
    only : bool
        One film alone: neither as found nor as left is said of it.
    burner, site, fuel : str or None
    made_on : str or None
        Day of the record, ``YYYY-MM-DD``.
    intended : tuple of IntendedChoice
        At most one for each linkage.
    readings : Readings or None
    work_orders : tuple of WorkOrder
        At most one for each linkage.
    comments : tuple of Entry of Comment
    verdict : Entry of Verdict or None
    rig_toml : str or None
        Set-up file that was used.
    """

    found: RecordedFilm | None = None
    left: RecordedFilm | None = None
    only: bool = False
    burner: str | None = None
    site: str | None = None
    fuel: str | None = None
    made_on: str | None = None
    intended: tuple[IntendedChoice, ...] = ()
    readings: Readings | None = None
    work_orders: tuple[WorkOrder, ...] = ()
    comments: tuple[Entry[Comment], ...] = ()
    verdict: Entry[Verdict] | None = None
    rig_toml: str | None = None

    def __post_init__(self) -> None:
        if self.found is None and self.left is None:
            raise ValueError("a record needs one film at least")

    @property
    def films(self) -> dict[str, RecordedFilm]:
        """The films by their role."""
        roles = {"the film" if self.only else "as found": self.found, "as left": self.left}
        return {role: film for role, film in roles.items() if film is not None}

    @property
    def latest(self) -> RecordedFilm:
        """The film that shows the linkage as it is now."""
        film = self.left or self.found
        if film is None:  # cannot be: __post_init__ sees to it
            raise ValueError("a record needs one film at least")
        return film

    def intended_for(self, linkage: str) -> IntendedChoice | None:
        """Intended travel of a linkage, if any."""
        return next(
            (c for c in self.intended if c.linkage == linkage and (c.kind == "equal" or c.rows)), None
        )
