"""Fast moves of the driven shaft that are not its curve's: single jumps, and stick-slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.faults.slip import Following
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_WINDOWS = (3, 5, 8, 12)  # frames on either side of a jump: few for quick repeats, many for noise
_BETWEEN = 1  # frames a jump may take, left out between both sides
_BESIDE = 5  # frames next to a slip that are not looked at
_SHORT = 3  # window in frames for a look at the driven angle alone, and the gaps for it
_GAPS = (1, 2)
_SHOWS = 0.5  # share of a jump that must show there
_STANDS = 0.5  # share of the slope expected below which the shaft stood before it jumped


@dataclass(frozen=True, slots=True)
class Jump:
    """One fast move.

    Parameters
    ----------
    frame : int
        First frame after it.
    size_rad, sd_rad : float
        Positive in the direction in which the pass moves the driven shaft.
    stuck : bool
        Whether the driven shaft stood while the driver turned just before.
    """

    frame: int
    size_rad: float
    sd_rad: float
    stuck: bool


def find_jumps(
    stroke: Stroke, motion: LinkageMotion, following: Following, settings: Settings = DEFAULTS
) -> tuple[Jump, ...]:
    """Moves of the driven shaft within a few frames that are not its curve's, in the order of time.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    following : Following
        Lasting steps are part of it and are no jumps.
    settings : Settings

    Returns
    -------
    tuple of Jump

    Notes
    -----
    Straight lines through the frames just before and just after each moment, for several window lengths: the
    difference of both lines there, where it exceeds `Settings.jump_rad` and `Settings.jump_sigmas` standard
    deviations. A slow departure from the curve continues through both lines and is no jump. The driven angle
    itself must show it too: a curve that was pulled aside by something else does not count.

    Examples
    --------
    >>> from strokecurve.kinematics.faults.slip import follow
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> held = np.radians(np.interp(time_s, [2, 2.15, 2.2], [0, 3, 0]))
    >>> motion = LinkageMotion.of(driver, driver - held, 0.001, 0.001)
    >>> stroke = find_stroke(time_s, driver, 0.001)
    >>> [(jump.frame, jump.stuck) for jump in find_jumps(stroke, motion, follow(stroke, motion))]
    [(45, True)]
    """
    found = []
    masked = following.off_rad.copy()
    for slip in following.slips:
        masked[max(slip.first - _BESIDE, 0) : slip.last + _BESIDE + 1] = np.nan
    for passes, way in ((stroke.opening, 1.0), (stroke.closing, -1.0)):
        for part in passes:
            frames = slice(part.start, part.stop)
            found += _in_pass(way * masked[frames], motion, following, part.start, way, settings)
    return tuple(sorted(found, key=lambda jump: jump.frame))


def _in_pass(
    off: Array, motion: LinkageMotion, following: Following, start: int, way: float, settings: Settings
) -> list[Jump]:
    """Jumps within one pass, the largest of neighbouring ones each."""
    known = np.isfinite(off)
    if known.sum() < 2 * max(_WINDOWS):
        return []
    sigma = float(np.sqrt(np.nanmean(following.sigma_rad[start : start + off.size] ** 2)))
    best, best_sd, best_window = np.zeros(off.size), np.ones(off.size), np.zeros(off.size, int)
    for window in _WINDOWS:
        size = _lines_apart(off, window, _BETWEEN)
        kernel = _kernel(window, _BETWEEN)
        sd = sigma * float(np.sqrt(kernel @ kernel))
        certain = np.abs(size) > max(settings.jump_rad, settings.jump_sigmas * sd)
        better = certain & (np.abs(np.nan_to_num(size)) / sd > np.abs(best) / best_sd)
        best, best_sd = np.where(better, size, best), np.where(better, sd, best_sd)
        best_window = np.where(better, window, best_window)
    raw = way * following.sign * motion.driven_rad[start : start + off.size]
    seen = np.stack([_lines_apart(raw, _SHORT, gap) for gap in _GAPS])
    best[~np.any(seen * np.sign(best) > _SHOWS * np.abs(best), axis=0)] = 0.0
    jumps = []
    while np.any(best != 0):
        k = int(np.argmax(np.abs(best)))
        window = int(best_window[k])
        before = slice(k - _BETWEEN - window, k - _BETWEEN)
        stood = _stood(off, following, start, way, before)
        jumps.append(Jump(start + k, float(best[k]), float(best_sd[k]), stood))
        best[max(k - window, 0) : k + window + _BETWEEN] = 0.0
        # beside a large one the curve is pulled aside, and long lines part where a standstill begins
        near = slice(max(k - max(_WINDOWS), 0), k + max(_WINDOWS))
        best[near] = np.where(np.abs(best[near]) < abs(jumps[-1].size_rad) / 2, 0.0, best[near])
    return jumps


def _stood(off: Array, following: Following, start: int, way: float, before: slice) -> bool:
    """Whether the driven shaft stood in the frames just before, while its curve went on."""
    time = np.arange(off[before].size)
    fell = float(np.polyfit(time, off[before], 1)[0])
    ratio = following.ratio[start + before.start : start + before.stop]
    travel = following.travel_rad[start + before.start : start + before.stop]
    expected = float(np.nanmean(ratio) * np.polyfit(time, way * travel, 1)[0])
    return bool(expected > 0 and expected + fell < _STANDS * expected)


def _lines_apart(values: Array, window: int, gap: int) -> Array:
    """Line after less line before, `gap` frames between them, at the first frame after their middle."""
    apart = np.full(values.size, np.nan)
    valid = np.correlate(values, _kernel(window, gap), mode="valid")
    first = window + (gap + 1) // 2
    apart[first : first + valid.size] = valid
    return apart


def _kernel(window: int, gap: int) -> Array:
    """Weights that give the line after, less the line before, at the middle of the gap between them."""
    place = np.arange(window) - (window - 1) / 2
    reach = (window + gap) / 2
    line = 1 / window + reach * place / float(place @ place)
    return np.concatenate([-line, np.zeros(gap), line[::-1]])
