"""Where a shaft of a train stands at a firing position, looked up in the curves of a film."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from strokecurve.app.result.reading import FilmResult, number
from strokecurve.app.result.tables import PASSES, interpolate_between_neighbours, one_pass
from strokecurve.app.words.errors import InputError

Array = NDArray[np.float64]

_SLOPE_OVER_DEG = 4.0
"""The slope of a curve is taken over so many degrees, which noise hardly touches."""


@dataclass(frozen=True, slots=True)
class ShaftTravel:
    """Travel of a shaft at N firing positions, in degrees from low fire.

    Attributes
    ----------
    travel_deg, sd_deg : ndarray, shape (N,)
        NaN where the film shows nothing.
    half_gap_deg : ndarray, shape (N,)
        Half of what lost motion leaves open, as it is not known from which side a position was approached.
    """

    travel_deg: Array
    sd_deg: Array
    half_gap_deg: Array


def path_to(film: FilmResult, shaft: str) -> list[str]:
    """Linkages from the first driver to a shaft, as ``driver:driven``.

    Raises
    ------
    InputError
        If the film shows no such shaft at the end of a linkage.
    """
    driver_of = {str(entry["driven"]): str(entry["driver"]) for entry in film.record["linkages"]}
    path: list[str] = []
    while shaft in driver_of and len(path) <= len(driver_of):
        path.insert(0, f"{driver_of[shaft]}:{shaft}")
        shaft = driver_of[shaft]
    if not path:
        known = ", ".join(driver_of) or "none"
        raise InputError(f"The film shows no driven shaft {shaft}.", f"Driven shafts are: {known}.")
    return path


def last_linkage(film: FilmResult) -> str:
    """The linkage that turns the last shaft of the train.

    Raises
    ------
    InputError
        If the film shows no linkage.
    """
    entries = film.record["linkages"]
    drivers = {entry["driver"] for entry in entries}
    last = [entry for entry in entries if entry["driven"] not in drivers]
    if not last:
        raise InputError("The film shows no linkage.", "Measure a clip in which two shafts turn.")
    return f"{last[-1]['driver']}:{last[-1]['driven']}"


def shaft_travel(
    film: FilmResult,
    shaft: str,
    firing_deg: Array,
    approach: str,
    firing_sd_deg: float,
    beyond_deg: float,
) -> ShaftTravel:
    """Travel of a shaft where the motor stands at firing positions.

    Parameters
    ----------
    film : FilmResult
    shaft : str
        The motor itself, or any shaft it drives.
    firing_deg : ndarray, shape (N,)
        Travel of the motor.
    approach : str
        ``opening`` or ``closing`` if all positions were approached so, else ``either``.
    firing_sd_deg : float
        Standard deviation of the firing positions.
    beyond_deg : float
        How far beyond the end of a curve its last slope is trusted.

    Returns
    -------
    ShaftTravel
    """
    still = np.zeros(firing_deg.shape)
    state = ShaftTravel(firing_deg, np.full(firing_deg.shape, firing_sd_deg), still)
    driven = {entry["driven"] for entry in film.record["linkages"]}
    if shaft not in driven and any(shaft == entry["driver"] for entry in film.record["linkages"]):
        return state
    for linkage in path_to(film, shaft):
        state = _one_on(film, linkage, state, approach, beyond_deg)
    return state


def _one_on(
    film: FilmResult, linkage: str, driver: ShaftTravel, approach: str, beyond_deg: float
) -> ShaftTravel:
    """Travel of a linkage's driven shaft from that of its driver, errors included."""
    passes = PASSES if approach == "either" else (approach,)
    looked_up = [
        _on_pass(one_pass(film.travel, linkage, name), driver.travel_deg, beyond_deg) for name in passes
    ]
    travel = np.stack([one[0] for one in looked_up])
    sd, slope = (np.stack([one[k] for one in looked_up]) for k in (1, 2))
    seen = np.isfinite(travel)
    count = seen.sum(0)
    mean = np.where(count > 0, np.nansum(travel, 0) / np.maximum(count, 1), np.nan)
    mean_slope = np.nansum(np.where(seen, slope, 0.0), 0) / np.maximum(count, 1)
    # errors of both passes are much alike, so a mean is not better than one of them
    own_sd = np.sqrt(np.nansum(np.where(seen, sd, 0.0) ** 2, 0) / np.maximum(count, 1))
    gap = np.zeros(mean.shape)
    if approach == "either":
        stated = number(film.linkages[linkage].get("slack_deg", {}).get("value"))
        fallback = 0.0 if math.isnan(stated) else max(stated, 0.0) / 2
        both = np.where(count == 2, np.abs(travel[-1] - travel[0]) / 2, fallback)
        gap = np.nan_to_num(both, nan=fallback)
    return ShaftTravel(
        mean,
        np.hypot(own_sd, mean_slope * driver.sd_deg),
        gap + np.abs(mean_slope) * driver.half_gap_deg,
    )


def _on_pass(rows: pd.DataFrame, at: Array, beyond_deg: float) -> tuple[Array, Array, Array]:
    """Travel, standard deviation and slope of one pass; a little beyond its ends by the slope there."""
    grid, driven, sd = (rows[name].to_numpy(float) for name in ("driver_deg", "driven_deg", "sd_deg"))
    known = np.isfinite(driven)
    if known.sum() < 2:
        nothing = np.full(at.shape, np.nan)
        return nothing, nothing, nothing
    first, last = grid[known][0], grid[known][-1]
    inside = np.clip(at, first, last)
    half = min(_SLOPE_OVER_DEG, last - first) / 2
    middle = np.clip(inside, first + half, last - half)
    rise = np.interp(middle + half, grid[known], driven[known]) - np.interp(
        middle - half, grid[known], driven[known]
    )
    slope = rise / (2 * half)
    step = at - inside
    travel = interpolate_between_neighbours(inside, grid, driven) + slope * step
    spread = np.hypot(interpolate_between_neighbours(inside, grid, sd), 0.3 * slope * step)
    return np.where(np.abs(step) <= beyond_deg, travel, np.nan), spread, slope
