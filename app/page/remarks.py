"""Comments of people and the reviewer's verdict."""

from __future__ import annotations

import hashlib

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.access.rules import Right
from strokecurve.app.page import keys, markup, steps
from strokecurve.app.page.films import newest_of
from strokecurve.app.page.loaded import load_result
from strokecurve.app.page.scrubber import travel_moment
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.page.words import film_name, said_by
from strokecurve.app.report.of_job import reviewed
from strokecurve.app.store.jobs import Film, Job
from strokecurve.app.words.estimates import format_exact
from strokecurve.app.words.names import spoken
from strokecurve.app.words.statements import (
    LABEL_LENGTH,
    ROLES,
    TEXT_LENGTH,
    VERDICTS,
    Comment,
    Entry,
    Verdict,
)

WHOLE_JOB = "the whole job"
NO_PLACE, MOMENT, TRAVEL = "no place in it", "a moment of the film", "a driver travel"
VERDICT_WORDS = {
    "accept": "Accept: the linkage may stay as it is",
    "adjust": "Adjust: something has to change",
    "film again": "Film again: the evidence does not do",
}


def ask_name(store: PersonalStore, key: str) -> str | None:
    """The person's name: of whoever signed in, else as given last."""
    known = store.person.words
    if known is not None:
        st.html(markup.paragraph(f"Goes on record as said by {known}.", "sc-small"))
        return known
    name = st.text_input("Your name", st.session_state.get(keys.NAME, ""), max_chars=LABEL_LENGTH, key=key)
    return name.strip() or None


def remember(store: PersonalStore, name: str | None) -> None:
    """Offer a name that was typed again the next time."""
    if store.person.words is None:
        st.session_state[keys.NAME] = name or ""


def show_comments(store: PersonalStore, job: Job) -> None:
    """All comments in order of time, each with a link to its place, and a form for another."""
    st.header("Comments", anchor=False)
    films = {film.film_id: film for film in job.films}
    entries = store.entries(job.job_id, Comment)
    if not entries:
        st.html(markup.paragraph("There are none yet."))
    for entry in entries:
        show_comment(entry, films.get(entry.film_id or ""))
    if not store.may(Right.COMMENT, job.job_id):
        return
    with st.expander("Add a comment", key=f"{keys.COMMENT}_box", expanded=keys.AT in st.query_params):
        ask_comment(store, job, films)


def show_comment(entry: Entry[Comment], film: Film | None) -> None:
    """One comment with its place."""
    said = entry.content
    place = []
    if film is not None:
        place.append(film_name(film))
    if said.time_s is not None:
        place.append(f"at {format_exact(said.time_s, 's', 2)}")
    if said.driver_deg is not None:
        where = f" ({spoken(said.linkage)})" if said.linkage else ""
        place.append(f"at {format_exact(said.driver_deg, 'deg')} of driver travel{where}")
    st.html(markup.remark(said.text, said_by(entry), ", ".join(place)))
    if film is None or film.measured is None:
        return
    if said.time_s is not None:
        steps.link("read", "Show this moment", entry.job_id, film.film_id, **{keys.AT: f"{said.time_s:g}"})
    elif said.driver_deg is not None:
        with plain_errors():
            show_travel_link(entry, film, str(film.measured.result))


def show_travel_link(entry: Entry[Comment], film: Film, folder: str) -> None:
    """The way to where the driver of a comment's linkage stands at its travel, if the film shows that."""
    said, loaded = entry.content, load_result(folder)
    names = list(loaded.linkages)
    linkage = said.linkage or (names[0] if len(names) == 1 else None)
    if linkage is None or said.driver_deg is None:
        return  # which shaft is meant was not said
    time_s = travel_moment(loaded, linkage, said.driver_deg) if linkage in names else None
    if time_s is None:
        st.html(markup.paragraph("No frame of this film shows the driver there.", "sc-small"))
        return
    at = {keys.AT: f"{time_s:g}", keys.AT_LINKAGE: linkage}
    steps.link("read", "Show this driver travel", entry.job_id, film.film_id, **at)


def asked_moment() -> float:
    """The moment that the address names; 0 if it names none."""
    try:
        return min(max(float(st.query_params.get(keys.AT, "0")), 0.0), 86_400.0)
    except ValueError:
        return 0.0


