"""Key frames fitted until the noise they were fitted with is the one that their residuals show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.control import JobControl
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_shared
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.noise import find_noise

_ROUGH = 1.0
"""Fits that only prepare the last one end at this gain in half a chi-square."""

NO_FLOOR_PX = 1e-4
"""Keeps the weight of a perfectly drawn edge finite."""


@dataclass(frozen=True, slots=True)
class NoiseSettings:
    """Errors of edge nodes that their own scatter does not show (compression, lens).

    Attributes
    ----------
    start_floor_px, least_floor_px : float
        First assumed, and least.
    turns : int
        How often they are found anew from how well the model fits.
    """

    start_floor_px: float = 0.02
    least_floor_px: float = 0.004
    turns: int = 2


def with_noise_found(
    model: JointModel,
    fit: SharedFit[JointState],
    scatter: Nodes,
    nodes: Nodes,
    settings: NoiseSettings,
    job: JobControl,
    well: bool = True,
) -> tuple[JointModel, SharedFit[JointState], Floats]:
    """Fit key frames again with the noise that the residuals show.

    The noise is stated in full then, so from here on residuals count as they are (a noise scale of 1).

    Parameters
    ----------
    model : JointModel
    fit : SharedFit
        Its state fits the key frames.
    scatter, nodes : Nodes
        Key frames with the errors that scatter along edges shows, and with those assumed so far.
    settings, job
        Limits, and whom to ask whether to stop.
    well : bool
        Fit to the end; else roughly and once, as a preparation.

    Returns
    -------
    model : JointModel
        With the likeness of the errors in an edge.
    fit : SharedFit
    floor_px : ndarray, shape (M,)
        Error of each marker's nodes that their own scatter does not show.
    """
    frames = len(fit.state.rotation)
    floor_px = np.zeros(0)
    for _ in range(settings.turns if well else 1):
        noise = find_noise(model, fit.state, nodes, scatter, settings.least_floor_px)
        model = model.with_pairs(noise.pair_correlation)
        # On a tripod the card shows the same pixels in every frame, so its fixed errors do not average out:
        # all frames together must count for no more than one look with that error.
        floor_px = np.hypot(noise.own_px, np.sqrt(frames) * noise.fixed_px)
        nodes = scatter.floored(floor_px)
        fit = fit_shared(model, fit.state, nodes, job, 1.0, _ROUGH)
    if well:
        fit = fit_shared(model, fit.state, nodes, job, 1.0)
    return model, fit, floor_px
