"""The driver's stroke: where it rests, where it opens, where it closes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.errors import StrokeError
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_MIN_FRAMES = 10


@dataclass(frozen=True, slots=True)
class Stroke:
    """Holds and passes of the driver as slices of the frames given.

    Parameters
    ----------
    opening_sign : int
        +1 if the driver turns counter-clockwise toward high fire, -1 if clockwise.
    low_fire_rad : float
        Driver angle from which travel counts (the first low-fire hold).
    travel_rad, travel_noise_rad : float
        Driver travel from low to high fire, as far as filmed, and its standard deviation from the noise of
        frames alone. Slow errors come on top; their size shows only against the driven shaft
        (`TravelCurves.driver_travel_sd_rad`).
    low_holds, high_holds : tuple of slice
        Rest at low and at high fire; empty if not filmed.
    opening, closing : tuple of slice
        Passes, without the holds; empty if not filmed. A pass can be cut short by either end of the film.
    notes : tuple of str
        What is missing or was assumed, in plain words.
    """

    opening_sign: int
    low_fire_rad: float
    travel_rad: float
    travel_noise_rad: float
    low_holds: tuple[slice, ...]
    high_holds: tuple[slice, ...]
    opening: tuple[slice, ...]
    closing: tuple[slice, ...]
    notes: tuple[str, ...]

    @property
    def passes(self) -> tuple[slice, ...]:
        """All passes in the order of time."""
        return tuple(sorted((*self.opening, *self.closing), key=lambda part: part.start))

    def travel(self, driver_rad: ArrayLike) -> Array:
        """Driver travel (rad) from low fire, positive toward high fire.

        Parameters
        ----------
        driver_rad : array_like, any shape

        Returns
        -------
        ndarray, same shape
        """
        return np.asarray(self.opening_sign * (np.asarray(driver_rad, float) - self.low_fire_rad))


@dataclass(frozen=True, slots=True)
class _Turn:
    """One end of the stroke: its level, the frames at rest there, and whether they make a hold."""

    level: float
    first: int
    last: int
    held: bool


def find_stroke(
    time_s: ArrayLike,
    driver_rad: ArrayLike,
    sigma_rad: ArrayLike,
    opening: int | None = None,
    settings: Settings = DEFAULTS,
) -> Stroke:
    """Split the driver's motion into holds, opening passes and closing passes.

    Parameters
    ----------
    time_s : array_like, shape (N,)
        Time of each frame, ascending, steps of any size.
    driver_rad : array_like, shape (N,)
        Driver angle, unwrapped, counter-clockwise positive; NaN in a gap.
    sigma_rad : array_like, scalar or shape (N,)
        Standard deviation of each angle. Where the frames scatter more than that, their scatter counts.
    opening : +1, -1 or None
        Way of opening: counter-clockwise, clockwise, or as the film shows it.
    settings : Settings

    Returns
    -------
    Stroke

    Raises
    ------
    ValueError
        If the vectors differ in length, or `opening` is no sign.
    StrokeError
        If there are hardly any measured frames, or the driver did not move.

    Notes
    -----
    Ends of the stroke are the turning points of at least half the whole range. Rest begins and ends where the
    summed departure from the rest level has its minimum (a one-sided cumulative sum test): a soft start is
    not taken for rest for longer than the noise makes necessary.

    Examples
    --------
    >>> time_s = np.arange(0, 11, 0.1)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5, 6, 10], [0, 0, 90, 90, 0]))
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> stroke.opening_sign, stroke.opening, stroke.closing
    (1, (slice(11, 50, None),), (slice(61, 100, None),))
    """
    time_all, driver_all = np.asarray(time_s, float), np.asarray(driver_rad, float)
    if time_all.shape != driver_all.shape or time_all.ndim != 1:
        raise ValueError(
            f"time_s {time_all.shape} and driver_rad {driver_all.shape} must be equally long vectors"
        )
    if opening not in (None, 1, -1):
        raise ValueError(f"opening must be +1, -1 or None, got {opening!r}")
    frame = np.flatnonzero(np.isfinite(time_all) & np.isfinite(driver_all))
    if frame.size < _MIN_FRAMES:
        raise StrokeError(
            f"The driver was measured in {frame.size} frames only, {_MIN_FRAMES} are needed.",
            "Film the whole stroke with the driver's marker in view.",
        )
    time, driver = time_all[frame], driver_all[frame]
    noise = _noise(time, driver, np.broadcast_to(np.asarray(sigma_rad, float), time_all.shape)[frame])
    turns, spans = _turns(time, driver, noise, settings)
    sign, assumed = _opening_sign(turns, opening, frame.size)
    return _assemble(frame, driver, noise, turns, spans, sign, assumed, settings)


def _noise(time: Array, driver: Array, sigma: Array) -> float:
    """Frame noise: as stated, or as frames scatter about the line through their neighbours if more."""
    share = (time[1:-1] - time[:-2]) / np.maximum(time[2:] - time[:-2], 1e-12)
    off = driver[1:-1] - driver[:-2] - share * (driver[2:] - driver[:-2])
    scatter = 1.4826 * float(np.median(np.abs(off) / np.sqrt(1 + share**2 + (1 - share) ** 2)))
    known = sigma[np.isfinite(sigma)]
    return max(scatter, float(np.median(known)) if known.size else 0.0, 1e-6)


def _turns(time: Array, driver: Array, noise: float, settings: Settings) -> tuple[list[_Turn], list[slice]]:
    """Ends of the stroke in the order of time, and the moves before, between and after them."""
    # one wild frame must not make a turning point
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(driver, 2, mode="edge"), 5), axis=1)
    span = float(np.ptp(smooth))
    if span < max(settings.min_travel_rad, 8 * noise):
        raise StrokeError(
            f"The driver turned by {math.degrees(span):.1f} degrees only: this is no stroke.",
            "Drive the motor from low fire to high fire and back while filming.",
        )
    turns = [_rest(time, driver, smooth, k, sign, noise, settings) for k, sign in _zigzag(smooth, span / 2)]
    edges = [0, *(e for t in turns for e in (t.first, t.last + 1)), driver.size]
    return turns, [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _zigzag(values: Array, threshold: float) -> list[tuple[int, int]]:
    """Turning points (index, +1 top or -1 bottom) between which the values move by at least the threshold."""
    points: list[tuple[int, int]] = []
    top = bottom = 0
    seek = 0
    for k, value in enumerate(values):
        if value > values[top]:
            top = k
        if value < values[bottom]:
            bottom = k
        if seek <= 0 and value - values[bottom] >= threshold:
            points.append((bottom, -1))
            seek, top = 1, k
        elif seek >= 0 and values[top] - value >= threshold:
            points.append((top, 1))
            seek, bottom = -1, k
    points.append((top, 1) if seek > 0 else (bottom, -1))
    return points


def _rest(
    time: Array, driver: Array, smooth: Array, turn: int, sign: int, noise: float, settings: Settings
) -> _Turn:
    """Frames at rest around one turning point."""
    near = settings.hold_tolerance_rad + 4 * noise
    around = _reach(smooth, turn, float(smooth[turn]), near + settings.overshoot_rad)
    level = _dwell_level(time[around], driver[around], near)
    # a motor may run past its rest and come back: start from the frame at rest nearest the turning point
    resting = _longest_run(np.abs(smooth[around] - level) <= near) + around.start
    anchor = int(resting[np.argmin(np.abs(resting - turn))]) if resting.size else turn
    slack = max(noise, settings.hold_tolerance_rad / 10)
    last = anchor + _leaves(level - driver[anchor:], slack, near)
    first = anchor - _leaves(level - driver[anchor::-1], slack, near)
    if time[last] - time[first] < settings.min_hold_s:
        return _Turn(*_peak(driver, smooth, turn, sign, noise), False)
    rest = driver[first : last + 1]
    calm = rest[np.abs(rest - np.median(rest)) <= near]
    return _Turn(float(np.mean(calm)), first, last, True)


def _reach(smooth: Array, turn: int, level: float, near: float) -> slice:
    """Frames around the turning point that stay near a level."""
    outside = np.abs(smooth - level) > near
    before, after = np.flatnonzero(outside[:turn]), np.flatnonzero(outside[turn:])
    first = int(before[-1]) + 1 if before.size else 0
    return slice(first, turn + int(after[0]) if after.size else smooth.size)


def _dwell_level(time: Array, driver: Array, near: float) -> float:
    """Level at which the driver stays longest: of the band of twice `near` with the most time in it."""
    order = np.argsort(driver)
    level = driver[order]
    spent = np.concatenate([[0.0], np.cumsum(np.gradient(time)[order] if time.size > 1 else [1.0])])
    stop = np.searchsorted(level, level + 2 * near, side="right")
    start = int(np.argmax(spent[stop] - spent[: level.size]))
    return float(np.median(level[start : stop[start]]))


def _longest_run(flag: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Positions of the longest unbroken run of True."""
    positions = np.flatnonzero(flag)
    runs = np.split(positions, np.flatnonzero(np.diff(positions) > 1) + 1)
    return max(runs, key=len)


