"""What people put on record about a job, from the burner's name to the reviewer's verdict.

Every entry is kept for good; where one thing is said twice, the latest counts. Each kind is a frozen
dataclass that checks itself, so an entry made on the page, read from the database or taken from a bundle is
held to the same rules. ``to_json`` and ``from_json`` turn contents into text and back without loss.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Generic, TypeVar

from strokecurve.app.words import checks
from strokecurve.app.words.strict_json import strict_json

ROLES = ("as found", "trial", "as left")
INTENDED_KINDS = ("none", "equal", "table", "csv", "readings")
VERDICTS = ("accept", "adjust", "film again")
STEP_STATES = ("done", "done otherwise", "not done")
"""What became of one step of a work order."""
APPROACHES = ("either", "opening", "closing")
"""From which side the firing positions of readings were approached."""

LABEL_LENGTH = 80
TEXT_LENGTH = 5_000
"""A comment of about two printed pages."""
FILE_LENGTH = 1_000_000
"""Characters of a text file that is kept whole: readings of thousands of positions, a rig of any size."""
PROPOSALS_LENGTH = 10_000_000
ROWS = 10_000
MOST_STEPS = 100
"""A work order has about fifteen."""
LARGEST_DEG = 36_000.0
LARGEST_S = 86_400.0
_ID = re.compile(r"[0-9a-f]{12,64}")


def is_id(value: object) -> bool:
    """Whether a value has the form of our ids."""
    return isinstance(value, str) and _ID.fullmatch(value) is not None


@dataclass(frozen=True, slots=True)
class JobFacts:
    """What the job is about; None where not said.

    Attributes
    ----------
    burner, site, fuel : str or None
    """

    burner: str | None = None
    site: str | None = None
    fuel: str | None = None

    def __post_init__(self) -> None:
        for one in fields(self):
            checks.line(getattr(self, one.name), one.name, LABEL_LENGTH)


@dataclass(frozen=True, slots=True)
class RigText:
    """The set-up of the linkage.

    Attributes
    ----------
    toml : str
        Text of ``rig.toml``.
    """

    toml: str

    def __post_init__(self) -> None:
        checks.text(self.toml, "set-up file", FILE_LENGTH, lines=True)


@dataclass(frozen=True, slots=True)
class FilmFacts:
    """What is said about a film; tied to it by its entry.

    Attributes
    ----------
    role : str or None
        ``as found``, ``trial`` or ``as left``; None where not said.
    label : str
        The clip's name as the person's device gave it. For display only.
    filmed_by : str or None
    filmed_on : str or None
        Date as ``YYYY-MM-DD``.
    """

    role: str | None
    label: str
    filmed_by: str | None = None
    filmed_on: str | None = None

    def __post_init__(self) -> None:
        if self.role is not None:
            checks.one_of(self.role, "role of a film", ROLES)
        checks.text(self.label, "name of the film", LABEL_LENGTH)
        checks.line(self.filmed_by, "name of who filmed", LABEL_LENGTH)
        if self.filmed_on is not None:
            checks.date(self.filmed_on, "film")


@dataclass(frozen=True, slots=True)
class Readings:
    """Combustion readings.

    Attributes
    ----------
    csv : str
        The table as it was given.
    columns : tuple of str
    rows : tuple of tuple of (float or None)
        The table as it was understood; None is an empty cell.
    """

    csv: str
    columns: tuple[str, ...]
    rows: tuple[tuple[float | None, ...], ...]

    def __post_init__(self) -> None:
        checks.text(self.csv, "table of readings", FILE_LENGTH, lines=True)
        if not isinstance(self.columns, tuple) or not 0 < len(self.columns) <= 100:
            raise checks.refuse("The readings have no columns.")
        for column in self.columns:
            checks.text(column, "name of a column", LABEL_LENGTH)
        for row in checks.rows(self.rows, "table of readings", ROWS):
            if len(row) != len(self.columns):
                raise checks.refuse(
                    "A row of the readings has another number of cells than there are columns."
                )
            for value in row:
                if value is not None:
                    checks.number(value, "reading", -1e12, 1e12)


@dataclass(frozen=True, slots=True)
class IntendedChoice:
    """Intended travel chosen for one linkage.

    Attributes
    ----------
    linkage : str
        ``driver:driven``.
    kind : str
        ``none``, ``equal``, ``table`` (typed in), ``csv`` or ``readings`` (worked out from them).
    rows : tuple of (driver_deg, driven_deg, tolerance_deg or None)
        Empty unless there is a table.
    fuel, approach : str or None
        What readings were worked out with: a name of ``kinematics.intended.fuels.FUELS``, one of
        ``APPROACHES``. None for the other kinds.
    """

    linkage: str
    kind: str
    rows: tuple[tuple[float, float, float | None], ...]
    fuel: str | None = None
    approach: str | None = None

    def __post_init__(self) -> None:
        checks.linkage(self.linkage)
        checks.one_of(self.kind, "intended travel", INTENDED_KINDS)
        checks.line(self.fuel, "fuel", LABEL_LENGTH)
        if self.approach is not None:
            checks.one_of(self.approach, "approach", APPROACHES)
        for row in checks.rows(self.rows, "intended travel", ROWS):
            if len(row) != 3:
                raise checks.refuse("A row of the intended travel has not three values.")
            for value in row[:2]:
                checks.number(value, "intended travel", -LARGEST_DEG, LARGEST_DEG)
            if row[2] is not None:
                checks.number(row[2], "tolerance", 0.0, LARGEST_DEG)


@dataclass(frozen=True, slots=True)
class Proposals:
    """Adjustments that were worked out for one linkage.

    Attributes
    ----------
    linkage : str
    proposals_json : str
        Text of ``proposals.json``: a list, best first.
    """

    linkage: str
    proposals_json: str

    def __post_init__(self) -> None:
        checks.linkage(self.linkage)
        checks.text(self.proposals_json, "list of proposals", PROPOSALS_LENGTH, lines=True)
        self.all()

    def all(self) -> list[dict[str, Any]]:
        """The proposals, best first."""
        found = strict_json(self.proposals_json, "list of proposals")
        if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
            raise checks.refuse("The proposals are not a list.", "Work them out again.")
        return found


def sentences(proposal: Mapping[str, Any], key: str) -> tuple[str, ...]:
    """Sentences that a proposal carries under a name: ``work_order``, ``warnings``, ``behind``, ``notes``."""
    found = proposal.get(key)
    return tuple(line for line in found if isinstance(line, str)) if isinstance(found, list) else ()


@dataclass(frozen=True, slots=True)
class Choice:
    """The proposal that is to be carried out.

    Attributes
    ----------
    proposals_id : str
        Id of the entry with the proposals.
    number : int
        Place in its list, from 0.
    """

    proposals_id: str
    number: int

    def __post_init__(self) -> None:
        if not is_id(self.proposals_id):
            raise checks.refuse("The proposal chosen belongs to no list.")
        if isinstance(self.number, bool) or not isinstance(self.number, int) or not 0 <= self.number < ROWS:
            raise checks.refuse("The proposal chosen is not in its list.")


@dataclass(frozen=True, slots=True)
class Done:
    """What was carried out of a work order.

    Attributes
    ----------
    choice_id : str
        Id of the entry that chose the proposal.
    steps : tuple of str
        One of ``STEP_STATES`` for each step of its work order, in their order.
    by : str
        Who did the work.
    on : str
        Day as ``YYYY-MM-DD``.
    remark : str or None
        What was done otherwise or left out, and why.
    """

    choice_id: str
    steps: tuple[str, ...]
    by: str
    on: str
    remark: str | None = None

    def __post_init__(self) -> None:
        if not is_id(self.choice_id):
            raise checks.refuse("What was done belongs to no proposal that was chosen.")
        if not isinstance(self.steps, tuple) or not 0 < len(self.steps) <= MOST_STEPS:
            raise checks.refuse(f"What was done has not 1 to {MOST_STEPS} steps.")
        for state in self.steps:
            checks.one_of(state, "state of a step", STEP_STATES)
        checks.text(self.by, "name of who did the work", LABEL_LENGTH)
        checks.date(self.on, "work")
        if self.remark is not None:
            checks.text(self.remark, "remark", TEXT_LENGTH, lines=True)
        elif any(state != "done" for state in self.steps):
            raise checks.refuse(
                "A step was not done as ordered, and there is no remark.", "Say in the remark what was done."
            )

    def told(self) -> str:
        """What became of the steps, in a sentence."""
        if set(self.steps) == {"done"}:
            return f"All {len(self.steps)} steps as ordered."
        numbers = {
            state: [str(n) for n, one in enumerate(self.steps, start=1) if one == state]
            for state in STEP_STATES
        }
        parts = [f"{state}: {', '.join(of)}" for state, of in numbers.items() if of]
        return f"Steps {'; '.join(parts)}."


@dataclass(frozen=True, slots=True)
class Comment:
    """A remark on the job, or, where its entry names a film, on a moment or a driver travel of it.

    Attributes
    ----------
    text : str
    time_s : float or None
        Moment of the clip.
    linkage : str or None
    driver_deg : float or None
        Driver travel, on the linkage if one is named.
    """

    text: str
    time_s: float | None = None
    linkage: str | None = None
    driver_deg: float | None = None

    def __post_init__(self) -> None:
        checks.text(self.text, "comment", TEXT_LENGTH, lines=True)
        if self.time_s is not None:
            checks.number(self.time_s, "moment", 0.0, LARGEST_S)
        if self.linkage is not None:
            checks.linkage(self.linkage)
        if self.driver_deg is not None:
            checks.number(self.driver_deg, "driver travel", -LARGEST_DEG, LARGEST_DEG)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the reviewer decides.

    Attributes
    ----------
    verdict : str
        ``accept``, ``adjust`` or ``film again``.
    text : str or None
        Reasons.
    about : tuple of (str, str)
        Films that were reviewed, each with the analysis that was: ids.
    """

    verdict: str
    text: str | None = None
    about: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        checks.one_of(self.verdict, "verdict", VERDICTS)
        for pair in checks.rows(self.about, "list of films reviewed", ROWS):
            if len(pair) != 2 or not all(map(is_id, pair)):
                raise checks.refuse("A film reviewed is not named by its ids.")
        if self.text is not None:
            checks.text(self.text, "reason of the verdict", TEXT_LENGTH, lines=True)


