"""The command ``adjust``: which adjustments reach the intended travel."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from strokecurve.app.words.errors import InputError


def add_commands(commands: Any) -> None:
    """Add the command to the command line.

    Parameters
    ----------
    commands : argparse's action for sub-commands
    """
    adjust = commands.add_parser(
        "adjust", help="propose the fewest adjustments that reach the intended travel"
    )
    adjust.add_argument("--measured", type=Path, metavar="DIR", help="result folder of measure")
    adjust.add_argument(
        "--rig",
        type=Path,
        metavar="FILE",
        help="set-up file: tape measures of the whole linkage, or with --measured what may be changed",
    )
    adjust.add_argument("--intended", type=Path, required=True, metavar="FILE", help="intended travel, CSV")
    adjust.add_argument(
        "--linkage", metavar="DRIVER:DRIVEN", help="linkage to adjust (default: the first of the train)"
    )
    adjust.add_argument(
        "--proposal",
        type=int,
        metavar="N",
        help="write the work order for this proposal (default: the marked one)",
    )
    adjust.add_argument(
        "--move-low-fire",
        action="store_true",
        help="let the rod move the low-fire position to where the intended travel has it",
    )
    adjust.add_argument(
        "--out", type=Path, metavar="DIR", help="folder (default: DIR's or FILE's name + -adjust)"
    )
    adjust.set_defaults(run=_adjust)


def _adjust(options: argparse.Namespace, _progress: object) -> int:
    from strokecurve.app.adjust.files import write_adjustment
    from strokecurve.app.adjust.proposals import adjust
    from strokecurve.app.adjust.subject import (
        read_intended,
        subject_from_film,
        subject_from_rig,
        with_low_fire,
    )
    from strokecurve.app.commands.adjust_summary import adjust_summary
    from strokecurve.app.measure.rig import Rig
    from strokecurve.app.result.reading import read_result

    if options.measured is None and options.rig is None:
        raise InputError(
            "The command line cannot be used: there is no linkage to adjust.",
            "Give --measured DIR, or --rig FILE with tape measures.",
        )
    rig = Rig.load(options.rig) if options.rig else None
    if options.measured is not None:
        subject = subject_from_film(read_result(options.measured), options.linkage, rig)
    else:
        subject = subject_from_rig(rig or Rig(), options.linkage)
    intended = read_intended(options.intended)
    if options.move_low_fire:
        subject = with_low_fire(subject, intended)
    adjusted = adjust(subject, intended, options.proposal)
    source = options.measured.resolve().name if options.measured is not None else options.rig.stem
    out = options.out or Path(f"{source}-adjust")
    names = write_adjustment(adjusted, out)
    print(adjust_summary(adjusted))
    print(f"\n{_which(adjusted.chosen)} In {out}: {', '.join(names)}.")
    return 0


def _which(chosen: int | None) -> str:
    """What the work order is for."""
    if chosen is None:
        return "The work order has no steps, as it is for no proposal; --proposal N chooses one."
    return "* the work order is for this one; --proposal N chooses another."
