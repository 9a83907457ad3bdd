"""The joint model: derivatives against finite differences, and the solver against dense least squares."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from synthetic import WH, Truth, three_shafts, tracks_of, turn, two_shafts

from strokecurve.vision.joint_fit.bordered import fit_frames, fit_shared, frame_sensitivities
from strokecurve.vision.joint_fit.camera import Camera
from strokecurve.vision.joint_fit.initialisation import initial_state
from strokecurve.vision.joint_fit.joint import JointModel, JointSettings, JointState, MountedMarker
from strokecurve.vision.joint_fit.nodes import Nodes

MOUNTED = [MountedMarker(10, 30.0, 0), MountedMarker(11, 30.0, 1)]


def true_state(truth: Truth) -> JointState:
    """Unknowns at their true values, for shafts whose only marker leads."""
    lead = [s.markers[0] for s in truth.shafts]
    return JointState(
        camera=Camera(truth.focal_px, truth.centre_px, truth.k1, truth.k2, truth.ink_spread),
        rotation=truth.rotation,
        translation=truth.translation,
        axis=np.array([turn([*s.lean_rad, 0]) for s in truth.shafts]),
        centre_mm=np.array([s.centre_mm for s in truth.shafts]),
        mount_rotation=np.array([turn([*m.tilt_rad, 0]) for m in lead]),
        mount_offset_mm=np.array([m.offset_mm for m in lead]),
        angle_rad=np.column_stack([s.angle_rad for s in truth.shafts]),
    )


def model_and_nodes(
    truth: Truth, steady: bool, sigma_px: float = 0.03, seed: int | None = None
) -> tuple[JointModel, Nodes]:
    rng = None if seed is None else np.random.default_rng(seed)
    tracks = tracks_of(truth, rng, sigma_px)
    mounted = [MountedMarker(s.markers[0].marker_id, 30.0, i) for i, s in enumerate(truth.shafts)]
    model = JointModel(list(truth.card_ids), mounted, steady, WH, JointSettings())
    ids = [*truth.card_ids, *(m.marker_id for m in mounted)]
    return model, Nodes.from_tracks(tracks, ids, np.zeros(len(ids)))


@pytest.mark.parametrize("steady", [True, False])
def test_the_model_is_opencv_projection_at_the_truth(steady: bool) -> None:
    hand = None if steady else np.random.default_rng(1)
    truth = three_shafts(12, handheld=hand, k1=0.06, k2=-0.03, focal_px=1390.0, ink_spread=0.3)
    model, nodes = model_and_nodes(truth, steady)
    residual_px = model.residuals(true_state(truth), nodes) * 0.03
    assert_allclose(residual_px, 0.0, rtol=0, atol=1e-8)


@pytest.mark.parametrize("steady", [True, False])
def test_derivatives_are_finite_differences(steady: bool) -> None:
    rng = np.random.default_rng(2)
    truth = two_shafts(5, handheld=rng, k1=0.05, k2=-0.02)
    tracks = tracks_of(truth, rng, 0.5, stated_px=1.0)
    # A second marker on the motor's shaft turns on its own: use the tracks of the other arm for it.
    mounted = [*MOUNTED, MountedMarker(11, 20.0, 0)]
    pairs = np.array([0.1, 0.2, 0.3, 0.0, 0.4, 0.5, 0.6])
    model = JointModel([0, 1, 2, 3], mounted, steady, WH, JointSettings(), pairs)
    nodes = Nodes.from_tracks(tracks, [0, 1, 2, 3, 10, 11, 11], np.zeros(7))
    start = true_state(truth)
    state = JointState(
        start.camera,
        start.rotation,
        start.translation,
        start.axis,
        start.centre_mm,
        np.concatenate([start.mount_rotation, turn([0.02, -0.03, 0.0])[None]]),
        np.concatenate([start.mount_offset_mm, [[20.0, -15.0, 22.0]]]),
        np.column_stack([start.angle_rad, start.angle_rad[:, 1] + 0.1]),
    )
    residual, by_shared, by_local = model.linearise(state, nodes)
    assert_allclose(residual, model.residuals(state, nodes).reshape(residual.shape), rtol=0, atol=1e-9)
    frames, still = len(truth.time_s), np.zeros((len(truth.time_s), model.local_size))

    def shifted(shared: np.ndarray, local: np.ndarray) -> np.ndarray:
        return np.asarray(model.residuals(model.moved(state, shared, local), nodes).reshape(frames, -1))

    for i in range(model.shared_size):
        step = 1e-6 * np.eye(model.shared_size)[i]
        numeric = (shifted(step, still) - shifted(-step, still)) / 2e-6
        scale = np.abs(numeric).max()
        assert_allclose(by_shared[..., i], numeric, rtol=0, atol=2e-6 * scale + 1e-5, err_msg=f"shared {i}")
    for i in range(model.local_size):
        step = np.zeros_like(still)
        step[:, i] = 1e-6
        nothing = np.zeros(model.shared_size)
        numeric = (shifted(nothing, step) - shifted(nothing, -step)) / 2e-6
        scale = np.abs(numeric).max()
        assert_allclose(by_local[..., i], numeric, rtol=0, atol=2e-6 * scale + 1e-5, err_msg=f"local {i}")


def test_residuals_are_freed_of_the_likeness_in_an_edge() -> None:
    truth = two_shafts(400)
    model, nodes = model_and_nodes(truth, True)
    rng = np.random.default_rng(1)
    pairs = np.array([0.5, 0.3, 0.0, 0.2, 0.6, 0.4])
    errors = rng.normal(size=(400, 6, 4, 2)) * np.sqrt(1 - pairs)[:, None, None]
    errors += rng.normal(size=(400, 6, 4, 1)) * np.sqrt(pairs)[:, None, None]
    shift = 0.03 * errors.reshape(400, 6, 8, 1) * nodes.normals
    nodes = Nodes(nodes.pixels + shift, nodes.normals, nodes.inverse_sigma, nodes.blur_px)
    residual = model.with_pairs(pairs).residuals(true_state(truth), nodes)
    for m in range(6):
        # 1600 edges a marker.
        assert_allclose(np.cov(residual[:, m].reshape(-1, 2).T), np.eye(2), rtol=0, atol=0.13)


def test_the_prior_is_quadratic_about_what_is_expected() -> None:
    truth = two_shafts(4)
    model, _ = model_and_nodes(truth, False)
    expected = JointState(
        Camera(0.77 * 1920, (959.5, 539.5), 0.0, 0.0, model.settings.ink_spread_mean),
        truth.rotation,
        truth.translation,
        np.repeat(np.eye(3)[None], 2, axis=0),
        np.zeros((2, 2)),
        np.repeat(np.eye(3)[None], 2, axis=0),
        np.tile([0.0, 0.0, model.settings.height_mean_mm], (2, 1)),
        np.zeros((4, 2)),
    )
    deviation, information = model.prior(expected)
    assert_allclose(deviation, 0.0, rtol=0, atol=1e-12)
    assert_allclose(information, information.T, rtol=0, atol=0)
    assert np.linalg.eigvalsh(information).min() >= 0
    # Moving by a small step from what is expected gives that step back as the deviation.
    rng = np.random.default_rng(3)
    step = 1e-5 * rng.normal(size=model.shared_size)
    moved = model.moved(expected, step, np.zeros((4, model.local_size)))
    held = np.flatnonzero(np.diag(information) > 0)
    assert_allclose(model.prior(moved)[0][held], step[held], rtol=1e-4, atol=1e-9)


def dense_solution(model: JointModel, state: JointState, nodes: Nodes) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of all unknowns, and the Gauss-Newton step, from one dense solve without Huber weights."""
    residual, by_shared, by_local = model.linearise(state, nodes)
    frames, size = residual.shape
    shared, local = model.shared_size, model.local_size
    jacobian = np.zeros((frames * size, shared + frames * local))
    jacobian[:, :shared] = by_shared.reshape(-1, shared)
    for k in range(frames):
        jacobian[k * size : (k + 1) * size, shared + k * local : shared + (k + 1) * local] = by_local[k]
    deviation, information = model.prior(state)
    normal = jacobian.T @ jacobian
    normal[:shared, :shared] += information
    gradient = jacobian.T @ residual.reshape(-1)
    gradient[:shared] += information @ deviation
    unit = 1 / np.sqrt(np.diag(normal))
    covariance = np.linalg.inv(normal * unit[:, None] * unit) * unit[:, None] * unit
    return covariance, -covariance @ gradient


