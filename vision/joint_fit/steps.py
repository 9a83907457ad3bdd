"""Steps of a series that should stay level: when markers of one shaft moved against each other.

The difference of two markers that turn together is constant, apart from its noise and from slow errors (lens,
mounting) that come and go with the angle. An arm that slips makes a step that stays. So means just before and
just after each moment are compared, over windows of several lengths, and how far such means differ where
nothing happens says how sure each step is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Floats

_PLAIN_SIGMAS = 12.0
"""A step that stands out so far in short windows needs no longer ones."""

_INDEPENDENT = 8
"""Windows next to each other that a series must hold for their spread to be known."""

_GROWS_RAD = np.deg2rad(0.03)
"""A step is not complete where means further apart show so much more of it."""


@dataclass(frozen=True, slots=True)
class StepSettings:
    """Limits for steps.

    Attributes
    ----------
    least_rad : float
        A smaller step is none: slow errors of the difference come near it in poor films.
    sure_sigmas : float
        A step stands out of its noise by so many standard deviations: hundreds of moments are tried.
    windows_s : tuple of float
        Lengths of the means that are compared: short ones for slips close together, long ones for small slips
        in noise.
    gaps_s : tuple of float
        How long a slip may take.
    least_frames : int
        Frames on either side of a step: fewer may be a few bad frames.
    most : int
        Steps looked for in one film.
    """

    least_rad: float = np.deg2rad(0.3)
    sure_sigmas: float = 6.0
    windows_s: tuple[float, ...] = (0.3, 0.7, 1.5, 3.0)
    gaps_s: tuple[float, ...] = (0.0, 0.2, 0.5, 1.0, 2.0, 4.0)
    least_frames: int = 6
    most: int = 8


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A step under way in frames ``first`` to ``last``, both included; none are if ``last < first``."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class WindowNoise:
    """How sure the difference of two means is, for one length of window.

    Attributes
    ----------
    frames : int
        Length of a window.
    scale_rad : float
        Standard deviation of the difference of two windows next to each other where nothing happened.
    """

    frames: int
    scale_rad: float


def find_steps(time_s: Floats, series_rad: Floats, settings: StepSettings | None = None) -> tuple[Span, ...]:
    """Find the lasting steps of a series, in the order of time.

    Parameters
    ----------
    time_s : ndarray, shape (F,)
    series_rad : ndarray, shape (F,)
        Difference of two angles, not wrapped; NaN is a gap.
    settings : StepSettings, optional

    Returns
    -------
    tuple of Span

    Notes
    -----
    The surest step of a stretch is taken first, then both sides of it are searched in the same way. Noise is
    sized on the whole series, the steps found in a first round taken out for a second one.
    """
    settings = settings or StepSettings()
    place = np.flatnonzero(np.isfinite(series_rad))
    if place.size < 2 * settings.least_frames + 1:
        return ()
    value, time = series_rad[place], time_s[place]
    found: list[tuple[int, int]] = []
    interval_s = float(np.median(np.diff(time)))
    for _ in range(2):
        levels = noise_of(time, _without(value, found), settings)
        found = _split(value, interval_s, 0, value.size, levels, settings)
    found = _merged(value, found, levels, settings)
    return tuple(Span(int(place[a]), int(place[b - 1]) if b > a else int(place[a]) - 1) for a, b in found)


def step_sizes(
    time_s: Floats, series_rad: Floats, spans: tuple[Span, ...], settings: StepSettings | None = None
) -> tuple[Floats, Floats]:
    """Size of each step in a series, with its standard deviation, shape (number of spans,) each.

    Parameters
    ----------
    time_s, series_rad : ndarray, shape (F,)
        As for `find_steps`; any series of the same frames.
    spans : tuple of Span
        In the order of time.
    settings : StepSettings, optional

    Returns
    -------
    size_rad, sigma_rad : ndarray, shape (number of spans,)
        After less before, from the windows that tell it best; NaN where too little was seen on either side.

    Notes
    -----
    Slow errors change over long windows, noise rules short ones: the length with the least spread where
    nothing happened is taken, as far as the next step leaves room for it.
    """
    settings = settings or StepSettings()
    size, sigma = np.full(len(spans), np.nan), np.full(len(spans), np.nan)
    place = np.flatnonzero(np.isfinite(series_rad))
    if place.size < 2:
        return size, sigma
    value, time = series_rad[place], time_s[place]
    cuts = [(int(np.searchsorted(place, s.first)), int(np.searchsorted(place, s.last + 1))) for s in spans]
    levels = noise_of(time, _without(value, cuts), settings)
    ends = [0, *(b for _, b in cuts)], [*(a for a, _ in cuts), value.size]
    for n, (first, stop) in enumerate(cuts):
        before, after = value[ends[0][n] : first], value[stop : ends[1][n + 1]]
        if min(before.size, after.size) < settings.least_frames:
            continue
        tried = [_between(before, after, level) for level in levels]
        size[n], sigma[n] = min(tried, key=lambda t: t[1])
    return size, sigma


def noise_of(time_s: Floats, value: Floats, settings: StepSettings) -> list[WindowNoise]:
    """How far neighbouring means of a series without steps differ, for each length of window.

    Times and values have shape (F,); a level has the unit of the values.
    """
    interval = float(np.median(np.diff(time_s)))
    levels: list[WindowNoise] = []
    for window_s in settings.windows_s:
        frames = max(settings.least_frames, round(window_s / interval))
        if value.size < (_INDEPENDENT if levels else 3) * frames:
            break
        apart = _apart(value, frames, 0)
        # A film holds few windows that do not overlap: what they say of the noise is itself not sure.
        unsure = 1.0 + 1.0 / np.sqrt(apart.size / frames + 1.0)
        scale = 1.4826 * unsure * float(np.median(np.abs(apart - np.median(apart))))
        levels.append(WindowNoise(frames, max(scale, 1e-9)))
    if not levels:
        spread = float(np.std(np.diff(value))) / np.sqrt(2.0) if value.size > 2 else np.inf
        frames = settings.least_frames
        levels.append(WindowNoise(frames, max(spread * np.sqrt(2.0 / frames), 1e-9)))
    return levels


def _without(value: Floats, cuts: list[tuple[int, int]]) -> Floats:
    """The series with steps taken out and what lies within them left out."""
    result, keep = value.copy(), np.ones(value.size, bool)
    ends = [0, *(b for _, b in cuts)], [*(a for a, _ in cuts), value.size]
    for first, stop in zip(*ends, strict=True):
        if stop > first:
            result[first:stop] -= np.median(value[first:stop])
    for first, stop in cuts:
        keep[first:stop] = False
    return np.asarray(result[keep])


def _apart(value: Floats, frames: int, gap: int) -> Floats:
    """Mean of ``frames`` values from place k + frames + gap on, less that of those from k on."""
    total = np.concatenate([[0.0], np.cumsum(value)])
    mean = (total[frames:] - total[:-frames]) / frames
    return np.asarray(mean[frames + gap :] - mean[: mean.size - frames - gap])


def _split(
    value: Floats, interval_s: float, start: int, stop: int, levels: list[WindowNoise], settings: StepSettings
) -> list[tuple[int, int]]:
    """Steps within a stretch of the series, as places (first under way, first after)."""
    found: tuple[int, int, float] | None = None
    best, part = 0.0, value[start:stop]
    for level in levels:
        frames = min(level.frames, part.size // 2)
        if frames < settings.least_frames:
            continue
        apart = np.abs(_apart(part, frames, 0))
        scale = level.scale_rad * float(np.sqrt(level.frames / frames))
        k = int(np.argmax(apart))
        if apart[k] >= settings.least_rad and apart[k] / scale > max(best, settings.sure_sigmas):
            best, found = float(apart[k] / scale), (start + k + frames, frames, scale)
        if best > _PLAIN_SIGMAS:
            break  # short windows say best where it is
    if found is None:
        return []
    cut = _placed(value, interval_s, start, stop, *found, settings)
    before = _split(value, interval_s, start, cut[0], levels, settings)
    after = _split(value, interval_s, cut[1], stop, levels, settings)
    # What is left of a step must still be one, beside its neighbours.
    rest = (before[-1][1] if before else start), (after[0][0] if after else stop)
    sides = value[rest[0] : cut[0]], value[cut[1] : rest[1]]
    if min(s.size for s in sides) < settings.least_frames:
        return [*before, cut, *after]
    size, sigma = min((_between(*sides, level) for level in levels), key=lambda t: t[1])
    kept = abs(size) >= settings.least_rad and abs(size) >= settings.sure_sigmas * sigma
    return [*before, *([cut] if kept else []), *after]


def _between(before: Floats, after: Floats, level: WindowNoise) -> tuple[float, float]:
    """Step between two stretches next to each other, and its standard deviation."""
    a, b = min(before.size, level.frames), min(after.size, level.frames)
    size = float(after[:b].mean() - before[before.size - a :].mean())
    return size, level.scale_rad * float(np.sqrt(0.5 * level.frames * (1.0 / a + 1.0 / b)))


def _placed(
    value: Floats,
    interval_s: float,
    start: int,
    stop: int,
    at: int,
    frames: int,
    scale: float,
    settings: StepSettings,
) -> tuple[int, int]:
    """Where a step near place ``at`` begins and where it is complete.

    A slip may take its time: means further apart are tried as long as that makes the step larger. What lies
    between the levels on either side, and one frame more, is then under way.
    """
    wide = []
    for gap_s in settings.gaps_s:
        gap = round(gap_s / interval_s)
        first, last = max(at - gap - 2 * frames, start), min(at + gap + 2 * frames, stop)
        if last - first < 2 * frames + gap:
            break
        apart = _apart(value[first:last], frames, gap)
        k = int(np.argmax(np.abs(apart)))
        wide.append((abs(float(apart[k])), first + k, gap))
    n, sure = 0, max(3.0 * scale, _GROWS_RAD)
    while larger := [m for m in (n + 1, n + 2) if m < len(wide) and wide[m][0] > wide[n][0] + sure]:
        n = larger[0]
    _, k, gap = wide[n]
    near = value[k : k + 2 * frames + gap]
    before, after = float(np.median(near[:frames])), float(np.median(near[frames + gap :]))
    share = (near - before) / (after - before)
    spread = 1.4826 * float(np.median(np.abs(np.diff(value[start:stop])))) / np.sqrt(2.0)
    # The moment: the cut that leaves least to explain by the two levels.
    clipped = np.clip(share, -0.5, 1.5)
    moment = int(np.argmin(np.concatenate([[0.0], np.cumsum(clipped**2 - (clipped - 1.0) ** 2)])))
    room = min(max(3.0 * spread / abs(after - before), 0.02), 0.4)
    under = np.flatnonzero((share > room) & (share < 1.0 - room))
    close = under[np.abs(under + 0.5 - moment) <= 0.5 * gap + 3]
    a = min(int(close[0]), moment) - 1 if close.size else moment
    b = max(int(close[-1]) + 1, moment) + 1 if close.size else moment
    return max(k + a, start), min(k + b, stop)


def _merged(
    value: Floats, cuts: list[tuple[int, int]], levels: list[WindowNoise], settings: StepSettings
) -> list[tuple[int, int]]:
    """Steps with no level stretch between them as one, which took its time."""
    ends = [0, *(b for _, b in cuts)], [*(a for a, _ in cuts), value.size]
    result: list[tuple[int, int]] = []
    begun: int | None = None
    for n, (first, stop) in enumerate(zip(*ends, strict=True)):
        part = value[first:stop]
        half = part.size // 2
        level = min(levels, key=lambda v: abs(v.frames - half))
        creeps = n not in (0, len(cuts)) and half < settings.least_frames
        if half >= settings.least_frames and cuts:
            size, sigma = _between(part[:half], part[half:], level)
            creeps = abs(size) > max(0.5 * settings.least_rad, settings.sure_sigmas * sigma)
        if begun is None:
            begun = first if creeps else (cuts[n][0] if n < len(cuts) else None)
        elif not creeps:
            result.append((begun, first))
            begun = cuts[n][0] if n < len(cuts) else None
    if begun is not None:
        result.append((begun, value.size))
    return result
