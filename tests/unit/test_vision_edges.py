"""Sub-pixel edges of markers against pictures computed in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from squares import marker_light, node_errors, square_corners, stored

from strokecurve.vision.edges.edge_lines import robust_line
from strokecurve.vision.edges.edges import (
    NODE_FRACTIONS,
    EdgeFits,
    EdgeSettings,
    corners_from_nodes,
    fit_edges,
)
from strokecurve.vision.edges.light import light_of_levels
from strokecurve.vision.edges.markers import marker_cells
from strokecurve.vision.edges.pixels import Pictures

LIGHT = light_of_levels(8, False)
MARKER_ID = 10
SETTINGS = EdgeSettings()
# Angles between an edge and the pixel grid: aligned, nearly so, general, diagonal.
ANGLES_RAD = (0.0, 0.012, 0.35, 0.7, 1.1, np.pi / 2, 2.3, 4.0, 5.6)


def fit_one(
    luma: np.ndarray, quads_px: np.ndarray, blur_px: np.ndarray, settings: EdgeSettings, light: np.ndarray
) -> EdgeFits:
    """Fit the markers of one picture, all of the same code."""
    cells = np.repeat(marker_cells(MARKER_ID)[None], len(quads_px), axis=0)
    picture = np.zeros(len(quads_px), int)
    return fit_edges(Pictures.of([luma]), picture, quads_px, blur_px, settings, light, cells)


class Shot:
    """One marker in one picture, its true corners, and the fit started off the truth."""

    def __init__(
        self,
        rng: np.random.Generator,
        side_px: float,
        blur_px: float,
        angle_rad: float,
        *,
        off_px: float = 0.4,
        noise_levels: float = 0.0,
        turns: int = 8,
        **light: float,
    ) -> None:
        size = int(1.42 * side_px + 28)
        centre = (0.5 * size + rng.uniform(-0.5, 0.5), 0.5 * size + rng.uniform(-0.5, 0.5))
        picture = marker_light(
            (size, size), centre, side_px, angle_rad, blur_px, marker_cells(MARKER_ID), **light
        )
        self.luma = stored(picture, rng if noise_levels else None, noise_levels)
        self.corners = square_corners(centre, side_px, angle_rad)
        self.fits = self.fit(self.corners + rng.uniform(-off_px, off_px, (4, 2)), turns)
        self.errors = node_errors(self.fits.nodes_px[0], self.corners)

    def fit(self, predicted: NDArray[np.float64], turns: int = 1) -> EdgeFits:
        """Fit as in a clip: each frame passes half of the change of its blur on to the next."""
        blur = np.full((1, 4), 0.9)
        for _ in range(turns):
            fits = fit_one(self.luma, predicted[None], blur, SETTINGS, LIGHT)
            blur = np.where(fits.good, 0.5 * (blur + fits.blur_px), blur)
        return fits


def shots(seed: int, side_px: float, blur_px: float, **more: float) -> list[Shot]:
    rng = np.random.default_rng(seed)
    return [Shot(rng, side_px, blur_px, a, **more) for a in ANGLES_RAD for _ in range(2)]


def good_errors(taken: list[Shot]) -> NDArray[np.float64]:
    return np.concatenate([s.errors[s.fits.good[0]] for s in taken])


SHARP = [
    *((30, 0.5), (45, 0.5), (45, 0.8), (80, 0.5), (80, 0.8), (80, 1.2), (80, 1.6), (150, 0.6), (150, 1.2)),
    *((24, 0.5), (24, 0.8), (80, 2.0), (150, 2.0)),
]
# Blur of a quarter of a cell and more: light of the code's white cells reaches the edge.
SOFT = [(24, 1.2), (30, 1.2), (45, 1.6)]


@pytest.mark.parametrize("side_px, blur_px", SHARP)
def test_nodes_lie_on_the_true_edges(side_px: float, blur_px: float) -> None:
    taken = shots(1, side_px, blur_px)
    errors = good_errors(taken)
    assert np.mean([s.fits.good.mean() for s in taken]) > 0.95
    assert abs(errors.mean()) < 0.010
    # Small slanting markers scatter most (see below).
    assert np.sqrt((errors**2).mean()) < (0.03 if side_px <= 30 else 0.018)


@pytest.mark.parametrize("side_px, blur_px", SOFT)
def test_nodes_of_small_and_soft_markers_lie_near_the_true_edges(side_px: float, blur_px: float) -> None:
    """What all edges share is taken up by the joint fit (its ink spread); the rest turns a marker."""
    errors = good_errors(shots(1, side_px, blur_px))
    assert abs(errors.mean()) < 0.035
    assert errors.std() < 0.025


def test_slanting_edges_of_small_markers_scatter_no_more_than_upright_ones() -> None:
    rng = np.random.default_rng(4)
    upright = good_errors([Shot(rng, 24, 0.6, 0.06) for _ in range(20)])
    slanting = good_errors([Shot(rng, 24, 0.6, np.pi / 4) for _ in range(20)])
    assert np.abs(slanting).max() < 2.5 * np.abs(upright).max()


def test_contrast_and_brightness_do_not_move_edges() -> None:
    for ink, paper in ((0.02, 0.9), (0.03, 0.2), (0.3, 0.6)):
        errors = good_errors(shots(2, 90, 0.9, ink=ink, paper=paper))
        assert abs(errors.mean()) < 0.010


@pytest.mark.parametrize("side_px, blur_px", [(60, 0.6), (120, 0.6), (120, 1.2)])
@pytest.mark.parametrize("noise_levels", [3.0, 6.0])
def test_stated_deviation_is_honest(side_px: float, blur_px: float, noise_levels: float) -> None:
    rng = np.random.default_rng(5)
    # Angles away from the grid: at 0 and 45 degrees all columns are alike and rounding is no noise.
    taken = [
        Shot(rng, side_px, blur_px, rng.uniform(0.1, 0.6), noise_levels=noise_levels, off_px=0.1)
        for _ in range(40)
    ]
    z = np.concatenate([(s.errors / s.fits.sigma_px[0])[s.fits.good[0]] for s in taken])
    # 320 values with about 40 to 80 columns each. The error of ink and paper, which all columns share, is not
    # in the statement: it may be a third too small. The joint fit finds the rest as a floor.
    assert 0.8 < z.std() < 1.6
    assert abs(z.mean()) < 0.35


def test_errors_do_not_depend_on_where_the_fit_starts() -> None:
    """A follower's prediction is off by some tenths of a pixel; the edge must not remember that."""
    spread = []
    for off_px in (0.0, 0.4):
        rng = np.random.default_rng(5)
        taken = [
            Shot(rng, 120, 0.7, angle, noise_levels=3.0, off_px=off_px) for angle in np.linspace(0.1, 0.6, 30)
        ]
        spread.append(good_errors(taken).std())
    assert spread[1] < 1.2 * spread[0]


