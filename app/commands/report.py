"""The commands ``report`` and ``compare``."""

from __future__ import annotations

import argparse
import textwrap
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strokecurve.app.words.errors import InputError

if TYPE_CHECKING:
    from strokecurve.app.report.comparing import Comparison
    from strokecurve.app.result.reading import FilmResult
    from strokecurve.app.words.statements import IntendedChoice

LARGEST_TABLE_BYTES = 2_000_000
"""A table of intended travel has some ten lines; anything near this size is another file."""


def add_commands(commands: Any) -> None:
    """Add the commands to the command line.

    Parameters
    ----------
    commands : argparse's action for sub-commands
        Each command sets ``run``, a function of its options and a progress that gives the exit status.
    """
    report = commands.add_parser("report", help="write the record of one film as PDF")
    report.add_argument("folder", type=Path, metavar="DIR", help="result folder of measure")
    report.add_argument(
        "--clip", type=Path, metavar="CLIP", help="the clip, for photographs (default: looked for beside DIR)"
    )
    report.add_argument("--filmed-by", metavar="NAME", help="who filmed")
    report.add_argument("--filmed-on", metavar="DATE", help="day of the film, YYYY-MM-DD")
    _paper_options(report, "DIR-record.pdf")
    report.set_defaults(run=_report)

    compare = commands.add_parser("compare", help="as found against as left")
    compare.add_argument("found", type=Path, metavar="FOUND_DIR", help="result folder of the film as found")
    compare.add_argument("left", type=Path, metavar="LEFT_DIR", help="result folder of the film as left")
    compare.add_argument("--intended", type=Path, metavar="FILE", help="intended travel, intended.csv")
    compare.add_argument(
        "--linkage",
        metavar="DRIVER:DRIVEN",
        help="linkage the intended travel is for (default: the first that both films show)",
    )
    _paper_options(compare, "FOUND_DIR-LEFT_DIR-compared.pdf")
    compare.set_defaults(run=_compare)


def _paper_options(parser: argparse.ArgumentParser, default: str) -> None:
    for name, words in (("burner", "the burner"), ("site", "where it stands"), ("fuel", "its fuel")):
        parser.add_argument(f"--{name}", metavar="TEXT", help=f"{words}, for the title")
    parser.add_argument("--out", type=Path, metavar="FILE", help=f"PDF file (default: {default})")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")


def _report(options: argparse.Namespace, _progress: object) -> int:
    from strokecurve.app.report.job import JobRecord, RecordedFilm
    from strokecurve.app.report.photographs import find_clip
    from strokecurve.app.report.record import record_pdf
    from strokecurve.app.result.kept_pictures import kept_pictures
    from strokecurve.app.result.reading import read_result
    from strokecurve.app.words.statements import FilmFacts, JobFacts

    facts = JobFacts(options.burner, options.site, options.fuel)
    said = FilmFacts(None, "film", options.filmed_by, options.filmed_on)
    result = read_result(options.folder)
    clip = find_clip(result, options.clip)
    out = options.out or Path(f"{_name(options.folder)}-record.pdf")
    film = RecordedFilm(result, clip, None, said.filmed_by, said.filmed_on)
    job = JobRecord(found=film, only=True, made_on=date.today().isoformat(), **asdict(facts))
    record_pdf(job, out, options.paper)
    print(f"{out}: the record of {result.clip_name}.")
    if clip is None and not kept_pictures(result.folder):
        print("It has no photographs from the clip, as that was not found: name it with --clip.")
    return 0


def _compare(options: argparse.Namespace, _progress: object) -> int:
    from strokecurve.app.commands.compared_summary import compared_summary
    from strokecurve.app.commands.summary import WIDTH
    from strokecurve.app.report.comparing import compare
    from strokecurve.app.report.job import JobRecord, RecordedFilm
    from strokecurve.app.report.record import comparison_pdf
    from strokecurve.app.result.reading import read_result
    from strokecurve.app.words.cautions import SETTING_CAUTIONS
    from strokecurve.app.words.names import spoken
    from strokecurve.app.words.statements import JobFacts

    if options.linkage and not options.intended:
        raise InputError("--linkage says what --intended is for.", "Give both, or leave --linkage out.")
    facts = JobFacts(options.burner, options.site, options.fuel)
    found, left = read_result(options.found), read_result(options.left)
    if not set(found.linkages) & set(left.linkages):
        raise InputError(
            "The two films show no linkage in common, so nothing can be compared.",
            "Give two results of the same linkage, measured with the same marker numbers or names.",
        )
    intended: tuple[IntendedChoice, ...] = ()
    if options.intended:
        intended = (_intended(options.intended, options.linkage, found, left),)
    comparison: Comparison = compare(found, left, intended)
    out = options.out or Path(f"{_name(options.found)}-{_name(options.left)}-compared.pdf")
    job = JobRecord(
        found=RecordedFilm(found),
        left=RecordedFilm(left),
        intended=intended,
        made_on=date.today().isoformat(),
        **asdict(facts),
    )
    comparison_pdf(job, out, options.paper)
    print(compared_summary(comparison))
    if intended and not options.linkage and len(comparison.linkages) > 1:
        print(
            f"\nThe intended travel was taken for {spoken(intended[0].linkage)}; --linkage chooses another."
        )
    print("\nCautions:")
    for caution in SETTING_CAUTIONS:
        print(textwrap.fill(caution, WIDTH, initial_indent="- ", subsequent_indent="  "))
    print(f"\n{out} has the curves and tables.")
    return 0


def _intended(path: Path, linkage: str | None, found: FilmResult, left: FilmResult) -> IntendedChoice:
    """The intended travel of a file, for the linkage named or the first in both films."""
    from strokecurve.app.intended.given import FORMAT_HINT, rows_from_csv
    from strokecurve.app.words.statements import IntendedChoice

    both = [name for name in found.linkages if name in left.linkages]
    if linkage is not None and linkage not in both:
        raise InputError(
            f"There is no linkage {linkage} in both films.", f"Choose {' or '.join(both)} for --linkage."
        )
    try:
        if path.stat().st_size > LARGEST_TABLE_BYTES:
            raise InputError(f"{path.name} is too large for a table of intended travel.", FORMAT_HINT)
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The intended travel {path.name} cannot be read.", "Check its name and folder."
        ) from error
    return IntendedChoice(linkage or both[0], "csv", rows_from_csv(content))


def _name(folder: Path) -> str:
    """Name of a folder, also where it is given as a dot."""
    return folder.resolve().name or "film"
