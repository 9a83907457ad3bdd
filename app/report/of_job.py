"""What a record of a job holds, gathered from the store."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence

from strokecurve.app.report.job import JobRecord, RecordedFilm, Reviewed, WorkOrder
from strokecurve.app.result.reading import read_result
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.names import utc_minute
from strokecurve.app.words.statements import (
    Choice,
    Comment,
    Done,
    Entry,
    IntendedChoice,
    Proposals,
    Readings,
    RigText,
    Verdict,
    sentences,
)


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
    shown_films = [films[one] for one in (film_id, found_id, left_id) if one is not None]
    shown = {film.film_id for film in shown_films}
    linkages = [name for one in (found, left) if one is not None for name in one.result.linkages]
    wanted = intended_entries(store, job_id, linkages)
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
        intended=tuple(entry.content for entry in wanted),
        intended_films={
            entry.content.linkage: film_words(films[entry.film_id])
            for entry in wanted
            if entry.film_id is not None
        },
        readings=readings.content if readings else None,
        readings_film=film_words(films[readings.film_id]) if readings and readings.film_id else None,
        work_orders=work_orders(store, job_id),
        comments=tuple(one for one in comments if one.film_id is None or one.film_id in shown),
        reviews=reviews(store.entries(job_id, Verdict), films, shown_films),
        rig_toml=rig.content.toml if rig else None,
        rig_remark=None if rig is None else _rig_remark(rig.entry_id, shown_films),
    )


def _rig_remark(rig_id: str, shown: Sequence[Film]) -> str:
    """Which of the films shown were measured with the set-up as given last."""
    others = [film_words(film) for film in shown if film.measured and film.measured.rig_id != rig_id]
    if not others:
        return "As given last; what is shown here was measured with it."
    return f"As given last. Measured with an earlier set-up, or with none: {'; '.join(others)}."


def film_words(film: Film) -> str:
    """A film in a few words: its role, its clip and when it was taken in."""
    role = f"{film.facts.role}, " if film.facts.role else ""
    return f"{role}{film.facts.label}, taken in {utc_minute(film.made_s)}"


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


def intended_entries(store: Store, job_id: str, linkages: Iterable[str]) -> tuple[Entry[IntendedChoice], ...]:
    """The intended travel that counts for each of these linkages, where there is one."""
    found = [store.intended_entry(job_id, name) for name in dict.fromkeys(linkages)]
    return tuple(entry for entry in found if entry is not None and entry.content.kind != "none")


def work_orders(store: Store, job_id: str) -> tuple[WorkOrder, ...]:
    """The proposal chosen last for each linkage, with what was carried out of it.

    What was carried out of an order that is not on record stands in the remarks of every order.
    """
    films = {film.film_id: film for film in store.job(job_id).films}
    lists = {entry.entry_id: entry for entry in store.entries(job_id, Proposals)}
    choices = store.entries(job_id, Choice)
    done = {entry.content.choice_id: entry for entry in store.entries(job_id, Done)}
    remarks = tuple(_astray(done[one].content) for one in done if one not in {e.entry_id for e in choices})
    orders: dict[str, WorkOrder] = {}
    for entry in choices:
        kept = lists[entry.content.proposals_id]
        proposal = kept.content.all()[entry.content.number]
        film = films.get(kept.film_id or "")
        orders[kept.content.linkage] = WorkOrder(
            kept.content.linkage,
            sentences(proposal, "work_order"),
            proposal,
            warnings=sentences(proposal, "warnings"),
            behind=sentences(proposal, "behind"),
            notes=sentences(proposal, "notes"),
            complete=isinstance(proposal.get("warnings"), list),
            choice_id=entry.entry_id,
            film=film_words(film) if film else None,
            done=done.get(entry.entry_id),
            remarks=remarks,
        )
    return tuple(orders.values())


def _astray(done: Done) -> str:
    """That what was carried out belongs to no order on record."""
    return (
        f"On record is also what {done.by} carried out on {done.on}, of a work order that is not on record: "
        "what was done then is not known."
    )


def reviews(
    verdicts: Sequence[Entry[Verdict]], films: Mapping[str, Film], shown: Sequence[Film]
) -> tuple[Reviewed, ...]:
    """The verdicts that belong in a record: the latest, and that on the film shown last if it is another.

    Parameters
    ----------
    verdicts : sequence of Entry of Verdict
        In order of time.
    films : mapping of str to Film
        All films of the job.
    shown : sequence of Film
        Films of the record, as found before as left.
    """
    found = [reviewed(entry, films, shown) for entry in verdicts]
    if not found:
        return ()
    on_film = next((one for one in reversed(found) if one.holds), found[-1])
    return (found[-1],) if on_film is found[-1] else (on_film, found[-1])


def reviewed(entry: Entry[Verdict], films: Mapping[str, Film], shown: Sequence[Film]) -> Reviewed:
    """A verdict with what it has to do with the films shown."""
    names = tuple(film_words(films[one]) for one, _ in entry.content.about if one in films)
    remarks = [_remark(entry, film) for film in shown]
    holds = not shown or not remarks[-1]
    return Reviewed(entry, names, holds, tuple(remark for remark in remarks if remark))


def _remark(entry: Entry[Verdict], film: Film) -> str:
    """Why a verdict does not stand for a film as it is shown; empty if it does."""
    about, run, name = dict(entry.content.about), film.measured, film_words(film)
    if entry.made_s < film.made_s:
        return f"It was given before this film was taken in: {name}."
    if about and film.film_id not in about:
        return f"It was not given on this film: {name}."
    if run and about and about[film.film_id] != run.run_id:
        return f"It was given on another analysis of this film: {name}."
    if run and not about and run.finished_s is not None and entry.made_s < run.finished_s:
        return f"It was given before this film was analysed as shown here: {name}."
    return ""
