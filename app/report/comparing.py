"""As found against as left, as data: check positions, what changed, what improved and what did not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from strokecurve.app.intended.given import Deviation, deviation, intended_travel
from strokecurve.app.measure.settings import Settings
from strokecurve.app.result.moments import linkage_of
from strokecurve.app.result.presenter import CONDITION, ENDS, REPEATABILITY
from strokecurve.app.result.reading import FilmResult, number
from strokecurve.app.result.tables import PASSES, compared_table, even_step_table
from strokecurve.app.words.estimates import format_exact
from strokecurve.app.words.names import QUANTITY_WORDS
from strokecurve.app.words.statements import IntendedChoice

CHECK_STEP_DEG = 10.0
FILMS = ("found", "left")
CHECK_COLUMNS = (
    "driver_deg",
    "intended_deg",
    "tolerance_deg",
    *(
        f"{film}_{way}_{what}"
        for film in FILMS
        for way in PASSES
        for what in ("deg", "sd_deg", "deviation_deg")
    ),
    *(f"change_{way}_{what}" for way in PASSES for what in ("deg", "sd_deg")),
)
"""One check position a row, degrees from low fire; NaN where a film shows nothing or nothing is intended.

``deviation`` is measured minus intended, ``change`` as left minus as found.
"""


@dataclass(frozen=True, slots=True)
class Change:
    """One figure in both films.

    Attributes
    ----------
    words : str
        What it is.
    unit : str
    found, found_sd, left, left_sd : float
        NaN where there is none.
    sure_sigmas : float
        So many standard deviations of the difference make a change.
    goal : str
        ``less`` or ``more`` if that is better, else empty: the change is told, not judged.
    """

    words: str
    unit: str
    found: float
    found_sd: float
    left: float
    left_sd: float
    sure_sigmas: float
    goal: str = ""

    @property
    def difference(self) -> float:
        """As left minus as found; NaN unless both are known."""
        return self.left - self.found

    @property
    def difference_sd(self) -> float:
        """Standard deviation of the difference, the two films erring independently."""
        return math.hypot(self.found_sd, self.left_sd)

    @property
    def sure(self) -> bool | None:
        """Whether it is more than noise; None if that cannot be said."""
        if not (math.isfinite(self.difference) and math.isfinite(self.difference_sd)):
            return None
        return abs(self.difference) > self.sure_sigmas * self.difference_sd

    @property
    def better(self) -> bool | None:
        """Whether it surely changed for the better (True) or worse (False); None if neither or not judged."""
        if not self.goal or not self.sure:
            return None
        return (self.difference < 0) == (self.goal == "less")


@dataclass(frozen=True, slots=True)
class LinkageComparison:
    """One linkage in both films.

    Attributes
    ----------
    name : str
        ``driver:driven``.
    intended : IntendedChoice or None
    checks : DataFrame
        Columns ``CHECK_COLUMNS``.
    deviations : mapping of (film, pass) to Deviation or None
        Against the intended travel; empty if none is given.
    beyond_found, beyond_left : (int, int) or None
        Check positions of both passes beyond the tolerance, and how many could be checked; None without any.
    condition, geometry : tuple of Change
    sentence : str
        What improved and what did not.
    """

    name: str
    intended: IntendedChoice | None
    checks: pd.DataFrame
    deviations: Mapping[tuple[str, str], Deviation | None]
    beyond_found: tuple[int, int] | None
    beyond_left: tuple[int, int] | None
    condition: tuple[Change, ...]
    geometry: tuple[Change, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two films of one linkage or train.

    Attributes
    ----------
    found, left : FilmResult
    linkages : tuple of LinkageComparison
        Those that both films show.
    only_found, only_left : tuple of str
        Linkages that one film alone shows.
    gone, stayed, new : tuple of mapping
        Findings about these linkages of severity danger or caution, as found and as left.
    sentence : str
        What improved and what did not, over all linkages.
    """

    found: FilmResult
    left: FilmResult
    linkages: tuple[LinkageComparison, ...]
    only_found: tuple[str, ...]
    only_left: tuple[str, ...]
    gone: tuple[Mapping[str, Any], ...]
    stayed: tuple[Mapping[str, Any], ...]
    new: tuple[Mapping[str, Any], ...]
    sentence: str


