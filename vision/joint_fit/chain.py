"""Least squares over a chain of frames in which each frame is tied to two before and two after it.

Each frame has 12 unknowns, place and speed of the camera. A node exposed between two frames depends on both,
nodes of one frame on three, so normal equations have a band of 36 numbers. LAPACK's banded Cholesky
decomposition solves thousands of frames in milliseconds.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from strokecurve.vision.arrays import Floats

STATE = 12
"""Unknowns of a frame: place and speed."""

REACH = 3 * STATE
"""Unknowns that nodes of one frame depend on: those of the frame before, its own, those of the next."""

_RIDGE = 1e-9
"""Share of its own information by which each unknown is held besides."""


class Chain:
    """Normal equations of F frames.

    Parameters
    ----------
    measured : ndarray, shape (F, 36, 36)
        Information of each frame's nodes on the frame before, itself and the next one.
    pull : ndarray, shape (F, 36, C)
        Right sides of the same.
    """

    def __init__(self, measured: Floats, pull: Floats) -> None:
        self.frames = len(measured)
        # One frame more at either end takes up what the first frame says of a frame before it: nothing.
        self._band = np.zeros((STATE * (self.frames + 2), REACH)).T
        _add_to_band(self._band, measured, 0)
        self._pull = np.zeros((self.frames + 2, STATE, pull.shape[2]))
        for n in range(3):
            self._pull[n : n + self.frames] += pull[:, STATE * n : STATE * (n + 1)]

    def law_band(self, law: Floats) -> Floats:
        """Give the band of what ties each frame to the next, from blocks of shape (F - 1, 24, 24)."""
        band = np.zeros(self._band.T.shape).T
        _add_to_band(band, law, 1)
        return band

    def law_pull(self, law: Floats, state: Floats) -> Floats:
        """Give the right side of the law at a state (F, 12), shape (F + 2, 12)."""
        both = np.concatenate([state[:-1], state[1:]], axis=1)
        pull = (law @ both[..., None])[..., 0]
        result = np.zeros((self.frames + 2, STATE))
        result[1 : self.frames] += pull[:, :STATE]
        result[2 : self.frames + 1] += pull[:, STATE:]
        return result

    def solved(self, law_band: Floats, law_pull: Floats) -> tuple[Floats, Floats, float]:
        """Solve with a law.

        Parameters
        ----------
        law_band, law_pull : ndarray, shapes (36, 12 (F + 2)), (F + 2, 12)
            As `law_band` and `law_pull` give them; the law pulls on the first right side only.

        Returns
        -------
        solution : ndarray, shape (F, 12, C)
        right : ndarray, shape (F, 12, C)
            What was solved for.
        log_determinant : float
            Of the normal matrix.
        """
        band = self._band + law_band
        band[0] *= 1.0 + _RIDGE
        band[0, :STATE] += 1.0
        band[0, -STATE:] += 1.0
        band[0, band[0] <= 0] = 1.0
        right = self._pull.copy()
        right[:, :, 0] += law_pull
        factor = cholesky_banded(band, overwrite_ab=True, lower=True, check_finite=False)
        flat = right.reshape(-1, right.shape[2])
        solution = cho_solve_banded((factor, True), flat, check_finite=False).reshape(right.shape)
        return solution[1:-1], right[1:-1], 2.0 * float(np.log(factor[0]).sum())

    def variances(self, law_band: Floats) -> Floats:
        """Give the covariance of each frame's unknowns, shape (F, 12, 12).

        Frames are taken two by two, which makes the matrix block tridiagonal; the blocks of its inverse on
        the diagonal follow from one pass to the end and one back (Takahashi's equations).
        """
        band = self._band + law_band
        band[0] *= 1.0 + _RIDGE
        band[0, band[0] <= 0] = 1.0
        band[0, :STATE] += 1.0
        band[0, -STATE:] += 1.0
        size = 2 * STATE
        pairs = -(-(self.frames + 2) // 2)
        wide = np.zeros((REACH, pairs * size))
        wide[:, : band.shape[1]] = band
        wide[0, band.shape[1] :] = 1.0
        own, next_ = np.zeros((2, pairs, size, size))
        first = size * np.arange(pairs)
        for column in range(size):
            for row in range(column, size):
                own[:, row, column] = own[:, column, row] = wide[row - column, first + column]
            for row in range(size, min(column + REACH, 2 * size)):
                next_[:, row - size, column] = wide[row - column, first + column]
        inverses = np.empty_like(own)
        inverses[0] = np.linalg.inv(own[0])
        for k in range(1, pairs):
            tie = next_[k - 1]
            inverses[k] = np.linalg.inv(own[k] - tie @ inverses[k - 1] @ tie.T)
        follow = next_[:-1] @ inverses[:-1]
        result = inverses
        for k in range(pairs - 2, -1, -1):
            result[k] += follow[k].T @ result[k + 1] @ follow[k]
        halves = np.stack([result[:, :STATE, :STATE], result[:, STATE:, STATE:]], axis=1)
        return halves.reshape(-1, STATE, STATE)[1 : self.frames + 1]


def _add_to_band(band: Floats, blocks: Floats, offset: int) -> None:
    """Add symmetric blocks (n, s, s), block k beginning at frame k + offset, to a band in lower form.

    The band lies in memory column after column, as LAPACK wants it.
    """
    columns = band.T.reshape(-1, STATE, REACH)
    count, size = blocks.shape[:2]
    for column in range(size):
        frame, part = divmod(column, STATE)
        target = columns[offset + frame : offset + frame + count, part, : size - column]
        target += blocks[:, column, column:]
