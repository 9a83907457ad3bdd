"""What a record may hold: one film at least, everything else as far as it is there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from strokecurve.app.result.reading import FilmResult
from strokecurve.app.words.statements import Comment, Done, Entry, IntendedChoice, Readings, Verdict


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
        ``max_deg``, ``min_drive_angle_deg``, ``min_transmission_angle_deg`` as predicted, with their
        standard deviations and worst cases.
    warnings, behind, notes : tuple of str
        As in ``app.adjust.work_order.OrderText``.
    complete : bool
        Whether warnings and notes were kept with it.
    choice_id : str or None
        Entry that chose it.
    film : str or None
        Film it was worked out from, in words; None where that was not kept.
    done : Entry of Done or None
        What was carried out of it, as said last.
    remarks : tuple of str
        What else has to be known of what was carried out.
    """

    linkage: str
    lines: tuple[str, ...]
    proposal: Mapping[str, Any] | None = None
    warnings: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    complete: bool = True
    choice_id: str | None = None
    film: str | None = None
    done: Entry[Done] | None = None
    remarks: tuple[str, ...] = ()

    def told(self) -> str:
        """What became of the steps, in a sentence; nothing of what does not fit this order."""
        if self.done is None:
            return "Nothing is on record as carried out."
        steps = self.done.content.steps
        if len(steps) == len(self.lines):
            return self.done.content.told()
        return (
            f"What is on record as carried out does not fit this work order: its steps number {len(steps)}, "
            f"those of the order {len(self.lines)}. What was done is not known: ask who did it, and look at "
            "the linkage."
        )


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A verdict, and what it has to do with the films of a record.

    Attributes
    ----------
    entry : Entry of Verdict
    films : tuple of str
        Films that were reviewed, in words; empty where that was not kept.
    holds : bool
        Whether it was given on the film, and its analysis, that the record shows last.
    remarks : tuple of str
        What has to be known about it: given before a film was there, on another analysis, on other films.
    """

    entry: Entry[Verdict]
    films: tuple[str, ...] = ()
    holds: bool = True
    remarks: tuple[str, ...] = ()


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
    intended_films : mapping of str to str
        Film that the intended travel of a linkage was worked out with, in words, where that was kept.
    readings : Readings or None
    readings_film : str or None
        Film they were taken down with, in words; None where that was not kept.
    work_orders : tuple of WorkOrder
        At most one for each linkage.
    comments : tuple of Entry of Comment
    reviews : tuple of Reviewed
        The job's latest verdict, and before it that on the film shown last, if that is another.
    rig_toml : str or None
        Set-up file as given last.
    rig_remark : str or None
        Whether the films shown were measured with it.
    """

    found: RecordedFilm | None = None
    left: RecordedFilm | None = None
    only: bool = False
    burner: str | None = None
    site: str | None = None
    fuel: str | None = None
    made_on: str | None = None
    intended: tuple[IntendedChoice, ...] = ()
    intended_films: Mapping[str, str] = field(default_factory=dict)
    readings: Readings | None = None
    readings_film: str | None = None
    work_orders: tuple[WorkOrder, ...] = ()
    comments: tuple[Entry[Comment], ...] = ()
    reviews: tuple[Reviewed, ...] = ()
    rig_toml: str | None = None
    rig_remark: str | None = None

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