@pytest.mark.parametrize("steady", [True, False])
def test_covariances_are_those_of_a_dense_solve(steady: bool) -> None:
    truth = two_shafts(16, handheld=None if steady else np.random.default_rng(4))
    model, nodes = model_and_nodes(truth, steady, 0.02, seed=5)
    model.huber = 1e9
    fit = fit_shared(model, true_state(truth), nodes, noise_scale=1.0)
    covariance, _ = dense_solution(model, fit.state, nodes)
    shared = model.shared_size
    sigma = np.sqrt(np.diag(covariance))
    assert_allclose(
        fit.covariance / np.outer(sigma[:shared], sigma[:shared]),
        covariance[:shared, :shared] / np.outer(sigma[:shared], sigma[:shared]),
        rtol=0,
        atol=2e-3,
    )
    _, by_shared, by_local = model.linearise(fit.state, nodes)
    each, sensitivity = frame_sensitivities(by_local, by_shared, model.angle_at)
    own = np.diagonal(each, axis1=1, axis2=2)[:, model.angle_at :]
    variance = own + np.einsum("ksg,gh,ksh->ks", sensitivity, fit.covariance, sensitivity)
    at = shared + model.angle_at + np.arange(16) * model.local_size
    for s in range(2):
        assert_allclose(np.sqrt(variance[:, s]), sigma[at + s], rtol=2e-3, atol=0)


