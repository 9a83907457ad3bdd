"""What a record of a job holds, gathered from the store."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from app.errors import InputError
from app.jobs import Film
from app.record import Choice, Comment, Proposals, Readings, RigText, Verdict
from app.report.job import JobRecord, RecordedFilm, WorkOrder
from app.result_folder import read_result
from app.store import Store


def record_of(
    store: Store,
    job_id: str,
    film_id: str | None = None,
    found_id: str | None = None,
    left_id: str | None = None,
) -> JobRecord:
    """Gather the record of one film, or of the films as found and as left.

    Parameters
    ----------
    store : Store
    job_id : str
    film_id : str, optional
        One film alone; then neither of the others.
    found_id, left_id : str, optional
        The films as found and as left.

    Returns
    -------
    JobRecord

    Raises
    ------
    InputError
        If a film is not measured or does not belong to the job.
    """
    job = store.job(job_id)
    films = {film.film_id: film for film in job.films}
    found = _recorded(films, film_id or found_id)
    left = _recorded(films, left_id)
    shown = {film.film_id for film in job.films if film.film_id in (film_id, found_id, left_id)}
    linkages = [name for one in (found, left) if one is not None for name in one.result.linkages]
    intended = (store.intended(job_id, name) for name in dict.fromkeys(linkages))
    comments = store.entries(job_id, Comment)
    readings, rig = store.latest(job_id, Readings), store.latest(job_id, RigText)
    return JobRecord(
        found=found,
        left=left,
        only=film_id is not None,
        burner=job.facts.burner,
        site=job.facts.site,
        fuel=job.facts.fuel,
        made_on=time.strftime("%Y-%m-%d", time.localtime(store.clock())),
        intended=tuple(one for one in intended if one is not None and one.kind != "none"),
        readings=readings.content if readings else None,
        work_orders=work_orders(store, job_id),
        comments=tuple(one for one in comments if one.film_id is None or one.film_id in shown),
        verdict=store.latest(job_id, Verdict),
        rig_toml=rig.content.toml if rig else None,
    )


def _recorded(films: Mapping[str, Film], film_id: str | None) -> RecordedFilm | None:
    """A film with its result; None if none is asked for."""
    if film_id is None:
        return None
    film = films.get(film_id)
    if film is None or film.measured is None:
        raise InputError("A film of this record is not measured.", "Choose a measured film of this job.")
    return RecordedFilm(
        read_result(film.measured.result),
        film.clip.path if film.clip.here else None,
        film.facts.label,
        film.facts.filmed_by,
        film.facts.filmed_on,
    )


def work_orders(store: Store, job_id: str) -> tuple[WorkOrder, ...]:
    """The proposal chosen last for each linkage."""
    lists = {entry.entry_id: entry.content for entry in store.entries(job_id, Proposals)}
    orders: dict[str, WorkOrder] = {}
    for entry in store.entries(job_id, Choice):
        proposals = lists[entry.content.proposals_id]
        proposal = proposals.all()[entry.content.number]
        orders[proposals.linkage] = WorkOrder(proposals.linkage, order_lines(proposal), proposal)
    return tuple(orders.values())


def order_lines(proposal: Mapping[str, Any]) -> tuple[str, ...]:
    """Steps of the work order as the proposal carries them."""
    found = proposal.get("work_order")
    return tuple(line for line in found if isinstance(line, str)) if isinstance(found, list) else ()
