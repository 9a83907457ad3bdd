"""Moments of a film and places on its travel curves, one from the other; what a finding is about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from strokecurve.app.words.numeric import finite
from strokecurve.kinematics.findings.statements import Kind

Array = NDArray[np.float64]

FILMING: Kind = "filming"
LEFT_OUT = frozenset(("linkage_left_out", "rod_left_out"))
"""Codes of findings about what the film did not let be measured."""
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
    """The moment that shows a finding; None if it has none."""
    return finite(finding.get("time_s"))


def is_filming(finding: Mapping[str, Any]) -> bool:
    """Whether a finding is about the filming, not about a linkage or one that was left out."""
    return finding.get("kind") == FILMING


def concerns_filming(finding: Mapping[str, Any]) -> bool:
    """Whether who films has to know it: about the filming, or about what was left out because of it."""
    code = finding.get("code")
    return is_filming(finding) or (isinstance(code, str) and code in LEFT_OUT)


def linkage_of(finding: Mapping[str, Any], linkages: Iterable[str]) -> str | None:
    """Which of these linkages a finding is about, or an arm, a pin or an end of it; None if about none."""
    subject = finding.get("subject")
    about = subject.get("linkage") if isinstance(subject, Mapping) else None
    return next((name for name in linkages if name == about), None)


def driver_travel_of(finding: Mapping[str, Any]) -> float | None:
    """Driver travel at which what a finding states is seen best; None where it has no such place."""
    return finite(finding.get("driver_deg"))


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