def compare(
    found: FilmResult,
    left: FilmResult,
    intended: Sequence[IntendedChoice] = (),
    settings: Settings | None = None,
) -> Comparison:
    """Compare two films.

    Parameters
    ----------
    found, left : FilmResult
        Before and after the adjustment.
    intended : sequence of IntendedChoice
        At most one for each linkage.
    settings : Settings, optional

    Returns
    -------
    Comparison
    """
    settings = settings or Settings()
    wanted = {choice.linkage: choice for choice in intended if choice.kind == "equal" or choice.rows}
    both = [name for name in found.linkages if name in left.linkages]
    linkages = tuple(_compare_linkage(name, found, left, wanted.get(name), settings) for name in both)
    gone, stayed, new = _findings(found, left, both)
    sentence = " ".join(linkage.sentence for linkage in linkages)
    return Comparison(
        found,
        left,
        linkages,
        tuple(name for name in found.linkages if name not in left.linkages),
        tuple(name for name in left.linkages if name not in found.linkages),
        gone,
        stayed,
        new,
        sentence or "The two films show no linkage in common, so nothing can be compared.",
    )


def _compare_linkage(
    name: str, found: FilmResult, left: FilmResult, intended: IntendedChoice | None, settings: Settings
) -> LinkageComparison:
    films = {"found": found, "left": left}
    checks = _checks(name, films, intended)
    deviations: dict[tuple[str, str], Deviation | None] = {}
    condition = _condition_changes(found.linkages[name], left.linkages[name], settings)
    beyond = {film: _beyond(checks, film) for film in FILMS}
    if intended is not None:
        for film, result in films.items():
            rows = result.travel[result.travel["linkage"] == name]
            for way in PASSES:
                deviations[film, way] = deviation(rows[rows["pass"] == way], intended)
        condition = (*_deviation_changes(name, films, intended, settings), *condition)
    return LinkageComparison(
        name,
        intended,
        checks,
        deviations,
        beyond["found"],
        beyond["left"],
        condition,
        _geometry_changes(found.linkages[name], left.linkages[name], settings),
        _sentence(name, condition, intended is not None),
    )


def _checks(name: str, films: Mapping[str, FilmResult], intended: IntendedChoice | None) -> pd.DataFrame:
    """Travel of both films at the check positions that either reaches."""
    steps = {film: even_step_table(result.travel, name, CHECK_STEP_DEG) for film, result in films.items()}
    driver = max((table["driver_deg"] for table in steps.values()), key=len).reset_index(drop=True)
    wanted = tolerance = np.full(len(driver), np.nan)
    if intended is not None:
        wanted, tolerance = intended_travel(intended, driver.to_numpy(float))
    out = pd.DataFrame({"driver_deg": driver, "intended_deg": wanted, "tolerance_deg": tolerance})
    for film, table in steps.items():
        full = compared_table(table.reindex(range(len(driver))), wanted, tolerance)
        for way in PASSES:
            for what in ("deg", "sd_deg", "deviation_deg"):
                out[f"{film}_{way}_{what}"] = full[f"{way}_{what}"].to_numpy(float)
    for way in PASSES:
        out[f"change_{way}_deg"] = out[f"left_{way}_deg"] - out[f"found_{way}_deg"]
        out[f"change_{way}_sd_deg"] = np.hypot(out[f"left_{way}_sd_deg"], out[f"found_{way}_sd_deg"])
    return out[list(CHECK_COLUMNS)]


def _beyond(checks: pd.DataFrame, film: str) -> tuple[int, int] | None:
    """How many check positions are beyond the tolerance, of how many with one."""
    off = np.stack([checks[f"{film}_{way}_deviation_deg"].to_numpy(float) for way in PASSES])
    tolerance = np.broadcast_to(checks["tolerance_deg"].to_numpy(float), off.shape)
    known = np.isfinite(off) & np.isfinite(tolerance)
    if not known.any():
        return None
    return int((np.abs(off[known]) > tolerance[known]).sum()), int(known.sum())


def _deviation_changes(
    name: str, films: Mapping[str, FilmResult], intended: IntendedChoice, settings: Settings
) -> tuple[Change, ...]:
    """RMS and largest deviation from the intended travel over both passes."""
    whole = {
        film: deviation(result.travel[result.travel["linkage"] == name], intended)
        for film, result in films.items()
    }
    found, left = whole["found"], whole["left"]
    none = Deviation(math.nan, math.nan, math.nan, math.nan, math.nan, 0)
    found, left = found or none, left or none
    return (
        Change(
            "deviation from intended (RMS)",
            "deg",
            *(found.rms_deg, found.rms_sd_deg, left.rms_deg, left.rms_sd_deg),
            settings.sure_sigmas,
            "less",
        ),
        Change(
            "largest deviation from intended",
            "deg",
            *(abs(found.max_deg), found.max_sd_deg, abs(left.max_deg), left.max_sd_deg),
            settings.sure_sigmas,
        ),
    )