def ask_comment(store: PersonalStore, job: Job, films: dict[str, Film]) -> None:
    """Fields for a comment; what it is tied to is asked for first, as the other fields follow from it."""
    number = st.session_state.setdefault(keys.COMMENT_ROUND, 0)
    key = f"{keys.COMMENT}_{job.job_id}_{number}"
    asked = st.query_params.get(keys.FILM) if keys.AT in st.query_params else None
    choices = [WHOLE_JOB, *reversed(films)]
    film_id = st.selectbox(
        "About",
        choices,
        index=choices.index(asked) if asked in films else 0,
        format_func=lambda one: film_name(films[one]) if one in films else one,
        key=f"{key}_film",
    )
    film = films.get(film_id)
    time_s = linkage = driver_deg = None
    if film is not None:
        places = (NO_PLACE, MOMENT, TRAVEL)
        tied = st.segmented_control(
            "Tied to",
            places,
            default=MOMENT if asked == film_id else NO_PLACE,
            required=True,
            key=f"{key}_tied",
        )
        if tied == MOMENT:
            time_s = st.number_input(
                "Moment in the clip (s)", 0.0, 86_400.0, asked_moment(), step=0.1, key=f"{key}_time"
            )
        elif tied == TRAVEL:
            linkage, driver_deg = ask_travel(film, key)
    with st.form(f"{key}_form", border=False):
        name = ask_name(store, f"{key}_name")
        text = st.text_area("Comment", max_chars=TEXT_LENGTH, key=f"{key}_text")
        sent = st.form_submit_button("Put this comment on record", width="stretch")
    if sent:
        with plain_errors():
            content = Comment(text.strip(), time_s, linkage, driver_deg)
            store.add(job.job_id, content, name, film.film_id if film else None)
            remember(store, name)
            st.session_state[keys.COMMENT_ROUND] = number + 1
            st.query_params.pop(keys.AT, None)
            st.rerun()


def ask_travel(film: Film, key: str) -> tuple[str | None, float]:
    """A driver travel, on one of the film's linkages."""
    linkage = None
    if film.measured is not None:
        names = list(load_result(str(film.measured.result)).linkages)
        if names:
            linkage = st.selectbox("Linkage", names, format_func=spoken, key=f"{key}_linkage")
    travel = st.number_input("Driver travel (°)", -360.0, 360.0, 0.0, step=1.0, key=f"{key}_travel")
    return linkage, travel


def show_verdict(store: PersonalStore, job: Job) -> None:
    """Every verdict in order of time, the last one counts, and a form for another."""
    st.header("Verdict of the reviewer", anchor=False)
    entries = store.entries(job.job_id, Verdict)
    films = {film.film_id: film for film in job.films}
    measured = [film for film in job.films if film.measured]
    if not entries:
        st.html(markup.paragraph("There is none yet."))
    for number, entry in enumerate(entries, start=1):
        one = reviewed(entry, films, measured[-1:])
        counts = " (this one counts)" if number == len(entries) else ""
        about = "; ".join(one.films) or "which were reviewed is not on record"
        st.html(
            markup.remark(
                entry.content.text or "No reason given.",
                said_by(entry),
                f"{entry.content.verdict[0].upper()}{entry.content.verdict[1:]}{counts}",
            )
        )
        st.html(markup.paragraph(f"Films reviewed: {about}.", "sc-small"))
        if number == len(entries):
            for remark in one.remarks:
                st.html(markup.paragraph(remark, "sc-strong"))
    if store.may(Right.COMMENT, job.job_id):
        with st.expander("Give a verdict", key=f"{keys.VERDICT}_box"):
            ask_verdict(store, job, measured, len(entries))


def ask_verdict(store: PersonalStore, job: Job, measured: list[Film], given: int) -> None:
    """A form for a verdict on the films that were reviewed."""
    shown = {film.film_id: film.measured.run_id for film in measured if film.measured}
    # The analyses in the key: nobody gives a verdict on one that came in while they were reading another.
    seen = hashlib.sha256(repr(shown).encode()).hexdigest()[:12]
    key = f"{keys.VERDICT}_{job.job_id}_{given}"
    names = {film.film_id: film_name(film) for film in measured}
    usual = {measured[-1].film_id} if measured else set()
    if measured and measured[-1].facts.role == ROLES[-1]:
        usual.add(newest_of(measured, ROLES[0], measured[-1]).film_id)
    with st.form(f"{key}_{seen}_form", border=False):
        verdict = st.radio("Verdict", VERDICTS, index=None, format_func=VERDICT_WORDS.__getitem__, key=key)
        about = []
        if measured:
            about = st.multiselect(
                "Films that were reviewed",
                list(names),
                default=[one for one in names if one in usual],
                format_func=names.__getitem__,
                key=f"{key}_{seen}_about",
            )
        name = ask_name(store, f"{key}_name")
        text = st.text_area("Reason", max_chars=TEXT_LENGTH, key=f"{key}_text")
        st.caption("A verdict is about the motion shown. It does not say that a burner may be fired.")
        sent = st.form_submit_button("Put this verdict on record", width="stretch")
    if not sent:
        return
    if verdict is None or name is None:
        st.error("A verdict needs a choice and a name. Fill in both.")
        return
    if measured and not about:
        st.error("A verdict is about films. Choose those that were reviewed.")
        return
    with plain_errors():
        films = tuple((one, shown[one]) for one in names if one in about)
        store.add(job.job_id, Verdict(verdict, text.strip() or None, films), name)
        remember(store, name)
        st.rerun()
