"""What should stay put: how far the card, or a marker on its arm, shifts during the clip.

In the model the card is at rest against the shafts and every marker is fixed to its shaft. What the edges of
the markers say against that, frame by frame, tells a card that was moved and a marker that came loose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes

_MOST_SPREAD = 2.0
"""Frames whose departures are less sure than this many times the median are left out."""


@dataclass(frozen=True, slots=True)
class Shifts:
    """Departures from rest over F frames; NaN where not measured.

    Attributes
    ----------
    shafts_mm : ndarray, shape (F, 2)
        Common shift of all shafts against the card, x and y.
    twist_rad : ndarray, shape (F, B)
        Turn of each mounted marker on its arm: what its place along the circle and its direction disagree by.
    """

    shafts_mm: Floats
    twist_rad: Floats


def find_shifts(
    model: JointModel, state: JointState, nodes: Nodes, derivatives: tuple[Floats, Floats, Floats]
) -> Shifts:
    """Find the departures in each frame.

    Parameters
    ----------
    model : JointModel
    state : JointState
        As fitted to all frames.
    nodes : Nodes
        Measurements, those refused by the fit included.
    derivatives : tuple of ndarray
        Residuals (K, N) and derivatives of the same, as ``model.linearise`` gives them.

    Returns
    -------
    Shifts
    """
    residual, shared, local = derivatives
    seen = nodes.seen[:, len(model.card_ids) :]
    by_shift = sum(shared[..., at + 2 : at + 4] for at in model.axis_at)
    shift = _beside(residual, local, np.asarray(by_shift))
    by_twist = np.zeros((*residual.shape, len(model.mounted)))
    for b in range(len(model.mounted)):
        rows = model.rows_of(b)
        # A turn of the marker about its own middle is a turn about the axis less the way along the circle.
        offset = state.mount_offset_mm[b, :2]
        at = model.offset_at[b]
        along = shared[:, rows, at : at + 2] @ np.array([-offset[1], offset[0]])
        by_twist[:, rows, b] = local[:, rows, model.angle_at + b] - along
    twist = _beside(residual, local, by_twist)
    return Shifts(
        np.where(np.asarray(seen.any(axis=1))[:, None], shift, np.nan),
        np.where(seen, twist, np.nan),
    )


def _beside(residual: Floats, local: Floats, extra: Floats) -> Floats:
    """Fit extra unknowns beside those of each frame, (K, E): pose and angles may follow as they can."""
    columns = np.concatenate([local, extra], axis=2)
    turned = np.swapaxes(columns, 1, 2)
    normal = turned @ columns
    diagonal = np.arange(columns.shape[2])
    # A trace of ridge holds what a frame says nothing about.
    normal[:, diagonal, diagonal] += 1e-6 * normal[:, diagonal, diagonal] + 1e-12
    inverse = np.linalg.inv(normal)
    change = -(inverse @ (turned @ residual[..., None]))[..., 0][:, local.shape[2] :]
    sigma = np.sqrt(np.diagonal(inverse, axis1=1, axis2=2)[:, local.shape[2] :])
    # Where arms are parallel or markers hidden, a frame can hardly tell; it would only add noise.
    return np.where(sigma <= _MOST_SPREAD * np.median(sigma, axis=0), change, np.nan)


def largest_step(time_s: Floats, values: Floats, margin_s: float = 0.7) -> tuple[float, float, float]:
    """Find the moment that splits a series into two parts of the most different level.

    Parameters
    ----------
    time_s, values : ndarray, shape (F,)
        NaN values are left out.
    margin_s : float
        Least length of either part.

    Returns
    -------
    step : float
        Level after less level before; 0 where the series is too short.
    sigma : float
        Standard deviation of the step, with neighbouring values taken to err alike over a quarter second.
    at_s : float
        The moment; NaN where there is none.
    """
    known = np.isfinite(values)
    t, v = time_s[known], values[known]
    if len(t) < 20 or t[-1] - t[0] < 3 * margin_s:
        return 0.0, np.inf, np.nan
    # Means of quarter seconds: enough to carry the level, few enough to try every split with medians.
    bins = np.floor((t - t[0]) / 0.25).astype(int)
    number = np.bincount(bins)
    filled = number > 0
    level = (np.bincount(bins, v) / np.maximum(number, 1))[filled]
    moment = (np.bincount(bins, t) / np.maximum(number, 1))[filled]
    best, at = 0.0, np.nan
    for k in range(1, len(level)):
        if moment[k] - t[0] < margin_s or t[-1] - moment[k] < margin_s:
            continue
        step = float(np.median(level[k:]) - np.median(level[:k]))
        if abs(step) > abs(best):
            best, at = step, float(0.5 * (moment[k] + moment[k - 1]))
    noise = 1.4826 * float(np.median(np.abs(np.diff(level)))) / np.sqrt(2.0)
    least = max(min(int((moment < at).sum()), int((moment >= at).sum())), 1)
    return best, 1.25 * noise * np.sqrt(2.0 / least), at