def _peak(driver: Array, smooth: Array, turn: int, sign: int, noise: float) -> tuple[float, int, int]:
    """Level and frame of a turning point without rest; the smoothed one is cut short by the smoothing."""
    first = max(turn - 2, 0)
    part = slice(first, turn + 3)
    step = float(np.median(np.abs(np.diff(smooth[max(turn - 6, 0) : turn + 7]))))
    sound = np.abs(driver[part] - smooth[part]) <= 3 * noise + 2.5 * step
    best = first + int(np.argmax(np.where(sound, sign * driver[part], -np.inf)))
    return float(driver[best]), best, best


def _leaves(off: Array, slack: float, near: float) -> int:
    """Number of frames after the first that are still at rest: the minimum of the summed departure.

    Rest ends with two frames running beyond `near` on one side; one alone may be an outlier.
    """
    stops = [
        int(lasting[0]) + 1
        for side in (off > near, off < -near)
        if (lasting := np.flatnonzero(side[:-1] & side[1:])).size
    ]
    if not stops:
        return off.size - 1
    stop = min(stops)
    departure = off[:stop] * np.sign(off[stop - 1])
    return int(np.argmin(np.cumsum(np.clip(departure, -near, near) - slack)))


def _opening_sign(turns: list[_Turn], opening: int | None, frames: int) -> tuple[int, str | None]:
    """Way of opening, and the assumption made if the film does not show it."""
    first, second = turns[0], turns[1]
    up = 1 if second.level > first.level else -1
    if opening is not None:
        return opening, None
    if first.held and first.first <= frames // 100:
        return up, None
    final = turns[-1]
    if final.held and final.last >= frames - 1 - frames // 100:
        toward_end = 1 if final.level > turns[-2].level else -1
        return -toward_end, "The film does not start at rest: the position at its end was taken for low fire."
    return up, "The film neither starts nor ends at rest: its first full move was taken for opening."


