"""The set-up file ``rig.toml``: names, marker sizes, linkages, tape measures, allowed adjustments."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from reprlib import repr as shown
from typing import Any

from strokecurve.app.words.columns import is_formula_name
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.numeric import finite

RADII = ("drive_radius_mm", "driven_radius_mm")
STARTS = ("drive_start_deg", "driven_start_deg")
TAPE = (*RADII, "rod_mm", "spacing_mm", *STARTS)
ALLOW = (*RADII, "rod_mm", *STARTS, "stroke_deg")
LIMITS = ("min_toggle_deg", "over_travel_deg", "driven_min_deg", "driven_max_deg")
DEFAULT_SHAFTS = ("motor", *(f"shaft{k}" for k in range(1, 10)))


@dataclass(frozen=True, slots=True)
class RigShaft:
    """A shaft named in the file.

    Attributes
    ----------
    name : str
        Name in tables and files.
    marker : int
        Id of the marker on its arm.
    side_mm : float or None
        Size of that marker; None to tell 30 from 20 mm by the film.
    """

    name: str
    marker: int
    side_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Allowed:
    """How far one quantity may be changed.

    Attributes
    ----------
    low, high : float
        Range.
    holes : tuple of float
        The only values that exist, rising; empty where any value of the range will do.
    """

    low: float
    high: float
    holes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class RigLinkage:
    """One linkage named in the file.

    Attributes
    ----------
    driver, driven : str
        Names of the shafts.
    rod_marker : int or None
        Id of the marker on the rod.
    rod_side_mm : float or None
        Size of that marker; None to tell 30 from 20 mm by the film.
    opening_sign : int or None
        +1 if the driver turns counter-clockwise toward high fire, -1 if clockwise, None from the film.
    stroke_deg : float or None
        Driver travel from low to high fire; None from the film.
    tape : dict of str to (float, float)
        Measured by hand: value and standard uncertainty, mm or degrees as the name says.
    allow : dict of str to Allowed
        What may be changed.
    min_toggle_deg : float or None
        Smallest angle to the in-line position that is accepted.
    over_travel_deg : float or None
        How far the driver may run past either end of its stroke.
    driven_min_deg, driven_max_deg : float or None
        Stops of the driven shaft, travel from low fire.
    """

    driver: str
    driven: str
    rod_marker: int | None = None
    rod_side_mm: float | None = None
    opening_sign: int | None = None
    stroke_deg: float | None = None
    tape: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    allow: Mapping[str, Allowed] = field(default_factory=dict)
    min_toggle_deg: float | None = None
    over_travel_deg: float | None = None
    driven_min_deg: float | None = None
    driven_max_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Rig:
    """What is known of the set-up besides the film; empty where the marker numbers say it all.

    Attributes
    ----------
    shafts : tuple of RigShaft
        Shafts with names or sizes of their own.
    linkages : tuple of RigLinkage
        Linkages; empty for a train in the order of the marker numbers.
    """

    shafts: tuple[RigShaft, ...] = ()
    linkages: tuple[RigLinkage, ...] = ()

    @classmethod
    def from_toml(cls, text: str) -> Rig:
        """Read the text of a set-up file.

        Raises
        ------
        InputError
            If it is no TOML, or a key or value cannot be used; the message names it.
        """
        try:
            content = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise InputError(f"The set-up file is not valid TOML: {error}.", "Correct that line.") from error
        except (ValueError, RecursionError) as error:  # numbers of thousands of digits, tables in tables
            raise InputError(
                "The set-up file holds what no set-up file needs.", "Write it anew, as in docs/files.md."
            ) from error
        _known(content, {"shaft", "linkage"}, "the set-up file")
        shafts = tuple(_shaft(entry, n) for n, entry in enumerate(_tables(content, "shaft")))
        linkages = tuple(_linkage(entry, n) for n, entry in enumerate(_tables(content, "linkage")))
        _distinct([s.name for s in shafts], "shaft name")
        _distinct([s.marker for s in shafts], "shaft marker")
        _distinct([(k.driver, k.driven) for k in linkages], "linkage")
        return cls(shafts, linkages)

    def refuse_formulas(self) -> None:
        """Refuse names that begin as formulas do: no new ones are given; those in a store or result stay.

        Raises
        ------
        InputError
            With the name.
        """
        names = [shaft.name for shaft in self.shafts]
        for name in (*names, *(name for pair in self.linkages for name in (pair.driver, pair.driven))):
            if is_formula_name(name):
                raise InputError(
                    f"In the set-up file the name {shown(name)} begins with = + - or @, as formulas of "
                    "office programs do.",
                    "Begin it with a letter or a digit.",
                )

    @classmethod
    def load(cls, path: Path) -> Rig:
        """Read a set-up file.

        Raises
        ------
        InputError
            If it cannot be read or used.
        """
        try:
            text = Path(path).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(
                f"The set-up file {Path(path).name} cannot be read.", "Check its name and folder."
            ) from error
        return cls.from_toml(text)


def _tables(content: dict[str, Any], key: str) -> list[dict[str, Any]]:
    entries = content.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise InputError(f"In the set-up file, {key} must be written as [[{key}]].", "Use double brackets.")
    return entries


def _shaft(entry: dict[str, Any], number: int) -> RigShaft:
    where = f"[[shaft]] number {number + 1}"
    _known(entry, {"name", "marker", "side_mm"}, where)
    marker = _marker(entry, "marker", where)
    if marker is None:
        raise InputError(f"{where} has no marker.", "Give the id of the marker on its arm.")
    name = entry.get("name", f"marker{marker}")
    if not isinstance(name, str) or not name.strip() or any(c in name for c in ":,\n\r"):
        raise InputError(
            f"{where}: the name must be text without colon, comma or line break.", "Choose a short name."
        )
    return RigShaft(name, marker, _size(entry, "side_mm", where))


def _linkage(entry: dict[str, Any], number: int) -> RigLinkage:
    where = f"[[linkage]] number {number + 1}"
    _known(
        entry,
        {
            "driver",
            "driven",
            "rod_marker",
            "rod_side_mm",
            "opening",
            "stroke_deg",
            "tape",
            "allow",
            "limits",
        },
        where,
    )
    names = [entry.get("driver"), entry.get("driven")]
    if not all(isinstance(n, str) and n for n in names) or names[0] == names[1]:
        raise InputError(f"{where} must name two different shafts.", "Set driver and driven.")
    opening = entry.get("opening")
    if opening not in (None, "ccw", "cw"):
        raise InputError(
            f"{where}: opening is {shown(opening)}.", 'Write "ccw" or "cw", as the camera sees it.'
        )
    limits = _table(entry, "limits", where)
    _known(limits, set(LIMITS), f"{where}, limits")
    tape = _table(entry, "tape", where)
    _known(tape, set(TAPE), f"{where}, tape")
    allow = _table(entry, "allow", where)
    _known(allow, set(ALLOW), f"{where}, allow")
    return RigLinkage(
        driver=str(names[0]),
        driven=str(names[1]),
        rod_marker=_marker(entry, "rod_marker", where),
        rod_side_mm=_size(entry, "rod_side_mm", where),
        opening_sign=None if opening is None else (1 if opening == "ccw" else -1),
        stroke_deg=_number(entry, "stroke_deg", where, 1.0, 360.0),
        tape={key: _tape(key, value, where) for key, value in tape.items()},
        allow={key: _allowed(key, value, where) for key, value in allow.items()},
        min_toggle_deg=_number(limits, "min_toggle_deg", f"{where}, limits", 0.0, 90.0),
        over_travel_deg=_number(limits, "over_travel_deg", f"{where}, limits", 0.0, 90.0),
        driven_min_deg=_number(limits, "driven_min_deg", f"{where}, limits", -360.0, 0.0),
        driven_max_deg=_number(limits, "driven_max_deg", f"{where}, limits", 0.0, 360.0),
    )


def _known(table: dict[str, Any], keys: set[str], where: str) -> None:
    for key in table:
        if key not in keys:
            raise InputError(
                f"In {where} the key {shown(key)} is not known.",
                f"Known keys: {', '.join(sorted(keys))}.",
            )


def _table(entry: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    table = entry.get(key, {})
    if not isinstance(table, dict):
        raise InputError(f"{where}: {key} must be a table.", f"Write [linkage.{key}].")
    return table


def _number(table: dict[str, Any], key: str, where: str, low: float, high: float) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    number = finite(value)
    if number is None or not low <= number <= high:
        raise InputError(f"{where}: {key} is {shown(value)}.", f"Give a number from {low:g} to {high:g}.")
    return number


def _size(table: dict[str, Any], key: str, where: str) -> float | None:
    return _number(table, key, where, 5.0, 500.0)


def _marker(table: dict[str, Any], key: str, where: str) -> int | None:
    value = table.get(key)
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 4 <= value <= 49:
        raise InputError(
            f"{where}: {key} is {shown(value)}.",
            "Give a marker id from 4 to 49; 0 to 3 are the card's.",
        )
    return value


def _tape(key: str, value: object, where: str) -> tuple[float, float]:
    if not (isinstance(value, list) and len(value) == 2 and None not in map(finite, value)):
        raise InputError(
            f"{where}: {key} must be two numbers.",
            "Write [value, standard uncertainty], for example [80, 1].",
        )
    measured, sigma = float(value[0]), float(value[1])
    if sigma <= 0 or (key.endswith("_mm") and measured <= 0):
        raise InputError(
            f"{where}: {key} must be positive, with an uncertainty above 0.", "Correct the value."
        )
    return measured, sigma


def _allowed(key: str, value: object, where: str) -> Allowed:
    if not isinstance(value, dict):
        raise InputError(
            f"{where}: allow.{key} must be a table.", "Write { min = 60, max = 110 } or { holes = [60, 70] }."
        )
    _known(value, {"min", "max", "holes"}, f"{where}, allow.{key}")
    holes = value.get("holes", [])
    if not isinstance(holes, list) or None in map(finite, holes):
        raise InputError(
            f"{where}: the holes of {key} must be a list of numbers.", "Write { holes = [60, 70] }."
        )
    low, high = value.get("min"), value.get("max")
    if holes:
        low = min(holes) if low is None else low
        high = max(holes) if high is None else high
    low, high = finite(low), finite(high)
    if low is None or high is None or low > high:
        raise InputError(
            f"{where}: allow.{key} needs min and max in rising order, or holes.", "Give both ends."
        )
    if key.endswith("_mm") and low <= 0:
        raise InputError(f"{where}: allow.{key} reaches down to {low:g} mm.", "Give lengths above 0.")
    kept = tuple(sorted(float(h) for h in holes if low <= h <= high))
    if holes and not kept:
        raise InputError(
            f"{where}: no hole of {key} lies from {low:g} to {high:g}.", "Correct min, max or holes."
        )
    return Allowed(low, high, kept)


def _distinct(values: list[Any], what: str) -> None:
    twice = {v for v in values if values.count(v) > 1}
    if twice:
        raise InputError(f"The set-up file gives the {what} {twice.pop()} twice.", "Give each once.")