Content = (
    JobFacts | RigText | FilmFacts | Readings | IntendedChoice | Proposals | Choice | Done | Comment | Verdict
)
KINDS: Mapping[str, type[Content]] = {
    "job": JobFacts,
    "rig": RigText,
    "film": FilmFacts,
    "readings": Readings,
    "intended": IntendedChoice,
    "proposals": Proposals,
    "choice": Choice,
    "done": Done,
    "comment": Comment,
    "verdict": Verdict,
}
"""Name of each kind in the database and in bundles."""
C = TypeVar("C", bound=Content)


@dataclass(frozen=True, slots=True)
class Provenance:
    """How an entry came that was not said here: its name and time are those its sender wrote.

    Attributes
    ----------
    made_s : float
        When its bundle was taken in, seconds since 1970, UTC.
    by : str or None
        Who took it in; None where nobody signs in.
    """

    made_s: float
    by: str | None


@dataclass(frozen=True, slots=True)
class Entry(Generic[C]):
    """One thing on record.

    Attributes
    ----------
    entry_id : str
    job_id : str
    film_id : str or None
        Film it is about; None if it is about the job.
    made_s : float
        Seconds since 1970, UTC; rises from entry to entry of a job.
    author : str or None
        Who said so; None where it was not asked.
    content : one of ``Content``
    provenance : Provenance or None
        How it came in a bundle; None if it was said in this store. It is this store's own knowledge: no part
        of what was said, and of no bundle.
    """

    entry_id: str
    job_id: str
    film_id: str | None
    made_s: float
    author: str | None
    content: C
    provenance: Provenance | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        checks.line(self.author, "name", LABEL_LENGTH)


