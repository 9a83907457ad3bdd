"""Forms for what is said about a job or a film."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import streamlit as st

from strokecurve.app.page import keys
from strokecurve.app.page.markup import plain
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.words.statements import LABEL_LENGTH, ROLES, FilmFacts, JobFacts

NO_ROLE = "not said"


def _said(text: str | None) -> str | None:
    """A text that was typed; None if there is none."""
    return text.strip() or None if text else None


def ask_job_facts(known: JobFacts | None, key: str, button: str) -> JobFacts | None:
    """A form for burner, site and fuel; gives them when it is sent in."""
    known = known or JobFacts()
    with st.form(key, border=False):
        burner = st.text_input("Burner", known.burner or "", max_chars=LABEL_LENGTH)
        site = st.text_input("Site", known.site or "", max_chars=LABEL_LENGTH)
        fuel = st.text_input("Fuel", known.fuel or "", max_chars=LABEL_LENGTH)
        sent = st.form_submit_button(plain(button), width="stretch")
    if sent:
        with plain_errors():
            return JobFacts(_said(burner), _said(site), _said(fuel))
    return None


def ask_film_facts(label: str, known: FilmFacts, key: str) -> FilmFacts | None:
    """Fields for role, who filmed and when; None while one of them cannot be used.

    Parameters
    ----------
    label : str
        Name of the clip.
    known : FilmFacts
        What the fields open with.
    key : str
        Part of the fields' keys.
    """
    choices = (*ROLES, NO_ROLE)
    role = st.segmented_control(
        "The film shows the linkage",
        choices,
        default=known.role or NO_ROLE,
        required=True,
        key=f"{keys.ROLE}_{key}",
    )
    by = st.text_input(
        "Filmed by (optional)", known.filmed_by or "", max_chars=LABEL_LENGTH, key=f"{keys.FILMED_BY}_{key}"
    )
    on = st.date_input(
        "Filmed on (optional)",
        date.fromisoformat(known.filmed_on) if known.filmed_on else None,
        format="YYYY-MM-DD",
        key=f"{keys.FILMED_ON}_{key}",
    )
    with plain_errors():
        return replace(
            known,
            role=None if role == NO_ROLE else role,
            label=label,
            filmed_by=_said(by),
            filmed_on=on.isoformat() if isinstance(on, date) else None,
        )
    return None
