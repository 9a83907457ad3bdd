"""Which arm slipped on a shaft that has several markers.

Markers that moved against each other do not say which of them still shows the shaft. Linkages do: the angle
of an arm and that of the shaft at the other end of its rod follow one another without a step, whatever slips
elsewhere. So each linkage of the shaft is asked which marker keeps step with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.estimate import Estimate

Array = NDArray[np.float64]
Why = Literal["turned", "linkages", "most", "downstream", "rest", "loaded", "unknown"]
Cause = Literal["driven", "drive", "loose", "unknown"]


@dataclass(frozen=True, slots=True)
class Moved:
    """Markers of one shaft that moved against each other.

    Parameters
    ----------
    first, last : int
        Frames in which they did, both included; none if `last` is before `first`.
    groups : tuple of tuple of int
        Markers (by their place among those of the shaft) that stayed together.
    size_rad, sd_rad : ndarray, shape (n, n)
        How far marker j moved against marker i, counter-clockwise positive; NaN where that is not known.
    turned : tuple of bool
        For each marker, whether it turned in its place (about its own middle, not about the shaft).
    """

    first: int
    last: int
    groups: tuple[tuple[int, ...], ...]
    size_rad: Array
    sd_rad: Array
    turned: tuple[bool, ...]

    @property
    def moment(self) -> int:
        """Frame in the middle of it."""
        return self.first if self.last < self.first else (self.first + self.last) // 2

    def between(self, group: int, other: int) -> Estimate:
        """How far a group moved against another, by the two markers that tell it best (rad)."""
        pairs = [(i, j) for i in self.groups[other] for j in self.groups[group]]
        known = [(i, j) for i, j in pairs if np.isfinite(self.size_rad[i, j])]
        if not known:
            return Estimate(np.nan, np.nan)
        best = min(known, key=lambda p: self.sd_rad[p])
        return Estimate(float(self.size_rad[best]), float(self.sd_rad[best]))


@dataclass(frozen=True, slots=True)
class ArmVerdict:
    """Which markers show the shaft, and what became of the others.

    Parameters
    ----------
    true : int
        Group whose markers show the shaft.
    why : str
        "turned": the others turned in their places. "linkages": linkages on both sides keep step with it.
        "most": most markers stayed together. "rest": it came back to where the shaft rested before.
        "downstream": a linkage that the shaft drives keeps step with it, the one that drives the shaft with
        another. "loaded": the only linkage keeps step with another, so that arm carries a load and the true
        one does not. "unknown": nothing tells.
    cause : tuple of str
        For each group: "driven" or "drive" where that arm of a linkage slipped, "loose" where no linkage goes
        with it, "unknown", or the way in which the true group is linked.
    """

    true: int
    why: Why
    cause: tuple[Cause, ...]

    @property
    def certain(self) -> bool:
        """Whether the film tells it; otherwise it is the likeliest of several ways."""
        return self.why in ("turned", "linkages", "most", "rest")


def judge(
    moved: Moved,
    driven_by: Sequence[int | None] = (),
    driving: Sequence[int | None] = (),
    back: int | None = None,
) -> ArmVerdict:
    """Decide which markers show the shaft.

    Parameters
    ----------
    moved : Moved
    driven_by, driving : sequence of int or None
        Group with which each linkage that drives the shaft, and that it drives, keeps step; None where a
        linkage does not tell.
    back : int or None
        Group that came back to where the shaft rested before, where only one did.

    Returns
    -------
    ArmVerdict

    Notes
    -----
    Where a linkage on one side keeps step with one arm and a linkage on the other side with another, either
    arm may have moved on the shaft. The one that drives on counts as the shaft then: what lies behind the
    slip is what went wrong.

    Examples
    --------
    >>> size = np.radians([[0.0, -3.0], [3.0, 0.0]])
    >>> moved = Moved(150, 152, ((0,), (1,)), size, 0 * size, (False, False))
    >>> judge(moved, driven_by=[0], driving=[1])
    ArmVerdict(true=1, why='downstream', cause=('driven', 'drive'))
    >>> judge(moved, driven_by=[0], driving=[0])
    ArmVerdict(true=0, why='linkages', cause=('driven', 'loose'))
    """
    every = range(len(moved.groups))
    turned = [g for g in every if all(moved.turned[b] for b in moved.groups[g])]
    left = [g for g in every if g not in turned] or list(every)
    up, down = ([g for g in left if g in kept] for kept in (driven_by, driving))
    both = [g for g in up if g in down]
    idle = [g for g in left if g not in (*up, *down)]
    linked: list[Cause] = ["driven" if g in up else "drive" if g in down else "loose" for g in every]

    def largest(of: Sequence[int]) -> int:
        return max(of, key=lambda g: len(moved.groups[g]), default=left[0])

    most = largest(left)
    majority = 2 * len(moved.groups[most]) > sum(len(moved.groups[g]) for g in left)
    ways: tuple[tuple[bool, int, Why], ...] = (
        (len(left) == 1, left[0], "turned"),
        (len(both) == 1, largest(both), "linkages"),
        (majority, most, "most"),
        (bool(up and down), largest(down), "downstream"),
        (not up and back in left, left[0] if back is None else back, "rest"),
        (bool((up or down) and idle), largest(idle), "loaded"),
    )
    for holds, true, why in ways:
        if holds:
            return ArmVerdict(true, why, tuple(linked))
    linked = ["unknown" for _ in every]
    return ArmVerdict(most, "unknown", tuple(linked))


def stand_ins(moved: Sequence[Moved], group: Sequence[int]) -> tuple[int, ...]:
    """One marker of the group chosen at each step; one and the same where that will do.

    Parameters
    ----------
    moved : sequence of Moved
        Steps of one shaft in the order of time.
    group : sequence of int
        Group at each.

    Returns
    -------
    tuple of int
    """
    members = [set(m.groups[g]) for m, g in zip(moved, group, strict=True)]
    common = set.intersection(*members) if members else set()
    if common:
        return (min(common),) * len(members)
    return tuple(min(m) for m in members)


def pieced(
    arms: Sequence[tuple[Array, Array]], moved: Sequence[Moved], markers: Sequence[int]
) -> tuple[Array, Array]:
    """Angle that follows one marker over each step, and is continuous between them.

    Parameters
    ----------
    arms : sequence of tuple of ndarray, shape (N,)
        Angle of what each marker of the shaft sits on, and its standard deviation (rad).
    moved : sequence of Moved
        Steps of the shaft in the order of time.
    markers : sequence of int
        Marker to follow at each step.

    Returns
    -------
    angle_rad, sd_rad : ndarray, shape (N,)
        As the first of these markers shows it, and as the others go on from there.
    """
    follow_first = markers[0] if markers else 0
    angle, sd = (a.copy() for a in arms[follow_first])
    for n in range(1, len(markers)):
        if markers[n] == markers[n - 1]:
            continue
        level = slice(moved[n - 1].last + 1, moved[n].first)
        other, other_sd = arms[markers[n]]
        apart = (angle - other)[level]
        shift = float(np.nanmedian(apart)) if np.isfinite(apart).any() else 0.0
        switch = (level.start + level.stop) // 2
        angle[switch:], sd[switch:] = other[switch:] + shift, other_sd[switch:]
    return angle, sd
