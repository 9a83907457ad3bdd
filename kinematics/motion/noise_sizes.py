"""How large the slow errors of a film are, and how much of them comes back in every pass."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.motion.angles import Bins, Departures
from strokecurve.kinematics.motion.noise import (
    SlowErrors,
    common_errors,
    cycle_correlation,
    path_correlation,
    place_correlation,
)
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_SIZES = np.arange(-2.5, 3.51, 0.5)  # slow errors looked at, in standard deviations of their prior ...
_UNLIKELY = 25.0  # ... but no two of them together that lie five off
_SHARES = np.arange(-2.0, 2.01, 1.0)  # shares that return, in standard deviations of their prior's logit
_REPEATING = np.linspace(0.0, 1.0, 5)  # of the rest, shares that repeat: before the film each as likely
_CELL = 0.2  # of the correlation length: bins closer than this count as one when slow errors are sized
_BATCH_NUMBERS = 2_000_000  # in the covariances handled at once: 16 MB
_LEAST_RAD = np.radians(0.0005)  # finer than this no film tells two passes apart
_NOTHING = 1e-9  # of the largest: what is known of a parameter, or what it does, that is rounding


def slow_error_sizes(
    bins: Bins, ratio: Array, driven_rad: Array, design: Array, known: Array, settings: Settings = DEFAULTS
) -> SlowErrors:
    """Slow errors of both shafts, as a film's scatter about its own smooth curve shows them.

    Parameters
    ----------
    bins : Bins
    ratio : ndarray, shape (B,)
    driven_rad : ndarray, shape (B,)
        Driven angles.
    design : ndarray, shape (B, P)
        Of a curve linear in its parameters that any linkage follows.
    known : ndarray, shape (K, P)
        What is known of the parameters beside the film, as rows of unit variance about zero.
    settings : Settings
        `floor_rad` and `floor_log_sd` are the prior's median and spread for each shaft, `floor_likeness` what
        one says of the other, `floor_place_share` and `floor_place_spread` the prior of what returns.

    Returns
    -------
    SlowErrors
        Sizes: roots of the posterior means of their squares; shares: by the posterior means of variances.

    Notes
    -----
    Restricted likelihood: the curve's parameters are integrated out, so that what the curve takes up of the
    errors is allowed for. Where the shafts turn alike only the sum of both squares shows, and the prior
    shares it evenly; where the driven shaft turns less, its driver's errors show less than its own. Between
    passes that run alike only errors that do not return differ: with the mean of the passes, their departures
    from it are all that a film has to say. How much of the errors repeats is found first, with both shafts
    alike, and then held.

    References
    ----------
    Patterson and Thompson, Biometrika 58 (1971) 545-554, doi:10.1093/biomet/58.3.545 (from memory).
    """
    scatter = _Scatter(bins, ratio, driven_rad, design, known, settings)
    repeating = 0.0
    if bins.departures:
        size, share, part = (
            v.reshape(-1) for v in np.meshgrid(_SIZES[::2], _SHARES, _REPEATING, indexing="ij")
        )
        variance = _variance(size, settings)
        weight = scatter.weights(variance, variance, _share(share, settings), part, size**2 + share**2)
        left = weight * variance * (1 - _share(share, settings))
        repeating = float(left @ part / left.sum())
    one, other, off = (v.reshape(-1) for v in np.meshgrid(_SIZES, _SIZES, _SHARES, indexing="ij"))
    alike = settings.floor_likeness
    loss = (one**2 + other**2 - 2 * alike * one * other) / (1 - alike**2)
    likely = loss < _UNLIKELY
    driver, driven = (_variance(v[likely], settings) for v in (one, other))
    share = _share(off[likely], settings)
    weight = scatter.weights(driver, driven, share, np.full(share.shape, repeating), (loss + off**2)[likely])
    size = np.array([weight @ driver, weight @ driven])
    returning = float(weight @ (share * (driver + driven)) / size.sum())
    return SlowErrors(np.sqrt(size), returning, repeating, bins.noise_returning)


def _variance(off: Array, settings: Settings) -> Array:
    return np.asarray((settings.floor_rad * np.exp(settings.floor_log_sd * off)) ** 2)


def _share(off: Array, settings: Settings) -> Array:
    logit = np.log(settings.floor_place_share / (1 - settings.floor_place_share))
    return np.asarray(1 / (1 + np.exp(-(logit + settings.floor_place_spread * off))))


class _Scatter:
    """A film's scatter about a curve, and between its passes, made ready for many sizes of its errors."""

    def __init__(
        self, bins: Bins, ratio: Array, driven_rad: Array, design: Array, known: Array, settings: Settings
    ) -> None:
        mean = _cells(bins.path_rad, bins.frames, settings)
        by_driver = np.outer(ratio, ratio)
        path, place = path_correlation(bins, settings), place_correlation(bins, settings)
        cycle = cycle_correlation(bins, settings) if bins.departures else path
        kinds = (path, cycle, place)
        parts = [mean @ (kind * shaft) @ mean.T for kind in kinds for shaft in (by_driver, 1.0)]
        common = mean @ common_errors(bins, ratio)
        white = np.diag(mean**2 @ (bins.driven_var + ratio**2 * bins.driver_var)) + common @ common.T
        beside, prior = _freed(mean @ design, known)
        self.off = beside.T @ mean @ driven_rad
        self.white = beside.T @ (white + prior) @ beside
        self.parts = np.stack([beside.T @ part @ beside for part in parts])
        self.passes = [_Passes(d, bins, ratio, settings) for d in bins.departures]

    def weights(self, driver: Array, driven: Array, share: Array, repeating: Array, prior: Array) -> Array:
        """Probability of each of G possibilities, given their loss by the prior."""
        path = (1 - share) * (1 - repeating), (1 - share) * repeating, share
        amounts = np.stack([kind * shaft for kind in path for shaft in (driver, driven)], axis=1)
        loss = prior + _loss(self.white, self.parts, amounts, self.off)
        for passes in self.passes:
            loss = loss + passes.loss(amounts[:, :2])
        weight = np.exp(-(loss - loss.min()) / 2)
        return np.asarray(weight / weight.sum())


