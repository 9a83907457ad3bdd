"""Measured edge nodes in the form that the fits work on."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.edges.follow import MarkerTracks


@dataclass(frozen=True, slots=True)
class Nodes:
    """Measured edge nodes of K frames and M markers: card markers first, then mounted ones.

    Attributes
    ----------
    pixels, normals : ndarray, shape (K, M, 8, 2)
        Points on the lines, and the lines' unit normals.
    inverse_sigma : ndarray, shape (K, M, 8)
        1 / standard deviation across the line; 0 where nothing was measured.
    blur_px : ndarray, shape (K, M, 8)
        Standard deviation of the blur across the edge of each node.
    """

    pixels: Floats
    normals: Floats
    inverse_sigma: Floats
    blur_px: Floats

    @property
    def seen(self) -> Bools:
        """Where a marker was measured, shape (K, M)."""
        return self.inverse_sigma[..., 0] > 0

    def frames(self, pick: NDArray[np.intp] | slice) -> Nodes:
        """Give some of the frames, by a slice or an index of shape (N,)."""
        return Nodes(self.pixels[pick], self.normals[pick], self.inverse_sigma[pick], self.blur_px[pick])

    def of_markers(self, pick: list[int]) -> Nodes:
        """Give some of the markers."""
        return Nodes(
            self.pixels[:, pick], self.normals[:, pick], self.inverse_sigma[:, pick], self.blur_px[:, pick]
        )

    @property
    def measured(self) -> Bools:
        """Frames with any node, shape (K,)."""
        return np.asarray(self.seen.any(axis=1), bool)

    @classmethod
    def joined(cls, parts: list[Nodes]) -> Nodes:
        """Put blocks of frames together."""
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))

    def floored(self, floor_px: Floats) -> Nodes:
        """Add an error of each marker, shape (M,), in quadrature to the standard deviations."""
        weight = self.inverse_sigma
        return replace(self, inverse_sigma=weight / np.sqrt(1.0 + (weight * floor_px[:, None]) ** 2))

    def scaled(self, factor: float) -> Nodes:
        """Multiply the inverse of all standard deviations."""
        return replace(self, inverse_sigma=self.inverse_sigma * factor)

    def eased(self, factor: Floats) -> Nodes:
        """Multiply the standard deviations of markers by factors, shape (K, M)."""
        return replace(self, inverse_sigma=self.inverse_sigma / factor[..., None])

    def with_weights(self, other: Nodes) -> Nodes:
        """Give the same nodes with the standard deviations of others."""
        return replace(self, inverse_sigma=other.inverse_sigma)

    def without(self, refused: Bools) -> Nodes:
        """Leave out markers, shape (K, M)."""
        return replace(self, inverse_sigma=np.where(refused[..., None], 0.0, self.inverse_sigma))

    def across(self, projected_px: Floats, ink_spread: float) -> Floats:
        """Give the distance of projected points from the measured lines, outward, shape (K, M, 8)."""
        off = (projected_px - self.pixels) * self.normals
        distance: Floats = off[..., 0] + off[..., 1] - ink_spread * self.blur_px
        return distance

    @classmethod
    def from_tracks(cls, tracks: MarkerTracks, ids: list[int], floor_px: Floats) -> Nodes:
        """Collect the nodes of the markers ``ids``, in this order, from the tracks.

        ``floor_px``, shape (M,), is added in quadrature to the standard deviations of each marker: pixels of
        a compressed clip share errors that the scatter along one edge does not show.
        """
        column = {int(i): m for m, i in enumerate(tracks.ids)}
        pick = [column[i] for i in ids]
        nodes = tracks.nodes_px[:, pick]
        along = nodes[..., 1, :] - nodes[..., 0, :]
        along = along / np.linalg.norm(along, axis=-1, keepdims=True)
        outward = np.stack([along[..., 1], -along[..., 0]], axis=-1)
        normals = np.repeat(outward[..., None, :], 2, axis=-2)
        sigma = np.hypot(tracks.sigma_px[:, pick], floor_px[:, None, None])
        shape = (len(nodes), len(pick), 8)
        seen = np.asarray(np.isfinite(nodes.reshape(*shape, 2)).all(axis=(2, 3)))[..., None]
        with np.errstate(invalid="ignore"):
            inverse = np.where(seen, 1.0 / sigma.reshape(shape), 0.0)
        # Opposite edges are parallel, so they share their blur; the mean of both is the better value.
        blur = tracks.blur_px[:, pick]
        blur = np.repeat(0.5 * (blur + np.roll(blur, 2, axis=-1)), 2, axis=-1)
        return cls(
            pixels=np.nan_to_num(nodes.reshape(*shape, 2)),
            normals=np.nan_to_num(normals.reshape(*shape, 2)),
            inverse_sigma=np.nan_to_num(inverse),
            blur_px=np.nan_to_num(blur),
        )
