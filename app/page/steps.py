"""The pages in the order of the work, and the links between them; the job stays in the address."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import streamlit as st

from strokecurve.app.page import keys, markup
from strokecurve.app.store.jobs import Film, Job

FOLDER = Path(__file__).parent
START_FILE = FOLDER / "start.py"


@dataclass(frozen=True, slots=True)
class Step:
    """One page of the work.

    Attributes
    ----------
    name : str
        Its file and its place in the address.
    title : str
        What links to it say.
    """

    name: str
    title: str

    @property
    def file(self) -> Path:
        """The script of the page."""
        return FOLDER / f"{self.name}.py"


STEPS = (
    Step("prepare", "1 Prepare"),
    Step("film", "2 Film"),
    Step("read", "3 Read"),
    Step("compare", "4 Compare"),
    Step("adjust", "5 Adjust"),
    Step("handover", "6 Hand over"),
)
"""In the order of the work."""


def step(name: str) -> Step:
    """A page by its name."""
    return next(one for one in STEPS if one.name == name)


def all_pages() -> list[st.Page]:
    """Every page, the start first."""
    start = st.Page(START_FILE, title="strokecurve", default=True)
    return [start, *(st.Page(one.file, title=one.title, url_path=one.name) for one in STEPS)]


def place(job_id: str, film_id: str | None = None, **more: str) -> dict[str, str]:
    """What the address holds besides the page."""
    film = {} if film_id is None else {keys.FILM: film_id}
    return {keys.JOB: job_id, **film, **more}


def go(name: str, job_id: str, film_id: str | None = None) -> NoReturn:
    """Go on to another page of the same job."""
    st.switch_page(step(name).file, query_params=place(job_id, film_id))


def link(name: str, label: str, job_id: str, film_id: str | None = None, **more: str) -> None:
    """A link to another page of the same job, wide enough for a thumb."""
    st.page_link(
        step(name).file,
        label=markup.plain(label),
        width="stretch",
        query_params=place(job_id, film_id, **more),
    )


def show_links(current: str, job: Job, film: Film | None) -> None:
    """A row of links to all pages; the one that is open and the one that comes next are marked."""
    film_id = st.query_params.get(keys.FILM) or (film.film_id if film else None)
    after = next_step(current)
    with st.container(horizontal=True, key=f"{keys.LINKS}_{current}"):
        for one in STEPS:
            kind = "now" if one.name == current else "next" if after and one.name == after.name else "other"
            with st.container(key=f"{keys.LINK}_{kind}_{one.name}", width="content"):
                st.page_link(one.file, label=markup.plain(one.title), query_params=place(job.job_id, film_id))


def next_step(current: str) -> Step | None:
    """The page that follows in the work; None after the last."""
    names = [one.name for one in STEPS]
    after = names.index(current) + 1
    return STEPS[after] if after < len(STEPS) else None


def show_next(current: str, job: Job) -> None:
    """The way on, at the end of a page."""
    after = next_step(current)
    if after is None:
        return
    film_id = st.query_params.get(keys.FILM)
    with st.container(key=f"{keys.NEXT}_{current}"):
        link(after.name, f"Next: {after.title}", job.job_id, film_id)
