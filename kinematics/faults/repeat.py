"""Repeatability: how far passes of the same way differ at the same driver travel."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.noise import SlowErrors
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import travel_curves
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_DEG = np.pi / 180
_STEP_RAD = 1 * _DEG
_BLOCK = 8  # steps averaged before passes are compared
_CLEAR_RAD = 0.5 * _DEG  # driven travel beyond the lost motion from which a pass counts


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Largest difference between passes of the same way.

    Parameters
    ----------
    value_rad, sd_rad : float
        Range over the passes at the driven shaft, and its standard deviation.
    direction : str
        "opening" or "closing".
    at_driver_rad : float
        Driver travel where it lies.
    passes : int
        Passes compared.
    """

    value_rad: float
    sd_rad: float
    direction: str
    at_driver_rad: float
    passes: int


def repeatability(
    stroke: Stroke, motion: LinkageMotion, slack_rad: float, settings: Settings = DEFAULTS
) -> Repeatability | None:
    """Compare the passes of each way with one another.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    slack_rad : float
        Lost motion; while it is being taken up a pass depends on where it began, and is left out.
    settings : Settings

    Returns
    -------
    Repeatability or None
        The larger of both ways; None if neither was filmed twice.

    Notes
    -----
    Means over some degrees of driver travel are compared, so that frame noise is no part of it. The largest
    of several differences lies above zero by about one standard deviation even if passes repeat exactly.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 22, 0.05)
    >>> driver = np.radians(np.interp(time_s, [1, 5, 6, 10, 11, 15, 16, 20], [0, 90, 90, 0, 0, 90, 90, 0]))
    >>> driven = driver + np.radians(1) * (time_s > 10.5) * (time_s < 15.5) * np.sin(2 * driver)
    >>> motion = LinkageMotion.of(driver, driven, 0.0005, 0.0005)
    >>> found = repeatability(find_stroke(time_s, driver, 0.0005), motion, 0.0)
    >>> found.direction, found.passes, f"{np.degrees(found.value_rad):.1f}"
    ('opening', 2, '1.0')
    """
    found = []
    for direction, passes in (("opening", stroke.opening), ("closing", stroke.closing)):
        if len(passes) < 2:
            continue
        curves = [_blocks(stroke, motion, direction, part, slack_rad, settings) for part in passes]
        values, sds = (np.stack(part) for part in zip(*curves, strict=True))
        both = np.isfinite(values).sum(axis=0) >= 2
        if not both.any():
            continue
        values, sds = values[:, both], sds[:, both]
        reach = np.nanmax(values, axis=0) - np.nanmin(values, axis=0)
        k = int(np.argmax(reach))
        ends = (int(np.nanargmax(values[:, k])), int(np.nanargmin(values[:, k])))
        at = (np.flatnonzero(both)[k] + 0.5) * _BLOCK * _STEP_RAD
        sd = math.hypot(*(float(sds[end, k]) for end in ends))
        found.append(Repeatability(float(reach[k]), sd, direction, float(at), len(passes)))
    return max(found, key=lambda r: r.value_rad, default=None)


def _blocks(
    stroke: Stroke, motion: LinkageMotion, direction: str, part: slice, slack_rad: float, settings: Settings
) -> tuple[Array, Array]:
    """One pass's curve averaged over blocks of driver travel, and its standard deviation."""
    alone = replace(
        stroke,
        opening=(part,) if direction == "opening" else (),
        closing=(part,) if direction == "closing" else (),
    )
    count = math.ceil(stroke.travel_rad / _STEP_RAD / _BLOCK)
    nothing = np.full(count, np.nan), np.full(count, np.nan)
    try:
        # Passes that differ would show as slow errors, so their size is that expected of any film. What comes
        # back in every pass makes no difference between them.
        size = np.full(2, settings.floor_rad * math.sqrt(1 - settings.floor_place_share))
        curves = travel_curves(alone, motion, _STEP_RAD, settings, SlowErrors(size, 0.0))
    except StrokeError:
        return nothing
    opening = direction == "opening"
    value = curves.opening_rad if opening else curves.closing_rad
    sd = curves.opening_sd_rad if opening else curves.closing_sd_rad
    known = np.flatnonzero(np.isfinite(value))
    if known.size == 0:
        return nothing
    begin = value[known[0]] if opening else value[known[-1]]
    clear = np.abs(value - begin) > max(slack_rad, 0.0) + _CLEAR_RAD
    value = np.where(clear, value, np.nan)
    padded = np.full((2, count * _BLOCK), np.nan)
    fits = min(value.size, count * _BLOCK)
    padded[:, :fits] = value[:fits], sd[:fits]
    blocks = padded.reshape(2, count, _BLOCK)
    whole = np.isfinite(blocks[0]).all(axis=1)
    # neighbouring steps share frames and slow errors: the standard deviation of one is taken for the mean's
    mean = np.where(whole, np.where(whole[:, None], blocks[0], 0.0).mean(axis=1), np.nan)
    worst = np.where(whole, np.where(whole[:, None], blocks[1], 0.0).max(axis=1), np.nan)
    return mean, worst
