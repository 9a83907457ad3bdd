"""The job of the demo: both films of an invented burner and its readings, loaded once."""

from __future__ import annotations

from pathlib import Path

import strokecurve.app
from strokecurve.app.intended.readings import recorded
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import dispatching
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import chunks_of
from strokecurve.app.words.statements import FilmFacts, JobFacts

FOLDER = Path("sample_media")
FILMS = {"as found": "as_found.mp4", "as left": "as_left.mp4"}
READINGS = "readings.csv"
FACTS = JobFacts("Sample burner (invented)", "Heat works (invented)", "natural gas")


def sample_file(name: str) -> Path:
    """A file of the sample in the source folder.

    Raises
    ------
    InputError
        If it is not there.
    """
    for folder in (Path(strokecurve.app.__file__).resolve().parent.parent, Path.cwd()):
        if (folder / FOLDER / name).is_file():
            return folder / FOLDER / name
    raise InputError(
        f"The sample clip {FOLDER / name} is not here.",
        "Run the demo in the folder strokecurve was cloned into.",
    )


def load_sample(store: Store) -> Film:
    """The film as found of the sample's job.

    It is the job already measured or on its way, else a new one whose analyses are started. The films are
    stored before the job is made, so that no job is left behind with one of them.
    """
    files = {role: sample_file(name) for role, name in FILMS.items()}
    dispatching.tend(store)
    for job in store.jobs():
        if job.facts == FACTS and len(job.films) == len(FILMS) and not any(map(_lost, job.films)):
            return job.films[0]
    readings, clips = recorded(sample_file(READINGS).read_bytes()), {}
    for role, path in files.items():
        with path.open("rb") as stream:
            clips[role] = store.receive(chunks_of(stream), path.name, path.stat().st_size)
    job = store.new_job(FACTS)
    store.add(job.job_id, readings)
    films = [
        store.add_film(job.job_id, clip, FilmFacts(role, f"Sample (invented): {role}"))
        for role, clip in clips.items()
    ]
    for film in films:
        if film.run is not None:
            dispatching.start(store, film.run)
    return store.film(films[0].film_id)


def _lost(film: Film) -> bool:
    return film.run is None or film.run.state in (RunState.FAILED, RunState.CANCELLED)
