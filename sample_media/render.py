"""Ray-cast frames with known truth.

Each pixel is the mean light over its square and over the exposure of its row. Pixels inside one part take
one ray; pixels near an edge take 64 rays on a randomly shifted rank-1 lattice, so a straight edge has no
preferred place within a pixel. The rays are dealt over four moments of the exposure.
Lens blur acts on linear light; gamma, noise and quantisation follow.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_media.develop import develop, quantise
from sample_media.layers import Layer, Rectangle, Samples
from sample_media.lens import Lens
from sample_media.mechanism import frame_times, solve
from sample_media.optics import CameraPath, project
from sample_media.panel import PANEL_DEPTH_MM, paint_panel, texture_from_panel
from sample_media.scene import Scene
from sample_media.shot import Moment, Shot
from sample_media.staging import flat, layers_at, marker_layers

Luma = NDArray[np.float32]
Parts = NDArray[np.uint16]

RAYS = 64
LATTICE_STEP = 19  # generator with the widest spacing for 64 points and for every fourth of them
SEEN_REACH_PX = 0.45
FARTHEST_PX = 12.0
TOUCH_S = 1e-12  # rounding of times
COARSE_PX = 8  # grid for the smooth parts: panel mapping, light
SHADOW_PX = 4
PANEL = flat(Rectangle((1.0, 1.0), 0.0), np.array([0.0, 0.0, PANEL_DEPTH_MM]))


def sample_offsets() -> NDArray[np.float64]:
    """Places of the rays in a pixel, (64, 2), -0.5 to 0.5; every fourth belongs to one moment."""
    i = np.arange(RAYS)
    return np.stack([(i + 0.5) / RAYS - 0.5, ((i * LATTICE_STEP) % RAYS + 0.5) / RAYS - 0.5], axis=-1)


def to_plane(H: NDArray[np.float32], x: Samples, y: Samples) -> tuple[Samples, Samples]:
    """Plane coordinates u, v (mm) of rays x, y; one matrix (3, 3), or one for each ray (..., 3, 3)."""
    w = 1 / (H[..., 2, 0] * x + H[..., 2, 1] * y + H[..., 2, 2])
    u = (H[..., 0, 0] * x + H[..., 0, 1] * y + H[..., 0, 2]) * w
    return u, (H[..., 1, 0] * x + H[..., 1, 1] * y + H[..., 1, 2]) * w


def outline_px(shot: Shot, layer: Layer) -> NDArray[np.float64]:
    """Shown pixels (N, P, 2) of points round a layer at every node of time."""
    # A lens bends straight sides outward by a fraction of a pixel over a marker; points along the sides keep
    # the box right for the large shapes too.
    corners = layer.shape.outline
    return shot.pixels(layer, np.concatenate([corners, (corners + np.roll(corners, 1, axis=0)) / 2]))


def pixel_box(pixels: NDArray[np.float64], size_wh: tuple[int, int]) -> tuple[int, int, int, int]:
    """Columns and rows x0, x1, y0, y1 (half open) that hold points (..., 2), cut to the picture."""
    low = np.floor(pixels.min(axis=(0, 1))).astype(int) - 1
    high = np.ceil(pixels.max(axis=(0, 1))).astype(int) + 2
    x0, x1 = np.clip([low[0], high[0]], 0, size_wh[0])
    y0, y1 = np.clip([low[1], high[1]], 0, size_wh[1])
    return int(x0), int(x1), int(y0), int(y1)


class Renderer:
    """Renders frames of one scene at any time.

    Parameters
    ----------
    scene : Scene

    Raises
    ------
    ValueError
        If a linkage of the scene cannot close.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.mechanism = solve(scene)
        self.path = CameraPath(scene.camera)
        self._lens = Lens(scene.camera)
        self._panel = paint_panel(scene.panel_seed, scene.labels)
        self._vignette = self._vignetting()
        self._linear = (np.arange(256, dtype=np.float32) / 255) ** np.float32(scene.picture.gamma)

    def _vignetting(self) -> Luma:
        """Light loss toward the corners, (H, W), 1 in the middle."""
        width, height = self.scene.camera.size_wh
        x = (np.arange(width) - (width - 1) / 2) / (np.hypot(width, height) / 2)
        y = (np.arange(height) - (height - 1) / 2) / (np.hypot(width, height) / 2)
        squared = x[None, :] ** 2 + y[:, None] ** 2
        return (1 - self.scene.picture.vignetting * squared).astype(np.float32)

    def moment(self, time_s: float) -> Moment:
        """Camera and layers at one time."""
        return Moment(self.path.pose(time_s), layers_at(self.scene, self.mechanism, time_s))

    def shot(self, time_s: float) -> Shot:
        """Camera and layers over the readout and exposure of the frame of one time."""
        return Shot(self.scene, self.mechanism, self.path, time_s)

    def marker_corners_px(self, time_s: float) -> dict[int, NDArray[np.float64]]:
        """Where the corners of every marker appear in the frame of one time, each at its own row's time.

        Returns
        -------
        dict
            Corners (4, 2), shown pixels, by id: from the marker's own top left, clockwise on its face.
        """
        shot = self.shot(time_s)
        square = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
        return {
            marker_id: shot.seen_px(layer, layer.shape.side_mm * square)
            for marker_id, layer in marker_layers(shot.layers).items()
        }

    def luma(self, time_s: float, noise_seed: int | None = None) -> Luma:
        """One frame's luma before quantisation.

        Parameters
        ----------
        time_s : float
            Time of the frame, clip time: the middle of the exposure of its middle row.
        noise_seed : int or None
            Frame number for the noise; None for a frame without noise.

        Returns
        -------
        (H, W) float32 array
            8-bit video levels: 16 is black, 235 is white.
        """
        return develop(self.scene.picture, self.light(time_s), noise_seed)

    def frame(self, time_s: float, noise_seed: int | None = None) -> tuple[Luma, Luma, Luma]:
        """One frame in colour: `luma`, then blue and red differences at half resolution, 128 is grey."""
        shot = self.shot(time_s)
        light, parts = self._light(shot)
        return develop(self.scene.picture, light, noise_seed), *self._chroma(shot, parts)

    def light(self, time_s: float) -> Luma:
        """Linear light in each pixel before the lens blur, (H, W) float32; 1 is full scale."""
        return self._light(self.shot(time_s))[0]

    def _light(self, shot: Shot) -> tuple[Luma, Parts]:
        """Linear light, and part numbers at the pixel centres, (H, W) each."""
        ray = self._lens.rays(shot)
        outlines = [outline_px(shot, layer) for layer in shot.layers]
        boxes = [pixel_box(pixels, self.scene.camera.size_wh) for pixels in outlines]
        ground = self._ground(shot)
        picture = ground.copy()
        parts = self._paint(shot, ray, boxes, picture)
        # The eight neighbours' centres see every straight edge that crosses a pixel's square, even one that
        # moves by half a pixel; what moves farther needs a wider look.
        farther = np.ceil(np.maximum(self._reach_px(shot, outlines) - SEEN_REACH_PX, 0.0)).astype(int)
        box = np.ones((2 * farther + 3)[::-1], np.uint8)
        rows, columns = np.nonzero(cv2.dilate(parts, box) != cv2.erode(parts, box))
        if len(rows):
            at = (rows, columns)
            picture[at] = self._refine(shot, boxes, rows, columns, ray[at], ground[at])
        return picture * self._illumination(shot) + self._glare(shot), parts

    def _ground(self, shot: Shot) -> Luma:
        """Panel and wall with the shadows of what stands before them, linear."""
        texture = self._panel.luma
        grey = cv2.remap(
            texture, self._panel_map(shot), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        return self._linear[grey] * self._shadow(shot)

    def _on_panel(self, shot: Shot) -> tuple[Samples, Samples]:
        """Panel coordinates x, y (mm) of the coarse cells."""
        ray = self._lens.rays(shot, COARSE_PX)
        offset = shot.shutter.offset_s(self._lens.cell_px(COARSE_PX))
        return to_plane(shot.matrices_at(PANEL, shot.place_between(offset)), ray[..., 0], ray[..., 1])

    def _panel_map(self, shot: Shot) -> NDArray[np.float32]:
        """Texture pixel for every picture pixel, (H, W, 2)."""
        x, y = self._on_panel(shot)
        A = texture_from_panel().astype(np.float32)
        coarse = np.stack([A[0, 0] * x + A[0, 2], A[1, 1] * y + A[1, 2]], axis=-1)
        return cv2.resize(coarse, self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR)

    def _shadow(self, shot: Shot) -> Luma:
        """Share of light left by soft shadows on the panel, (H, W)."""
        width, height = self.scene.camera.size_wh
        mask = np.ones((-(-height // SHADOW_PX), -(-width // SHADOW_PX)), np.float32)
        for layer in shot.layers:
            points = layer.points_mm(layer.shape.outline)
            depth = np.mean(points[..., 2], axis=-1, keepdims=True) - PANEL_DEPTH_MM
            points[..., 0] += 0.30 * depth
            points[..., 1] -= 0.45 * depth
            points[..., 2] = PANEL_DEPTH_MM
            at_nodes = shot.place.shown(project(self.scene.camera, shot.pose, points))
            # Soft as it is, a shadow may be drawn whole at the time of the row in its middle.
            middle = shot.shutter.offset_s(at_nodes.mean(axis=(0, 1)))
            pixels = (at_nodes[shot.place_between(middle)[0]] + 0.5) / SHADOW_PX - 0.5
            cv2.fillConvexPoly(mask, np.round(pixels).astype(np.int32), 0.55)
        mask = cv2.GaussianBlur(mask, (0, 0), 8.0 * width / 1920)
        return cv2.resize(mask, (width, height), interpolation=cv2.INTER_LINEAR)

    def _paint(
        self, shot: Shot, ray: NDArray[np.float32], boxes: list[tuple[int, int, int, int]], picture: Luma
    ) -> Parts:
        """Paint every layer at the pixel centres; returns part numbers, (H, W)."""
        parts = np.zeros(picture.shape, np.uint16)
        slope = np.abs(shot.shutter.slope_s)
        for number, (layer, (x0, x1, y0, y1)) in enumerate(zip(shot.layers, boxes, strict=True)):
            if x0 >= x1 or y0 >= y1:
                continue
            # One matrix a row or column: in a steadied picture the lines of equal time are a little askew,
            # which the edges' own pixels, refined one by one, do not share.
            x, y = (x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2
            if slope[0] > slope[1]:
                line = np.stack(np.broadcast_arrays(np.arange(x0, x1), y), axis=-1)[None]
            else:
                line = np.stack(np.broadcast_arrays(x, np.arange(y0, y1)), axis=-1)[:, None]
            H = shot.matrices_at(layer, shot.place_between(shot.shutter.offset_s(line)))
            u, v = to_plane(H, ray[y0:y1, x0:x1, 0], ray[y0:y1, x0:x1, 1])
            inside, value, part = layer.shape.sample(u, v)
            np.copyto(picture[y0:y1, x0:x1], value, where=inside)
            np.copyto(parts[y0:y1, x0:x1], part + np.uint16(2 * number + 1), where=inside)
        return parts

    def _reach_px(self, shot: Shot, outlines: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        """Half of the longest way a layer's outline moves in x and y while a row is exposed, (2,), px."""
        span = shot.moments_s[-1] - shot.moments_s[0]
        earlier = np.flatnonzero(shot.node_s + span <= shot.node_s[-1] + TOUCH_S)
        later = np.searchsorted(shot.node_s, shot.node_s[earlier] + span - TOUCH_S)
        moved = [np.abs(px[later] - px[earlier]).max(axis=(0, 1)) for px in outlines]
        return np.minimum(np.max(moved, axis=0) / 2, FARTHEST_PX)

    def _refine(
        self,
        shot: Shot,
        boxes: list[tuple[int, int, int, int]],
        rows: NDArray[np.intp],
        columns: NDArray[np.intp],
        ray: NDArray[np.float32],
        ground: Luma,
    ) -> Luma:
        """Mean light over the square of each listed pixel and over its exposure, (E,)."""
        jacobian = self._lens.jacobian(ray, shot)
        row_s = shot.shutter.offset_s(np.stack([columns, rows], axis=-1))
        total = np.zeros(len(rows), np.float32)
        # A lattice of its own place in every pixel: edges along one of the lattice's rows would otherwise be
        # shifted alike in all their pixels.
        shift = np.random.default_rng(len(rows)).random((2, len(rows), 1), dtype=np.float32)
        offsets = sample_offsets().astype(np.float32)
        nears = [
            np.flatnonzero((columns >= x0) & (columns < x1) & (rows >= y0) & (rows < y1))
            for x0, x1, y0, y1 in boxes
        ]
        for k, moment_s in enumerate(shot.moments_s):
            dx, dy = (offsets[k :: len(shot.moments_s), axis] + shift[axis] for axis in (0, 1))
            dx -= np.rint(dx)
            dy -= np.rint(dy)
            x = ray[:, :1] + jacobian[:, :1, 0] * dx + jacobian[:, :1, 1] * dy
            y = ray[:, 1:] + jacobian[:, 1:, 0] * dx + jacobian[:, 1:, 1] * dy
            before, share = shot.place_between(row_s + moment_s)
            value = np.repeat(ground[:, None], dx.shape[1], axis=1)
            for layer, near in zip(shot.layers, nears, strict=True):
                if not len(near):
                    continue
                H = shot.matrices_at(layer, (before[near], share[near]))[:, None]
                u, v = to_plane(H, x[near], y[near])
                inside, painted, _ = layer.shape.sample(u, v)
                value[near] = np.where(inside, painted, value[near])
            total += value.mean(axis=1)
        return total / np.float32(len(shot.moments_s))

    def illumination(self, time_s: float) -> Luma:
        """Light on the scene and loss in the lens in the frame of one time, (H, W), about 1."""
        return self._illumination(self.shot(time_s))

    def _illumination(self, shot: Shot) -> Luma:
        """See `illumination`."""
        look = self.scene.picture
        x, y = self._on_panel(shot)
        lamp = ((x - look.lamp_mm[0]) ** 2 + (y - look.lamp_mm[1]) ** 2) / look.lamp_radius_mm**2
        even = 1 + (look.light_gradient[0] * x + look.light_gradient[1] * y) / 1000
        coarse = look.gain * np.maximum(even, 0.1) * (1 + look.lamp_strength * np.exp(-lamp / 2))
        smooth = cv2.resize(
            coarse.astype(np.float32), self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR
        )
        return smooth * self._vignette

    def _glare(self, shot: Shot) -> Luma | np.float32:
        """Light added by a reflection, (H, W), or 0."""
        look = self.scene.picture
        if look.glare_strength <= 0:
            return np.float32(0)
        x, y = self._on_panel(shot)
        distance = ((x - look.glare_mm[0]) ** 2 + (y - look.glare_mm[1]) ** 2) / look.glare_radius_mm**2
        coarse = (look.glare_strength * np.exp(-distance / 2)).astype(np.float32)
        return cv2.resize(coarse, self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR)

    def _chroma(self, shot: Shot, parts: Parts) -> tuple[Luma, Luma]:
        """Blue and red colour differences, (H/2, W/2) each."""
        panel_map = self._panel_map(shot)[::2, ::2]
        planes = [
            cv2.remap(t, panel_map, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT).astype(np.float32)
            for t in (self._panel.blue, self._panel.red)
        ]
        seen = parts[::2, ::2]
        for plane, tints in zip(planes, np.array([k.tint for k in shot.layers], np.float32).T, strict=True):
            table = np.concatenate([[np.float32(0)], np.repeat(128 + tints, 2)])
            np.copyto(plane, table[seen], where=seen > 0)
        blue, red = (cv2.GaussianBlur(plane, (0, 0), 1.0) for plane in planes)
        return blue, red


def render_frames(scene: Scene, stop: int | None = None) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Frames of a scene without encoding: what a perfect codec would hand back.

    Parameters
    ----------
    scene : Scene
    stop : int or None
        Number of frames; None for all.

    Yields
    ------
    time_s : float
        Presentation time.
    luma : (H, W) uint8 array
        Upright picture, video levels.
    """
    renderer = Renderer(scene)
    for number, time_s in enumerate(frame_times(scene)[:stop]):
        yield float(time_s), quantise(renderer.luma(float(time_s), number))
