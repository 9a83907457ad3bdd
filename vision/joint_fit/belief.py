"""Which markers are believed in which frames, and how far.

Noise is sized over the whole film, but not every frame is like the others: pictures blur while hand or arm
are fast, and a codec saves where it can. A marker that lies a little further off its model than usual is
noisy there, and its deviations grow with it. One that lies off by more than any noise of that frame has
something in front of it, or moved; it is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.edges.edges import NODE_FRACTIONS
from strokecurve.vision.joint_fit.nodes import Nodes


@dataclass(frozen=True, slots=True)
class BeliefSettings:
    """Limits of the distance (RMS over its nodes) of a marker from its model.

    Attributes
    ----------
    reject : float
        Standard deviations beyond which a marker is not believed, unless another limit here allows more.
    least_px, least_share, most_share : float
        Nearer than so many pixels no marker is refused, however clean the film: the path of a hand between
        rows errs by a fifth of a pixel. But what gets in front of a marker shows in the angle it would make
        wrong, so that this limit is not less than one share of the marker's side (a quarter of a degree for
        a marker on its own axis, half of that for one 40 mm off) and not more than another (0.4 degrees).
        Up to the latter, too, a frame in which other markers are off as well is taken for a noisy one.
    least_others : int
        Other markers that must be seen in a frame to tell that it is noisy.
    shaken : float
        A frame in which markers lie this many times further off than usual (their median) is shaken: the
        phone was swung round or knocked. What is left out there says nothing of single markers.
    usual : float
        Standard deviations up to which noise alone gets by chance in nine frames out of ten. A marker
        further off has its deviations enlarged until it is at this distance.
    """

    reject: float = 5.5
    least_px: float = 0.2
    least_share: float = 0.002
    most_share: float = 0.0035
    least_others: int = 2
    shaken: float = 2.5
    usual: float = 1.2


@dataclass(frozen=True, slots=True)
class Belief:
    """What of F frames and M markers is believed.

    Attributes
    ----------
    refused : ndarray of bool, shape (F, M)
        Markers seen but not believed.
    shaken : ndarray of bool, shape (F,)
        Frames in which all markers lie further off than usual.
    """

    refused: Bools
    shaken: Bools


def judged(rms: Floats, nodes: Nodes, settings: BeliefSettings) -> Belief:
    """Tell what is believed.

    Parameters
    ----------
    rms : ndarray, shape (F, M)
        Distance of each marker's nodes from the model, in standard deviations.
    nodes : Nodes
        Where they were seen, and those deviations.
    settings : BeliefSettings

    Returns
    -------
    Belief
    """
    seen = nodes.seen
    ratio = _ratio(rms, seen)
    in_sigmas = nodes.inverse_sigma.mean(axis=2)
    sides = _side_px(nodes)
    least = np.clip(settings.least_px, settings.least_share * sides, settings.most_share * sides) * in_sigmas
    noisy = settings.reject * _noisier(ratio, settings)
    noisy = np.maximum(np.minimum(noisy, settings.most_share * sides * in_sigmas), settings.reject)
    shaken = np.zeros(len(rms), bool)
    enough = seen.sum(axis=1) > settings.least_others
    shaken[enough] = np.nanmedian(ratio[enough], axis=1) > settings.shaken
    return Belief(np.asarray(seen & (rms > np.maximum(noisy, least)), bool), shaken)


def enlarged(rms: Floats, nodes: Nodes, settings: BeliefSettings) -> Nodes:
    """Give the nodes with the deviations that they show where they lie further off than noise alone gets.

    Parameters
    ----------
    rms : ndarray, shape (F, M)
        How far the nodes of each marker lie off in each frame, in standard deviations.
    nodes : Nodes
    settings : BeliefSettings

    Returns
    -------
    Nodes
    """
    factor = np.where(nodes.seen, np.maximum(rms / settings.usual, 1.0), 1.0)
    return nodes.eased(factor)


def _noisier(ratio: Floats, settings: BeliefSettings) -> Floats:
    """How much further off than usual the other markers of a frame are (their median), (F, M); 1 at least."""
    result = np.ones(ratio.shape)
    for m in range(ratio.shape[1]):
        others = np.delete(ratio, m, axis=1)
        enough = np.isfinite(others).sum(axis=1) >= settings.least_others
        if enough.any():
            result[enough, m] = np.maximum(np.nanmedian(others[enough], axis=1), 1.0)
    return result


def _ratio(rms: Floats, seen: Bools) -> Floats:
    """How many times further off than usual for it each marker is, (F, M); NaN where it was not seen."""
    ratio = np.full(rms.shape, np.nan)
    for m in range(rms.shape[1]):
        known = seen[:, m]
        if known.any():
            ratio[known, m] = rms[known, m] / max(float(np.median(rms[known, m])), 1e-12)
    return ratio


def _side_px(nodes: Nodes) -> Floats:
    """Side of each marker in each frame, (F, M), from the nodes on its edges."""
    along = nodes.pixels[:, :, 1::2] - nodes.pixels[:, :, 0::2]
    length = np.hypot(along[..., 0], along[..., 1]).mean(axis=2)
    return np.asarray(length / (NODE_FRACTIONS[1] - NODE_FRACTIONS[0]), np.float64)
