"""The command ``intended``: intended travel from combustion readings."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import new_part, remove

if TYPE_CHECKING:
    from strokecurve.kinematics.intended.settings import ReadingSettings

_DEFAULT_OUT = Path("intended.csv")


def add_commands(commands: Any) -> None:
    """Add the command to the command line.

    Parameters
    ----------
    commands : argparse's action for sub-commands
    """
    intended = commands.add_parser("intended", help="work out the intended travel from combustion readings")
    intended.add_argument("readings", type=Path, metavar="READINGS", help="table of readings, CSV")
    intended.add_argument(
        "--fuel",
        required=True,
        metavar="FUEL",
        help="natural_gas, propane, light_oil, or a TOML file with its composition",
    )
    intended.add_argument(
        "--measured", type=Path, metavar="DIR", help="result folder of measure, for the damper's travel"
    )
    intended.add_argument(
        "--linkage",
        metavar="DRIVER:DRIVEN",
        help="linkage the table is for; it turns the damper (default: the one that turns the last shaft)",
    )
    intended.add_argument(
        "--valve", metavar="SHAFT", help="filmed shaft that meters the fuel (default: fuel goes by the motor)"
    )
    intended.add_argument(
        "--approached",
        choices=("opening", "closing", "either"),
        default="either",
        help="from which side the positions were approached (default: either)",
    )
    intended.add_argument(
        "--reserve",
        type=float,
        metavar="PERCENT",
        help="least excess air to ask for (default: 8 %%, see docs/method.md)",
    )
    intended.add_argument(
        "--co-limit",
        type=float,
        metavar="PPM",
        help="air-free CO from which on to warn (default: 100)",
    )
    intended.add_argument(
        "--out", type=Path, metavar="FILE", default=_DEFAULT_OUT, help="CSV file (default: intended.csv)"
    )
    intended.add_argument(
        "--plot", type=Path, metavar="FILE", help="also draw the damper's characteristic, PNG"
    )
    intended.set_defaults(run=_intended)


def _intended(options: argparse.Namespace, _progress: object) -> int:
    from strokecurve.app.commands.intended_summary import intended_summary
    from strokecurve.app.intended.from_readings import work_out
    from strokecurve.app.intended.given import CSV_COLUMNS
    from strokecurve.app.intended.readings import find_fuel, read_readings
    from strokecurve.app.result.reading import read_result

    settings = _settings(options)
    fuel = find_fuel(options.fuel)
    table = read_readings(options.readings)
    film = read_result(options.measured) if options.measured else None
    worked = work_out(table, fuel, film, options.linkage, options.valve, options.approached, settings)
    lines = [",".join(CSV_COLUMNS)]
    lines += [",".join("" if value is None else f"{value:g}" for value in row) for row in worked.rows]
    text = "\n".join(lines) + "\n"
    _write(options.out, lambda part: part.write_text(text, encoding="utf-8"))
    if options.plot:
        from strokecurve.app.intended.plots import damper_figure

        figure = damper_figure(worked)
        _write(options.plot, lambda part: figure.savefig(part, format="png"))
    print(intended_summary(worked))
    driver, damper = worked.linkage.split(":")
    print(
        f"\n{options.out}: {len(worked.rows)} rows, travel of {damper} against travel of {driver}, from "
        f"{worked.rows[0][0]:g} to {worked.rows[-1][0]:g} degrees."
    )
    return 0


def _settings(options: argparse.Namespace) -> ReadingSettings:
    """The limits of the computation, with those changed that were given."""
    from dataclasses import replace

    from strokecurve.kinematics.intended.settings import READING_DEFAULTS

    settings = READING_DEFAULTS
    if options.reserve is not None:
        if not 0 < options.reserve <= 200:
            raise InputError(
                f"The reserve of {options.reserve:g} % cannot be used.", "Give excess air above 0, to 200 %."
            )
        settings = replace(settings, reserve=options.reserve / 100)
    if options.co_limit is not None:
        if not 0 < options.co_limit <= settings.co_danger_ppm:
            raise InputError(
                f"The limit of {options.co_limit:g} ppm CO cannot be used.",
                f"Give more than 0, to {settings.co_danger_ppm:g} ppm.",
            )
        settings = replace(settings, co_caution_ppm=options.co_limit)
    return settings


def _write(path: Path, write: Callable[[Path], object]) -> None:
    """Write under a temporary name, then rename."""
    part = new_part(path.resolve().parent)
    try:
        write(part)
        os.replace(part, path)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be written: {error.strerror or 'it failed'}.", "Choose another file name."
        ) from error
    finally:
        remove(part)