def kind_of(content: Content | type[Any]) -> str:
    """Name of the kind of a content or of its class."""
    wanted = content if isinstance(content, type) else type(content)
    return next(name for name, kind in KINDS.items() if kind is wanted)


def to_mapping(content: Content) -> dict[str, Any]:
    """A content as a JSON object."""
    return asdict(content)


def to_json(content: Content) -> str:
    """A content as one line of text, always the same for the same content."""
    return json.dumps(to_mapping(content), ensure_ascii=False, sort_keys=True, allow_nan=False)


def from_json(kind: str, text: str) -> Content:
    """A content from its text.

    Raises
    ------
    InputError
        If it is none of ours.
    """
    return from_mapping(kind, strict_json(text, "entry"))


def from_mapping(kind: str, found: object) -> Content:
    """A content from the JSON object it was written as; raises InputError if it is none of ours."""
    if kind not in KINDS:
        raise checks.refuse(f"An entry is of a kind that is not known: {kind[:40]!r}.", "Update strokecurve.")
    wanted = KINDS[kind]
    if not isinstance(found, dict) or set(found) != {one.name for one in fields(wanted)}:
        raise checks.refuse(f"An entry of the kind {kind!r} has not the fields it should have.")
    return wanted(**{name: _tuples(value) for name, value in found.items()})


def _tuples(value: Any) -> Any:
    return tuple(_tuples(one) for one in value) if isinstance(value, list) else value
