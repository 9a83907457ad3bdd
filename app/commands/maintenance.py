"""The commands ``backup``, ``restore``, ``check``, ``export``, ``import`` and ``remove``."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from strokecurve.vision.control import JobControl

if TYPE_CHECKING:
    from strokecurve.app.store.maintenance import Report
    from strokecurve.app.store.store import Store


class Progress(JobControl, Protocol):
    """Progress on a terminal that can be wiped off."""

    def clear(self) -> None:
        """Remove what is shown."""


def add_commands(commands: Any) -> None:
    """Add the commands to the command line.

    Parameters
    ----------
    commands : argparse's action for sub-commands
        Each command sets ``run``, a function of its options and a ``Progress`` that gives the exit status.
    """
    backup = _command(
        commands, "backup", "copy all jobs into a new folder, also while the page runs", _backup
    )
    backup.add_argument("folder", type=Path, metavar="DIR", help="folder of the backup; new or empty")
    restore = _command(commands, "restore", "make a store from a backup", _restore)
    restore.add_argument("folder", type=Path, metavar="DIR", help="folder of the backup")
    _command(commands, "check", "compare all stored files with their checksums", _check)
    export = _command(commands, "export", "write a job as one file for a colleague", _export)
    export.add_argument("job", metavar="JOB", help="id of the job, as in the page's address")
    export.add_argument("--clips", action="store_true", help="with the clips")
    export.add_argument("--out", type=Path, metavar="FILE", help="zip file (default: JOB.zip)")
    taken = _command(commands, "import", "take in a job from a colleague, or their comments on it", _import)
    taken.add_argument("bundle", type=Path, metavar="FILE", help="zip file that export wrote")
    gone = _command(
        commands, "remove", "remove a job for good, with its films and all that was said", _remove
    )
    gone.add_argument("job", metavar="JOB", help="id of the job, as in the page's address")
    gone.add_argument(
        "--for-good", action="store_true", help="really do it; without this only say what it is"
    )


def _command(commands: Any, name: str, words: str, run: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(name, help=words)
    parser.add_argument(
        "--store", type=Path, metavar="DIR", default=argparse.SUPPRESS, help="folder that keeps the jobs"
    )
    parser.set_defaults(run=run)
    return parser


def _folder(options: argparse.Namespace) -> Path:
    from strokecurve.app.store.store import default_folder

    chosen: Path | None = getattr(options, "store", None)
    return chosen or default_folder()


def _store(options: argparse.Namespace) -> Store:
    """The store; it must be there, so that a mistyped folder is not taken for an empty store."""
    from strokecurve.app.store.store import DATABASE_FILE, DATABASE_VARIABLE, Store
    from strokecurve.app.words.errors import StoreError

    folder = _folder(options)
    if not (folder / DATABASE_FILE).is_file() and DATABASE_VARIABLE not in os.environ:
        raise StoreError(f"There are no jobs in {folder}.", "Name their folder with --store.")
    return Store(folder)


def _store_or_backup(options: argparse.Namespace) -> Store:
    """The store, or a backup: a folder with a database of its own is judged by that, and this is said."""
    from strokecurve.app.store.store import DATABASE_FILE, DATABASE_VARIABLE, Store, own_database

    folder = _folder(options)
    if DATABASE_VARIABLE not in os.environ or not (folder / DATABASE_FILE).is_file():
        return _store(options)
    print(f"Checking {folder / DATABASE_FILE}, not the database that {DATABASE_VARIABLE} names.")
    return Store(folder, database=own_database(folder))


def _backup(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.store.maintenance import backup

    report = backup(_store(options), options.folder, terminal)
    return _told(report, f"The backup is in {options.folder}", terminal)


def _restore(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.store.maintenance import restore
    from strokecurve.app.store.store import DATABASE_VARIABLE

    report = restore(options.folder, _folder(options), os.environ.get(DATABASE_VARIABLE), terminal)
    return _told(report, f"The jobs are in {_folder(options)}", terminal)


def _check(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.store.maintenance import check

    return _told(check(_store_or_backup(options), terminal), "Checked", terminal)


def _counted(number: int, what: str) -> str:
    """A number with its word."""
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def _told(report: Report, done: str, terminal: Progress) -> int:
    """Print a report; exit status 2 if there are problems."""
    terminal.clear()
    for line in (*report.notes, *report.problems):
        print(line)
    counts = (
        _counted(report.jobs, "job"),
        _counted(report.files, "file"),
        f"{report.size_bytes / 1e6:.1f} MB",
        _counted(len(report.problems), "problem"),
    )
    print(f"{done}: {', '.join(counts)}.")
    return 2 if report.problems else 0


def _export(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.report.keep_pictures import keep_pictures
    from strokecurve.app.store.bundle import export_job

    store = _store(options)
    without = keep_pictures(store, options.job, terminal)
    path = export_job(store, options.job, options.out or Path(f"{options.job}.zip"), options.clips)
    terminal.clear()
    print(f"{path}: {path.stat().st_size / 1e6:.1f} MB")
    for film in without:
        print(f"It holds no pictures of {film.facts.label}: they could not be drawn.")
    return 0


def _import(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.store.bundle_import import import_bundle
    from strokecurve.app.store.store import Store

    merged = import_bundle(Store(_folder(options)), options.bundle)
    terminal.clear()
    counts = f"{merged.films} films, {merged.runs} results, {merged.entries} entries, {merged.clips} clips"
    print(f"{'New job' if merged.new_job else 'Job'} {merged.job_id}, new: {counts}.")
    return 0


def _remove(options: argparse.Namespace, terminal: Progress) -> int:
    from strokecurve.app.store.removing import remove_job

    store = _store(options)
    if not options.for_good:
        job = store.job(options.job)
        terminal.clear()
        print(f"{job.title}: {len(job.films)} films. Nothing was removed; add --for-good to remove the job.")
        return 0
    removed = remove_job(store, options.job)
    terminal.clear()
    counts = f"{removed.films} films, {removed.entries} entries, {removed.size_bytes / 1e6:.1f} MB"
    print(f"{removed.title} is removed: {counts}. Backups and bundles made before still hold it.")
    return 0
