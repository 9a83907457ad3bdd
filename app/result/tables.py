"""Results as tables: one function and one documented column list for each kind of table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from strokecurve.app.words.names import QUANTITY_WORDS

PASSES = ("opening", "closing")

EVEN_STEP_COLUMNS = (
    "driver_deg",
    "opening_deg",
    "opening_sd_deg",
    "closing_deg",
    "closing_sd_deg",
    "difference_deg",
    "difference_sd_deg",
)
"""Driver travel at even steps; driven travel and standard deviation of each pass; closing minus opening.

All in degrees from the low-fire hold; NaN where the film shows nothing.
"""

COMPARED_COLUMNS = ("intended_deg", "tolerance_deg", "opening_deviation_deg", "closing_deviation_deg")
"""Added by ``compared_table``: intended driven travel, tolerance, measured minus intended of each pass."""

RATIO_COLUMNS = ("from_deg", "to_deg", "opening_ratio", "opening_sd", "closing_ratio", "closing_sd")
"""Driven degrees for each driver degree between two positions of the driver, for each pass."""

GEOMETRY_COLUMNS = ("quantity", "words", "value", "sd", "unit", "determined", "evidence", "settle")
"""One size or angle of a linkage a row.

``words`` is its name for people, ``evidence`` what carried it, ``settle`` what would determine it
(None if it is).
"""

WHOLE_STEP_DEG = 1e-6
"""Grid positions closer than this are the same position."""


def interpolate_between_neighbours(
    at: NDArray[np.float64], known_at: NDArray[np.float64], known: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Straight-line interpolation that never bridges a gap.

    Parameters
    ----------
    at : ndarray, shape (n,)
        Positions asked for.
    known_at : ndarray, shape (m,)
        Rising grid positions.
    known : ndarray, shape (m,)
        Values; NaN where there is none.

    Returns
    -------
    ndarray, shape (n,)
        NaN outside the grid and wherever one of the two neighbours is NaN.
    """
    out = np.full(at.shape, np.nan)
    if known_at.size == 0:
        return out
    right = np.clip(np.searchsorted(known_at, at - WHOLE_STEP_DEG), 0, known_at.size - 1)
    exact = np.abs(known_at[right] - at) <= WHOLE_STEP_DEG
    out[exact] = known[right[exact]]
    between = ~exact & (right > 0) & (at < known_at[right])
    high, low = right[between], right[between] - 1
    share = (at[between] - known_at[low]) / (known_at[high] - known_at[low])
    out[between] = known[low] * (1 - share) + known[high] * share
    return out


def one_pass(travel: pd.DataFrame, linkage: str, name: str) -> pd.DataFrame:
    """Rows of one pass of one linkage, by rising driver travel."""
    chosen = travel[(travel["linkage"] == linkage) & (travel["pass"] == name)]
    return chosen.sort_values("driver_deg")


def even_step_table(travel: pd.DataFrame, linkage: str, step_deg: float) -> pd.DataFrame:
    """Driven travel of both passes at even steps of the driver.

    Parameters
    ----------
    travel : DataFrame
        Columns of ``travel.csv``.
    linkage : str
        ``driver:driven``.
    step_deg : float
        Step, more than 0.

    Returns
    -------
    DataFrame
        Columns ``EVEN_STEP_COLUMNS``, from 0 to the last step any pass reaches.
    """
    if step_deg <= 0:
        raise ValueError(f"step_deg is {step_deg}: expected more than 0")
    passes = {name: one_pass(travel, linkage, name) for name in PASSES}
    seen = [rows.loc[rows["driven_deg"].notna(), "driver_deg"] for rows in passes.values()]
    last = max((float(rows.max()) for rows in seen if len(rows)), default=-1.0)
    driver = np.arange(0, np.floor(last / step_deg + WHOLE_STEP_DEG) + 1) * step_deg
    table = {"driver_deg": driver}
    for name, rows in passes.items():
        known_at = rows["driver_deg"].to_numpy(float)
        for column, source in ((f"{name}_deg", "driven_deg"), (f"{name}_sd_deg", "sd_deg")):
            table[column] = interpolate_between_neighbours(driver, known_at, rows[source].to_numpy(float))
    table["difference_deg"] = table["closing_deg"] - table["opening_deg"]
    table["difference_sd_deg"] = np.hypot(table["closing_sd_deg"], table["opening_sd_deg"])
    return pd.DataFrame(table, columns=list(EVEN_STEP_COLUMNS))


def ratio_table(even_steps: pd.DataFrame) -> pd.DataFrame:
    """Local ratio between neighbouring rows of an even-step table.

    Parameters
    ----------
    even_steps : DataFrame
        Columns ``EVEN_STEP_COLUMNS``.

    Returns
    -------
    DataFrame
        Columns ``RATIO_COLUMNS``. The standard deviations take the errors at both positions as independent;
        neighbours share slow errors, so the true ones are no larger.
    """
    driver = even_steps["driver_deg"].to_numpy(float)
    table = {"from_deg": driver[:-1], "to_deg": driver[1:]}
    for name in PASSES:
        travel, sd = (even_steps[f"{name}_{what}"].to_numpy(float) for what in ("deg", "sd_deg"))
        table[f"{name}_ratio"] = np.diff(travel) / np.diff(driver)
        table[f"{name}_sd"] = np.hypot(sd[1:], sd[:-1]) / np.diff(driver)
    return pd.DataFrame(table, columns=list(RATIO_COLUMNS))


def compared_table(
    even_steps: pd.DataFrame, intended_deg: NDArray[np.float64], tolerance_deg: NDArray[np.float64]
) -> pd.DataFrame:
    """An even-step table with the intended travel and the deviations from it.

    Parameters
    ----------
    even_steps : DataFrame
        Columns ``EVEN_STEP_COLUMNS``.
    intended_deg, tolerance_deg : ndarray, shape (rows,)
        Intended driven travel and tolerance at each row's driver travel; NaN where none is given.

    Returns
    -------
    DataFrame
        Columns ``EVEN_STEP_COLUMNS`` and ``COMPARED_COLUMNS``; a deviation is measured minus intended.
    """
    table = even_steps.copy()
    table["intended_deg"] = intended_deg
    table["tolerance_deg"] = tolerance_deg
    for name in PASSES:
        table[f"{name}_deviation_deg"] = table[f"{name}_deg"] - table["intended_deg"]
    return table


def geometry_table(geometry: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """Sizes and start angles of one linkage of ``result.json``.

    Returns
    -------
    DataFrame
        Columns ``GEOMETRY_COLUMNS``, in the order of ``QUANTITY_WORDS``.
    """
    rows = []
    for quantity, words in QUANTITY_WORDS.items():
        if quantity not in geometry:
            continue
        entry = geometry[quantity]
        rows.append(
            {
                "quantity": quantity,
                "words": words,
                "value": entry.get("value"),
                "sd": entry.get("sd"),
                "unit": quantity.rsplit("_", 1)[1],
                "determined": bool(entry.get("determined")),
                "evidence": ", ".join(entry.get("evidence") or ()),
                "settle": entry.get("settle"),
            }
        )
    return pd.DataFrame(rows, columns=list(GEOMETRY_COLUMNS), dtype=object)
