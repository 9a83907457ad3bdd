"""Pinhole camera with radial distortion, against OpenCV and finite differences; rotations against scipy."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation
from synthetic import looking, turn

from strokecurve.vision.joint_fit.camera import (
    Camera,
    card_corners_mm,
    card_nodes_mm,
    card_pose,
    meet_plane,
    square_corners_mm,
    square_nodes_mm,
)
from strokecurve.vision.rotations import cross_matrix, mean_rotation, rotation_from_vector, turn_about_z

CAMERAS = [
    Camera(1478.0, (959.5, 539.5)),
    Camera(1320.0, (961.0, 533.0), k1=0.09, k2=-0.05),
    Camera(2900.0, (1925.0, 1070.0), k1=-0.12, k2=0.04),
]


def points(rng: np.random.Generator, count: int = 60) -> np.ndarray:
    """Points (count, 3) in front of the camera, up to about 35 degrees off its axis."""
    return np.column_stack([rng.uniform(-280, 280, (count, 2)), rng.uniform(450, 900, count)])


@pytest.mark.parametrize("camera", CAMERAS)
def test_projection_is_that_of_opencv(camera: Camera) -> None:
    xyz = points(np.random.default_rng(2))
    reference = cv2.projectPoints(
        xyz, np.zeros(3), np.zeros(3), camera.matrix(), np.array([camera.k1, camera.k2, 0, 0])
    )[0].reshape(-1, 2)
    assert_allclose(camera.project(xyz), reference, rtol=0, atol=1e-9)


@pytest.mark.parametrize("camera", CAMERAS)
def test_slopes_are_finite_differences(camera: Camera) -> None:
    rng = np.random.default_rng(3)
    xyz = points(rng)
    direction = rng.uniform(0, 2 * np.pi, len(xyz))
    normals = np.column_stack([np.cos(direction), np.sin(direction)])
    pixels, by_point, by_camera = camera.project_with_slopes(xyz, normals)
    assert_allclose(pixels, camera.project(xyz), rtol=0, atol=1e-9)

    def across(view: Camera, where: np.ndarray) -> np.ndarray:
        return np.asarray((view.project(where) * normals).sum(axis=1))

    for i in range(3):
        h = 1e-3 * np.eye(3)[i]
        numeric = (across(camera, xyz + h) - across(camera, xyz - h)) / 2e-3
        assert_allclose(by_point[:, i], numeric, rtol=1e-6, atol=1e-6)
    for i in range(5):
        h = 1e-5 * np.eye(6)[i]
        numeric = (across(camera.moved(h), xyz) - across(camera.moved(-h), xyz)) / 2e-5
        assert_allclose(by_camera[:, i], numeric, rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("camera", CAMERAS)
def test_rays_go_back_through_the_pixels(camera: Camera) -> None:
    xyz = points(np.random.default_rng(4))
    rays = camera.rays(camera.project(xyz))
    # The inversion takes eight fixed-point steps: 1e-5 of a ray is 0.01 px at the edge of the picture.
    assert_allclose(rays, xyz / xyz[:, 2:], rtol=0, atol=1e-5)


@pytest.mark.parametrize("camera", CAMERAS[:2])
def test_rays_meet_the_plane_at_the_points_they_came_from(camera: Camera) -> None:
    rng = np.random.default_rng(5)
    rotation, translation = looking(3, lean_deg=(12.0, -18.0))
    for height in (0.0, 30.0, -12.0):
        xy = rng.uniform(-120, 120, (3, 7, 2))
        card = np.concatenate([xy, np.full((3, 7, 1), height)], axis=-1)
        cam = np.einsum("kij,kpj->kpi", rotation, card) + translation[:, None]
        met = meet_plane(camera, rotation, translation, camera.project(cam), height)
        assert_allclose(met, xy, rtol=0, atol=5e-3)


def test_square_and_card_points() -> None:
    # DESIGN section 3: 40 mm squares, centres on a 140 x 90 mm rectangle, 0 top left and so on clockwise.
    assert_allclose(
        square_corners_mm(30.0)[:, :2], [[-15, 15], [15, 15], [15, -15], [-15, -15]], rtol=0, atol=0
    )
    centres = [card_corners_mm(i).mean(axis=0)[:2] for i in range(4)]
    assert_allclose(centres, [[-70, 45], [70, 45], [70, -45], [-70, -45]], rtol=0, atol=1e-12)
    assert_allclose(card_corners_mm(2)[0], [50, -25, 0], rtol=0, atol=1e-12)
    nodes = square_nodes_mm(30.0)
    # Gauss-Legendre nodes of a stretch of 0.8 sides about the middle: 0.5 -+ 0.4 / sqrt(3).
    assert_allclose(nodes[0], [-30 * 0.4 / 3**0.5, 15, 0], rtol=0, atol=1e-12)
    assert_allclose(nodes[3], [15, -30 * 0.4 / 3**0.5, 0], rtol=0, atol=1e-12)
    assert_allclose(card_nodes_mm(1) - square_nodes_mm(40.0), np.tile([70, 45, 0], (8, 1)), rtol=0, atol=0)


@pytest.mark.parametrize("seen", [(0, 1, 2, 3), (0, 2), (1, 2, 3)])
def test_card_pose_from_true_corners(seen: tuple[int, ...]) -> None:
    camera = CAMERAS[1]
    rotation, translation = (pose[0] for pose in looking(1, lean_deg=(8.0, 15.0)))
    corners = np.array([camera.project(card_corners_mm(i) @ rotation.T + translation) for i in seen])
    found = card_pose(camera, np.array(seen), corners)
    assert found is not None
    assert_allclose(found[0], rotation, rtol=0, atol=1e-4)
    assert_allclose(found[1], translation, rtol=1e-4, atol=0.05)


def test_card_pose_without_card_is_none() -> None:
    assert card_pose(CAMERAS[0], np.zeros(0, np.int64), np.zeros((0, 4, 2))) is None


def test_rotations_are_those_of_scipy_and_opencv() -> None:
    rng = np.random.default_rng(6)
    vectors = rng.normal(size=(40, 3)) * rng.uniform(0, 2, (40, 1))
    vectors[:3] = [[0, 0, 0], [1e-9, 0, 0], [0, 1e-7, -1e-7]]
    assert_allclose(
        rotation_from_vector(vectors), Rotation.from_rotvec(vectors).as_matrix(), rtol=0, atol=1e-12
    )
    assert_allclose(rotation_from_vector(vectors)[7], turn(vectors[7]), rtol=0, atol=1e-12)
    other = rng.normal(size=(40, 3))
    assert_allclose(
        np.einsum("nij,nj->ni", cross_matrix(vectors), other), np.cross(vectors, other), rtol=0, atol=1e-12
    )
    angles = rng.uniform(-4, 4, 9)
    reference = Rotation.from_rotvec(angles[:, None] * [0.0, 0.0, 1.0]).as_matrix()
    assert_allclose(turn_about_z(angles), reference, rtol=0, atol=1e-12)


def test_mean_rotation_is_the_one_the_others_scatter_about() -> None:
    rng = np.random.default_rng(7)
    middle = turn([0.3, -2.0, 0.7])
    vectors = rng.normal(size=(20, 3)) * 0.05
    around = rotation_from_vector(np.concatenate([vectors, -vectors])) @ middle
    mean = mean_rotation(around)
    assert_allclose(mean, middle, rtol=0, atol=1e-12)
    assert_allclose(np.linalg.det(mean), 1.0, rtol=0, atol=1e-12)
