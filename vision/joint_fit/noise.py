"""How edge nodes err, as far as the residuals of the joint fit tell.

Three things do not show in the scatter of pixels along one edge: errors that all its pixels share
(compression, lens), the likeness of the two nodes of an edge (a line that is off is off at both), and the
likeness of neighbouring frames (a codec copies what it drew before). Each is found from residuals, with
allowance for what the fit took out of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.bordered import frame_normals
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.robust import winsorised_variance

_MOST_LIKE = 0.9
"""Two nodes of one edge are never taken to err more alike than this, so that a line keeps a direction."""

_FAR_OUT = 3.0
"""Residuals beyond this many standard deviations count as lying there."""


@dataclass(frozen=True, slots=True)
class NodeNoise:
    """Errors of the nodes of M markers that the scatter along edges does not show.

    Attributes
    ----------
    own_px : ndarray, shape (M,)
        Error of an edge that changes from frame to frame.
    fixed_px : ndarray, shape (M,)
        Error that stays the same in all frames, for markers that do not move in the picture; else 0.
    pair_correlation : ndarray, shape (M,)
        Correlation of the errors of the two nodes of an edge.
    """

    own_px: Floats
    fixed_px: Floats
    pair_correlation: Floats


def find_noise(
    model: JointModel, state: JointState, nodes: Nodes, scatter: Nodes, least_floor_px: float
) -> NodeNoise:
    """Find the noise of nodes from how well the model fits.

    Parameters
    ----------
    model : JointModel
    state : JointState
        Fitted to ``nodes``.
    nodes : Nodes
        Measurements of K frames, with the errors assumed so far.
    scatter : Nodes
        The same, with the error that the scatter along edges shows.
    least_floor_px : float
        Least error assumed beside the scatter.

    Returns
    -------
    NodeNoise
    """
    seen = nodes.inverse_sigma > 0
    cards = len(model.card_ids)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.where(seen, model.with_pairs(None).residuals(state, nodes) / nodes.inverse_sigma, np.nan)
        stated = np.where(seen, scatter.inverse_sigma**-2.0, np.nan)
    fixed = np.zeros(off.shape[1])
    if model.steady:
        mean = np.nanmean(off[:, :cards], axis=0)
        # Pose and lens were fitted to these nodes too: about eleven unknowns of theirs.
        freedom = max(mean.size - 11, 0.2 * mean.size)
        off[:, :cards] -= mean
        # The mean of independent errors is not 0 either.
        chance = winsorised_variance(off[:, :cards]) / len(off)
        fixed[:cards] = np.sqrt(max((mean**2).sum() / freedom - chance, 0.0))
    own, pairs = np.zeros(off.shape[1]), np.zeros(off.shape[1])
    # Paper on the wall and markers on moving arms are blurred and compressed differently.
    for group in (slice(0, cards), slice(cards, None)):
        if not seen[:, group].any():
            continue
        left, likeness = _left_and_likeness(model, state, nodes, group)
        variance = winsorised_variance(off[:, group]) / left - np.nanmedian(stated[:, group])
        own[group] = np.sqrt(max(variance, least_floor_px**2))
        # On a tripod the card's errors are mostly fixed ones, of which there is but one sample.
        pairs[group] = 0.0 if model.steady and group.start == 0 else likeness
    return NodeNoise(own, fixed, pairs)


def _left_and_likeness(
    model: JointModel, state: JointState, nodes: Nodes, group: slice
) -> tuple[float, float]:
    """Share of the errors' variance that a fit of each frame leaves, and the correlation in an edge.

    With residuals r = Q e, where Q = 1 - H takes out what the unknowns of the frame can follow, and errors of
    covariance s^2 (1 + c E), where E swaps the two nodes of an edge, the sums of r_i^2 and of r_i r_swap(i)
    are two linear equations for s^2 and s^2 c.
    """
    residual, _, local = model.linearise(state, nodes, with_shared=False)
    inverse = np.linalg.inv(frame_normals(local))
    size = residual.shape[1]
    q = np.eye(size) - local @ inverse @ np.swapaxes(local, 1, 2)
    swap = np.arange(size) ^ 1
    rows = np.zeros(size, bool)
    rows[8 * (group.start or 0) : None if group.stop is None else 8 * group.stop] = True
    pick = np.repeat(nodes.seen, 8, axis=1) & rows
    r = np.clip(residual, -_FAR_OUT, _FAR_OUT)
    swapped = q[:, :, swap]
    alike = (r * r[:, swap])[pick].sum() / (r * r)[pick].sum()
    own = np.diagonal(q, axis1=1, axis2=2)[pick].sum()
    pair = np.diagonal(swapped, axis1=1, axis2=2)[pick].sum()
    own_by_pair = (swapped * q).sum(axis=2)[pick].sum()
    pair_by_pair = (swapped * q[:, swap]).sum(axis=2)[pick].sum()
    likeness = (alike * own - pair) / (pair_by_pair - alike * own_by_pair)
    left = (own + likeness * own_by_pair) / pick.sum()
    # The residuals were already freed of the likeness assumed so far; both have the same eigenvectors.
    before = model.pair_correlation[group][0]
    both = float((before + likeness) / (1.0 + before * likeness))
    return float(max(left, 0.1)), float(np.clip(both, 0.0, _MOST_LIKE))


def frame_correlation(residuals: Floats, seen: Bools, lags: int) -> Floats:
    """Correlation of errors with those of the frames that follow.

    Parameters
    ----------
    residuals : ndarray, shape (F, M, 8)
    seen : ndarray of bool, shape (F, M)
    lags : int
        Most frames apart.

    Returns
    -------
    ndarray, shape (lags,)
        For 1, 2, ... frames apart, about the mean of each node; 0 where frames are too few.
    """
    off = np.where(seen[..., None], np.clip(residuals, -_FAR_OUT, _FAR_OUT), 0.0)
    number = np.maximum(seen.sum(axis=0), 1)[:, None]
    off = np.where(seen[..., None], off - off.sum(axis=0) / number, 0.0)
    size = (off**2).sum() / max(seen.sum(), 1)
    result = np.zeros(lags)
    for lag in range(1, min(lags + 1, len(off))):
        both = (seen[lag:] & seen[:-lag]).sum()
        if both and size > 0:
            result[lag - 1] = (off[lag:] * off[:-lag]).sum() / both / size
    return result
