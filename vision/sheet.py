"""Layout of the printable markers: which marker sits where on which page, in millimetres.

Everything here is plain geometry; drawing it on paper is ``app.report.sheet``'s task.
Page coordinates start at the top left corner of the paper, x to the right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.edges.edges import CELLS_PER_SIDE
from strokecurve.vision.edges.markers import CARD_IDS, DICTIONARY_SIZE, marker_cells
from strokecurve.vision.joint_fit.camera import CARD_CENTRES_MM, CARD_MARKER_SIDE_MM

QUIET_CELLS = 1.5
"""Width of the white zone around a marker, in cells."""
LABEL_STRIP_MM = 6.0
"""Height of the strip below the quiet zone that carries the small print."""

ARM_SIDES_MM = (30.0, 20.0)
LOOSE_IDS = (10, 11, 12, 13, 20, 21, 22, 30, 31, 32, 33, 40, 41, 42, 43)
"""Markers of arms (10+), rods (20+) and further markers on the same shaft (30+, 40+)."""

PAPERS_WH_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

HEADER_MM = 26.0
"""Height kept at the top of each page for its title and first lines."""


@dataclass(frozen=True, slots=True)
class PlacedMarker:
    """One marker on a page.

    Attributes
    ----------
    marker_id : int
        Number in the dictionary.
    side_mm : float
        Outer side of the black square.
    centre_xy_mm : tuple of float
        Centre of the square on the page.
    label_xy_mm : tuple of float
        Middle of the small print, always outside the quiet zone.
    label : str
        Number and place of the marker, in words.
    """

    marker_id: int
    side_mm: float
    centre_xy_mm: tuple[float, float]
    label_xy_mm: tuple[float, float]
    label: str

    @property
    def corners_xy_mm(self) -> NDArray[np.float64]:
        """Corners (4, 2) on the page, clockwise from the top left, as detectors list them."""
        half = self.side_mm / 2
        square: NDArray[np.float64] = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        return square + np.asarray(self.centre_xy_mm, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class SheetPage:
    """One page of markers.

    Attributes
    ----------
    kind : str
        ``card`` or ``loose``.
    side_mm : float
        Side of every marker on the page.
    markers : tuple of PlacedMarker
    cuts_xywh_mm : tuple of tuple
        Rectangles to cut along: left, top, width, height.
    below_mm : float
        y below which the page is free for text.
    """

    kind: str
    side_mm: float
    markers: tuple[PlacedMarker, ...]
    cuts_xywh_mm: tuple[tuple[float, float, float, float], ...]
    below_mm: float


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """All pages of markers for one paper size."""

    paper: str
    size_wh_mm: tuple[float, float]
    pages: tuple[SheetPage, ...]


def marker_bits(marker_id: int) -> NDArray[np.bool_]:
    """Cells of a marker, border included.

    Parameters
    ----------
    marker_id : int
        0 to 49.

    Returns
    -------
    ndarray of bool, shape (6, 6)
        True where the cell is black; row 0 is the top row of the upright marker.

    Raises
    ------
    ValueError
        If the dictionary has no such marker.
    """
    if not 0 <= marker_id < DICTIONARY_SIZE:
        raise ValueError(f"there is no marker {marker_id}: expected 0 to {DICTIONARY_SIZE - 1}")
    return np.asarray(~marker_cells(marker_id), np.bool_)


def place_in_words(marker_id: int) -> str:
    """Where a marker goes, in the words of the numbering (card 0-3, arms 10+, rods 20+, more 30+)."""
    if marker_id in CARD_IDS:
        corner = ("top left", "top right", "bottom right", "bottom left")[marker_id]
        return f"{marker_id}  card, {corner}"
    family, shaft_number = divmod(marker_id, 10)
    shaft = "motor" if shaft_number == 0 else f"shaft {shaft_number}"
    if family == 1:
        return f"{marker_id}  arm on {shaft}"
    if family == 2:
        return f"{marker_id}  rod from {shaft}"
    return f"{marker_id}  extra, {shaft}"


def card_page(size_wh_mm: tuple[float, float]) -> SheetPage:
    """The reference card: four markers on one piece of paper, centred across the page.

    Parameters
    ----------
    size_wh_mm : tuple of float
        Paper width and height.

    Returns
    -------
    SheetPage
    """
    width, height = (float(v) for v in np.ptp(CARD_CENTRES_MM[:, :2], axis=0))
    side, quiet = CARD_MARKER_SIDE_MM, QUIET_CELLS * CARD_MARKER_SIDE_MM / CELLS_PER_SIDE
    left = (size_wh_mm[0] - width) / 2
    top = HEADER_MM + quiet + side / 2
    # the card's frame has x right and y up from its middle, the page y down
    centres = [(left + width / 2 + x, top + height / 2 - y) for x, y in CARD_CENTRES_MM[:, :2].tolist()]
    to_label = side / 2 + quiet + 3.0
    markers = tuple(
        PlacedMarker(
            marker_id,
            side,
            centre,
            (centre[0], centre[1] + (to_label if centre[1] == top else -to_label)),
            place_in_words(marker_id),
        )
        for marker_id, centre in zip(CARD_IDS, centres, strict=True)
    )
    outer = side + 2 * quiet
    cut = (left - outer / 2, top - outer / 2, width + outer, height + outer)
    return SheetPage("card", side, markers, (cut,), cut[1] + cut[3])


def loose_page(size_wh_mm: tuple[float, float], side_mm: float) -> SheetPage:
    """Markers for arms and rods in one size, as tiles to be cut apart.

    Parameters
    ----------
    size_wh_mm : tuple of float
        Paper width and height.
    side_mm : float
        Side of the black squares.

    Returns
    -------
    SheetPage
    """
    tile = side_mm * (1 + 2 * QUIET_CELLS / CELLS_PER_SIDE)
    columns = int((size_wh_mm[0] - 20.0) // tile)
    left = (size_wh_mm[0] - columns * tile) / 2
    markers = []
    cuts = []
    for position, marker_id in enumerate(LOOSE_IDS):
        row, column = divmod(position, columns)
        x = left + column * tile
        y = HEADER_MM + row * (tile + LABEL_STRIP_MM)
        centre = (x + tile / 2, y + tile / 2)
        label = (centre[0], y + tile + LABEL_STRIP_MM / 2)
        markers.append(PlacedMarker(marker_id, side_mm, centre, label, place_in_words(marker_id)))
        cuts.append((x, y, tile, tile + LABEL_STRIP_MM))
    below = max(cut[1] + cut[3] for cut in cuts)
    return SheetPage("loose", side_mm, tuple(markers), tuple(cuts), below)


def layout(paper: str) -> SheetLayout:
    """All marker pages for a paper size.

    Parameters
    ----------
    paper : str
        ``a4`` or ``letter``.

    Returns
    -------
    SheetLayout
        The reference card, then arm and rod markers of 30 mm and of 20 mm.

    Raises
    ------
    ValueError
        If the paper is not known.
    """
    if paper not in PAPERS_WH_MM:
        raise ValueError(f"paper is {paper!r}: expected one of {', '.join(PAPERS_WH_MM)}")
    size = PAPERS_WH_MM[paper]
    pages = (card_page(size), *(loose_page(size, side) for side in ARM_SIDES_MM))
    return SheetLayout(paper, size, pages)
