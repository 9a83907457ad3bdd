"""Markers of one shaft put together: against dense least squares, with gaps, and honest."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from vision.joint_fit.rigid import MarkerAngles, as_one, shaft_angles

FRAMES = 60


def covariances(rng: np.random.Generator, frames: int, number: int) -> np.ndarray:
    """Covariances (F, n, n) of some hundredths of a degree, with common parts."""
    root = np.deg2rad(0.03) * rng.normal(size=(frames, number, number + 1))
    return np.asarray(root @ np.swapaxes(root, 1, 2))


def errors(rng: np.random.Generator, covariance: np.ndarray) -> np.ndarray:
    root = np.linalg.cholesky(covariance)
    return np.asarray((root @ rng.normal(size=(*covariance.shape[:2], 1)))[..., 0])


def test_the_mean_is_that_of_dense_least_squares() -> None:
    rng = np.random.default_rng(1)
    truth = np.deg2rad(np.linspace(0, 80, FRAMES))
    covariance = covariances(rng, FRAMES, 3)
    measured = truth[:, None] + [0.0, 1.0, -2.0] + errors(rng, covariance)
    seen = rng.random((FRAMES, 3)) > 0.2
    seen[:, 0] |= ~seen.any(axis=1)
    angle, sigma = as_one(np.where(seen, measured, np.nan), covariance)
    # One row for each measured angle; unknown are the angle of each frame and two angles between markers.
    design, values, noise = [], [], np.zeros((seen.sum(), seen.sum()))
    row = 0
    for f in range(FRAMES):
        mine = np.flatnonzero(seen[f])
        noise[row : row + mine.size, row : row + mine.size] = covariance[f][np.ix_(mine, mine)]
        row += mine.size
        for b in mine:
            line = np.zeros(FRAMES + 2)
            line[f] = 1.0
            if b:
                line[FRAMES + b - 1] = 1.0
            design.append(line)
            values.append(measured[f, b])
    information = np.array(design).T @ np.linalg.inv(noise)
    dense = np.linalg.solve(information @ np.array(design), information @ np.array(values))
    assert_allclose(angle, dense[:FRAMES], rtol=0, atol=1e-9)
    assert (sigma < np.sqrt(np.min(np.where(seen, covariance[:, range(3), range(3)], np.inf), axis=1))).any()


def test_the_mean_is_better_than_each_and_its_deviation_is_honest() -> None:
    rng = np.random.default_rng(2)
    z, off, alone = [], [], []
    for _ in range(20):
        covariance = covariances(rng, FRAMES, 2)
        each = errors(rng, covariance)
        angle, sigma = as_one(0.3 + each, covariance)
        off.append(angle - angle.mean())
        z.append(off[-1] / sigma)
        alone.append(each)
    # 1200 values: a spread of one is found to 2 %.
    assert 0.93 < np.std(z) < 1.07
    assert np.std(off) < 0.85 * np.std(alone, axis=(0, 1)).min()


def test_one_carries_on_where_the_other_is_covered() -> None:
    truth = np.linspace(0, 9.0, FRAMES)
    covariance = np.repeat((np.eye(2) * 1e-8)[None], FRAMES, axis=0)
    measured = np.angle(np.exp(1j * (truth[:, None] + [0.0, 2.5])))
    measured[20:50, 0] = np.nan
    measured[:5, 1] = np.nan
    measured[55] = np.nan
    angle, sigma = as_one(measured, covariance)
    assert_array_equal(np.flatnonzero(np.isnan(angle)), [55])
    assert_array_equal(np.isnan(sigma), np.isnan(angle))
    known = np.isfinite(angle)
    assert_allclose(angle[known], truth[known], rtol=0, atol=1e-9)


def test_a_marker_never_seen_with_the_others_adds_nothing() -> None:
    covariance = np.repeat((np.eye(2) * 1e-8)[None], FRAMES, axis=0)
    measured = np.zeros((FRAMES, 2))
    measured[:20, 1], measured[20:, 0] = np.nan, np.nan
    angle, _ = as_one(measured, covariance)
    # The longer of both parts is kept; the angle between the two is not known.
    assert_array_equal(np.isfinite(angle), np.arange(FRAMES) >= 20)


def test_shafts_with_one_marker_stay_as_they_are() -> None:
    rng = np.random.default_rng(3)
    angle = rng.normal(0, 0.01, (FRAMES, 3))
    angle[7, 1] = np.nan
    covariance = covariances(rng, FRAMES, 3)
    found, sigma = shaft_angles(MarkerAngles(angle, covariance, (0, 1, 1)))
    assert_array_equal(found[:, 0], angle[:, 0])
    assert_array_equal(sigma[:, 0], np.sqrt(covariance[:, 0, 0]))
    assert np.isfinite(found[:, 1]).all()
