"""Flat shapes that make up the moving picture: paper, markers, bars, discs, hands.

A shape answers, for points in its own plane (mm), which are inside and how much light they reflect
(linear, 0 to 1). A `Layer` is a shape placed in the world.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
Mask = NDArray[np.bool_]
FloatArray = NDArray[np.float64]

INK = 0.035  # linear reflectance of printer toner
PAPER = 0.80
CODE_CELLS = 6  # 4 x 4 code and its black border


class Shape(Protocol):
    """What every shape offers."""

    @property
    def outline(self) -> FloatArray:
        """Points (N, 2), mm, whose hull holds the shape."""

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """Inside, reflectance, and a part number that changes where the reflectance jumps."""


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    """Corners of an upright rectangle, (4, 2)."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def _plain(like: Samples, value: float) -> tuple[Samples, NDArray[np.uint8]]:
    """Even reflectance in one part."""
    return np.full(like.shape, value, np.float32), np.zeros(like.shape, np.uint8)


@dataclass(frozen=True, slots=True)
class Rectangle:
    """Upright rectangle about the origin, ``size_mm`` wide and high."""

    size_mm: tuple[float, float]
    value: float

    @property
    def outline(self) -> FloatArray:
        """Corners."""
        w, h = self.size_mm
        return _rectangle(-w / 2, -h / 2, w / 2, h / 2)

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        w, h = self.size_mm
        return ((np.abs(u) <= w / 2) & (np.abs(v) <= h / 2), *_plain(u, self.value))


@dataclass(frozen=True, slots=True)
class Polygon:
    """Convex polygon, corners counter-clockwise in its plane, mm."""

    corners_mm: tuple[tuple[float, float], ...]
    value: float

    @property
    def outline(self) -> FloatArray:
        """Corners."""
        return np.asarray(self.corners_mm, float)

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        inside = np.ones(u.shape, bool)
        corners = self.outline.astype(np.float32)
        for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            inside &= (x1 - x0) * (v - y0) - (y1 - y0) * (u - x0) >= 0
        return (inside, *_plain(u, self.value))


@dataclass(frozen=True, slots=True)
class Bar:
    """Bar with rounded ends along u from 0 to ``length_mm``, with a sheen across it.

    ``sheen`` is the relative change of reflectance from the axis to the edges; a rod is round, so its
    edges are darker; a flat arm has none. ``radius_mm`` is half the width; the ends are round.
    """

    length_mm: float
    radius_mm: float
    value: float
    sheen: float = 0.0

    @property
    def outline(self) -> FloatArray:
        """Box around it."""
        r = self.radius_mm
        return _rectangle(-r, -r, self.length_mm + r, r)

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        beyond = u - np.clip(u, 0, np.float32(self.length_mm))
        share = (beyond * beyond + v * v) * np.float32(1 / self.radius_mm**2)
        value = np.float32(self.value) * (1 - np.float32(self.sheen) * share)
        return share <= 1, value, np.zeros(u.shape, np.uint8)


@dataclass(frozen=True, slots=True)
class Disc:
    """Disc about the origin, brighter toward the upper left by ``slope`` (relative, edge to edge)."""

    radius_mm: float
    value: float
    slope: float = 0.0

    @property
    def outline(self) -> FloatArray:
        """Box around it."""
        r = self.radius_mm
        return _rectangle(-r, -r, r, r)

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        tint = np.float32(self.slope / (2.9 * self.radius_mm))
        value = np.float32(self.value) * (1 + tint * (v - u))
        return u * u + v * v <= self.radius_mm**2, value, np.zeros(u.shape, np.uint8)


