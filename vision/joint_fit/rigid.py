"""Markers on one shaft: whether they turn together, and the angle of what each of them sits on.

Every marker on a shaft is measured by itself, so that they turn together is a hypothesis. Where their
differences stay level it holds, and what they show is one angle, apart from a constant for each marker: the
best mean of them, weighted by how well each is known in each frame. Where an arm slips the constant changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.initialisation import unwrapped
from strokecurve.vision.joint_fit.steps import Span, StepSettings, find_steps, step_sizes
from strokecurve.vision.robust import winsorised_variance

_UNSEEN = 1e6
"""Variance (rad^2) that takes the place of an angle that was not measured."""

_TIED = 5
"""Frames in which two markers must be seen together for the angle between them to be known."""

_MEMORY_RAD = np.deg2rad(20.0)
"""Path over which lasting errors of an arm's angle forget themselves."""

_THINNED = 5
"""Frames from one to the next when a path is measured, so that noise does not count as one."""

_NEAR_S = 0.3
"""Steps of different pairs of markers as near as this are one event."""

_TOGETHER_SIGMAS = 4.0
"""Two markers moved against each other if their step is so many standard deviations."""


@dataclass(frozen=True, slots=True)
class ArmStep:
    """A moment at which the n markers of one shaft moved against each other.

    Attributes
    ----------
    shaft : int
    first, last : int
        Frames in which it was under way, both included; none if ``last < first``.
    size_rad, sigma_rad : ndarray, shape (n, n)
        Element [i, j]: how far marker j moved against marker i, counter-clockwise positive, and its standard
        deviation; NaN where too little was seen of the two.
    twist_rad, twist_sigma_rad : ndarray, shape (n,)
        How far each marker turned on what it sits on; NaN where too little was seen.
    group : tuple of int
        Markers with the same number stayed together.
    """

    shaft: int
    first: int
    last: int
    size_rad: Floats
    sigma_rad: Floats
    twist_rad: Floats
    twist_sigma_rad: Floats
    group: tuple[int, ...]

    @property
    def moment(self) -> int:
        """Frame in the middle of it."""
        return self.first if self.last < self.first else (self.first + self.last) // 2


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """Angles of what B markers sit on, over F frames.

    Attributes
    ----------
    angle_rad, sigma_rad : ndarray, shape (F, B)
        Unwrapped, with standard deviations; NaN is a gap. Those of one shaft are alike up to the first step;
        from there on they differ by the steps.
    steps : tuple of ArmStep
        In the order of shafts and time.
    """

    angle_rad: Floats
    sigma_rad: Floats
    steps: tuple[ArmStep, ...]


@dataclass(frozen=True, slots=True)
class MarkerAngles:
    """Angles of B markers about the axes of their shafts, over F frames.

    Attributes
    ----------
    angle_rad : ndarray, shape (F, B)
        Direction of each marker, not unwrapped; NaN is a gap.
    covariance : ndarray, shape (F, B, B)
        Of the errors in each frame (except constant ones), rad^2.
    shared : ndarray, shape (F, B, B)
        The part of it that lasts: errors shared by all frames.
    twist_rad : ndarray, shape (F, B)
        Turn of each marker on what it sits on (``vision.motion.shifts``).
    shaft_of : tuple of int
        Index of each marker's shaft; markers of one shaft lie next to each other.
    """

    angle_rad: Floats
    covariance: Floats
    shared: Floats
    twist_rad: Floats
    shaft_of: tuple[int, ...]

    def on(self, shaft: int) -> MarkerAngles:
        """Those of one shaft."""
        mine = slice(self.shaft_of.index(shaft), self.shaft_of.index(shaft) + self.shaft_of.count(shaft))
        return MarkerAngles(
            self.angle_rad[:, mine],
            self.covariance[:, mine, mine],
            self.shared[:, mine, mine],
            self.twist_rad[:, mine],
            self.shaft_of[mine],
        )