def test_two_nodes_of_a_line_have_independent_errors() -> None:
    rng = np.random.default_rng(6)
    taken = [Shot(rng, 90, 0.8, rng.uniform(0.1, 0.6), noise_levels=5.0) for _ in range(40)]
    pairs = np.concatenate([s.errors[s.fits.good[0]] for s in taken])
    # 160 pairs: a correlation of nothing scatters by 0.08.
    assert abs(np.corrcoef(pairs.T)[0, 1]) < 0.25


def test_nodes_lie_at_their_fractions_of_the_edge() -> None:
    shot = Shot(np.random.default_rng(7), 90, 0.8, 0.3, off_px=0.0)
    along = np.roll(shot.corners, -1, axis=0) - shot.corners
    shares = np.einsum("eni,ei->en", shot.fits.nodes_px[0] - shot.corners[:, None], along) / 90.0**2
    assert_allclose(shares, np.tile(NODE_FRACTIONS, (4, 1)), rtol=0, atol=2e-3)


@pytest.mark.parametrize("side_px, blur_px", [(45, 0.7), (80, 1.0), (150, 1.0)])
@pytest.mark.parametrize("cells_off", [0.2, 0.35, 0.5])
def test_a_prediction_that_is_off_finds_the_same_edges(
    side_px: float, blur_px: float, cells_off: float
) -> None:
    """Up to a third of a cell every edge is found; at half a cell it may be refused, but not be wrong."""
    rng = np.random.default_rng(8)
    for angle in (0.05, 0.4, 0.75):
        shot = Shot(rng, side_px, blur_px, angle, off_px=0.1)
        for direction in np.arange(8) * np.pi / 4:
            shift = cells_off * side_px / 6 * np.array([np.cos(direction), np.sin(direction)])
            fits = shot.fit(shot.corners + shift, turns=4)
            assert fits.good.all() or cells_off > 0.4
            # A marker counts only with all its edges.
            if fits.good.all():
                assert np.abs(node_errors(fits.nodes_px[0], shot.corners)).max() < 0.05


@pytest.mark.parametrize("turned_deg", [1, 3, 6, -6])
def test_a_marker_turned_against_its_prediction_is_found_as_well(turned_deg: float) -> None:
    """Its edges end where they meet in the picture, not where they were expected."""
    for seed in range(6):
        shot = Shot(np.random.default_rng(seed), 44, 0.7, 0.3)
        middle = shot.corners.mean(axis=0)
        start = square_corners((middle[0], middle[1]), 44, 0.3 + np.radians(turned_deg))
        fits = fit_one(shot.luma, start[None], np.full((1, 4), 0.7), SETTINGS, LIGHT)
        assert fits.good.all()
        # At the right prediction the largest error of these shots is about 0.03 px.
        assert np.abs(node_errors(fits.nodes_px[0], shot.corners)).max() < 0.05


