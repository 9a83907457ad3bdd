"""The algebra of a linkage against symbolic algebra and small steps, in plane and space; covariance."""

from __future__ import annotations

import numpy as np
import pytest
import sympy
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from strokecurve.kinematics.covariance import principal_steps, propagate
from strokecurve.kinematics.linkage.algebra import Arm, Pose
from strokecurve.kinematics.linkage.closure import driven_curve, driven_derivatives
from strokecurve.kinematics.linkage.fourbar import FourBar

STEP = 1e-6
BY_STEPS = {"rtol": 1e-6, "atol": 1e-6}  # central differences over STEP, of values of some tens
EXACT = {"rtol": 1e-11, "atol": 1e-11}  # two exact methods, after some ten roundings
SEEDS = range(6)


def drawn(seed: int) -> tuple[float, float, float, float, float]:
    rng = np.random.default_rng(seed)
    a, c, d = rng.uniform([40, 40, 120], [110, 110, 300])
    return float(a), float(c), float(d), *(float(v) for v in rng.uniform(0.4, 2.4, 2))


@pytest.fixture(scope="module")
def symbolic() -> dict[str, sympy.Expr | list[sympy.Expr]]:
    """Everything from the two pins' coordinates alone."""
    la, lc, ld, th, ph = sympy.symbols("la lc ld th ph", real=True)
    a, c, d = sympy.exp(la), sympy.exp(lc), sympy.exp(ld)
    drive = sympy.Matrix([a * sympy.cos(th), a * sympy.sin(th)])
    driven = sympy.Matrix([d + c * sympy.cos(ph), c * sympy.sin(ph)])
    rod = driven - drive
    half = rod.dot(rod) / 2
    to_rod, to_centre = -rod, sympy.Matrix([d, 0]) - driven
    cross = to_rod[0] * to_centre[1] - to_rod[1] * to_centre[0]
    unknowns = (la, lc, ld, th, ph)
    cotangent = to_rod.dot(to_centre) / cross
    made = {
        "half": [sympy.diff(half, q) for q in unknowns],
        "ratio": -sympy.diff(half, th) / sympy.diff(half, ph),
        "rod": sympy.sqrt(2 * half),
        "cotangent": cotangent,
        "cotangent_by": [sympy.diff(cotangent, q) for q in unknowns],
        "drive": sympy.acos(rod.dot(-drive) / sympy.sqrt(2 * half) / a),
        "driven": sympy.acos(to_rod.dot(to_centre) / sympy.sqrt(2 * half) / c),
    }
    return {name: sympy.lambdify(unknowns, one, "math") for name, one in made.items()}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_planar_pose_is_what_symbolic_algebra_makes_of_its_pins(seed: int, symbolic: dict) -> None:
    a, c, d, drive, driven = drawn(seed)
    at = (np.log(a), np.log(c), np.log(d), drive, driven)
    pose = Pose.in_plane(a, c, d, drive, driven)
    assert_allclose(pose.rod_mm, symbolic["rod"](*at), **EXACT)
    assert_allclose(np.array(pose.half_square_by()), symbolic["half"](*at), rtol=1e-11, atol=1e-8)
    assert_allclose(pose.velocity_ratio(), symbolic["ratio"](*at), **EXACT)
    # the sign of the cotangent depends on the side that the rod is on; the branch says which
    assert_allclose(abs(pose.transmission_cotangent()), abs(symbolic["cotangent"](*at)), **EXACT)
    sign = np.sign(pose.transmission_cotangent() * symbolic["cotangent"](*at))
    assert_allclose(sign * pose.transmission_cotangent_by(), symbolic["cotangent_by"](*at), **EXACT)
    # acos loses digits near 0 and pi
    assert_allclose(pose.drive_angle_rad(), symbolic["drive"](*at), rtol=0, atol=1e-8)
    assert_allclose(pose.transmission_angle_rad(), symbolic["driven"](*at), rtol=0, atol=1e-8)
    for folded, whole in (
        (pose.drive_in_line_rad(), pose.drive_angle_rad()),
        (pose.driven_in_line_rad(), pose.transmission_angle_rad()),
    ):
        assert_allclose(
            folded, min(whole, np.pi - whole), rtol=0, atol=1e-7
        )  # asin loses digits at a right angle