class _Passes:
    """How passes that run alike depart from their mean, where only what does not return is left."""

    def __init__(self, departures: Departures, bins: Bins, ratio: Array, settings: Settings) -> None:
        at, slope = departures.bins, ratio[departures.bins]
        mean = _cells(bins.path_rad[at], bins.frames[at], settings)
        count = np.ones(at.size) if bins.passes is None else bins.passes[at]
        white = (bins.driven_var + ratio**2 * bins.driver_var)[at]
        own = white * count * (1 - bins.noise_returning) / (1 + bins.noise_returning * (count - 1))
        run = np.abs(bins.path_rad[at][:, None] - bins.path_rad[at][None, :])
        likeness = np.exp(-run / settings.floor_path_rad)
        self.white = np.diag(mean**2 @ own + _LEAST_RAD**2)
        self.parts = np.stack([mean @ (likeness * s) @ mean.T for s in (np.outer(slope, slope), 1.0)])
        self.off = mean @ departures.off_rad.T

    def loss(self, amounts: Array) -> Array:
        """Loss by the departures, for amounts (G, 2) of what does not return."""
        found = []
        for covariance in _summed(self.white, self.parts, amounts):
            factor = np.linalg.cholesky(covariance)
            whitened = np.linalg.solve(factor, self.off)
            volume = 2 * np.log(np.einsum("gii->gi", factor)).sum(axis=1)
            found.append(np.einsum("gij,gij->g", whitened, whitened) + (self.off.shape[1] - 1) * volume)
        return np.concatenate(found)


def _freed(design: Array, known: Array) -> tuple[Array, Array]:
    """What is left beside a curve of which nothing is known, and the covariance by what is known of it.

    Returns
    -------
    beside : ndarray, shape (C, C - R)
        Orthonormal: combinations of C points that R free directions of the curve do not change.
    prior : ndarray, shape (C, C)
        By all other directions.
    """
    size, axes = np.linalg.eigh(known.T @ known)
    free = size <= _NOTHING * size.max()
    bound = design @ axes[:, ~free] / np.sqrt(size[~free])
    left, reach, _ = np.linalg.svd(design @ axes[:, free])
    rank = int(np.sum(reach > _NOTHING * reach.max(initial=0.0)))
    return left[:, rank:], bound @ bound.T


def _loss(white: Array, parts: Array, amounts: Array, off: Array) -> Array:
    """Twice the negative log likelihood of deviations (C,), up to a constant, for each of the amounts.

    The covariances bordered by the deviations: one Cholesky factor has both volume and chi-square in it.
    """
    size = off.size
    most = float(off @ np.linalg.solve(white, off)) + 1.0
    bordered = np.zeros((size + 1, size + 1))
    bordered[:size, :size], bordered[size, :size], bordered[:size, size] = white, off, off
    bordered[size, size] = most
    wider = np.pad(parts, ((0, 0), (0, 1), (0, 1)))
    found = []
    for covariance in _summed(bordered, wider, amounts):
        diagonal = np.einsum("gii->gi", np.linalg.cholesky(covariance))
        found.append(2 * np.log(diagonal[:, :size]).sum(axis=1) + most - diagonal[:, size] ** 2)
    return np.concatenate(found)


def _summed(base: Array, parts: Array, amounts: Array) -> Iterator[Array]:
    """A base and parts (K, C, C) by amounts (G, K), so many at once that they stay small in memory."""
    each = max(_BATCH_NUMBERS // base.size, 1)
    flat = parts.reshape(len(parts), -1)
    return (
        base + (amounts[k : k + each] @ flat).reshape(-1, *base.shape) for k in range(0, len(amounts), each)
    )


def _cells(path_rad: Array, frames: NDArray[np.int64], settings: Settings) -> Array:
    """Matrix that averages neighbouring bins, shape (C, B)."""
    cell = np.floor(path_rad / (_CELL * settings.floor_path_rad)).astype(np.int64)
    _, index = np.unique(cell, return_inverse=True)
    member = (index[None, :] == np.arange(index.max() + 1)[:, None]) * frames
    return np.asarray(member / member.sum(axis=1, keepdims=True))
