"""A result folder of ``measure`` read back, checked as far as the record and the comparison rely on it."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from strokecurve.app.result.contents import ANGLES_FILE, RECORD_FILE, TRAVEL_FILE
from strokecurve.app.result.form import check_form
from strokecurve.app.result.tables import PASSES
from strokecurve.app.words.columns import guarded
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.files import LARGEST_RECORD_BYTES, MB
from strokecurve.app.words.numeric import finite
from strokecurve.app.words.statements import LARGEST_DEG, LARGEST_S
from strokecurve.app.words.strict_json import strict_json
from strokecurve.kinematics.findings.statements import SEVERITIES

TEXT_COLUMNS = ("linkage", "pass")
TRAVEL_COLUMNS = ("linkage", "pass", "driver_deg", "driven_deg", "sd_deg")
LARGEST_TABLE_BYTES = 60 * MB
"""An hour of film with five shafts takes 15 MB."""
LONGEST_LINE_BYTES = 65_536
"""Heads of tables name each shaft twice; a reader keeps a whole line at once."""
MOST_FIELDS = 5_000_000
"""Fields of a table: two hours of film with ten shafts. Each takes 8 bytes, several times over."""
MOST_NAMES = 1_000
"""Shafts, linkages or findings: there are 46 markers for shafts, and each entry is drawn by itself."""
AGAIN = "Measure the clip again, or choose another folder."


@dataclass(frozen=True, slots=True)
class FilmResult:
    """What one film showed, as ``measure`` wrote it.

    Attributes
    ----------
    folder : Path
    record : mapping
        ``result.json``.
    travel : DataFrame
        ``travel.csv``.
    angles : DataFrame
        ``angles.csv``.
    """

    folder: Path
    record: Mapping[str, Any]
    travel: pd.DataFrame
    angles: pd.DataFrame

    @property
    def clip(self) -> Mapping[str, Any]:
        """Facts of the clip."""
        found: Mapping[str, Any] = self.record["clip"]
        return found

    @property
    def clip_name(self) -> str:
        """Name of the clip, without any folder."""
        return Path(str(self.clip.get("file") or "")).name or self.folder.name

    @property
    def linkages(self) -> dict[str, Mapping[str, Any]]:
        """Linkages by ``driver:driven``, in the order of the train."""
        return {f"{entry['driver']}:{entry['driven']}": entry for entry in self.record["linkages"]}

    @property
    def shafts(self) -> dict[str, Mapping[str, Any]]:
        """Shafts by name, the motor first."""
        return {str(shaft["name"]): shaft for shaft in self.record["shafts"]}


def number(value: object) -> float:
    """A figure of ``result.json``; NaN where there is none."""
    known = finite(value)
    return math.nan if known is None else known


def texts(value: object) -> tuple[str, ...]:
    """Texts of a list of ``result.json``; none where there is no such list."""
    return tuple(one for one in value if isinstance(one, str)) if isinstance(value, list) else ()


def read_result(
    folder: Path, called: str | None = None, hint: str = AGAIN, *, strict: bool = False
) -> FilmResult:
    """Read a result folder; nothing in it takes more memory than a film's result may, whoever wrote it.

    Parameters
    ----------
    folder : Path
    called : str, optional
        What to call the result in messages; otherwise its folder is named.
    hint : str
        What to do where it cannot be used.
    strict : bool
        Whether every figure must be of the kind it should be, as pages rely on; otherwise those that are not
        count as missing.

    Returns
    -------
    FilmResult

    Raises
    ------
    InputError
        If it is no result folder, or a file in it is damaged.
    """
    folder = Path(folder)
    if called is None and not (folder / RECORD_FILE).is_file():
        raise InputError(
            f"{folder.name or folder} is not a result folder: there is no {RECORD_FILE} in it.",
            "Give the folder that strokecurve measure wrote.",
        )
    try:
        content = _read(folder)
        if called is None:
            _refuse_joined(folder, content)
        _check_record(content)
        if strict:
            _check_form(content)
        shafts, linkages = names_in(content)
        travel = travel_as_named(read_table(folder / TRAVEL_FILE, TRAVEL_COLUMNS, TEXT_COLUMNS), linkages)
        if not travel["pass"].isin(PASSES).all():
            raise _Damaged(TRAVEL_FILE, "a pass is neither opening nor closing")
        angles = read_table(folder / ANGLES_FILE, angle_columns(shafts), shafts=shafts)
        if not (np.diff(angles["time_s"].to_numpy(), prepend=-LARGEST_S) >= 0).all():
            raise _Damaged(ANGLES_FILE, "a time is missing or before the one above it")
    except _Damaged as error:
        words = called or f"the result folder {folder.name or folder}"
        raise InputError(f"{error.name} in {words} cannot be {error.why}.", hint) from error
    return FilmResult(folder, content, travel, angles)


def _read(folder: Path) -> Any:
    """The content of ``result.json``."""
    try:
        if (folder / RECORD_FILE).stat().st_size > LARGEST_RECORD_BYTES:
            raise _Damaged(RECORD_FILE, f"it is larger than {LARGEST_RECORD_BYTES / MB:.0f} MB")
        return strict_json((folder / RECORD_FILE).read_bytes(), RECORD_FILE)
    except OSError as error:
        raise _Damaged(RECORD_FILE) from error


class _Damaged(Exception):  # noqa: N818 - turned into InputError where the result has a name
    """A file of a result that cannot be read or, where there is a reason, cannot be used."""

    def __init__(self, name: str, why: str | None = None) -> None:
        super().__init__(name, why)
        self.name = name
        self.why = f"used: {why}" if why else "read"


def names_in(record: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """Names of the shafts and of the linkages in ``result.json``."""
    shafts = [str(shaft["name"]) for shaft in record["shafts"]]
    return shafts, [f"{entry['driver']}:{entry['driven']}" for entry in record["linkages"]]


def angle_columns(shafts: Iterable[str]) -> tuple[str, ...]:
    """Columns of ``angles.csv`` for shafts of these names."""
    return ("time_s", *(f"{name}{kind}" for name in shafts for kind in ("_deg", "_sd_deg")))


def angles_as_named(angles: pd.DataFrame, shafts: Iterable[str]) -> pd.DataFrame:
    """``angles.csv`` under the names of ``result.json``: the file marks those that look like formulas."""
    missing = [column for column in angle_columns(shafts) if column not in angles.columns]
    return angles.rename(columns={guarded(column): column for column in missing})


def travel_as_named(travel: pd.DataFrame, linkages: Iterable[str]) -> pd.DataFrame:
    """``travel.csv`` under the names of ``result.json``, as `angles_as_named`."""
    marked = {guarded(name): name for name in linkages if guarded(name) != name}
    return travel.assign(linkage=travel["linkage"].replace(marked)) if marked else travel


def _refuse_joined(folder: Path, content: object) -> None:
    """Refuse the record of several clips: it has no one film; each clip has a folder of its own in it."""
    clips = content.get("clips") if isinstance(content, dict) else None
    if not isinstance(clips, list) or not clips:
        return
    folders = [str(clip.get("folder", "")) for clip in clips if isinstance(clip, dict)]
    raise InputError(
        f"{folder.name or folder} holds several clips joined into one train.",
        f"Give the folder of one of them: {' or '.join(str(folder / Path(one).name) for one in folders)}.",
    )


def _check_record(content: Any) -> None:
    """Refuse a record that has not the shape the rest relies on; single figures may be missing."""
    if not isinstance(content, dict):
        raise _Damaged(RECORD_FILE, "it is no record")
    kinds = {"clip": dict, "shafts": list, "linkages": list, "findings": list, "versions": dict}
    for key, kind in kinds.items():
        if not isinstance(content.get(key), kind):
            raise _Damaged(RECORD_FILE, f"{key} is missing")
        if kind is list and len(content[key]) > MOST_NAMES:
            raise _Damaged(RECORD_FILE, f"there are more than {MOST_NAMES:,} {key}")
    for key, names in (("shafts", ("name",)), ("linkages", ("driver", "driven")), ("findings", ("text",))):
        for entry in content[key]:
            texts = [entry.get(name) for name in names] if isinstance(entry, dict) else [None]
            if not all(isinstance(text, str) and text for text in texts):
                raise _Damaged(RECORD_FILE, f"an entry of {key} has no {' or '.join(names)}")
    _check_names(content)
    for linkage in content["linkages"]:
        geometry = linkage.get("geometry")
        if not isinstance(geometry, dict) or not all(map(_is_quantity, geometry.values())):
            raise _Damaged(RECORD_FILE, "a linkage has no geometry")
    if any(finding.get("severity") not in SEVERITIES for finding in content["findings"]):
        raise _Damaged(RECORD_FILE, "a finding has no severity")


def _check_form(content: Any) -> None:
    """Refuse a record in which anything known is of another kind than it should be."""
    joined = {linkage[end] for linkage in content["linkages"] for end in ("driver", "driven")}
    if not joined <= {shaft["name"] for shaft in content["shafts"]}:
        raise _Damaged(RECORD_FILE, "a linkage joins a shaft that is not among the shafts")
    try:
        check_form(content)
    except ValueError as error:
        raise _Damaged(RECORD_FILE, str(error)) from error


def _is_quantity(entry: object) -> bool:
    """Whether an entry of a geometry has words where words belong."""
    if not isinstance(entry, dict) or not isinstance(entry.get("settle"), str | None):
        return False
    evidence = entry.get("evidence")
    return evidence is None or (isinstance(evidence, list) and all(isinstance(e, str) for e in evidence))


def _check_names(content: Mapping[str, Any]) -> None:
    """Refuse names that could be taken for one another: ``driver:driven`` must say which is which."""
    shafts = [shaft["name"] for shaft in content["shafts"]]
    linkages = [(linkage["driver"], linkage["driven"]) for linkage in content["linkages"]]
    if len(set(shafts)) < len(shafts) or len(set(linkages)) < len(linkages):
        raise _Damaged(RECORD_FILE, "a name is there twice")
    for name in (*shafts, *(name for pair in linkages for name in pair)):
        if ":" in name:
            raise _Damaged(RECORD_FILE, "the name of a shaft holds a colon")


def read_table(
    path: Path, columns: tuple[str, ...], text: tuple[str, ...] = (), shafts: Sequence[str] = ()
) -> pd.DataFrame:
    """A CSV file of a result with these columns, numbers where they are not text."""
    name = path.name
    try:
        content = table_bytes(path)
        wanted = {*columns, *map(guarded, columns)}
        table = pd.read_csv(
            io.BytesIO(content),
            dtype=dict.fromkeys(text, str),
            keep_default_na=True,
            usecols=wanted.__contains__,
        )
    except TooLargeError as error:
        raise _Damaged(name, str(error)) from error
    except (OSError, ValueError) as error:
        raise _Damaged(name) from error
    table = angles_as_named(table, shafts) if shafts else table
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise _Damaged(name, f"it has no column {missing[0]}")
    for column in columns:
        if column in text:
            continue
        try:
            table[column] = table[column].astype(float)
        except ValueError as error:
            raise _Damaged(name, "a field is no number") from error
        # Of larger ones a table of even steps would have no end.
        largest = LARGEST_S if column == "time_s" else LARGEST_DEG
        if (np.abs(table[column].to_numpy()) > largest).any():
            raise _Damaged(name, f"a field of {column} is beyond {largest:,.0f}")
        if column.endswith("sd_deg") and (table[column].to_numpy() < 0).any():
            raise _Damaged(name, f"a standard deviation in {column} is below 0")
    return table


class TooLargeError(ValueError):
    """A table that would take more memory than that of a film; says why."""


def table_bytes(path: Path) -> bytes:
    """The content of a CSV file, if reading it takes no more memory than the table of a film may.

    Raises
    ------
    TooLargeError
    """
    if path.stat().st_size > LARGEST_TABLE_BYTES:
        raise TooLargeError(f"it is larger than {LARGEST_TABLE_BYTES / MB:.0f} MB")
    content = path.read_bytes()
    if content.count(b",") + content.count(b"\n") > MOST_FIELDS:
        raise TooLargeError(f"it has more than {MOST_FIELDS:,} fields")
    ends = np.flatnonzero(np.frombuffer(content, np.uint8) == ord("\n"))
    if np.diff(ends, prepend=-1, append=len(content)).max(initial=0) > LONGEST_LINE_BYTES:
        raise TooLargeError(f"a line is longer than {LONGEST_LINE_BYTES:,} bytes")
    return content
