"""Words of the page for moments, states and films."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from app.jobs import Film, RunState
from app.record import Entry
from app.words import who_and_when

STATE_WORDS = {
    RunState.QUEUED: "waiting",
    RunState.RUNNING: "being analysed",
    RunState.DONE: "measured",
    RunState.FAILED: "could not be measured",
    RunState.CANCELLED: "cancelled",
}


def local_time(seconds: float) -> str:
    """A moment in the computer's own time zone, which is named: records and bundles give UTC."""
    moment = datetime.fromtimestamp(seconds, UTC).astimezone()
    ahead = moment.strftime("%z")
    zone = "UTC" if not moment.utcoffset() else f"UTC{ahead[:3]}:{ahead[3:5]}"
    return f"{moment:%Y-%m-%d %H:%M} {zone}"


def said_by(entry: Entry[Any]) -> str:
    """Who said something and when, in the computer's own time zone."""
    return who_and_when(entry, local_time, "no name given")


def film_state(film: Film) -> RunState:
    """Where the latest analysis of a film stands; one that never began counts as cancelled."""
    return film.run.state if film.run else RunState.CANCELLED


def turn(before: int | None) -> str:
    """What to say of a run that no worker reports on yet, from how many are before it; None: it is begun."""
    if before is None:
        return "Starting the analysis ..."
    if before == 0:
        return "Waiting for a place; this film is next."
    return f"Waiting for a place; {before} {'film is' if before == 1 else 'films are'} before it."


def film_name(film: Film) -> str:
    """What a film is called: its role and the name of its clip."""
    return f"{film.facts.role}: {film.facts.label}" if film.facts.role else film.facts.label


def film_origin(film: Film) -> str:
    """Who filmed and when, and when the clip was taken in."""
    said = [
        f"filmed by {film.facts.filmed_by}" if film.facts.filmed_by else "",
        f"on {film.facts.filmed_on}" if film.facts.filmed_on else "",
    ]
    filmed = " ".join(part for part in said if part)
    taken = f"taken in {local_time(film.made_s)}"
    text = f"{filmed}, {taken}" if filmed else taken
    return text[0].upper() + text[1:]
