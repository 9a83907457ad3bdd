"""The marker dictionary: finding markers in a picture and checking the code of those followed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats, Singles
from strokecurve.vision.edges.edges import CELLS_PER_SIDE
from strokecurve.vision.edges.pixels import Pictures

DICTIONARY = cv2.aruco.DICT_4X4_50
"""Open standard dictionary; the ids say what a marker is fixed to (docs/conventions.md)."""
DICTIONARY_SIZE = 50

CARD_IDS = (0, 1, 2, 3)
FIRST_ARM_ID = 10
FIRST_ROD_ID = 20
EXTRA_ARM_IDS = (30, 40)


@dataclass(frozen=True, slots=True)
class Detections:
    """Markers found in one picture.

    Attributes
    ----------
    ids : ndarray of int, shape (N,)
        Marker ids, each at most once.
    quads_px : ndarray, shape (N, 4, 2)
        Corners, clockwise from the marker's own first corner; right within about a pixel.
    """

    ids: NDArray[np.int64]
    quads_px: Floats

    @classmethod
    def empty(cls) -> Detections:
        """Give a picture without markers."""
        return cls(np.zeros(0, np.int64), np.zeros((0, 4, 2)))


@cache
def _detector(quick: bool) -> Any:
    parameters = cv2.aruco.DetectorParameters()
    # Corners are refined by our own edge fit, so the detector only has to find the squares.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    # Each size of the window costs as much; two find nearly all markers.
    sizes = (9, 29, 20) if quick else (5, 45, 10)
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = sizes[:2]
    parameters.adaptiveThreshWinSizeStep = sizes[2]
    parameters.minMarkerPerimeterRate = 0.02
    parameters.errorCorrectionRate = 0.3
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)


@cache
def marker_cells(marker_id: int) -> Bools:
    """Give the cells of a marker, shape (6, 6), true where white, row 0 at the top."""
    cells: Bools = (
        cv2.aruco.getPredefinedDictionary(DICTIONARY)
        .generateImageMarker(marker_id, CELLS_PER_SIDE, borderBits=1)
        .astype(bool)
    )
    cells.flags.writeable = False
    return cells


@cache
def _all_cells() -> Bools:
    """Cells of every marker of the dictionary, (50, 6, 6)."""
    cells = np.stack([marker_cells(i) for i in range(DICTIONARY_SIZE)])
    cells.flags.writeable = False
    return cells


def cells_of(ids: NDArray[np.int64]) -> Bools:
    """Give the cells of several markers, shape (Q, 6, 6), true where white, row 0 at the top."""
    return np.asarray(_all_cells()[ids])


def detect(
    luma_8bit: NDArray[np.uint8], offset_xy_px: tuple[float, float] = (0.0, 0.0), quick: bool = False
) -> Detections:
    """Find markers in a picture or in a window of it.

    Parameters
    ----------
    luma_8bit : ndarray of uint8, shape (height, width)
        The picture.
    offset_xy_px : tuple of float
        Position of its top-left pixel in the whole picture, added to the corners.
    quick : bool
        Take half the time, and overlook a marker in bad light now and then.

    Returns
    -------
    Detections
        Of several markers with one id only the largest is kept.
    """
    corners, ids, _ = _detector(quick).detectMarkers(np.ascontiguousarray(luma_8bit))
    if ids is None or len(corners) == 0:
        return Detections.empty()
    quads = np.concatenate(corners).reshape(-1, 4, 2).astype(float) + np.asarray(offset_xy_px)
    found = ids.reshape(-1).astype(np.int64)
    order = np.argsort(-_area(quads))
    _, first = np.unique(found[order], return_index=True)
    pick = order[first]
    return Detections(found[pick], quads[pick])


def codes_agree(
    pictures: Pictures,
    picture: NDArray[np.int64],
    quads_px: Floats,
    ids: NDArray[np.int64],
    midlevel: Floats,
) -> Bools:
    """Tell which of the markers followed still show the code of their id.

    Parameters
    ----------
    pictures : Pictures
        One or several.
    picture : ndarray of int, shape (Q,)
        Which picture shows the marker, rising.
    quads_px : ndarray, shape (Q, 4, 2)
        Corners.
    ids : ndarray of int, shape (Q,)
        Ids expected.
    midlevel : ndarray, shape (Q, 4)
        Brightness halfway between ink and paper at each edge.

    Returns
    -------
    ndarray of bool, shape (Q,)
        True where all sixteen data cells agree and at most two border cells do not.
    """
    if not len(ids):
        return np.zeros(0, bool)
    level = _sample_cells(pictures, picture, quads_px)
    x = (np.arange(CELLS_PER_SIDE) + 0.5) / CELLS_PER_SIDE
    top, right, bottom, left = (midlevel[:, i, None, None] for i in range(4))
    # The threshold follows uneven light across the marker: mean of the interpolations between opposite edges.
    threshold = 0.5 * (
        top * (1 - x[:, None]) + bottom * x[:, None] + left * (1 - x[None, :]) + right * x[None, :]
    )
    wrong = (level > threshold) != cells_of(ids)
    data_wrong = wrong[:, 1:-1, 1:-1].sum(axis=(1, 2))
    border_wrong = wrong.sum(axis=(1, 2)) - data_wrong
    agree: Bools = (data_wrong == 0) & (border_wrong <= 2)
    return agree


@cache
def _sample_points() -> Floats:
    """Four points in the middle of each cell in the unit square, homogeneous, shape (3, 144)."""
    centre = np.arange(CELLS_PER_SIDE)[:, None] + 0.5 + np.array([-0.2, 0.2])
    u = centre.reshape(-1) / CELLS_PER_SIDE
    x, y = np.meshgrid(u, u)
    points: Floats = np.stack([x.reshape(-1), y.reshape(-1), np.ones(x.size)])
    points.flags.writeable = False
    return points


def _sample_cells(pictures: Pictures, picture: NDArray[np.int64], quads_px: Floats) -> Singles:
    """Mean of four pixels in the middle of each cell, shape (Q, 6, 6)."""
    height, width = pictures.shape
    point = homographies(quads_px) @ _sample_points()
    with np.errstate(divide="ignore", invalid="ignore"):
        xy = point[:, :2] / point[:, 2:]
        # A comparison with NaN keeps the limit.
        pixel = np.rint(np.fmin(np.fmax(xy, 0.0), [[width - 1], [height - 1]])).astype(np.intp)
    column, row = pixel[:, 0], pixel[:, 1]
    side = CELLS_PER_SIDE
    place = row * pictures.stride + column
    numbers = np.empty(place.shape, np.float32)
    for flat, part in pictures.parts(picture):
        numbers[part] = flat.take(place[part])
    four = numbers.reshape(len(quads_px), side, 2, side, 2)
    means: Singles = 0.25 * (
        four[:, :, 0, :, 0] + four[:, :, 0, :, 1] + four[:, :, 1, :, 0] + four[:, :, 1, :, 1]
    )
    return means


def homographies(quads_px: Floats) -> Floats:
    """Map the unit square (x right, y down, first corner at the origin) onto quadrilaterals.

    Parameters
    ----------
    quads_px : ndarray, shape (Q, 4, 2)
        Corners in the order (0, 0), (1, 0), (1, 1), (0, 1).

    Returns
    -------
    ndarray, shape (Q, 3, 3)
        Homogeneous matrices.

    References
    ----------
    .. [1] P. Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989, section 2.2.3.
    """
    p0, p1, p2, p3 = np.moveaxis(quads_px, 1, 0)
    d1, d2, s = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    det = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    maps = np.ones((len(quads_px), 3, 3))
    with np.errstate(divide="ignore", invalid="ignore"):
        maps[:, 2, 0] = g = (s[:, 0] * d2[:, 1] - s[:, 1] * d2[:, 0]) / det
        maps[:, 2, 1] = h = (d1[:, 0] * s[:, 1] - d1[:, 1] * s[:, 0]) / det
        maps[:, :2, 0] = p1 - p0 + g[:, None] * p1
        maps[:, :2, 1] = p3 - p0 + h[:, None] * p3
    maps[:, :2, 2] = p0
    return maps


def _area(quads_px: Floats) -> Floats:
    """Area of each quadrilateral, shape (Q,)."""
    nxt = np.roll(quads_px, -1, axis=1)
    cross = quads_px[..., 0] * nxt[..., 1] - quads_px[..., 1] * nxt[..., 0]
    area: Floats = 0.5 * np.abs(cross.sum(axis=1))
    return area
