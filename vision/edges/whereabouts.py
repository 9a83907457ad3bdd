"""What is known of each marker while a clip runs, and where it is expected next."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from strokecurve.vision.arrays import Floats

_SPEED_FRAMES = 3
"""Frames over which it is told how fast a marker moves: over more it may change, over fewer errors count."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """One marker accepted in one frame.

    Attributes
    ----------
    quad_px : ndarray, shape (4, 2)
        Corners.
    nodes_px, sigma_px, blur_px : ndarray, shape (4, 2, 2), (4, 2) and (4,)
        As in ``vision.edges.follow.MarkerTracks``.
    """

    quad_px: Floats
    nodes_px: Floats
    sigma_px: Floats
    blur_px: Floats


@dataclass(slots=True)
class Marker:
    """What is known of one marker while the clip runs.

    Attributes
    ----------
    marker_id : int
    time_s : float
        When it was last seen.
    quad_px : ndarray, shape (4, 2)
        Its corners then.
    blur_px : ndarray, shape (4,)
        Standard deviation of the blur to be expected across each edge.
    moving_px_s : ndarray, shape (4, 2)
        How fast each corner moved.
    lost_frames : int
        Frames since it was last seen.
    """

    marker_id: int
    time_s: float
    quad_px: Floats
    blur_px: Floats
    moving_px_s: Floats = field(default_factory=lambda: np.zeros((4, 2)))
    lost_frames: int = 0

    def side_px(self) -> float:
        """Mean length of its edges."""
        edges = np.roll(self.quad_px, -1, axis=0) - self.quad_px
        return float(np.hypot(edges[:, 0], edges[:, 1]).mean())

    def move_along(self, times_s: list[float], sightings: list[Sighting], known: bool) -> None:
        """Take over what was seen of it in frames one after the other; ``known``: also in the one before."""
        times, quads = times_s[-_SPEED_FRAMES:], [s.quad_px for s in sightings[-_SPEED_FRAMES:]]
        if known and len(sightings) < _SPEED_FRAMES:
            times, quads = [self.time_s, *times], [self.quad_px, *quads]
        moved, waited_s = quads[-1] - quads[0], times[-1] - times[0]
        self.moving_px_s = moved / waited_s if waited_s > 0 else np.zeros((4, 2))
        self.time_s, self.quad_px = times[-1], quads[-1]
        for sighting in sightings:
            # Blur changes slowly: half of the new value keeps the noise of one frame out of the next.
            self.blur_px = 0.5 * (self.blur_px + sighting.blur_px)


def moved_on(times_s: list[float], markers: list[Marker]) -> Floats:
    """Give the corners at each time if all markers move as they did, shape (F, M, 4, 2)."""
    quads, moving = np.array([(m.quad_px, m.moving_px_s) for m in markers]).swapaxes(0, 1)
    waited_s = np.subtract.outer(times_s, [m.time_s for m in markers])
    return np.asarray(quads + moving * waited_s[..., None, None])


def moved_along(missed: list[Marker], found: list[Marker], sightings: list[Sighting]) -> Floats:
    """Expect markers where those found have moved: a moving hand shifts all of them alike.

    Parameters
    ----------
    missed : list of Marker
        M markers that are looked for.
    found, sightings : lists of Marker and Sighting
        Others as they were before, and as they were seen now.

    Returns
    -------
    ndarray, shape (M, 4, 2)
        Corners (px).
    """
    before = np.array([m.quad_px for m in found])
    off = np.array([s.quad_px for s in sightings]) - before
    quads = np.array([m.quad_px for m in missed])
    if len(found) < 3:
        return np.asarray(quads + off.mean(axis=(0, 1)))
    # Shift, turn and scale of the whole picture, by least squares over all corners found.
    at = before.reshape(-1, 2)
    middle = at.mean(axis=0)
    x, y = (at - middle).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate([np.stack([one, zero, x, -y], 1), np.stack([zero, one, y, x], 1)])
    shift_x, shift_y, grow, turn = np.linalg.lstsq(rows, off.reshape(-1, 2).T.reshape(-1), rcond=None)[0]
    x, y = quads[..., 0] - middle[0], quads[..., 1] - middle[1]
    change = np.stack([shift_x + grow * x - turn * y, shift_y + turn * x + grow * y], axis=-1)
    return np.asarray(quads + change)