def test_the_blur_is_found() -> None:
    for blur_px in (0.6, 1.0, 1.6):
        found = np.concatenate([s.fits.blur_px[0] for s in shots(9, 110, blur_px)])
        assert_allclose(np.median(found), blur_px, rtol=0.08, atol=0)


def test_the_halfway_level_is_stated_in_numbers_of_the_picture() -> None:
    shot = Shot(np.random.default_rng(10), 80, 0.8, 0.2, ink=0.05, paper=0.75)
    ink, paper = (float(stored(np.array([level]))[0]) for level in (0.05, 0.75))
    assert_allclose(shot.fits.midlevel[0], 0.5 * (ink + paper), rtol=0, atol=2.0)


def test_ten_bit_pictures_give_the_same_edges() -> None:
    shot = Shot(np.random.default_rng(11), 80, 0.8, 0.3)
    blur = np.full((1, 4), 0.8)
    eight = fit_one(shot.luma, shot.corners[None], blur, SETTINGS, LIGHT)
    wide = shot.luma.astype(np.uint16) * 4
    ten = fit_one(wide, shot.corners[None], blur, SETTINGS, light_of_levels(10, False))
    assert ten.good.all()
    assert_allclose(ten.nodes_px, eight.nodes_px, rtol=0, atol=1e-4)
    assert_allclose(ten.midlevel, 4 * eight.midlevel, rtol=0, atol=1.0)


def test_faint_edges_are_not_believed() -> None:
    # 12 grey levels apart: below the least contrast of 18.
    shot = Shot(np.random.default_rng(12), 80, 0.8, 0.3, ink=0.30, paper=0.335)
    assert not shot.fits.good.any()


def test_a_bare_wall_has_no_edges() -> None:
    rng = np.random.default_rng(13)
    wall = stored(np.full((160, 160), 0.4), rng, 4.0)
    fits = fit_one(wall, square_corners((80, 80), 70, 0.2)[None], np.full((1, 4), 0.9), SETTINGS, LIGHT)
    assert not fits.good.any()


def test_an_inverted_marker_is_not_believed() -> None:
    shot = Shot(np.random.default_rng(14), 80, 0.8, 0.3)
    fits = fit_one(251 - shot.luma, shot.corners[None], np.full((1, 4), 0.8), SETTINGS, LIGHT)
    assert not fits.good.any()


