"""Words of the page for moments, states and films."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from strokecurve.app.store.jobs import FailureCause, Film, Run, RunState
from strokecurve.app.tasks.worker import OWN_FAULT
from strokecurve.app.words.names import who_and_when
from strokecurve.app.words.statements import Entry

STATE_WORDS = {
    RunState.QUEUED: "waiting",
    RunState.RUNNING: "being analysed",
    RunState.DONE: "measured",
    RunState.FAILED: "could not be measured",
    RunState.CANCELLED: "cancelled",
}

SHORT_ID_SIGNS = 8
"""Of a run's id: enough to find its log among thousands."""


def local_time(seconds: float) -> str:
    """A moment in the computer's own time zone, which is named: records and bundles give UTC."""
    moment = datetime.fromtimestamp(seconds, UTC).astimezone()
    ahead = moment.strftime("%z")
    zone = "UTC" if not moment.utcoffset() else f"UTC{ahead[:3]}:{ahead[3:5]}"
    return f"{moment:%Y-%m-%d %H:%M} {zone}"


def said_by(entry: Entry[Any]) -> str:
    """Who said something and when, in the computer's own time zone."""
    return who_and_when(entry, local_time, "no name given")


def film_state(film: Film) -> RunState | None:
    """Where the latest analysis of a film stands; None of a film that came in a bundle without a result."""
    return film.run.state if film.run else None


def state_words(film: Film) -> str:
    """The same in words."""
    state = film_state(film)
    return "not analysed here" if state is None else STATE_WORDS[state]


def why_failed(run: Run, *, alone: bool) -> str:
    """Why an analysis gave no result, and what to do.

    Parameters
    ----------
    run : Run
    alone : bool
        Whether the page serves this computer only: to others a place on its disk tells nothing they may know.
    """
    if run.cause is not FailureCause.FAULT:
        return run.error or "The clip could not be measured."
    if alone:
        return f"{OWN_FAULT} The clip is kept; send the log file with your report: {run.log}"
    return (
        f"{OWN_FAULT} The clip is kept. Tell whoever keeps this page: analysis "
        f"{run.run_id[:SHORT_ID_SIGNS]} failed."
    )


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