@lru_cache(maxsize=64)
def code_cells(marker_id: int) -> NDArray[np.uint8]:
    """White cells of a ``DICT_4X4_50`` marker, black border included, (6, 6), 1 = white, row 0 on top.

    Parameters
    ----------
    marker_id : int
        0 to 49.

    Returns
    -------
    (6, 6) uint8 array
    """
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return (dictionary.generateImageMarker(marker_id, CODE_CELLS, borderBits=1) > 0).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Marker:
    """Printed marker about the origin, up = +v, on white paper that stands out by ``margin_mm``."""

    marker_id: int
    side_mm: float
    margin_mm: float = 0.0

    @property
    def outline(self) -> FloatArray:
        """Corners of the paper."""
        h = self.side_mm / 2 + self.margin_mm
        return _rectangle(-h, -h, h, h)

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        half = np.float32(self.side_mm / 2 + self.margin_mm)
        inside = (np.abs(u) <= half) & (np.abs(v) <= half)
        cell = np.float32(CODE_CELLS / self.side_mm)
        # One ring of paper cells around the code catches everything between the code and the paper's edge.
        column = np.clip(np.floor(u * cell) + (CODE_CELLS // 2 + 1), 0, CODE_CELLS + 1).astype(np.intp)
        row = np.clip((CODE_CELLS // 2) - np.floor(v * cell), 0, CODE_CELLS + 1).astype(np.intp)
        white = np.pad(code_cells(self.marker_id), 1, constant_values=1)[row, column]
        return inside, np.where(white, np.float32(PAPER), np.float32(INK)), white


@dataclass(frozen=True, slots=True)
class Hand:
    """A hand reaching along +u with the fingertips near the origin; ``scale`` 1 is 85 mm across."""

    scale: float
    value: float = 0.33

    def _limbs(self) -> FloatArray:
        """Fingers, palm and forearm: rows of u0, v0, u1, v1, radius (mm)."""
        return self.scale * np.array(
            [
                [-4, 30, -75, 24, 9.5],
                [6, 10, -75, 9, 10],
                [3, -10, -75, -9, 10],
                [-8, -30, -75, -24, 9],
                [-45, 58, -95, 30, 11],
                [-88, 0, -105, 0, 43],
                [-130, 0, -420, 0, 36],
            ]
        )

    @property
    def outline(self) -> FloatArray:
        """Box around it."""
        limbs = self._limbs()
        r = limbs[:, 4]
        u, v = limbs[:, [0, 2]], limbs[:, [1, 3]]
        return _rectangle(
            (u.min(1) - r).min(), (v.min(1) - r).min(), (u.max(1) + r).max(), (v.max(1) + r).max()
        )

    def sample(self, u: Samples, v: Samples) -> tuple[Mask, Samples, NDArray[np.uint8]]:
        """See `Shape`."""
        inside = np.zeros(u.shape, bool)
        value = np.zeros(u.shape, np.float32)
        for u0, v0, u1, v1, radius in self._limbs().astype(np.float32):
            du, dv = u1 - u0, v1 - v0
            share = np.clip(((u - u0) * du + (v - v0) * dv) / (du * du + dv * dv), 0, 1)
            distance = ((u - u0 - share * du) ** 2 + (v - v0 - share * dv) ** 2) / radius**2
            inside |= distance <= 1
            value = np.maximum(value, np.float32(self.value) * (1 - np.float32(0.4) * distance))
        return inside, value, np.zeros(u.shape, np.uint8)


@dataclass(frozen=True, slots=True)
class Layer:
    """A shape in the world, at one time or at many (...).

    Attributes
    ----------
    shape : Shape
    origin_mm : (..., 3) array
        World position of the shape's origin.
    u_axis, v_axis : (..., 3) arrays
        World directions of its axes, unit length.
    tint : (float, float)
        Blue and red colour difference of its surface (8-bit steps from grey at full reflectance).
    """

    shape: Shape
    origin_mm: FloatArray
    u_axis: FloatArray
    v_axis: FloatArray
    tint: tuple[float, float] = (0.0, 0.0)

    def points_mm(self, plane_mm: FloatArray) -> FloatArray:
        """World points (..., N, 3) of points in the shape's plane (N, 2)."""
        plane = np.asarray(plane_mm, float)
        u, v = self.u_axis[..., None, :], self.v_axis[..., None, :]
        return self.origin_mm[..., None, :] + plane[:, :1] * u + plane[:, 1:] * v