def _figures(entry: object) -> tuple[float, float]:
    """Value and standard deviation of an entry of ``result.json``; NaN where there is none."""
    if not isinstance(entry, Mapping):
        return math.nan, math.nan
    return number(entry.get("value")), number(entry.get("sd"))


def _condition_changes(
    found: Mapping[str, Any], left: Mapping[str, Any], settings: Settings
) -> tuple[Change, ...]:
    """Lost motion, margins and what is left beyond the ends of the stroke."""
    near = math.degrees(settings.kinematics.toggle_caution_rad)

    def change(words: str, one: object, other: object, goal: str = "") -> Change:
        return Change(words, "deg", *_figures(one), *_figures(other), settings.sure_sigmas, goal)

    out = []
    for figure in CONDITION:
        if figure is REPEATABILITY:
            continue  # two films tell too little of it
        entries = found.get(figure.key), left.get(figure.key)
        made = change(figure.words, *entries, figure.better)
        # Far from the in-line position more or less of the angle is neither good nor bad.
        told = figure.better == "more" and not min(made.found, made.left) < near
        out.append(change(figure.words, *entries) if told else made)
    for end, words in ENDS.items():
        one, other = ((film.get("travel_to_toggle_deg") or {}).get(end) for film in (found, left))
        out.append(change(words, one, other))
    return tuple(out)


def _geometry_changes(
    found: Mapping[str, Any], left: Mapping[str, Any], settings: Settings
) -> tuple[Change, ...]:
    """Sizes and start angles; NaN in a film that does not determine them."""

    def known(linkage: Mapping[str, Any], quantity: str) -> tuple[float, float]:
        entry = linkage["geometry"].get(quantity)
        return _figures(entry) if entry and entry.get("determined") else (math.nan, math.nan)

    return tuple(
        Change(
            words,
            quantity.rsplit("_", 1)[1],
            *known(found, quantity),
            *known(left, quantity),
            settings.sure_sigmas,
        )
        for quantity, words in QUANTITY_WORDS.items()
    )


def listed(words: Sequence[str]) -> str:
    """Words as one enumeration."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _sentence(name: str, condition: Sequence[Change], with_intended: bool) -> str:
    """What improved, what became worse, what did not change, in one sentence."""
    judged = [change for change in condition if change.goal]
    better, worse = ([c.words for c in judged if c.better is way] for way in (True, False))
    same, unknown = ([c.words for c in judged if c.sure is way] for way in (False, None))
    parts = [
        f"{listed(better)} improved" if better else "nothing improved beyond noise",
        f"{listed(worse)} became worse" if worse else "nothing became worse beyond noise",
    ]
    if same:
        parts.append(f"{listed(same)} did not change beyond noise")
    if unknown:
        parts.append(f"for {listed(unknown)} the films do not tell")
    if not with_intended:
        parts.append("travel is not judged, as no intended travel was given")
    return f"{' to '.join(name.split(':', 1))}: {'; '.join(parts)}."


def _findings(
    found: FilmResult, left: FilmResult, both: Sequence[str]
) -> tuple[tuple[Mapping[str, Any], ...], ...]:
    """Dangers and cautions about linkages in both films: gone, still there, new."""

    def grave(film: FilmResult) -> dict[tuple[str, str], Mapping[str, Any]]:
        return {
            (str(f.get("code")), str(f.get("where"))): f
            for f in film.record["findings"]
            if f["severity"] != "note" and linkage_of(f, both) is not None
        }

    before, after = grave(found), grave(left)
    return (
        tuple(f for key, f in before.items() if key not in after),
        tuple(f for key, f in after.items() if key in before),
        tuple(f for key, f in after.items() if key not in before),
    )


def tolerance_words(comparison: LinkageComparison) -> str:
    """How many check positions are beyond the tolerance, in words; empty without a tolerance."""
    parts = [
        f"{beyond[0]} of {beyond[1]} {film}"
        for film, beyond in (("as found", comparison.beyond_found), ("as left", comparison.beyond_left))
        if beyond is not None
    ]
    if not parts:
        return ""
    every = format_exact(CHECK_STEP_DEG, "deg")
    return f"Check positions (both passes, every {every}) beyond the tolerance: {', '.join(parts)}."
