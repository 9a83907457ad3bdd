"""Markers that turn together: one angle for a shaft from all that sit on it.

Every marker on a shaft is measured by itself. What they show of one body is one angle, apart from a constant
for each marker: the best mean of them, weighted by how well each is known in each frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.arrays import Bools, Floats
from vision.guess import unwrapped

_UNSEEN = 1e6
"""Variance (rad^2) that takes the place of an angle that was not measured."""

_TIED = 5
"""Frames in which two markers must be seen together for the angle between them to be known."""


@dataclass(frozen=True, slots=True)
class MarkerAngles:
    """Angles of B markers about the axes of their shafts, over F frames.

    Attributes
    ----------
    angle_rad : ndarray, shape (F, B)
        Direction of each marker, not unwrapped; NaN is a gap.
    covariance : ndarray, shape (F, B, B)
        Of the errors in each frame (except constant ones), rad^2.
    shaft_of : tuple of int
        Index of each marker's shaft.
    """

    angle_rad: Floats
    covariance: Floats
    shaft_of: tuple[int, ...]

    def on(self, shaft: int) -> tuple[Floats, Floats]:
        """Angles (F, n) and covariances (F, n, n) of the markers of one shaft."""
        mine = [b for b, s in enumerate(self.shaft_of) if s == shaft]
        return self.angle_rad[:, mine], self.covariance[:, mine][:, :, mine]


def shaft_angles(markers: MarkerAngles) -> tuple[Floats, Floats]:
    """Angle of each shaft with its standard deviation, (F, S) each; NaN where no marker of it was seen.

    Parameters
    ----------
    markers : MarkerAngles

    Returns
    -------
    angle, sigma : ndarray, shape (F, S)
        The angle is the direction of the shaft's first marker, unwrapped.
    """
    each = [as_one(*markers.on(s)) for s in range(1 + max(markers.shaft_of))]
    return np.stack([a for a, _ in each], axis=1), np.stack([s for _, s in each], axis=1)


def as_one(angle_rad: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Angle of a body from n markers that turn with it.

    Parameters
    ----------
    angle_rad : ndarray, shape (F, n)
        Of each marker; NaN is a gap.
    covariance : ndarray, shape (F, n, n)
        Of their errors.

    Returns
    -------
    angle, sigma : ndarray, shape (F,)
        Direction of the first marker, unwrapped; NaN where no marker was seen whose angle to it is known.

    Notes
    -----
    With measured angles ``y = x 1 + o + e``, ``e`` of covariance ``V`` in each frame, the angles ``o``
    between the markers minimise the sum over frames of ``(y - o)' Q (y - o)`` with
    ``Q = W - W 1 1' W / (1' W 1)`` and ``W = inv(V)``; then ``x = 1' W (y - o) / (1' W 1)`` (generalised
    least squares).
    """
    if angle_rad.shape[1] == 1:
        angle, variance = unwrapped(angle_rad[:, 0]), covariance[:, 0, 0]
        return angle, np.where(np.isnan(angle), np.nan, np.sqrt(variance))
    seen = np.isfinite(angle_rad)
    seen &= _tied(seen)
    angle = alike_unwrapped(np.where(seen, angle_rad, np.nan))
    weight = weights(covariance, seen)
    total = weight.sum(axis=2)
    amount = total.sum(axis=1)
    known = amount > 0
    share = np.where(known[:, None], total / np.where(known, amount, 1.0)[:, None], 0.0)
    q = weight - total[:, :, None] * share[:, None, :]
    value = np.where(seen, angle, 0.0)
    normal, right = q.sum(axis=0), np.einsum("fij,fj->i", q, value)
    offset = np.zeros(angle.shape[1])
    tied = np.flatnonzero(seen.any(axis=0))
    if tied.size > 1:
        free = tied[1:]
        offset[free] = np.linalg.solve(normal[np.ix_(free, free)], right[free])
    mean = (share * np.where(seen, angle - offset, 0.0)).sum(axis=1)
    sigma = 1.0 / np.sqrt(np.where(known, amount, 1.0))
    return np.where(known, mean, np.nan), np.where(known, sigma, np.nan)


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


def _tied(seen: Bools) -> Bools:
    """Markers (n,) whose angle to the first one that is tied to most frames can be known."""
    together = seen.astype(float).T @ seen.astype(float) >= _TIED
    number = seen.shape[1]
    reach = np.linalg.matrix_power((together | np.eye(number, dtype=bool)).astype(float), number) > 0
    return np.asarray(reach[int(np.argmax([seen[:, r].any(axis=1).sum() for r in reach]))], bool)
