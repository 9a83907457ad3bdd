"""Light across an edge against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr

from strokecurve.vision.edges.edge_light import CodeGlow, blurred_step


def test_the_step_is_the_normal_distribution() -> None:
    """Outside check: scipy.special.ndtr."""
    z = np.linspace(-6, 6, 2001, dtype=np.float32)
    assert_allclose(blurred_step(z), ndtr(z), rtol=0, atol=2.5e-4)
    assert_allclose(blurred_step(z) + blurred_step(-z), 1.0, rtol=0, atol=1e-6)


class TestGlow:
    CELL_PX, BLUR_PX = 4.0, 1.2

    def taken(self, cells: list[bool], z: np.ndarray, along_cells: np.ndarray) -> tuple[np.ndarray, ...]:
        glow = CodeGlow.of(
            np.array([cells]),
            along_cells.astype(np.float32),
            np.array([self.CELL_PX]),
            np.array([self.BLUR_PX]),
        )
        share = np.zeros(z.shape, np.float32)
        gradient, widening = np.zeros_like(share), np.zeros_like(share)
        glow.add_to(share, gradient, widening, z.astype(np.float32))
        return share, gradient, widening

    def test_it_is_a_blurred_row_of_cells(self) -> None:
        z, along = (m[:, None] for m in np.meshgrid(np.linspace(-4, 3, 15), np.linspace(0, 6, 61)))
        share, _, _ = self.taken([False, True, False, True, True, False], z, along)
        sharp = self.CELL_PX / self.BLUR_PX
        beside = sum(ndtr((along - a) * sharp) - ndtr((along - b) * sharp) for a, b in ((1, 2), (3, 5)))
        # Three approximated steps are multiplied or added.
        assert_allclose(share, beside * ndtr(-(z + sharp)), rtol=0, atol=1e-3)

    def test_black_cells_do_not_glow(self) -> None:
        z, along = np.linspace(-4, 3, 15)[:, None, None], np.full((15, 1, 1), 2.5)
        assert not any(part.any() for part in self.taken([False] * 6, z, along))

    @pytest.mark.parametrize("which", ["offset", "blur"])
    def test_derivatives_are_those_of_the_light(self, which: str) -> None:
        """Central differences."""
        z, along = np.linspace(-4, 3, 15)[:, None, None], np.full((15, 1, 1), 1.3)
        cells = [False, True, False, False, True, False]
        _, gradient, widening = self.taken(cells, z, along)
        step = 0.01
        depth = self.CELL_PX / self.BLUR_PX
        beside = self.taken(cells, np.full_like(z, -60.0), along)[0]  # white share, fully behind

        def light(shift: float, wider: float) -> np.ndarray:
            return np.asarray(beside * ndtr(-(z + depth + shift) / (1 + wider)))

        if which == "offset":
            slope = (light(step, 0) - light(-step, 0)) / (2 * step)
            found = gradient
        else:
            slope = -(light(0, step) - light(0, -step)) / (2 * step)
            found = widening
        assert_allclose(found / np.sqrt(2 * np.pi), slope, rtol=0, atol=1e-3)
