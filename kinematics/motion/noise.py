"""Errors of a film's angles: white frame noise, slowly varying errors, and errors that all frames share."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.motion.angles import Bins
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SlowErrors:
    """Slowly varying errors of driver and driven shaft.

    Parameters
    ----------
    size_rad : ndarray, shape (2,)
        Standard deviation of each shaft's.
    returning : float
        Share of their variance that comes back at the same driver angle in every pass.
    repeating : float
        Share of the rest that comes back there in every pass of the same way only: it makes no difference
        between strokes, but one between opening and closing.
    noise_returning : float
        Share of the stated frame noise that repeats like that, too (`Bins.noise_returning`).
    """

    size_rad: Array
    returning: float
    repeating: float = 0.0
    noise_returning: float = 0.0

    @classmethod
    def expected(cls, settings: Settings = DEFAULTS) -> SlowErrors:
        """What is expected before a film is seen.

        Parameters
        ----------
        settings : Settings

        Returns
        -------
        SlowErrors
        """
        return cls(np.full(2, settings.floor_rad), settings.floor_place_share)

    def enlarged(self, factor: float) -> SlowErrors:
        """The same errors, so many times as large.

        Parameters
        ----------
        factor : float

        Returns
        -------
        SlowErrors
        """
        return replace(self, size_rad=factor * self.size_rad)

    def drift(
        self, gone_rad: Array, apart_rad: Array, passes: Array | float = 1, settings: Settings = DEFAULTS
    ) -> Array:
        """How far an angle's slow error has gone from its value at the zero, in units of its size.

        Parameters
        ----------
        gone_rad : ndarray, any shape
            Driver path since the angle was zero.
        apart_rad : ndarray, same shape
            Driver angle from where it was zero.
        passes : ndarray, same shape, or float
            Passes averaged; the zero is that of one place and moment.
        settings : Settings
            Correlation length.

        Returns
        -------
        ndarray, same shape
            Standard deviation, from 0 to the root of 2, when both ends know nothing of each other any more.

        Examples
        --------
        >>> back_at_zero = np.radians([180.0]), np.radians([0.0])
        >>> for share in (0.0, 1.0):
        ...     print(SlowErrors(np.ones(2), share).drift(*back_at_zero).round(3))
        [1.414]
        [0.]
        """
        path, place = (np.exp(-way / settings.floor_path_rad) for way in (gone_rad, apart_rad))
        changed = (1 - self.returning) * (1 + self._averaged(passes) * (1 - 2 * path))
        return np.asarray(np.sqrt(np.maximum(changed + 2 * self.returning * (1 - place), 0.0)))

    def shared_drift(
        self, apart_rad: Array, passes: Array | float = 1, settings: Settings = DEFAULTS
    ) -> Array:
        """The part of `drift` that opening and closing pass have in common at the same driver angle.

        Parameters
        ----------
        apart_rad : ndarray, any shape
            Driver angle from where the angle was zero.
        passes : ndarray, same shape, or float
            Passes averaged.
        settings : Settings

        Returns
        -------
        ndarray, same shape
        """
        place = np.exp(-apart_rad / settings.floor_path_rad)
        at_zero = (1 - self.returning) * (1 - place * self._averaged(passes))
        return np.asarray(np.sqrt(np.maximum(at_zero + 2 * self.returning * (1 - place), 0.0)))

    def _averaged(self, passes: Array | float) -> Array | float:
        """Share of the variance of what does not return at the same angle that a mean over passes keeps."""
        return self.repeating + (1 - self.repeating) / passes


def path_correlation(bins: Bins, settings: Settings = DEFAULTS) -> Array:
    """Covariance between the bins of a slow error of unit size that does not come back.

    Parameters
    ----------
    bins : Bins
    settings : Settings
        Correlation length.

    Returns
    -------
    ndarray, shape (B, B)

    Notes
    -----
    A first-order Markov error along the driver's path (light, hand, compression). Where passes were put
    together it averages out: of m and n passes, all those of the smaller number in common, the means have the
    covariance 1 / max(m, n).
    """
    run = np.abs(bins.path_rad[:, None] - bins.path_rad[None, :])
    likeness = np.exp(-run / settings.floor_path_rad)
    if bins.passes is not None:
        likeness /= np.maximum(bins.passes[:, None], bins.passes[None, :])
    return np.asarray(likeness)


def cycle_correlation(bins: Bins, settings: Settings = DEFAULTS) -> Array:
    """Covariance between the bins of a slow error of unit size that comes back in every pass of the same way.

    Parameters
    ----------
    bins : Bins
        Put together from passes that run alike (`folding.fold`).
    settings : Settings
        Correlation length.

    Returns
    -------
    ndarray, shape (B, B)

    Notes
    -----
    First-order Markov on a circle, from low fire up to high fire and back: what a shutter, a codec or a
    shadow does to a moving marker is the same in every opening pass, but not the same in closing.
    """
    apart = np.abs(bins.cycle_rad[:, None] - bins.cycle_rad[None, :])
    return np.asarray(np.exp(-np.minimum(apart, bins.round_rad - apart) / settings.floor_path_rad))


def place_correlation(bins: Bins, settings: Settings = DEFAULTS) -> Array:
    """Covariance between the bins of a slow error of unit size that comes back at the same driver angle.

    Parameters
    ----------
    bins : Bins
    settings : Settings
        Correlation length.

    Returns
    -------
    ndarray, shape (B, B)

    Notes
    -----
    First-order Markov along the driver's angle: errors of lens and edges are the same in every pass, and many
    passes are one sample of them.
    """
    apart = np.abs(bins.driver_rad[:, None] - bins.driver_rad[None, :])
    return np.asarray(np.exp(-apart / settings.floor_path_rad))


def common_errors(bins: Bins, ratio: Array) -> Array:
    """What the causes of error that all frames share do to the driven angle, given the driver.

    Parameters
    ----------
    bins : Bins
    ratio : ndarray, shape (B,)
        Driven degrees for one degree of driver.

    Returns
    -------
    ndarray, shape (B, K)
        Each by one standard deviation.
    """
    if bins.driver_common_rad is None or bins.driven_common_rad is None:
        return np.zeros((ratio.size, 0))
    return np.asarray(bins.driven_sign * bins.driven_common_rad - ratio[:, None] * bins.driver_common_rad)


def noise_whitener(
    bins: Bins, ratio: Array, slow: SlowErrors | None = None, settings: Settings = DEFAULTS
) -> Array:
    """Matrix that makes errors of the driven angle, given the driver, independent and of unit variance.

    Parameters
    ----------
    bins : Bins
    ratio : ndarray, shape (B,)
        Driven degrees for one degree of driver: an error of the driver's angle enters multiplied by it.
    slow : SlowErrors, optional
        As the settings expect them if left out.
    settings : Settings

    Returns
    -------
    ndarray, shape (B, B), lower triangular
        Inverse Cholesky factor of their covariance: white frame noise, slow errors, and errors that all
        frames share. They keep a fit over many frames from claiming more than the markers give.
    """
    slow = slow or SlowErrors.expected(settings)
    driver, driven = slow.size_rad**2
    covariance = (1 - slow.returning) * (1 - slow.repeating) * path_correlation(bins, settings)
    if slow.repeating > 0:
        covariance += (1 - slow.returning) * slow.repeating * cycle_correlation(bins, settings)
    covariance += slow.returning * place_correlation(bins, settings)
    covariance *= driven + driver * ratio[:, None] * ratio[None, :]
    covariance[np.diag_indices_from(covariance)] += bins.driven_var + ratio**2 * bins.driver_var
    common = common_errors(bins, ratio)
    covariance += common @ common.T
    factor = np.linalg.cholesky(covariance)
    return np.tril(np.linalg.inv(factor))