def _assemble(
    frame: NDArray[np.int64],
    driver: Array,
    noise: float,
    turns: list[_Turn],
    spans: list[slice],
    sign: int,
    assumed: str | None,
    settings: Settings,
) -> Stroke:
    """Name the holds and passes low and high, opening and closing, in frames of the whole film."""
    notes = [assumed] if assumed else []
    middle = (max(t.level for t in turns) + min(t.level for t in turns)) / 2
    low = [t for t in turns if sign * (t.level - middle) < 0]
    high = [t for t in turns if sign * (t.level - middle) >= 0]

    def frames(first: int, last: int) -> slice:
        return slice(int(frame[first]), int(frame[last]) + 1)

    passes: dict[int, list[slice]] = {1: [], -1: []}
    for number, span in enumerate(spans):
        way = _way(driver, turns, number, span, settings.partial_travel_rad + 4 * noise)
        if way:
            passes[way * sign].append(frames(span.start, span.stop - 1))
            ends = turns[max(number - 1, 0) : number + 1] if 0 < number < len(turns) else []
            if not _whole(ends, turns, settings.partial_travel_rad):
                word = "opening" if way * sign > 0 else "closing"
                notes.append(f"The film holds only part of one {word} pass.")
    level, level_noise = _level(low, noise)
    top, top_noise = _level(high, noise)
    notes += _missing(low, high, passes)
    drift = max(t.level for t in low) - min(t.level for t in low)
    if len([t for t in low if t.held]) > 1 and drift > settings.low_fire_drift_rad:
        notes.append(
            "The driver does not come back to where it began: low fire differs by "
            f"{math.degrees(drift):.1f} degrees."
        )
    return Stroke(
        sign,
        level,
        sign * (top - level),
        math.hypot(level_noise, top_noise),
        tuple(frames(t.first, t.last) for t in low if t.held),
        tuple(frames(t.first, t.last) for t in high if t.held),
        tuple(passes[1]),
        tuple(passes[-1]),
        tuple(notes),
    )


def _whole(ends: list[_Turn], turns: list[_Turn], tolerance: float) -> bool:
    """Whether a pass runs over the whole range of the film."""
    levels = [t.level for t in turns]
    return len(ends) == 2 and abs(ends[1].level - ends[0].level) >= max(levels) - min(levels) - tolerance


def _way(driver: Array, turns: list[_Turn], number: int, span: slice, least: float) -> int:
    """Direction (+1 ccw, -1 cw) of the move in a span, 0 if it is too small to be one."""
    if span.stop <= span.start:
        return 0
    if 0 < number < len(turns):
        return 1 if turns[number].level > turns[number - 1].level else -1
    piece = driver[span]
    start = piece[0] if number == 0 else turns[-1].level
    stop = turns[0].level if number == 0 else piece[-1]
    return int(np.sign(stop - start)) if abs(stop - start) > least else 0


def _level(turns: list[_Turn], noise: float) -> tuple[float, float]:
    """Level of one end of the stroke, of its first hold, else of its turning point; and its noise."""
    for turn in turns:
        if turn.held:
            count = turn.last - turn.first + 1
            return turn.level, noise / math.sqrt(count)
    return turns[0].level, noise


def _missing(low: list[_Turn], high: list[_Turn], passes: dict[int, list[slice]]) -> list[str]:
    notes = []
    if not any(t.held for t in low):
        notes.append("No rest at low fire was filmed: travel counts from the lowest position seen.")
    if not any(t.held for t in high):
        notes.append(
            "No rest at high fire was filmed: the full travel is only as far as the driver was seen."
        )
    if not passes[1]:
        notes.append(
            "No opening pass was filmed: what the driven shaft does on the way up, lost motion "
            "and the worn joint cannot be told."
        )
    if not passes[-1]:
        notes.append(
            "No closing pass was filmed: what the driven shaft does on the way down, lost motion "
            "and the worn joint cannot be told."
        )
    return notes
