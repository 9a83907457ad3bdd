"""The ray behind every pixel of a shown picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_media.filming import Camera
from sample_media.optics import principal_point, rays, straightened
from sample_media.shot import Shot

Rays = NDArray[np.float32]

TABLE = 8192  # steps of the table of the lens's bending; linear in between is good to 1e-8
BORDER = 1.3  # the table reaches this much farther than the picture's corners: a steadied picture is shifted


class Lens:
    """Rays of the pixels of one camera.

    Parameters
    ----------
    camera : Camera
    """

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        self._plain: dict[int, Rays] = {}
        width, height = camera.size_wh
        corner = BORDER * np.hypot(width, height) / 2 / camera.focal_px
        self._squared = np.linspace(0.0, corner**2, TABLE)
        radius = np.sqrt(self._squared[1:])
        straight = straightened(camera, np.stack([radius, np.zeros_like(radius)], axis=-1))[:, 0]
        self._straightening = np.concatenate([[1.0], straight / radius])

    def _cells(self, cell_px: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Centres x (w,) and y (h,) of square cells, as cv2.resize places them."""
        width, height = self.camera.size_wh
        w, h = -(-width // cell_px), -(-height // cell_px)
        return (np.arange(w) + 0.5) * width / w - 0.5, (np.arange(h) + 0.5) * height / h - 0.5

    def cell_px(self, cell_px: int) -> NDArray[np.float64]:
        """Pixels (h, w, 2) at the centres of square cells."""
        return np.stack(np.meshgrid(*self._cells(cell_px)), axis=-1)

    def rays(self, shot: Shot, cell_px: int = 1) -> Rays:
        """Undistorted normalised coordinates x, y at the centres of square cells of a shown picture.

        Parameters
        ----------
        shot : Shot
        cell_px : int
            Side of the cells; 1 for every pixel.

        Returns
        -------
        (h, w, 2) float32 array
        """
        if self.camera.steadied_share == 0 and self.camera.breathing_share == 0:
            return self._plain_rays(cell_px)
        x, y = self._cells(cell_px)
        place = shot.place
        origin, right, down = place.on_sensor(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
        # The focal length is a parabola in time over one frame to far below a thousandth of a pixel.
        offset = shot.shutter.at_origin_s + x * shot.shutter.slope_s[0] + y[:, None] * shot.shutter.slope_s[1]
        focal = np.polyval(np.polyfit(shot.node_s, shot.pose.focal_px, 2), offset)
        bent = np.empty((len(y), len(x), 2))
        for axis, middle in enumerate(principal_point(self.camera)):
            along = x * (right - origin)[axis] + y[:, None] * (down - origin)[axis]
            bent[..., axis] = (along + (origin[axis] - middle)) / focal
        squared = bent[..., 0] ** 2 + bent[..., 1] ** 2
        return (bent * np.interp(squared, self._squared, self._straightening)[..., None]).astype(np.float32)

    def _plain_rays(self, cell_px: int) -> Rays:
        """Rays where nothing but the lens bends them; worked out once."""
        if cell_px not in self._plain:
            x, y = self._cells(cell_px)
            rows = [rays(self.camera, np.stack([x, np.full(len(x), row)], axis=-1)) for row in y]
            self._plain[cell_px] = np.array(rows, np.float32)
        return self._plain[cell_px]

    def jacobian(self, ray: Rays, shot: Shot) -> NDArray[np.float32]:
        """Change of rays (E, 2) per shown pixel, (E, 2, 2): inverse of the lens model's own derivative."""
        camera = self.camera
        x = ray.astype(np.float64)
        squared = np.sum(x**2, axis=1)
        scale = 1 + camera.k1 * squared + camera.k2 * squared**2
        growth = 2 * (camera.k1 + 2 * camera.k2 * squared)
        A = scale[:, None, None] * np.eye(2) + growth[:, None, None] * x[:, :, None] * x[:, None, :]
        return (np.linalg.inv(A) / camera.focal_px @ shot.place.turn.T).astype(np.float32)
