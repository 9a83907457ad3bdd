"""Compares measured angles with the truth of a rendered clip."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class Score:
    """How well the angle of one shaft was measured.

    Attributes
    ----------
    rms_deg, max_deg : float
        Error after removing the constant offset.
    share : float
        Share of the truth's frames that have a measured one within half a frame period.
    within_two_sd : float
        Share of the measured frames whose error is within two stated standard deviations.
    sign : int
        +1 if measured and true angles turn the same way.
    """

    rms_deg: float
    max_deg: float
    share: float
    within_two_sd: float
    sign: int


def score_angles(truth: pd.DataFrame, measured: pd.DataFrame) -> dict[str, Score]:
    """Score every ``<name>_deg`` column of the truth.

    Parameters
    ----------
    truth, measured : DataFrame
        ``time_s`` and one column a shaft; the truth is interpolated at the measured times.
    """
    measured = _with_arms(measured)
    at = truth["time_s"].to_numpy(float)
    half = 0.5 * np.median(np.diff(at)) + 1e-4
    scores = {}
    for column in [c for c in truth.columns if c.endswith("_deg")]:
        known = measured[np.isfinite(measured[column])]
        time_s, angle = known["time_s"].to_numpy(float), known[column].to_numpy(float)
        wanted = np.interp(time_s, at, truth[column].to_numpy(float))
        errors = {}
        for sign in (1, -1):
            error = sign * angle - wanted
            errors[sign] = error - np.median(error)
        sign = min(errors, key=lambda s: float(np.mean(errors[s] ** 2)))
        error = errors[sign]
        nearest = np.abs(at[:, None] - time_s[None, :]).min(axis=1)
        sd = known[column.replace("_deg", "_sd_deg")].to_numpy(float)
        scores[column.removesuffix("_deg")] = Score(
            rms_deg=float(np.sqrt(np.mean(error**2))),
            max_deg=float(np.abs(error).max()),
            share=float(np.mean(nearest <= half)),
            within_two_sd=float(np.mean(np.abs(error) <= 2 * sd)),
            sign=sign,
        )
    return scores


def _with_arms(measured: pd.DataFrame) -> pd.DataFrame:
    """Add the angles of arms by the truth's names: ``arm1`` is marker 11 of shaft1."""
    columns = {}
    for name in measured.columns:
        found = re.fullmatch(r"(?:shaft(\d)|motor)_m(\d+)_(deg|sd_deg)", name)
        shaft = int(found[1] or 0) if found else -1
        if found and int(found[2]) == 10 + shaft:
            columns[f"arm{shaft}_{found[3]}"] = measured[name]
    return measured.assign(**columns)
