"""Choosing among the films of a job."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.page.markup import plain
from strokecurve.app.page.words import film_name
from strokecurve.app.store.jobs import Film


def newest_of(films: list[Film], role: str, other: Film) -> Film:
    """The newest film of a role, else another."""
    return next((film for film in reversed(films) if film.facts.role == role), other)


def choose_film(label: str, films: list[Film], usual: Film, key: str) -> Film:
    """Ask for one of the films."""
    by_id = {film.film_id: film for film in reversed(films)}
    chosen = st.selectbox(
        plain(label),
        list(by_id),
        index=list(by_id).index(usual.film_id),
        format_func=lambda one: film_name(by_id[one]),
        key=key,
    )
    return by_id[chosen]
