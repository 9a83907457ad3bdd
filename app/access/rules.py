"""Who may do what: the one place that decides. Pure; identity comes from elsewhere.

A person has a role, a job has shares, and a link for reviewers stands for one job. ``may`` puts them
together; whatever is not granted here is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from strokecurve.app.words.statements import LABEL_LENGTH, Comment, Content, Verdict


class Role(StrEnum):
    """What a person is here."""

    ALONE = "alone"
    """Whoever sits at the computer, where nobody has to sign in."""
    TECHNICIAN = "technician"
    REVIEWER = "reviewer"
    KEEPER = "keeper"
    GUEST = "guest"
    """Nobody known; at most a link for reviewers speaks for them."""


LISTED_ROLES = (Role.TECHNICIAN, Role.REVIEWER, Role.KEEPER)
"""Roles that the sign-in file may give."""


class Level(StrEnum):
    """What part somebody has in a job."""

    OWN = "own"
    CHANGE = "change"
    READ = "read"
    NONE = "none"
    """Had one; it was taken away."""


class Right(StrEnum):
    """What somebody wants to do."""

    ENTER = "enter"
    """Be there at all: the list of jobs, pictures that the page has shown."""
    START = "start"
    """Begin a job of their own; send in files."""
    READ = "read"
    COMMENT = "comment"
    """Comment and give a verdict."""
    CHANGE = "change"
    """Add films and what is said of them, and take the whole job away as a bundle."""
    SHARE = "share"
    """Let others in, by name or by link."""


_READING = frozenset({Right.READ, Right.COMMENT})
_WORKING = _READING | {Right.CHANGE}
_ON_JOBS: Mapping[Role, Mapping[Level, frozenset[Right]]] = {
    Role.TECHNICIAN: {
        Level.OWN: _WORKING | {Right.SHARE},
        Level.CHANGE: _WORKING,
        Level.READ: _READING,
    },
    # However a reviewer came to a job: they judge it, and leave it as it is.
    Role.REVIEWER: {Level.OWN: _READING, Level.CHANGE: _READING, Level.READ: _READING},
}
_ANYWHERE: Mapping[Role, frozenset[Right]] = {
    Role.TECHNICIAN: frozenset({Right.ENTER, Right.START}),
    Role.REVIEWER: frozenset({Right.ENTER}),
}
_BY_LINK = _READING
_TO_EXPORT: Mapping[str, Right] = {"bundle": Right.CHANGE}
"""Right that exporting something takes; what is not named here shows only what can be read."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who asks for something.

    Attributes
    ----------
    role : Role
    mail : str or None
        Verified address, in lower case, if they signed in.
    name : str or None
        What the sign-in provider calls them; for display only.
    links : mapping of str to str
        Jobs they hold a valid link for, with whom each link was made for.
    """

    role: Role
    mail: str | None = None
    name: str | None = None
    links: Mapping[str, str] = field(default_factory=dict)

    @property
    def words(self) -> str | None:
        """Name and address as entries carry them; None if they did not sign in."""
        if self.mail is None:
            return None
        name = "".join(sign for sign in self.name or "" if sign.isprintable() and sign not in "<>").strip()
        both = f"{name} <{self.mail}>"
        return both if name and len(both) <= LABEL_LENGTH else self.mail[:LABEL_LENGTH]


ALONE = Person(Role.ALONE)


@dataclass(frozen=True, slots=True)
class Shares:
    """Who has a part in a job.

    Attributes
    ----------
    job_id : str
    levels : mapping of str to Level
        By mail address in lower case.
    """

    job_id: str
    levels: Mapping[str, Level] = field(default_factory=dict)


def may(person: Person, right: Right, job: Shares | None = None) -> bool:
    """Whether a person may do something, on a job if one is given."""
    if person.role in (Role.ALONE, Role.KEEPER):
        return True
    if job is None:
        return right in _ANYWHERE.get(person.role, ()) or (right is Right.ENTER and bool(person.links))
    level = Level.NONE if person.mail is None else job.levels.get(person.mail, Level.NONE)
    if right in _ON_JOBS.get(person.role, {}).get(level, ()):
        return True
    return job.job_id in person.links and right in _BY_LINK


def right_to_say(content: Content) -> Right:
    """Right that putting something on record takes."""
    return Right.COMMENT if isinstance(content, Comment | Verdict) else Right.CHANGE


def right_to_export(kind: str) -> Right:
    """Right that asking for an export of this kind takes, and fetching it."""
    return _TO_EXPORT.get(kind, Right.READ)


def author(person: Person, job_id: str, typed: str | None) -> str | None:
    """Who an entry is from: the one who signed in; otherwise the name typed, and the link it came by."""
    if person.role is Role.ALONE:
        return typed
    if person.words is not None:
        return person.words
    tail = f" (by the link for {person.links.get(job_id, 'a reviewer')})"[:LABEL_LENGTH]
    return f"{(typed or 'no name given')[: LABEL_LENGTH - len(tail)]}{tail}"
