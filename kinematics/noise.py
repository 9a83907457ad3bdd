"""Errors of a film's angles: white frame noise, and slowly varying errors of a size that the film tells."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from kinematics.motion import Bins
from kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_SIZES = np.arange(-2.5, 3.51, 0.5)  # slow errors looked at, in standard deviations of their prior ...
_UNLIKELY = 25.0  # ... but no two of them together that lie five off
_CELL = 0.2  # of the correlation length: bins closer than this count as one when slow errors are sized
_BATCH_NUMBERS = 2_000_000  # in the covariances handled at once: 16 MB


def slow_correlation(bins: Bins, settings: Settings = DEFAULTS) -> Array:
    """Correlation of one shaft's slowly varying error between the bins.

    Parameters
    ----------
    bins : Bins
    settings : Settings
        Correlation length, and the share that comes back at the same place.

    Returns
    -------
    ndarray, shape (B, B)

    Notes
    -----
    A first-order Markov error along the driver's path (light, hand, compression), and one along the driver's
    angle: errors of lens and edges are the same in both passes.
    """
    run = np.abs(bins.path_rad[:, None] - bins.path_rad[None, :])
    apart = np.abs(bins.driver_rad[:, None] - bins.driver_rad[None, :])
    length, share = settings.floor_path_rad, settings.floor_place_share
    return np.asarray((1 - share) * np.exp(-run / length) + share * np.exp(-apart / length))


def drift_variance(gone_rad: Array, settings: Settings = DEFAULTS) -> Array:
    """Variance by which a slow error of unit size has changed, after so much driver path.

    Parameters
    ----------
    gone_rad : ndarray, any shape
        Driver path since the angle was zero.
    settings : Settings

    Returns
    -------
    ndarray, same shape
        From 0 to 2, when both ends know nothing of each other any more. What comes back at the same place in
        the other pass is not counted on.

    Examples
    --------
    >>> drift_variance(np.radians([0.0, 20.0, 180.0])).round(3).tolist()
    [0.0, 1.264, 2.0]
    """
    return np.asarray(2 * (1 - np.exp(-gone_rad / settings.floor_path_rad)))


def noise_whitener(
    bins: Bins, ratio: Array, floor_rad: Array | float | None = None, settings: Settings = DEFAULTS
) -> Array:
    """Matrix that makes errors of the driven angle, given the driver, independent and of unit variance.

    Parameters
    ----------
    bins : Bins
    ratio : ndarray, shape (B,)
        Driven degrees for one degree of driver: an error of the driver's angle enters multiplied by it.
    floor_rad : ndarray, shape (2,), or float, optional
        Size of the slow errors of driver and driven shaft; as the settings expect it if left out.
    settings : Settings

    Returns
    -------
    ndarray, shape (B, B), lower triangular
        Inverse Cholesky factor of their covariance: white frame noise plus the slow errors, which keep a fit
        over many frames from claiming more than the markers give.
    """
    driver, driven = np.broadcast_to(settings.floor_rad if floor_rad is None else floor_rad, 2)
    sizes = driven**2 + driver**2 * ratio[:, None] * ratio[None, :]
    covariance = slow_correlation(bins, settings) * sizes
    covariance[np.diag_indices_from(covariance)] += bins.driven_var + ratio**2 * bins.driver_var
    factor = np.linalg.cholesky(covariance)
    return np.tril(np.linalg.inv(factor))


def slow_error_sizes(
    bins: Bins, ratio: Array, driven_rad: Array, design: Array, known: Array, settings: Settings = DEFAULTS
) -> Array:
    """Size of the slow errors of both shafts, as a film's scatter about its own smooth curve shows them.

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
        one says of the other.

    Returns
    -------
    ndarray, shape (2,)
        Of driver and driven shaft: roots of the posterior means of their squares, rad.

    Notes
    -----
    Restricted likelihood: the curve's parameters are integrated out, so that what the curve takes up of the
    errors is allowed for. Where the shafts turn alike only the sum of both squares shows, and the prior
    shares it evenly; where the driven shaft turns less, its driver's errors show less than its own.

    References
    ----------
    Patterson and Thompson, Biometrika 58 (1971) 545-554, doi:10.1093/biomet/58.3.545 (from memory).
    """
    mean = _cells(bins, settings)
    one, other = (v.reshape(-1) for v in np.meshgrid(_SIZES, _SIZES, indexing="ij"))
    alike = settings.floor_likeness
    prior = (one**2 + other**2 - 2 * alike * one * other) / (1 - alike**2)
    likely = prior < _UNLIKELY
    prior = prior[likely]
    driver, driven = (
        (settings.floor_rad * np.exp(settings.floor_log_sd * v[likely])) ** 2 for v in (one, other)
    )
    slow = slow_correlation(bins, settings)
    by_driver, by_driven = (mean @ m @ mean.T for m in (slow * np.outer(ratio, ratio), slow))
    white = np.diag(mean**2 @ (bins.driven_var + ratio**2 * bins.driver_var))
    columns = mean @ np.column_stack([design, driven_rad])
    covariances = (
        white + driver[g, None, None] * by_driver + driven[g, None, None] * by_driven
        for g in _batches(driver.size, white.size)
    )
    parts = [_in_units_of(covariance, columns) for covariance in covariances]
    products, volume = (np.concatenate(part) for part in zip(*parts, strict=True))
    products[:, :-1, :-1] += known.T @ known
    # where one pass is all there is, nothing tells lost motion: a trace keeps the elimination possible
    curve, across = products[:, :-1, :-1] + 1e-9 * np.eye(design.shape[1]), products[:, :-1, -1]
    taken = np.einsum("gi,gi->g", across, np.linalg.solve(curve, across[..., None])[..., 0])
    loss = volume + np.linalg.slogdet(curve)[1] + products[:, -1, -1] - taken + prior
    weight = np.exp(-(loss - loss.min()) / 2)
    return np.asarray(np.sqrt(np.array([weight @ driver, weight @ driven]) / weight.sum()))


def _batches(count: int, numbers_each: int) -> Iterator[slice]:
    """Slices of so many sizes at once that their covariances stay small in memory, however long the film."""
    each = max(_BATCH_NUMBERS // numbers_each, 1)
    return (slice(k, k + each) for k in range(0, count, each))


def _in_units_of(covariance: Array, columns: Array) -> tuple[Array, Array]:
    """Products of the columns in units of the noise, and the logarithm of its volume, for each covariance."""
    factor = np.linalg.cholesky(covariance)
    whitened = np.linalg.solve(factor, columns)
    return np.swapaxes(whitened, 1, 2) @ whitened, 2 * np.log(np.einsum("gii->gi", factor)).sum(axis=1)


def _cells(bins: Bins, settings: Settings) -> Array:
    """Matrix that averages neighbouring bins, shape (C, B)."""
    cell = np.floor(bins.path_rad / (_CELL * settings.floor_path_rad)).astype(np.int64)
    _, index = np.unique(cell, return_inverse=True)
    member = (index[None, :] == np.arange(index.max() + 1)[:, None]) * bins.frames
    return np.asarray(member / member.sum(axis=1, keepdims=True))
