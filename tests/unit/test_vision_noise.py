"""What residuals tell of the noise of nodes: floors, likeness in an edge, likeness of frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic import WH, outward_of, tracks_of, two_shafts

from strokecurve.vision.joint_fit.bordered import fit_shared
from strokecurve.vision.joint_fit.initialisation import initial_state
from strokecurve.vision.joint_fit.joint import JointModel, JointSettings, MountedMarker
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.noise import NodeNoise, find_noise, frame_correlation
from strokecurve.vision.robust import winsorised_variance

IDS = [0, 1, 2, 3, 10, 11]
MOUNTED = [MountedMarker(10, 30.0, 0), MountedMarker(11, 30.0, 1)]


def found(own_px: float, line_px: float, assumed: float = 0.0) -> NodeNoise:
    """Noise found in a clip whose nodes err by ``own_px`` each, and their lines by ``line_px``."""
    rng = np.random.default_rng(1)
    truth = two_shafts(60, handheld=rng)
    tracks = tracks_of(truth, rng, own_px, stated_px=0.005)
    shift = line_px * rng.normal(size=(*tracks.nodes_px.shape[:3], 1, 1))
    tracks = replace(tracks, nodes_px=tracks.nodes_px + shift * outward_of(tracks.nodes_px)[..., None, :])
    model = JointModel([0, 1, 2, 3], MOUNTED, False, WH, JointSettings(), np.full(6, assumed))
    key = np.arange(60)
    start, _ = initial_state(model, tracks, IDS, key)
    nodes = Nodes.from_tracks(tracks, IDS, np.full(6, 0.03))
    fit = fit_shared(model, start, nodes)
    return find_noise(model, fit.state, nodes, Nodes.from_tracks(tracks, IDS, np.full(6, 1e-4)), 0.004)


@pytest.mark.parametrize("assumed", [0.0, 0.3])
@pytest.mark.parametrize(("own_px", "line_px"), [(0.03, 0.0), (0.026, 0.015), (0.02, 0.02)])
def test_likeness_in_an_edge_and_floor_are_found(own_px: float, line_px: float, assumed: float) -> None:
    noise = found(own_px, line_px, assumed)
    total = own_px**2 + line_px**2
    # 960 edges on the card and 480 on the arms: a correlation is known to 0.03 and 0.05.
    assert_allclose(noise.pair_correlation, line_px**2 / total, rtol=0, atol=0.12)
    assert_allclose(noise.own_px, np.sqrt(total - 0.005**2), rtol=0.08, atol=0)
    assert_allclose(noise.fixed_px, 0.0, rtol=0, atol=0)


def test_likeness_of_frames_is_that_of_the_process() -> None:
    rng = np.random.default_rng(2)
    value = rng.normal(size=(400, 4, 8))
    for k in range(1, 400):
        value[k] = 0.6 * value[k - 1] + 0.8 * value[k]
    seen = np.ones((400, 4), bool)
    seen[100:120, 1] = False
    value[100:120, 1] = 50.0
    value += 0.7 * rng.normal(size=(4, 8))
    alike = frame_correlation(value, seen, 6)
    # 12 800 values, of which some thousand are independent.
    assert_allclose(alike, 0.6 ** np.arange(1, 7), rtol=0, atol=0.07)


def test_frames_too_few_to_compare_are_taken_as_unlike() -> None:
    assert_allclose(frame_correlation(np.ones((3, 1, 8)), np.ones((3, 1), bool), 5)[2:], 0.0, atol=0)


def test_the_winsorised_variance_is_that_of_a_normal_distribution_and_hardly_moved_by_outliers() -> None:
    value = 3.0 * np.random.default_rng(3).normal(size=20_000)
    # Known to 1 %.
    assert_allclose(winsorised_variance(value), 9.0, rtol=0.03, atol=0)
    value[:200] = 1e3
    value[200:300] = np.nan
    assert_allclose(winsorised_variance(value), 9.0, rtol=0.15, atol=0)
    assert winsorised_variance(np.full(3, np.nan)) == 0.0