@pytest.mark.parametrize("steady", [True, False])
def test_the_solver_goes_all_the_way(steady: bool) -> None:
    truth = two_shafts(16, handheld=None if steady else np.random.default_rng(4))
    model, nodes = model_and_nodes(truth, steady, 0.02, seed=5)
    model.huber = 1e9
    fit = fit_shared(model, true_state(truth), nodes, noise_scale=1.0)
    covariance, step = dense_solution(model, fit.state, nodes)
    # What is left to go, in standard deviations.
    assert (np.abs(step) / np.sqrt(np.diag(covariance))).max() < 0.05


@pytest.mark.parametrize("focal_px", [1250.0, 1750.0])
def test_the_joint_fit_reaches_the_minimum_from_its_initial_state(focal_px: float) -> None:
    reached = []
    for seed in range(2):
        truth = two_shafts(40, handheld=np.random.default_rng(seed), focal_px=focal_px, k1=0.02)
        tracks = tracks_of(truth, np.random.default_rng(seed), 0.02)
        model, nodes = model_and_nodes(truth, False, 0.02, seed)
        start, key = initial_state(model, tracks, [0, 1, 2, 3, 10, 11], np.arange(40))
        from_initial = fit_shared(model, start, nodes.frames(key), noise_scale=1.0)
        from_truth = fit_shared(model, true_state(truth), nodes, noise_scale=1.0)
        sigma = np.sqrt(from_truth.covariance[0, 0])
        reached.append(
            abs(np.log(from_initial.state.camera.focal_px / from_truth.state.camera.focal_px)) / sigma
        )
    assert max(reached) < 0.2


def test_frames_are_solved_alone_from_far_off() -> None:
    truth = two_shafts(20, handheld=np.random.default_rng(6))
    model, nodes = model_and_nodes(truth, False, 0.02, seed=7)
    state = true_state(truth)
    rng = np.random.default_rng(8)
    local = np.zeros((20, model.local_size))
    local[:, :3] = 0.05 * rng.normal(size=(20, 3))
    local[:, 3:6] = 10.0 * rng.normal(size=(20, 3))
    local[:, 6:] = 0.4 * rng.normal(size=(20, 2))
    start = model.moved(state, np.zeros(model.shared_size), local)
    found = fit_frames(model, start, nodes, 1.0, steps=15)
    _, by_shared, by_local = model.linearise(found, nodes)
    covariance, _ = frame_sensitivities(by_local, by_shared, model.angle_at)
    own = np.diagonal(covariance, axis1=1, axis2=2)[:, model.angle_at :]
    z = (found.angle_rad - state.angle_rad) / np.sqrt(own)
    # 40 values.
    assert np.abs(z).max() < 4.5
    assert 0.7 < z.std() < 1.35


def test_parts_of_a_frame_that_were_not_seen_are_left_alone() -> None:
    truth = two_shafts(6)
    model, nodes = model_and_nodes(truth, True, 0.02, seed=9)
    gone = nodes.inverse_sigma.copy()
    gone[3, 4] = 0.0
    nodes = Nodes(nodes.pixels, nodes.normals, gone, nodes.blur_px)
    state = true_state(truth)
    found = fit_frames(model, state, nodes, 1.0)
    assert found.angle_rad[3, 0] == state.angle_rad[3, 0]
    assert found.angle_rad[3, 1] != state.angle_rad[3, 1]
    assert np.isfinite(found.angle_rad).all()