@pytest.mark.parametrize("share", [0.15, 0.8])
def test_a_finger_over_an_edge(share: float) -> None:
    """A small one costs columns and little accuracy; a large one costs the edge."""
    rng = np.random.default_rng(15)
    shot = Shot(rng, 100, 0.8, 0.0)
    left, top = shot.corners[0]
    covered = shot.luma.copy()
    wide = int(share * 100)
    middle = int(left + 50)
    covered[int(top) - 20 : int(top) + 12, middle - wide // 2 : middle + wide // 2] = 130
    fits = fit_one(covered, shot.corners[None], np.full((1, 4), 0.8), SETTINGS, LIGHT)
    assert fits.good[0, 1:].all()
    if share < 0.5:
        assert fits.good[0, 0]
        assert np.abs(node_errors(fits.nodes_px[0], shot.corners)).max() < 0.15
    else:
        assert not fits.good[0, 0]


def test_markers_at_and_beyond_the_border_of_the_picture() -> None:
    shot = Shot(np.random.default_rng(16), 80, 0.8, 0.0)
    cut = np.ascontiguousarray(shot.luma[:, int(shot.corners[0, 0] + 15) :])
    inside = shot.corners - [int(shot.corners[0, 0] + 15), 0]
    fits = fit_one(cut, inside[None], np.full((1, 4), 0.8), SETTINGS, LIGHT)
    assert fits.good[0, 1]
    assert not fits.good[0, 3]
    assert np.abs(node_errors(fits.nodes_px[0], inside)[[0, 1, 2]]).max() < 0.03
    gone = fit_one(cut, inside[None] + 5000.0, np.full((1, 4), 0.8), SETTINGS, LIGHT)
    assert not gone.good.any()


def test_a_window_of_a_larger_picture_needs_no_copy() -> None:
    shot = Shot(np.random.default_rng(17), 60, 0.8, 0.3)
    larger = np.zeros((shot.luma.shape[0] + 30, shot.luma.shape[1] + 50), np.uint8)
    larger[10:-20, 20:-30] = shot.luma
    window = larger[10:-20, 20:-30]
    blur = np.full((1, 4), 0.8)
    a = fit_one(window, shot.corners[None], blur, SETTINGS, LIGHT)
    b = fit_one(shot.luma, shot.corners[None], blur, SETTINGS, LIGHT)
    assert_allclose(a.nodes_px, b.nodes_px, rtol=0, atol=0)


def test_many_markers_at_once_are_fitted_as_one_by_one() -> None:
    rng = np.random.default_rng(18)
    one, two = Shot(rng, 60, 0.8, 0.3), Shot(rng, 96, 1.0, 1.3)
    height = max(one.luma.shape[0], two.luma.shape[0])
    both = np.full((height, one.luma.shape[1] + two.luma.shape[1]), 180, np.uint8)
    both[: one.luma.shape[0], : one.luma.shape[1]] = one.luma
    both[: two.luma.shape[0], one.luma.shape[1] :] = two.luma
    quads = np.array([one.corners, two.corners + np.array([one.luma.shape[1], 0])])
    blur = np.full((2, 4), 0.9)
    together = fit_one(both, quads, blur, SETTINGS, LIGHT)
    for i in range(2):
        alone = fit_one(both, quads[i : i + 1], blur[i : i + 1], SETTINGS, LIGHT)
        # The approach stops when all edges are near, so company may add a step.
        assert_allclose(together.nodes_px[i], alone.nodes_px[0], rtol=0, atol=2e-3)


def test_columns_are_thinned_without_harm() -> None:
    shot = Shot(np.random.default_rng(19), 150, 0.9, 0.3, noise_levels=3.0)
    sparse = replace(SETTINGS, most_columns=20)
    fits = fit_one(shot.luma, shot.corners[None], np.full((1, 4), 0.9), sparse, LIGHT)
    assert fits.good.all()
    ratio = fits.sigma_px.mean() / shot.fits.sigma_px.mean()
    # 80 columns against 20: twice the deviation, each known to about 10 %.
    assert 1.5 < ratio < 2.6


def test_columns_that_agree_by_chance_do_not_throw_out_the_rest() -> None:
    """Twelve columns of a small marker: seven on a line to thousandths of a pixel, five as noise has it."""
    along = np.linspace(-9.0, 9.0, 12, dtype=np.float32)[None]
    off = [[0.002, 0.04, -0.001, -0.03, 0.003, 0.0, 0.045, -0.002, -0.04, 0.001, 0.035, -0.003]]
    shift = np.array(off, np.float32)
    line = robust_line(along, shift, np.ones((1, 12), bool))
    assert line.weight.all()
    assert 0.02**2 < line.variance[0] < 0.04**2
    shift[0, 3] = 0.5  # a fleck of dirt
    taken = robust_line(along, shift, np.ones((1, 12), bool)).weight[0]
    assert np.flatnonzero(taken == 0).tolist() == [3]


def test_no_markers_is_no_error() -> None:
    fits = fit_one(np.zeros((40, 40), np.uint8), np.zeros((0, 4, 2)), np.zeros((0, 4)), SETTINGS, LIGHT)
    assert fits.nodes_px.shape == (0, 4, 2, 2)


def test_corners_are_where_the_lines_meet() -> None:
    corners = np.array([[10.0, 12], [61, 9], [66, 70], [4, 58]])
    following = np.roll(corners, -1, axis=0)
    nodes = np.stack([corners + f * (following - corners) for f in NODE_FRACTIONS], axis=1)
    assert_allclose(corners_from_nodes(nodes[None])[0], corners, rtol=0, atol=1e-9)
    gap = nodes.copy()
    gap[1] = np.nan
    met = corners_from_nodes(gap)
    assert np.isnan(met[[1, 2]]).all()
    assert_allclose(met[[0, 3]], corners[[0, 3]], rtol=0, atol=1e-9)
    parallel = nodes.copy()
    parallel[1] = nodes[0] + [0.0, 7.0]
    assert np.isnan(corners_from_nodes(parallel)[1]).all()


def test_a_large_slanting_marker_does_not_move_the_edges_of_a_small_one() -> None:
    rng = np.random.default_rng(20)
    small, large = Shot(rng, 30, 0.7, 0.05), Shot(rng, 120, 0.7, np.pi / 4)
    height, width = large.luma.shape
    both = np.full((height, width + small.luma.shape[1]), small.luma[0, 0], np.uint8)
    both[: small.luma.shape[0], width:] = small.luma
    both[:, :width] = large.luma
    quads = np.array([small.corners + np.array([width, 0]), large.corners])
    blur = np.full((2, 4), 0.7)
    together = fit_one(both, quads, blur, SETTINGS, LIGHT)
    alone = fit_one(both, quads[:1], blur[:1], SETTINGS, LIGHT)
    assert_allclose(together.nodes_px[0], alone.nodes_px[0], rtol=0, atol=5e-3)
