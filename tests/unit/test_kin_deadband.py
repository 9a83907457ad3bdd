"""The spline that follows any driven curve."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline

from strokecurve.kinematics.motion.deadband import cubic_basis


@pytest.mark.parametrize("pieces", [1, 2, 9])
def test_cubic_splines_are_those_of_scipy(pieces: int) -> None:
    """Outside check: scipy.interpolate.BSpline."""
    rng = np.random.default_rng(3)
    inner = np.sort(np.concatenate([[0.2, 1.7], rng.uniform(0.2, 1.7, pieces - 1)]))
    knots = np.concatenate([[0.2] * 3, inner, [1.7] * 3])
    at = np.concatenate([inner, rng.uniform(0.2, 1.7, 200)])
    values, slopes = cubic_basis(at, knots)
    assert values.shape == slopes.shape == (at.size, pieces + 3)
    # Double precision: values are at most 1, slopes a few hundred at most.
    assert_allclose(values, BSpline.design_matrix(at, knots, 3).toarray(), rtol=0, atol=1e-13)
    theirs = BSpline(knots, np.eye(pieces + 3), 3).derivative()(at)
    # At an inner knot both sides have the same slope: cubic splines are smooth there.
    assert_allclose(slopes, theirs, rtol=1e-10, atol=1e-10)
    assert_allclose(values.sum(axis=1), 1.0, rtol=0, atol=1e-13)