@pytest.mark.parametrize("seed", SEEDS)
def test_the_branch_is_the_way_that_the_closed_form_goes(seed: int) -> None:
    a, c, d, drive, driven = drawn(seed)
    four_bar = FourBar.from_start_angles(a, c, d, drive, driven)
    both = [FourBar(a, four_bar.rod_mm, c, d, s).pose(drive) for s in (-1, 1)]
    assert [float(pose.branch()) for pose in both] == [-1.0, 1.0]
    assert [float(np.sign(pose.driven_sine())) for pose in both] == [-1.0, 1.0]
    assert_allclose([float(pose.rod_mm) for pose in both], four_bar.rod_mm, **EXACT)


def test_many_poses_at_once_are_each_as_alone() -> None:
    linkages = np.array([drawn(seed) for seed in SEEDS])
    a, c, d, drive, driven = (linkages[:, k : k + 1] for k in range(5))
    more = np.linspace(0.0, 0.3, 4)
    together = Pose.in_plane(a, c, d, drive + more, driven + more)
    assert together.rod_vector_mm.shape == (len(SEEDS), 4, 2)
    for m, row in enumerate(linkages):
        for n, turned in enumerate(more):
            alone = Pose.in_plane(*row[:3], row[3] + turned, row[4] + turned)
            assert_allclose(together.rod_mm[m, n], alone.rod_mm, **EXACT)
            assert_allclose(together.drive_sine()[m, n], alone.drive_sine(), **EXACT)
            assert_allclose(
                together.transmission_cotangent_by()[m, n], alone.transmission_cotangent_by(), **EXACT
            )


# ---- in space --------------------------------------------------------------------------------------------