def arm_angles(time_s: Floats, markers: MarkerAngles, settings: StepSettings | None = None) -> ArmAngles:
    """Test whether the markers of each shaft turn together, and put together those that do.

    Parameters
    ----------
    time_s : ndarray, shape (F,)
    markers : MarkerAngles
    settings : StepSettings, optional

    Returns
    -------
    ArmAngles
    """
    settings = settings or StepSettings()
    parts = []
    for shaft in range(1 + max(markers.shaft_of)):
        mine = markers.on(shaft)
        if len(mine.shaft_of) == 1:
            angle, sigma = unwrapped(mine.angle_rad[:, 0])[:, None], np.sqrt(mine.covariance[:, :, 0])
            sigma = np.where(np.isnan(angle), np.nan, sigma)
            parts.append(ArmAngles(angle, sigma, ()))
        else:
            parts.append(_of_shaft(shaft, time_s, mine, settings))
    return ArmAngles(
        np.concatenate([p.angle_rad for p in parts], axis=1),
        np.concatenate([p.sigma_rad for p in parts], axis=1),
        tuple(step for p in parts for step in p.steps),
    )


def _of_shaft(shaft: int, time_s: Floats, mine: MarkerAngles, settings: StepSettings) -> ArmAngles:
    """Arms of a shaft with several markers."""
    direction = alike_unwrapped(mine.angle_rad)
    steps = arm_steps(shaft, time_s, direction, mine.twist_rad, settings)
    excess = _disagreement(direction, mine.covariance, steps)
    covariance, shared = excess * mine.covariance, excess * mine.shared
    arms = [as_one(direction, covariance, shared, steps, r) for r in range(direction.shape[1])]
    angle, sigma = (np.stack([arm[k] for arm in arms], axis=1) for k in range(2))
    start = slice(0, steps[0].first if steps else len(angle))
    for r in range(1, angle.shape[1]):
        apart = (angle[:, r] - angle[:, 0])[start]
        if np.isfinite(apart).any():
            angle[:, r] -= np.nanmedian(apart)
    return ArmAngles(angle, sigma, steps)


def arm_steps(
    shaft: int, time_s: Floats, direction_rad: Floats, twist_rad: Floats, settings: StepSettings
) -> tuple[ArmStep, ...]:
    """When and how far the markers of a shaft moved against each other.

    Parameters
    ----------
    shaft : int
        Its index, for the result.
    time_s : ndarray, shape (F,)
    direction_rad : ndarray, shape (F, n)
        Of each marker, as `alike_unwrapped` gives them.
    twist_rad : ndarray, shape (F, n)
    settings : StepSettings

    Returns
    -------
    tuple of ArmStep
    """
    number = direction_rad.shape[1]
    pairs = list(combinations(range(number), 2))
    apart = [direction_rad[:, j] - direction_rad[:, i] for i, j in pairs]
    spans = _events([find_steps(time_s, a, settings) for a in apart], time_s)
    sizes = [step_sizes(time_s, a, spans, settings) for a in apart]
    twists = [step_sizes(time_s, twist_rad[:, b], spans, settings) for b in range(number)]
    steps = []
    for n, span in enumerate(spans):
        size, sigma = np.zeros((number, number)), np.zeros((number, number))
        for (i, j), (s, sd) in zip(pairs, sizes, strict=True):
            size[i, j], size[j, i] = s[n], -s[n]
            sigma[i, j] = sigma[j, i] = sd[n]
        twist = np.array([[s[n], sd[n]] for s, sd in twists]).T
        group = _together(size, sigma, settings)
        steps.append(ArmStep(shaft, span.first, span.last, size, sigma, twist[0], twist[1], group))
    return tuple(steps)


def _events(found: list[tuple[Span, ...]], time_s: Floats) -> tuple[Span, ...]:
    """Steps of several pairs, those near in time as one."""
    events: list[Span] = []
    for span in sorted(s for spans in found for s in spans):
        end = max(events[-1].last, events[-1].first) if events else 0
        if events and time_s[span.first] - time_s[end] <= _NEAR_S:
            events[-1] = Span(events[-1].first, max(events[-1].last, span.last))
        else:
            events.append(span)
    return tuple(events)


