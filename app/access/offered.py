"""What a store offers to one person: every method by its name, with the right it takes.

The tables decide. A method that no table names cannot be offered: `offers` refuses its class when the
program loads. What a person may not read answers exactly as what is not there.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from strokecurve.app.access.rules import (
    Person,
    Right,
    Role,
    Shares,
    may,
    right_to_export,
    right_to_say,
)
from strokecurve.app.access.sharing import Sharing
from strokecurve.app.store.entries import no_job
from strokecurve.app.store.jobs import Job
from strokecurve.app.store.queue import no_run
from strokecurve.app.store.store import Store, no_film
from strokecurve.app.words.errors import StoreError

EACH = "each"
"""In the place of an argument: the person is given those jobs only on which they have the right."""


@dataclass(frozen=True, slots=True)
class Takes:
    """What a method takes of whoever calls it.

    Attributes
    ----------
    right : Right or callable
        The right; where it depends on what is said or asked for, worked out from the arguments by name.
    on : str or None
        Argument that says on which job: its id, that of a film or a run, or something with a ``job_id``.
        None for what is about no job yet; ``EACH`` for what is asked of every job that is given back.
    """

    right: Right | Callable[[Mapping[str, Any]], Right]
    on: str | None = None


_SAYING = Takes(lambda arguments: right_to_say(arguments["content"]), "job_id")
_EXPORTING = Takes(lambda arguments: right_to_export(arguments["kind"]), "job_id")

ON_STORE: Mapping[str, Takes] = {
    "jobs": Takes(Right.READ, EACH),
    "job": Takes(Right.READ, "job_id"),
    "film": Takes(Right.READ, "film_id"),
    "entries": Takes(Right.READ, "job_id"),
    "latest": Takes(Right.READ, "job_id"),
    "intended_entry": Takes(Right.READ, "job_id"),
    "intended": Takes(Right.READ, "job_id"),
    "work_orders": Takes(Right.READ, "job_id"),
    "bundle_bytes": Takes(right_to_export("bundle"), "job_id"),
    "new_job": Takes(Right.START),
    "receive": Takes(Right.START),
    # Of a job that is here already, the bundle itself says which; its own check asks for CHANGE on that.
    "take_in": Takes(Right.START),
    "add": _SAYING,
    "add_film": Takes(Right.CHANGE, "job_id"),
    "analyse_again": Takes(Right.CHANGE, "film_id"),
}
"""The store."""
ON_RUNS: Mapping[str, Takes] = {
    "run": Takes(Right.READ, "run_id"),
    "before": Takes(Right.READ, "run_id"),
    "request_cancel": Takes(Right.CHANGE, "run_id"),
}
"""The queue of analyses."""
ON_SHARING: Mapping[str, Takes] = {
    "shares": Takes(Right.SHARE, "job_id"),
    "give": Takes(Right.SHARE, "job_id"),
    "links": Takes(Right.SHARE, "job_id"),
    "make_link": Takes(Right.SHARE, "job_id"),
    "withdraw": Takes(Right.SHARE, "link"),
    "token": Takes(Right.SHARE, "link"),
    "is_open": Takes(Right.SHARE, "link"),
}
"""Who a job is shared with."""
ON_EXPORTS: Mapping[str, Takes] = {
    "ask": _EXPORTING,
    "newest": _EXPORTING,
    # What kind it is shows only once it is found; the right to that kind is asked for then.
    "find": Takes(Right.READ, "job_id"),
    "cancel": Takes(lambda arguments: right_to_export(arguments["export"].kind), "export"),
}
"""Files made on request."""
ASK_NOTHING = frozenset({"person", "may", "may_on_film", "must"})
"""They say no more than who somebody is and what they may do."""


class Rights:
    """What one person may do with a store at the moment.

    Parameters
    ----------
    store : Store
    who : callable
        Gives the person as they are now, as a link may be withdrawn between two calls.
    """

    def __init__(self, store: Store, who: Callable[[], Person]) -> None:
        self._store = store
        self._who = who
        self._sharing = Sharing(store.database, store.folder, store.clock)

    @property
    def person(self) -> Person:
        """Whom it is about."""
        return self._who()

    def may(self, right: Right, job_id: str | None = None) -> bool:
        """Whether the person may do something, on a job if one is named."""
        person = self.person
        if person.role in (Role.ALONE, Role.KEEPER) or job_id is None:
            return may(person, right)
        return may(person, right, self._sharing.shares(job_id))

    def must(
        self, right: Right, job_id: str | None = None, not_there: Callable[[], StoreError] = no_job
    ) -> None:
        """Refuse what the person may not do; what they may not even read is not there."""
        if self.may(right, job_id):
            return
        if job_id is not None and not self.may(Right.READ, job_id):
            raise not_there()
        raise StoreError("You may not do this here.", "Ask whoever owns the job, or the keeper.")

    def must_for(self, takes: Takes, arguments: Mapping[str, Any]) -> None:
        """Refuse a call whose arguments are about what the person may not do."""
        right = takes.right if isinstance(takes.right, Right) else takes.right(arguments)
        if takes.on is None:
            self.must(right)
        elif takes.on != EACH:
            named = arguments[takes.on]
            self.must(right, self._job_named(takes.on, named), _NOT_THERE.get(takes.on, no_job))

    def only(self, right: Right, jobs: Iterable[Job]) -> tuple[Job, ...]:
        """Jobs on which the person has a right, in the same order."""
        person, shares = self.person, self._sharing.all_shares()
        return tuple(job for job in jobs if may(person, right, shares.get(job.job_id, Shares(job.job_id))))

    def _job_named(self, kind: str, named: Any) -> str:
        """Id of the job that an argument is about; StoreError if there is no such thing."""
        if kind == "film_id":
            return self._store.job_of(named)
        if kind == "run_id":
            return self._store.job_of(self._store.runs.run(named).film_id)
        return str(named if kind == "job_id" else named.job_id)


_NOT_THERE: Mapping[str, Callable[[], StoreError]] = {"film_id": no_film, "run_id": no_run}
"""What is said of what cannot be read, by the argument that names it; of everything else, as of a job."""

Class = TypeVar("Class", bound=type)


def offers(table: Mapping[str, Takes]) -> Callable[[Class], Class]:
    """Let every method of a class ask first for the right that a table names.

    Parameters
    ----------
    table : mapping of str to Takes
        Every public method of the class; objects of it have `Rights` in ``_rights``.

    Raises
    ------
    TypeError
        If the class has a public method that is not in the table, or the other way round.
    """

    def close(offered: Class) -> Class:
        public = {name for name in vars(offered) if not name.startswith("_")} - ASK_NOTHING
        if public != set(table):
            raise TypeError(f"{offered.__name__} and its table differ in {sorted(public ^ set(table))}")
        for name, takes in table.items():
            setattr(offered, name, _asking_first(vars(offered)[name], takes))
        return offered

    return close


def _asking_first(method: Callable[..., Any], takes: Takes) -> Callable[..., Any]:
    """A method that is not begun before the right to it is there."""
    signature = inspect.signature(method)
    if takes.on not in (None, EACH, *signature.parameters):
        raise TypeError(f"{method.__qualname__} has no argument {takes.on}")

    @functools.wraps(method)
    def asking(self: Any, *args: Any, **kwargs: Any) -> Any:
        bound = signature.bind(self, *args, **kwargs)
        self._rights.must_for(takes, bound.arguments)
        found = method(self, *args, **kwargs)
        return self._rights.only(takes.right, found) if takes.on == EACH else found

    return asking