class InSpace:
    """Two arms about axes that cross at some angle, each with its pin off the plane of its shaft's centre."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.radii = rng.uniform(50, 90, 2)
        axes = rng.normal([0, 0, 3], 1.0, (2, 3))
        self.axes = axes / np.linalg.norm(axes, axis=1)[:, None]
        across = [np.cross(axis, rng.normal(size=3)) for axis in self.axes]
        self.across = [one / np.linalg.norm(one) for one in across]
        self.between = np.array([220.0, 30.0, 40.0])

    def arm(self, which: int, angle: float) -> Arm:
        axis, first = self.axes[which], self.across[which]
        along = np.cos(angle) * first + np.sin(angle) * np.cross(axis, first)
        return Arm(np.asarray(self.radii[which]), along, np.cross(axis, along))

    def pose(self, drive: float, driven: float, scale: tuple[float, float, float] = (1, 1, 1)) -> Pose:
        arms = [self.arm(0, drive), self.arm(1, driven)]
        arms = [Arm(arm.radius_mm * k, arm.along, arm.way) for arm, k in zip(arms, scale, strict=False)]
        return Pose(*arms, self.between * scale[2])


@pytest.mark.parametrize("seed", SEEDS)
def test_derivatives_hold_in_space(seed: int) -> None:
    space, drive, driven = InSpace(seed), 0.7, 1.1
    by = space.pose(drive, driven).half_square_by()

    def half(*q: float) -> float:
        scale = tuple(np.exp(q[:3]))
        return float(space.pose(drive + q[3], driven + q[4], scale).rod_mm ** 2 / 2)

    slopes = [(half(*one) - half(*-one)) / (2 * STEP) for one in STEP * np.eye(5)]
    assert_allclose(np.array(by), slopes, rtol=1e-6, atol=1e-3)  # of some 10^4 mm^2


@pytest.mark.parametrize("seed", SEEDS)
def test_the_velocity_ratio_in_space_keeps_the_rod_as_long_as_it_is(seed: int) -> None:
    space, drive, driven = InSpace(seed), 0.7, 1.1
    pose = space.pose(drive, driven)

    def follows(turned: float) -> float:
        return float(
            brentq(
                lambda at: float(space.pose(drive + turned, at).rod_mm - pose.rod_mm),
                driven - 0.01,
                driven + 0.01,
                xtol=1e-14,
            )
        )

    step = 1e-5
    slope = (follows(step) - follows(-step)) / (2 * step)
    assert_allclose(pose.velocity_ratio(), slope, rtol=1e-5, atol=1e-6)
    # the rod meets the circle of the pin at this angle, whatever the plane it lies in
    unit = pose.rod_vector_mm / np.linalg.norm(pose.rod_vector_mm)
    pin = [space.pose(drive, driven + way * STEP) for way in (1, -1)]
    tangent = (pin[0].driven.pin_mm - pin[1].driven.pin_mm) / (2 * STEP * space.radii[1])
    assert_allclose(np.sin(pose.driven_in_line_rad()), abs(unit @ tangent), rtol=0, atol=1e-8)


# ---- the driven curve ------------------------------------------------------------------------------------


@pytest.mark.parametrize("longer_mm", [0.0, 0.7, -0.4])
@pytest.mark.parametrize("seed", SEEDS)
def test_derivatives_of_the_driven_curve_are_its_slopes(seed: int, longer_mm: float) -> None:
    a, c, d, drive, driven = drawn(seed)
    travel = np.linspace(0.0, 0.2, 7)
    at = np.array([np.log(a), np.log(c), np.log(d), drive, driven])

    def curve(q: np.ndarray, more_mm: float = 0.0, turned: float = 0.0) -> np.ndarray:
        return driven_curve(travel + turned, *np.exp(q[:3]), *q[3:], longer_mm=longer_mm + more_mm)

    here = curve(at)
    assert np.isfinite(here).all()
    rates = driven_derivatives(travel, here, a, c, d, drive, driven, longer_mm=longer_mm)
    slopes = [(curve(at + one) - curve(at - one)) / (2 * STEP) for one in STEP * np.eye(5)]
    assert_allclose(rates.by_parameter, np.stack(slopes, axis=-1), **BY_STEPS)
    by_rod = (curve(at, STEP) - curve(at, -STEP)) / (2 * STEP)
    assert_allclose(rates.by_rod, by_rod, **BY_STEPS)
    ratio = (curve(at, turned=STEP) - curve(at, turned=-STEP)) / (2 * STEP)
    assert_allclose(rates.ratio, ratio, **BY_STEPS)


# ---- covariance ------------------------------------------------------------------------------------------


def known_covariance(seed: int, size: int) -> np.ndarray:
    root = np.random.default_rng(seed).normal(size=(size, size))
    return root @ root.T


def test_principal_steps_make_up_the_covariance() -> None:
    known = known_covariance(1, 5)
    steps = principal_steps(known)
    assert_allclose(steps.T @ steps, known, **EXACT)
    apart = steps @ steps.T
    assert_allclose(apart, np.diag(np.diag(apart)), rtol=0, atol=1e-10)


def test_linear_figures_have_the_covariance_that_algebra_says() -> None:
    known, by = known_covariance(2, 4), np.random.default_rng(3).normal(size=(3, 4))
    found = propagate(lambda q: by @ q, np.array([1.0, -2.0, 0.5, 3.0]), known)
    assert_allclose(found, by @ known @ by.T, **EXACT)


def test_figures_of_a_linkage_vary_as_linkages_drawn_do() -> None:
    at = np.array([55.0, 68.0, 176.0, 0.69, 1.40])
    scale = np.array([0.5, 0.5, 0.8, 0.006, 0.006])
    known = np.outer(scale, scale) * (0.6 * np.eye(5) + 0.4)

    def figures(q: np.ndarray) -> np.ndarray:
        pose = Pose.in_plane(*np.moveaxis(q, -1, 0))
        return np.stack([pose.rod_mm, pose.driven_in_line_rad(), pose.velocity_ratio()], axis=-1)

    many = np.random.default_rng(4).multivariate_normal(at, known, 40_000)
    drawn_covariance = np.cov(figures(many).T)
    found = propagate(figures, at, known)
    # 40 000 draws give a variance to 0.7 %, and these figures are nearly linear
    size = np.sqrt(np.diag(drawn_covariance))
    assert_allclose(found / np.outer(size, size), drawn_covariance / np.outer(size, size), rtol=0, atol=0.04)


def test_a_corner_does_not_look_certain() -> None:
    """The smallest of two angles at a place where both are alike moves by neither's slope alone."""
    found = propagate(lambda q: np.array([abs(q[0])]), np.zeros(1), np.array([[4.0]]))
    assert_allclose(found, [[4.0]], **EXACT)


def test_what_is_not_known_stays_unknown() -> None:
    assert np.isnan(propagate(lambda q: q, np.zeros(2), np.array([[1.0, np.nan], [np.nan, 1.0]]))).all()