def _together(size: Floats, sigma: Floats, settings: StepSettings) -> tuple[int, ...]:
    """Number of the group of each marker: those that surely or hardly moved against each other part."""
    moved = ~(np.abs(size) <= np.maximum(0.5 * settings.least_rad, _TOGETHER_SIGMAS * sigma))
    group: list[int] = []
    for b in range(len(size)):
        with_others = [group[c] for c in range(b) if not moved[c, b]]
        group.append(with_others[0] if with_others else max(group, default=-1) + 1)
    return tuple(group)


def as_one(
    angle_rad: Floats,
    covariance: Floats,
    shared: Floats | None = None,
    steps: tuple[ArmStep, ...] = (),
    arm: int = 0,
) -> tuple[Floats, Floats]:
    """Angle of what one of n markers sits on, from all that turn with it.

    Parameters
    ----------
    angle_rad : ndarray, shape (F, n)
        Of each marker, as `alike_unwrapped` gives them; NaN is a gap.
    covariance, shared : ndarray, shape (F, n, n)
        Of their errors, and the part of it that lasts; nothing of it is known to last if left out.
    steps : tuple of ArmStep
        When markers moved against each other.
    arm : int
        Which marker.

    Returns
    -------
    angle, sigma : ndarray, shape (F,)
        Direction of the marker; NaN where no marker was seen whose angle to it is known.

    Notes
    -----
    With measured angles ``y = x 1 + o + e``, ``e`` of covariance ``V`` in each frame, the angles ``o``
    between the markers minimise the sum over frames of ``(y - o)' Q (y - o)`` with
    ``Q = W - W 1 1' W / (1' W 1)`` and ``W = inv(V)``; then ``x = 1' W (y - o) / (1' W 1)`` (generalised
    least squares). A marker that moved against the arm has another ``o`` from then on, and counts for
    nothing while it moves.
    """
    seen = np.isfinite(angle_rad)
    run = np.zeros(angle_rad.shape, np.intp)
    for step in steps:
        for b, group in enumerate(step.group):
            if group != step.group[arm]:
                seen[step.first : step.last + 1, b] = False
                run[step.first :, b] += 1
    # One unknown for each run of each marker; the arm's own marker has one run, and none.
    lengths = run.max(axis=0) + 1
    unknown = run + np.concatenate([[0], np.cumsum(lengths)[:-1]])
    seen &= _tied(seen, unknown, int(unknown[0, arm]))[unknown]
    weight = weights(covariance, seen)
    total = weight.sum(axis=2)
    amount = total.sum(axis=1)
    known = amount > 0
    share = np.where(known[:, None], total / np.where(known, amount, 1.0)[:, None], 0.0)
    q = weight - total[:, :, None] * share[:, None, :]
    value = np.where(seen, angle_rad, 0.0)
    size = int(lengths.sum())
    normal, right = np.zeros((size, size)), np.zeros(size)
    np.add.at(normal, (unknown[:, :, None], unknown[:, None, :]), q)
    np.add.at(right, unknown, (q @ value[..., None])[..., 0])
    free = np.flatnonzero((np.diag(normal) > 0) & (np.arange(size) != unknown[0, arm]))
    offset = np.zeros(size)
    offset[free] = np.linalg.solve(normal[np.ix_(free, free)], right[free])
    mean = (share * np.where(seen, angle_rad - offset[unknown], 0.0)).sum(axis=1)
    variance = 1.0 / np.where(known, amount, 1.0)
    if shared is not None and (lengths > 1).any():
        # Levels on both sides of a step are those of the arm's own marker alone: what its lasting errors come
        # to over each stretch stays in full.
        others = np.einsum("fi,fij,fj->f", share, shared, share)
        part = _left_in_level(mean, run.max(axis=1))
        variance = variance + part * np.maximum(shared[:, arm, arm] - others, 0.0)
    return np.where(known, mean, np.nan), np.where(known, np.sqrt(variance), np.nan)


