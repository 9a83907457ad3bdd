"""Lost motion as a play operator: the driven shaft stands still until the joint's play is taken up."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Play:
    """Where a path engages: the driven angle is `ideal[source] - slack[source] * opened`.

    Parameters
    ----------
    source : ndarray of int, shape (N,)
        Position on the path at which the driven shaft was last moved.
    opened : ndarray of float, shape (N,)
        1 where it was last pushed open (it lags by the whole slack), 0 where last pulled closed; before
        either, as it started.
    """

    source: NDArray[np.int64]
    opened: Array


def engage(
    ideal: Array,
    slack: Array | float,
    start_opened: float = 0.0,
    restarts: NDArray[np.bool_] | None = None,
) -> Play:
    """Follow a path through the play.

    Parameters
    ----------
    ideal : ndarray, shape (N,)
        Driven angle without play along the path, positive in its own opening direction.
    slack : ndarray, shape (N,), or float
        Width of the play, at each point or everywhere. A negative width, as a fit may try, engages like its
        size.
    start_opened : float
        Where the path starts within the play: 0 on the closing side (the way a burner comes to low fire),
        1 on the opening side.
    restarts : ndarray of bool, shape (N,), optional
        Where the path begins anew, having come the way that it goes back from there.

    Returns
    -------
    Play

    Notes
    -----
    y[k] = min(max(y[k-1], ideal[k] - slack[k]), ideal[k]): the play (backlash) operator.

    Examples
    --------
    >>> ideal = np.array([0.0, 1.0, 3.0, 4.0, 3.0, 1.0])
    >>> play = engage(ideal, 2.0)
    >>> (ideal[play.source] - 2.0 * play.opened).tolist()
    [0.0, 0.0, 1.0, 2.0, 2.0, 1.0]
    """
    widths = np.broadcast_to(np.abs(slack), ideal.shape).tolist()
    path = ideal.tolist()  # a loop over floats is several times faster than one over array elements
    stops = [] if restarts is None else np.flatnonzero(restarts).tolist()
    sources: list[int] = []
    sides: list[float] = []
    for first, stop in pairwise([0, *stops, len(path)]):
        came = (
            (0, start_opened) if first == 0 else _run(path, widths, range(stop - 1, first - 1, -1), 0.0)[-1]
        )
        for source, side in _run(path, widths, range(first, stop), came[1], came[0] if first else None):
            sources.append(source)
            sides.append(side)
    return Play(np.array(sources, dtype=np.int64), np.array(sides))


def _run(
    path: list[float], widths: list[float], along: range, side: float, source: int | None = None
) -> list[tuple[int, float]]:
    """Where the driven shaft was last moved, and to which side, at each place along a part of the path.

    It starts where it was moved to at the source, or on the side given at the first place.
    """
    at = along[0]
    source = at if source is None else source
    value = path[source] - widths[source] * side
    before = path[at]
    found = [(source, side)]
    for k in along[1:]:
        top, width = path[k], widths[k]
        # a play of no width is engaged both ways at once: the way of moving decides
        if value <= top - width and top >= before:
            value, source, side = top - width, k, 1.0
        elif value >= top:
            value, source, side = top, k, 0.0
        elif value < top - width:
            value, source, side = top - width, k, 1.0
        before = top
        found.append((source, side))
    return found
