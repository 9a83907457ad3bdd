"""Which markers are believed: noisy ones are, with larger deviations; those with a hand in front are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from synthetic import Truth, departures_deg, outward_of, tracks_of, true_nodes, two_shafts

from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.joint_fit.belief import BeliefSettings, enlarged, judged
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.motion.faults import find_faults
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec

SPECS = [ShaftSpec("motor", ((10, 30.0),)), ShaftSpec("shaft1", ((11, 30.0),))]
FRAMES = 240


def nodes_of(rms: np.ndarray, sigma_px: float, side_px: float) -> Nodes:
    """Square markers of one size, all as sure as each other; NaN of ``rms`` is a marker not seen."""
    inner = 0.5 * side_px / 3**0.5 * 0.8
    h = 0.5 * side_px
    square = np.array(
        [
            [-inner, -h],
            [inner, -h],
            [h, -inner],
            [h, inner],
            [inner, h],
            [-inner, h],
            [-h, inner],
            [-h, -inner],
        ]
    )
    shape = (*rms.shape, 8)
    weight = np.where(np.isfinite(rms)[..., None], 1.0 / sigma_px, 0.0) * np.ones(shape)
    return Nodes(np.broadcast_to(square, (*shape, 2)), np.zeros((*shape, 2)), weight, np.zeros(shape))


@pytest.mark.parametrize(
    "sigma_px, side_px, allowed",
    [
        (0.05, 80.0, 5.5),  # noise decides
        (0.01, 80.0, 20.0),  # a fifth of a pixel
        (0.01, 160.0, 32.0),  # the lesser share of the side
        (0.01, 30.0, 10.5),  # the larger share of the side
    ],
)
def test_the_limit_follows_noise_pixels_and_side(sigma_px: float, side_px: float, allowed: float) -> None:
    rms = np.ones((40, 6))
    rms[10, 2], rms[20, 2] = 0.97 * allowed, 1.03 * allowed
    belief = judged(rms, nodes_of(rms, sigma_px, side_px), BeliefSettings())
    assert_array_equal(np.argwhere(belief.refused), [[20, 2]])
    assert not belief.shaken.any()


def test_in_a_noisy_frame_more_is_allowed_but_not_everything() -> None:
    rms = np.ones((40, 6))
    rms[10] = 2.0
    rms[10, 2], rms[20, 2] = 6.5, 6.5
    rms[30] = 30.0
    belief = judged(rms, nodes_of(rms, 0.05, 100.0), BeliefSettings())
    # Twice as noisy, frame 10 is allowed 7 (0.35 px); frame 30 is beyond what any noise does.
    assert_array_equal(np.flatnonzero(belief.refused[:, 2]), [20, 30])
    assert belief.refused[30].all()
    assert_array_equal(np.flatnonzero(belief.shaken), [30])


def test_a_marker_alone_in_a_frame_tells_nothing_of_noise() -> None:
    rms = np.full((40, 3), np.nan)
    rms[:, 0] = 1.0
    rms[5, 0] = 6.5
    belief = judged(rms, nodes_of(rms, 0.05, 60.0), BeliefSettings())
    assert_array_equal(np.argwhere(belief.refused), [[5, 0]])
    assert not belief.shaken.any()


def test_deviations_grow_with_what_a_marker_shows() -> None:
    rms = np.ones((4, 2))
    rms[1, 0] = 3.0
    rms[2, 1] = np.nan
    nodes = nodes_of(rms, 0.05, 60.0)
    larger = enlarged(np.nan_to_num(rms), nodes, BeliefSettings())
    factor = np.ones((4, 2))
    factor[1, 0] = 2.5
    assert_allclose(larger.inverse_sigma, nodes.inverse_sigma / factor[..., None], rtol=1e-12, atol=0)


def scaled_up(truth: Truth, factor: float) -> Truth:
    """The same seen by a camera with more pixels."""
    centre = (factor * (truth.centre_px[0] + 0.5) - 0.5, factor * (truth.centre_px[1] + 0.5) - 0.5)
    wh = (round(factor * truth.wh[0]), round(factor * truth.wh[1]))
    return replace(truth, focal_px=factor * truth.focal_px, centre_px=centre, wh=wh)


def noisy(truth: Truth, sigma_px: np.ndarray, seed: int = 0) -> MarkerTracks:
    """Tracks with noise of its own size in every frame, (K,), or of every marker there, (K, M)."""
    tracks = tracks_of(truth)
    sigma = sigma_px if sigma_px.ndim == 2 else np.repeat(sigma_px[:, None], len(tracks.ids), axis=1)
    error = np.random.default_rng(seed).normal(size=tracks.sigma_px.shape) * sigma[..., None, None]
    nodes = tracks.nodes_px + error[..., None] * outward_of(tracks.nodes_px)[..., None, :]
    least = float(sigma.min())
    return replace(tracks, nodes_px=nodes, sigma_px=np.full(tracks.sigma_px.shape, least))


def speeds_px(truth: Truth) -> np.ndarray:
    """How fast each marker moves in the picture, (K, M), px a frame."""
    middle = true_nodes(truth)[1].mean(axis=(2, 3))
    return np.asarray(np.hypot(*np.moveaxis(np.gradient(middle, axis=0), -1, 0)))


def measured(truth: Truth, tracks: MarkerTracks) -> tuple[ShaftMotion, list[str]]:
    motion = find_shafts(tracks, SPECS, truth.wh)
    return motion, [f.code for f in find_faults(tracks, motion, 0)]


def scores(motion: ShaftMotion, truth: Truth) -> np.ndarray:
    """Errors of all angles in standard deviations, (K, S)."""
    off = [departures_deg(motion.angle_rad[:, s], shaft.angle_rad) for s, shaft in enumerate(truth.shafts)]
    return np.stack(off, axis=1) / np.rad2deg(motion.sigma_rad)


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_a_clean_film_whose_noise_grows_with_motion_has_no_findings(factor: float) -> None:
    truth = scaled_up(two_shafts(FRAMES, handheld=np.random.default_rng(1)), factor)
    speed = speeds_px(truth)
    motion, codes = measured(truth, noisy(truth, 0.02 * (1.0 + 4.0 * speed / speed.max())))
    assert codes == []
    assert motion.refused.mean() < 0.002
    z = scores(motion, truth)
    fast = speed[:, 4:] > np.quantile(speed[:, 4:], 0.9, axis=0)
    assert 0.5 < z.std() < 1.3
    assert 0.5 < z[fast].std() < 1.6


@pytest.mark.parametrize("factor", [1.0, 2.0])
@pytest.mark.parametrize("handheld", [False, True])
def test_a_clean_film_with_noisy_frames_has_no_findings(factor: float, handheld: bool) -> None:
    # A codec draws one frame in twenty four times worse than the others.
    truth = scaled_up(two_shafts(FRAMES, handheld=np.random.default_rng(2) if handheld else None), factor)
    sigma = np.where(np.arange(FRAMES) % 20 == 7, 0.08, 0.02)
    motion, codes = measured(truth, noisy(truth, sigma))
    assert codes == []
    assert not motion.refused.any()
    z = scores(motion, truth)
    assert 0.5 < z.std() < 1.35
    # 12 frames of two shafts; stated like the others, they would be off by two and a half deviations.
    assert 0.5 < z[sigma > 0.05].std() < 1.8


def covered(truth: Truth, frames: slice, turn_deg: float, seed: int = 0) -> MarkerTracks:
    """A finger along one edge of the driven marker: that edge seems to lie elsewhere, the angle errs."""
    tracks = tracks_of(truth, np.random.default_rng(seed), 0.02)
    nodes = tracks.nodes_px.copy()
    m = int(np.flatnonzero(tracks.ids == 11)[0])
    outward = outward_of(nodes)[frames, m, 1]
    side = np.linalg.norm(nodes[frames, m, 0, 1] - nodes[frames, m, 0, 0], axis=-1) / 0.4619
    # An edge turned about its middle by four times the angle by which the whole marker would err.
    shift = 0.5 * 0.4619 * side * np.tan(np.deg2rad(4 * turn_deg))
    nodes[frames, m, 1, 0] += shift[:, None] * outward
    nodes[frames, m, 1, 1] -= shift[:, None] * outward
    return replace(tracks, nodes_px=nodes)


@pytest.mark.parametrize("factor", [1.0, 2.0])
@pytest.mark.parametrize("handheld", [False, True])
def test_a_hand_in_front_of_a_marker_is_refused(factor: float, handheld: bool) -> None:
    truth = scaled_up(two_shafts(FRAMES, handheld=np.random.default_rng(3) if handheld else None), factor)
    hand = slice(100, 119)
    motion, codes = measured(truth, covered(truth, hand, 0.4))
    m = motion.marker_ids.index(11)
    assert_array_equal(np.flatnonzero(motion.refused[:, m]), np.arange(100, 119))
    assert not motion.refused[:, [i for i in range(6) if i != m]].any()
    assert np.isnan(motion.angle_rad[hand, 1]).all()
    assert "marker_disturbed" in codes
    assert not motion.shaken.any()


def test_frames_of_a_fast_pan_are_no_fault_of_single_markers() -> None:
    truth = two_shafts(FRAMES, handheld=np.random.default_rng(4))
    sigma = np.where((np.arange(FRAMES) >= 50) & (np.arange(FRAMES) < 60), 1.0, 0.02)
    motion, codes = measured(truth, noisy(truth, sigma))
    assert motion.refused[50:60].mean() > 0.5
    assert motion.shaken[50:60].mean() > 0.8
    assert not motion.shaken[:50].any()
    assert not motion.shaken[60:].any()
    assert "marker_disturbed" not in codes
