"""When each pixel is exposed, and what a phone that steadies its picture does to it afterwards.

A phone's sensor resets and reads its rows one after another, so every row sees the camera and the machine at
its own time: the pose of the moving camera becomes a function of the image row (M. Meingast, C. Geyer and
S. Sastry, "Geometric models of rolling-shutter cameras", 2005, arXiv:cs/0503076).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_media.filming import Film
from sample_media.optics import CameraPath, principal_point, project

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Placement:
    """Turn and shift of a whole picture: where a pixel of the sensor is shown.

    Attributes
    ----------
    turn_rad : float
        Turn from x toward y.
    centre_px : (2,) array
        Point it turns about.
    shift_px : (2,) array
        Shift after the turn.
    """

    turn_rad: float
    centre_px: FloatArray
    shift_px: FloatArray

    @property
    def turn(self) -> FloatArray:
        """Matrix of the turn, (2, 2)."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.array([[c, -s], [s, c]])

    def shown(self, sensor_px: FloatArray) -> FloatArray:
        """Pixels of the shown picture (..., 2) of pixels of the sensor (..., 2)."""
        return (sensor_px - self.centre_px) @ self.turn.T + self.centre_px + self.shift_px

    def on_sensor(self, shown_px: FloatArray) -> FloatArray:
        """Inverse of `shown`."""
        return (shown_px - self.centre_px - self.shift_px) @ self.turn + self.centre_px


def placement(path: CameraPath, time_s: float) -> Placement:
    """How a phone places one frame to take a share of the hand's motion out of it.

    The point the camera is aimed at keeps only what is left of its motion; the picture turns against the
    hand's turn about the line of sight.

    Parameters
    ----------
    path : CameraPath
    time_s : float
        Time of the frame.

    Returns
    -------
    Placement
    """
    camera, centre = path.camera, np.array(principal_point(path.camera))
    share = camera.steadied_share
    if share == 0:
        return Placement(0.0, centre, np.zeros(2))
    held, aimed = path.pose(time_s), path.aimed(time_s)
    by_hand = held.rotation @ aimed.rotation.T
    turned = Placement(-share * float(np.arctan2(by_hand[1, 0], by_hand[0, 0])), centre, np.zeros(2))
    target = np.array([camera.target_mm], float)
    seen, wanted = project(camera, held, target)[0], project(camera, aimed, target)[0]
    return Placement(turned.turn_rad, centre, seen + share * (wanted - seen) - turned.shown(seen))


@dataclass(frozen=True, slots=True)
class Shutter:
    """Time at which each pixel is exposed, from the frame's time: linear in the pixel.

    Attributes
    ----------
    at_origin_s : float
        Time of pixel (0, 0).
    slope_s : (2,) array
        Change per pixel of x and of y.
    """

    at_origin_s: float
    slope_s: FloatArray

    def offset_s(self, pixels: FloatArray) -> FloatArray:
        """Times (...) of pixels (..., 2)."""
        return self.at_origin_s + pixels @ self.slope_s

    def shown(self, place: Placement) -> Shutter:
        """The same for pixels of the shown picture instead of the sensor's."""
        corner, right, down = self.offset_s(place.on_sensor(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])))
        return Shutter(float(corner), np.array([right - corner, down - corner]))


def sensor_shutter(film: Film, size_wh: tuple[int, int]) -> Shutter:
    """When the pixels of the upright picture are exposed if nothing steadies it.

    Parameters
    ----------
    film : Film
        Readout along the rows or columns of the stored picture, and how that is turned to be shown.
    size_wh : (int, int)
        Width and height of the shown picture, px.

    Returns
    -------
    Shutter

    Raises
    ------
    ValueError
        If the readout runs along neither rows nor columns.
    """
    if film.readout_along not in ("rows", "columns"):
        raise ValueError(f"readout_along is 'rows' or 'columns', not {film.readout_along!r}")
    width, height = size_wh
    # Stored row (first line) and column (second) of shown x, y: constant, times x, times y.
    stored = {
        0: ((0, 0, 1), (0, 1, 0)),
        90: ((width - 1, -1, 0), (0, 0, 1)),
        180: ((height - 1, 0, -1), (width - 1, -1, 0)),
        270: ((0, 1, 0), (height - 1, 0, -1)),
    }[film.rotation_deg_clockwise % 360]
    first, by_x, by_y = stored[film.readout_along == "columns"]
    lines = width if by_x else height
    a_line_s = film.row_readout_s / lines
    return Shutter(first * a_line_s - film.row_readout_s / 2, a_line_s * np.array([by_x, by_y], float))
