"""Moments of a film and places on its travel curves, one from the other; what a finding is about."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from strokecurve.app.words.numeric import finite

Array = NDArray[np.float64]

_MOMENT = re.compile(r"\bat (?:about )?(\d+(?:\.\d+)?) s\b")
_DRIVER_TRAVEL = re.compile(
    r"(\d+(?:\.\d+)?) degrees of driver travel\b|while the driver turns from (\d+(?:\.\d+)?) to"
)
_PLACES = {
    "toggle_drive": "min_drive_angle_deg",
    "toggle_driven": "min_transmission_angle_deg",
    "lost_motion": "hysteresis_max_deg",
    "poor_repeatability": "repeatability_deg",
}
"""Entries of a linkage whose driver travel shows what findings of these codes state."""
_AT_REST_DEG = 0.5
"""Frames this close to the lowest travel count as the low-fire hold; angles scatter by a tenth of it."""
_MATCHES_DEG = 1.0
"""A frame shows a driver travel if it is this close."""


def travel_over_time(angles: pd.DataFrame, shaft: Mapping[str, Any]) -> Array:
    """Travel of a shaft in every frame, for marking moments; the curves have the measured figures.

    Parameters
    ----------
    angles : DataFrame
        Columns of ``angles.csv``.
    shaft : mapping
        Its entry of ``result.json``.

    Returns
    -------
    ndarray, shape (frames,)
        Degrees from the low-fire hold, positive toward open; NaN in a gap.
    """
    angle: NDArray[np.float64] = angles[f"{shaft['name']}_deg"].to_numpy(float)
    turned = angle if shaft.get("opening") == "ccw" else -angle
    known = turned[np.isfinite(turned)]
    if known.size == 0:
        return turned
    lowest = float(np.quantile(known, 0.01))
    return np.asarray(turned - np.median(known[np.abs(known - lowest) < _AT_REST_DEG]))


def moment_of(finding: Mapping[str, Any]) -> float | None:
    """The moment that the text of a finding names; None if it names none."""
    found = _MOMENT.search(str(finding.get("text") or ""))
    return float(found[1]) if found else None


def is_filming(finding: Mapping[str, Any]) -> bool:
    """Whether a finding is about the filming, not about a linkage or one that was left out."""
    return ":" not in str(finding.get("where") or "")


def concerns_filming(finding: Mapping[str, Any]) -> bool:
    """Whether who films has to know it: about the filming, or about what was left out because of it."""
    return is_filming(finding) or str(finding.get("code") or "").endswith("_left_out")


def linkage_of(finding: Mapping[str, Any], linkages: Iterable[str]) -> str | None:
    """Which of these linkages a finding is about, or an arm, a pin or an end of it; None if about none."""
    where = str(finding.get("where") or "")
    return next((name for name in linkages if where == name or where.startswith(f"{name} ")), None)


def driver_travel_of(finding: Mapping[str, Any], linkage: Mapping[str, Any]) -> float | None:
    """Driver travel at which what a finding states is seen best; None where it has no such place."""
    entry = linkage.get(_PLACES.get(str(finding.get("code")), ""))
    at = finite(entry.get("at_driver_deg")) if isinstance(entry, Mapping) else None
    if at is not None:
        return at
    said = _DRIVER_TRAVEL.search(str(finding.get("text") or ""))
    if said:
        return float(said[1] or said[2])
    where = str(finding.get("where") or "")
    if where.endswith(" low fire"):
        return 0.0
    stroke = linkage.get("stroke")
    if where.endswith(" high fire") and isinstance(stroke, Mapping):
        return float(stroke["driver_travel_deg"])
    return None


def first_moment_at(time_s: Array, driver_deg: Array, at_deg: float) -> float | None:
    """First frame in which the driver stands at a travel; None if none does.

    Parameters
    ----------
    time_s, driver_deg : ndarray, shape (frames,)
    at_deg : float
    """
    off = np.abs(driver_deg - at_deg)
    if not np.isfinite(off).any() or np.nanmin(off) > _MATCHES_DEG:
        return None
    near = np.flatnonzero(off <= max(float(np.nanmin(off)), _MATCHES_DEG / 4))
    return float(time_s[near[0]])


def nearest_frame(times: Sequence[float], wanted_s: float) -> int:
    """Number of the frame nearest to a moment."""
    return int(np.argmin(np.abs(np.asarray(times) - wanted_s)))