def _left_in_level(angle_rad: Floats, stretch: NDArray[np.intp]) -> Floats:
    """Share of the variance of lasting errors that is left in the mean over a stretch, in each frame.

    Errors of lens and mounting change as an arm turns. They are taken to forget themselves over a path of
    ``_MEMORY_RAD``, as a first-order Markov process does, whose mean over a path L times as long has
    ``2 (1 - (1 - exp(-L)) / L) / L`` of its variance.
    """
    part = np.ones(len(angle_rad))
    for n in np.unique(stretch):
        here = stretch == n
        known = angle_rad[here][np.isfinite(angle_rad[here])]
        length = float(np.abs(np.diff(known[::_THINNED])).sum()) / _MEMORY_RAD
        if length > 0.01:
            part[here] = 2.0 * (1.0 - (1.0 - np.exp(-length)) / length) / length
    return part


def weights(covariance: Floats, seen: Bools) -> Floats:
    """Inverse covariances (F, n, n) of the markers seen in each frame, 0 for the others."""
    both = seen[:, :, None] & seen[:, None, :]
    places = np.arange(seen.shape[1])
    filled = np.where(both, covariance, 0.0)
    filled[:, places, places] = np.where(seen, filled[:, places, places], _UNSEEN)
    return np.where(both, np.linalg.inv(filled), 0.0)


def alike_unwrapped(angle_rad: Floats) -> Floats:
    """Unwrap the angles of markers (F, n) that turn about one axis so that all count the same turns."""
    body, apart = np.full(len(angle_rad), np.nan), np.zeros(angle_rad.shape[1])
    for b in np.argsort(-np.isfinite(angle_rad).sum(axis=0), kind="stable"):
        turned = np.exp(1j * (angle_rad[:, b] - body))
        if np.isfinite(turned).any():
            apart[b] = np.angle(np.nanmean(turned))
        body = unwrapped(np.where(np.isfinite(body), body, angle_rad[:, b] - apart[b]))
    rough = body[:, None] + apart
    return np.asarray(rough + np.angle(np.exp(1j * (angle_rad - rough))), np.float64)


def _tied(seen: Bools, unknown: NDArray[np.intp], arm: int) -> Bools:
    """Runs (U,) whose angle to the run ``arm`` can be known: seen together with it, or with one that is."""
    size = int(unknown.max()) + 1
    together = np.zeros((size, size))
    both = (seen[:, :, None] & seen[:, None, :]).astype(float)
    np.add.at(together, (unknown[:, :, None], unknown[:, None, :]), both)
    reach = ((together >= _TIED) | np.eye(size, dtype=bool)).astype(float)
    return np.asarray((np.linalg.matrix_power(reach, size) > 0)[arm], bool)


def _disagreement(direction_rad: Floats, covariance: Floats, steps: tuple[ArmStep, ...]) -> float:
    """How much more the markers of a shaft differ than their errors say (factor on variances, 1 at least)."""
    z = []
    edges = [0, *(e for s in steps for e in (s.first, s.last + 1)), len(direction_rad)]
    for i, j in combinations(range(direction_rad.shape[1]), 2):
        apart = direction_rad[:, j] - direction_rad[:, i]
        variance = covariance[:, i, i] + covariance[:, j, j] - 2.0 * covariance[:, i, j]
        for first, stop in zip(edges[::2], edges[1::2], strict=True):
            known = np.isfinite(apart[first:stop])
            if known.sum() >= _TIED:
                level = apart[first:stop][known]
                z.append((level - np.mean(level)) / np.sqrt(variance[first:stop][known]))
    return max(1.0, winsorised_variance(np.concatenate(z))) if z else 1.0


def leading_arm(arms: ArmAngles, shaft: int, shaft_of: tuple[int, ...]) -> int:
    """Marker whose arm stands for a shaft as far as markers alone tell: the one that most others stay with.

    Parameters
    ----------
    arms : ArmAngles
    shaft : int
    shaft_of : tuple of int
        Index of each marker's shaft.

    Returns
    -------
    int
        Of equals the one measured in more frames, then the first.
    """
    first, number = shaft_of.index(shaft), shaft_of.count(shaft)
    steps = [step for step in arms.steps if step.shaft == shaft]

    def merit(b: int) -> tuple[int, int]:
        with_it = sum(step.group.count(step.group[b - first]) for step in steps)
        return with_it, int(np.isfinite(arms.angle_rad[:, b]).sum())

    return max(range(first, first + number), key=merit)
