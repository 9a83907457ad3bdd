"""The record as PDF: of one film, or of the films as found and as left."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.personal import PersonalStore
from strokecurve.app.page import keys, making, markup
from strokecurve.app.page.films import choose_film, newest_of
from strokecurve.app.store.jobs import Job
from strokecurve.app.words.statements import ROLES

HOLDS = (
    "The cautions, the job, each film with who filmed it and when, versions and checksums.",
    "Geometry, travel curves, tables, findings, each figure with its uncertainty; gaps stay gaps.",
    "Intended travel and readings with fuel and film, the work order with its warnings, what was carried "
    "out, the set-up, comments and the verdict with the films reviewed, as far as there are any.",
    "Photographs of three positions if the clip is here, and lines for names and signatures.",
)
ONE_FILM, BOTH_FILMS, ONLY_COMPARED = "One film", "As found and as left", "Comparison only"
PAPERS = {"a4": "A4", "letter": "US Letter"}


def show(store: PersonalStore, job: Job) -> None:
    """Choose what the record is of; it is made outside the page and then handed over."""
    st.header("Record as PDF", anchor=False)
    st.html(markup.paragraph("It holds:") + markup.bullets(HOLDS))
    films = [film for film in job.films if film.measured]
    if not films:
        st.info("No film of this job is measured yet, so there is nothing to record.")
        return
    kinds = [ONE_FILM, BOTH_FILMS, ONLY_COMPARED] if len(films) > 1 else [ONE_FILM]
    kind = st.radio("Record of", kinds, index=min(1, len(kinds) - 1), key=keys.RECORD_OF)
    paper = st.segmented_control(
        "Paper",
        list(PAPERS),
        default="a4",
        required=True,
        format_func=PAPERS.__getitem__,
        key=keys.PAPER,
    )
    if kind == ONE_FILM:
        film = choose_film("Film of the record", films, films[-1], f"{keys.RECORD_OF}_film")
        making.show(
            store,
            job.job_id,
            "Make the record",
            "record",
            making.offer_file("Download the record"),
            film=film.film_id,
            found=None,
            left=None,
            paper=paper,
        )
        return
    found = choose_film(
        "Film as found", films, newest_of(films, ROLES[0], films[0]), f"{keys.RECORD_OF}_found"
    )
    left = choose_film(
        "Film as left", films, newest_of(films, ROLES[-1], films[-1]), f"{keys.RECORD_OF}_left"
    )
    if found.film_id == left.film_id:
        st.info("Choose two different films.")
        return
    both = kind == BOTH_FILMS
    making.show(
        store,
        job.job_id,
        "Make the record" if both else "Make the comparison",
        "record" if both else "comparison",
        making.offer_file("Download the record" if both else "Download the comparison"),
        film=None,
        found=found.film_id,
        left=left.film_id,
        paper=paper,
    )
