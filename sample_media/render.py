"""Ray-cast frames with known truth.

Each pixel is the mean light over its square and over the exposure. Pixels inside one part take one ray;
pixels near an edge take 64 rays on a randomly shifted rank-1 lattice, so a straight edge has no preferred
place within a pixel. The rays are dealt over four moments of the exposure.
Lens blur acts on linear light; gamma, noise and quantisation follow.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_media.layers import Layer, Samples
from sample_media.mechanism import frame_times, solve
from sample_media.optics import CameraPath, Pose, project, rays
from sample_media.panel import PANEL_DEPTH_MM, paint_panel, texture_from_panel
from sample_media.scene import Camera, Scene
from sample_media.staging import layers_at

Luma = NDArray[np.float32]
FloatArray = NDArray[np.float64]

RAYS = 64
LATTICE_STEP = 19  # generator with the widest spacing for 64 points and for every fourth of them
MOMENTS = 4
SEEN_REACH_PX = 0.45
COARSE_PX = 8  # grid for the smooth parts: panel mapping, light
SHADOW_PX = 4
BLACK_LEVEL, LEVELS = 16.0, 219.0  # luma range of video


def sample_offsets() -> NDArray[np.float64]:
    """Places of the rays in a pixel, (64, 2), -0.5 to 0.5; every fourth belongs to one moment."""
    i = np.arange(RAYS)
    return np.stack([(i + 0.5) / RAYS - 0.5, ((i * LATTICE_STEP) % RAYS + 0.5) / RAYS - 0.5], axis=-1)


def plane_from_ray(pose: Pose, origin_mm: FloatArray, axes: FloatArray) -> NDArray[np.float32]:
    """Matrix (3, 3) from normalised x, y, 1 to homogeneous coordinates in a plane.

    Parameters
    ----------
    pose : Pose
    origin_mm : (3,) array
        World position of the plane's origin.
    axes : (3, 2) array
        World directions of its axes, as columns.

    Returns
    -------
    (3, 3) float32 array
    """
    base = pose.rotation @ (origin_mm - pose.centre_mm)
    return np.linalg.inv(np.column_stack([pose.rotation @ axes, base])).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Moment:
    """Camera and layers at one time."""

    pose: Pose
    layers: list[Layer]

    def plane_from_ray(self, layer: Layer) -> NDArray[np.float32]:
        """Matrix of `plane_from_ray` for a layer."""
        return plane_from_ray(self.pose, layer.origin_mm, np.stack([layer.u_axis, layer.v_axis], axis=1))


def to_plane(H: NDArray[np.float32], x: Samples, y: Samples) -> tuple[Samples, Samples]:
    """Plane coordinates u, v (mm) of rays x, y."""
    w = 1 / (H[2, 0] * x + H[2, 1] * y + H[2, 2])
    return (H[0, 0] * x + H[0, 1] * y + H[0, 2]) * w, (H[1, 0] * x + H[1, 1] * y + H[1, 2]) * w


def pixel_box(camera: Camera, pose: Pose, layer: Layer, margin_px: int) -> tuple[int, int, int, int]:
    """Columns and rows x0, x1, y0, y1 (half open) that hold a layer, cut to the picture."""
    # A lens bends straight sides outward by a fraction of a pixel over a marker; points along the sides keep
    # the box right for the large shapes too.
    corners = layer.shape.outline
    sides = np.concatenate([corners, (corners + np.roll(corners, 1, axis=0)) / 2])
    pixels = project(camera, pose, layer.points_mm(sides))
    low = np.floor(pixels.min(axis=0)).astype(int) - margin_px
    high = np.ceil(pixels.max(axis=0)).astype(int) + margin_px + 1
    width, height = camera.size_wh
    x0, x1 = np.clip([low[0], high[0]], 0, width)
    y0, y1 = np.clip([low[1], high[1]], 0, height)
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
        self._panel = paint_panel(scene.panel_seed, scene.labels)
        width, height = scene.camera.size_wh
        self._ray = np.empty((height, width, 2), np.float32)
        for y in range(height):
            row = np.stack([np.arange(width), np.full(width, y)], axis=-1)
            self._ray[y] = rays(scene.camera, row)
        self._coarse_ray = self._cell_rays(COARSE_PX)
        self._vignette = self._vignetting()
        self._linear = (np.arange(256, dtype=np.float32) / 255) ** np.float32(scene.picture.gamma)

    def _cell_rays(self, cell_px: int) -> NDArray[np.float32]:
        """Rays at the centres of square cells, as cv2.resize places them."""
        width, height = self.scene.camera.size_wh
        w, h = -(-width // cell_px), -(-height // cell_px)
        x = (np.arange(w) + 0.5) * width / w - 0.5
        y = (np.arange(h) + 0.5) * height / h - 0.5
        return rays(self.scene.camera, np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)

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

    def luma(self, time_s: float, noise_seed: int | None = None) -> Luma:
        """One frame's luma before quantisation.

        Parameters
        ----------
        time_s : float
            Centre of the exposure, clip time.
        noise_seed : int or None
            Frame number for the noise; None for a frame without noise.

        Returns
        -------
        (H, W) float32 array
            8-bit video levels: 16 is black, 235 is white.
        """
        return self._develop(self.light(time_s), noise_seed)

    def light(self, time_s: float) -> Luma:
        """Linear light in each pixel before the lens blur, (H, W) float32; 1 is full scale."""
        span = self.scene.picture.exposure_s
        offsets = ((np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5) * span
        count = MOMENTS if span > 0 else 1
        moments = [self.moment(time_s + offset) for offset in offsets[:count]]
        middle = self.moment(time_s)
        ground = self._ground(middle)
        picture = ground.copy()
        parts = self._paint(middle, picture)
        # The eight neighbours' centres see every straight edge that crosses a pixel's square, even one that
        # moves by half a pixel; what moves farther needs a wider look.
        farther = max(self._reach_px(moments) - SEEN_REACH_PX, 0.0)
        size = 2 * (1 + int(np.ceil(farther))) + 1
        box = np.ones((size, size), np.uint8)
        rows, columns = np.nonzero(cv2.dilate(parts, box) != cv2.erode(parts, box))
        if len(rows):
            picture[rows, columns] = self._refine(moments, rows, columns, ground[rows, columns])
        return picture * self.illumination(middle) + self._glare(middle)

    def _ground(self, moment: Moment) -> Luma:
        """Panel and wall with the shadows of what stands before them, linear."""
        texture = self._panel.luma
        grey = cv2.remap(
            texture, self._panel_map(moment), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        return self._linear[grey] * self._shadow(moment)

    def _on_panel(self, moment: Moment, ray: NDArray[np.float32]) -> tuple[Samples, Samples]:
        """Panel coordinates x, y (mm) of rays (..., 2)."""
        H = plane_from_ray(moment.pose, np.array([0.0, 0.0, PANEL_DEPTH_MM]), np.eye(3)[:, :2])
        return to_plane(H, ray[..., 0], ray[..., 1])

    def _panel_map(self, moment: Moment) -> NDArray[np.float32]:
        """Texture pixel for every picture pixel, (H, W, 2)."""
        x, y = self._on_panel(moment, self._coarse_ray)
        A = texture_from_panel().astype(np.float32)
        coarse = np.stack([A[0, 0] * x + A[0, 2], A[1, 1] * y + A[1, 2]], axis=-1)
        return cv2.resize(coarse, self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR)

    def _shadow(self, moment: Moment) -> Luma:
        """Share of light left by soft shadows on the panel, (H, W)."""
        width, height = self.scene.camera.size_wh
        mask = np.ones((-(-height // SHADOW_PX), -(-width // SHADOW_PX)), np.float32)
        for layer in moment.layers:
            depth = layer.origin_mm[2] - PANEL_DEPTH_MM
            points = layer.points_mm(layer.shape.outline)
            points[:, 0] += 0.30 * depth
            points[:, 1] -= 0.45 * depth
            points[:, 2] = PANEL_DEPTH_MM
            pixels = (project(self.scene.camera, moment.pose, points) + 0.5) / SHADOW_PX - 0.5
            cv2.fillConvexPoly(mask, np.round(pixels).astype(np.int32), 0.55)
        mask = cv2.GaussianBlur(mask, (0, 0), 8.0 * width / 1920)
        return cv2.resize(mask, (width, height), interpolation=cv2.INTER_LINEAR)

    def _paint(self, moment: Moment, picture: Luma) -> NDArray[np.uint16]:
        """Paint every layer at the pixel centres; returns part numbers, (H, W)."""
        parts = np.zeros(picture.shape, np.uint16)
        for number, layer in enumerate(moment.layers):
            x0, x1, y0, y1 = pixel_box(self.scene.camera, moment.pose, layer, 1)
            if x0 >= x1 or y0 >= y1:
                continue
            ray = self._ray[y0:y1, x0:x1]
            u, v = to_plane(moment.plane_from_ray(layer), ray[..., 0], ray[..., 1])
            inside, value, part = layer.shape.sample(u, v)
            np.copyto(picture[y0:y1, x0:x1], value, where=inside)
            np.copyto(parts[y0:y1, x0:x1], part + np.uint16(2 * number + 1), where=inside)
        return parts

    def _reach_px(self, moments: list[Moment]) -> float:
        """Half of the longest way a layer's outline moves during the exposure, px."""
        first, last = moments[0], moments[-1]
        farthest = 0.0
        for a, b in zip(first.layers, last.layers, strict=False):
            pixels = [
                project(self.scene.camera, m.pose, k.points_mm(k.shape.outline))
                for m, k in ((first, a), (last, b))
            ]
            farthest = max(farthest, float(np.abs(pixels[1] - pixels[0]).max()))
        return min(farthest / 2, 12.0)

    def _refine(
        self, moments: list[Moment], rows: NDArray[np.intp], columns: NDArray[np.intp], ground: Luma
    ) -> Luma:
        """Mean light over the square of each listed pixel and over the exposure, (E,)."""
        ray = self._ray[rows, columns]
        jacobian = self._ray_jacobian(ray)
        total = np.zeros(len(rows), np.float32)
        # A lattice of its own place in every pixel: edges along one of the lattice's rows would otherwise be
        # shifted alike in all their pixels.
        shift = np.random.default_rng(len(rows)).random((2, len(rows), 1), dtype=np.float32)
        offsets = sample_offsets().astype(np.float32)
        for k, moment in enumerate(moments):
            dx, dy = (offsets[k :: len(moments), axis] + shift[axis] for axis in (0, 1))
            dx -= np.rint(dx)
            dy -= np.rint(dy)
            x = ray[:, :1] + jacobian[:, :1, 0] * dx + jacobian[:, :1, 1] * dy
            y = ray[:, 1:] + jacobian[:, 1:, 0] * dx + jacobian[:, 1:, 1] * dy
            value = np.repeat(ground[:, None], dx.shape[1], axis=1)
            for layer in moment.layers:
                x0, x1, y0, y1 = pixel_box(self.scene.camera, moment.pose, layer, 1)
                near = np.flatnonzero((columns >= x0) & (columns < x1) & (rows >= y0) & (rows < y1))
                if not len(near):
                    continue
                u, v = to_plane(moment.plane_from_ray(layer), x[near], y[near])
                inside, painted, _ = layer.shape.sample(u, v)
                value[near] = np.where(inside, painted, value[near])
            total += value.mean(axis=1)
        return total / np.float32(len(moments))

    def _ray_jacobian(self, ray: NDArray[np.float32]) -> NDArray[np.float32]:
        """Change of a ray per pixel, (E, 2, 2): the inverse of the lens model's own derivative."""
        camera = self.scene.camera
        x = ray.astype(np.float64)
        squared = np.sum(x**2, axis=1)
        scale = 1 + camera.k1 * squared + camera.k2 * squared**2
        growth = 2 * (camera.k1 + 2 * camera.k2 * squared)
        A = scale[:, None, None] * np.eye(2) + growth[:, None, None] * x[:, :, None] * x[:, None, :]
        return (np.linalg.inv(A) / camera.focal_px).astype(np.float32)

    def illumination(self, moment: Moment) -> Luma:
        """Light on the scene and loss in the lens, (H, W), about 1."""
        look = self.scene.picture
        x, y = self._on_panel(moment, self._coarse_ray)
        lamp = ((x - look.lamp_mm[0]) ** 2 + (y - look.lamp_mm[1]) ** 2) / look.lamp_radius_mm**2
        even = 1 + (look.light_gradient[0] * x + look.light_gradient[1] * y) / 1000
        coarse = look.gain * np.maximum(even, 0.1) * (1 + look.lamp_strength * np.exp(-lamp / 2))
        smooth = cv2.resize(
            coarse.astype(np.float32), self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR
        )
        return smooth * self._vignette

    def _glare(self, moment: Moment) -> Luma | np.float32:
        """Light added by a reflection, (H, W), or 0."""
        look = self.scene.picture
        if look.glare_strength <= 0:
            return np.float32(0)
        x, y = self._on_panel(moment, self._coarse_ray)
        distance = ((x - look.glare_mm[0]) ** 2 + (y - look.glare_mm[1]) ** 2) / look.glare_radius_mm**2
        coarse = (look.glare_strength * np.exp(-distance / 2)).astype(np.float32)
        return cv2.resize(coarse, self.scene.camera.size_wh, interpolation=cv2.INTER_LINEAR)

    def _develop(self, light: Luma, noise_seed: int | None) -> Luma:
        """Lens blur, tone curve, noise."""
        look = self.scene.picture
        if look.blur_px > 0:
            light = cv2.GaussianBlur(light, (0, 0), look.blur_px)
        grey = cv2.pow(np.clip(light, 0, 1), 1 / look.gamma)
        luma = BLACK_LEVEL + LEVELS * grey
        if noise_seed is not None and look.noise_levels > 0:
            luma += self._noise(noise_seed) * np.float32(look.noise_levels * LEVELS / 255)
        return luma

    def _noise(self, noise_seed: int) -> Luma:
        """Noise of unit standard deviation, (H, W)."""
        look = self.scene.picture
        width, height = self.scene.camera.size_wh
        rng = np.random.default_rng([look.seed, noise_seed])
        noise = rng.standard_normal((height, width), dtype=np.float32)
        if look.noise_grain_px <= 0:
            return noise
        radius = int(np.ceil(4 * look.noise_grain_px))
        kernel = cv2.getGaussianKernel(2 * radius + 1, look.noise_grain_px, cv2.CV_32F)
        return cv2.sepFilter2D(noise, -1, kernel, kernel) / np.float32(np.sum(kernel**2))

    def chroma(self, time_s: float) -> tuple[Luma, Luma]:
        """Blue and red colour differences at half resolution, (H/2, W/2) each, 128 is grey."""
        moment = self.moment(time_s)
        width, height = self.scene.camera.size_wh
        panel_map = self._panel_map(moment)[::2, ::2]
        planes = [
            cv2.remap(t, panel_map, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT).astype(np.float32)
            for t in (self._panel.blue, self._panel.red)
        ]
        parts = self._paint(moment, np.zeros((height, width), np.float32))[::2, ::2]
        for plane, tints in zip(planes, np.array([k.tint for k in moment.layers], np.float32).T, strict=True):
            table = np.concatenate([[np.float32(0)], np.repeat(128 + tints, 2)])
            np.copyto(plane, table[parts], where=parts > 0)
        blue, red = (cv2.GaussianBlur(plane, (0, 0), 1.0) for plane in planes)
        return blue, red


def quantise(luma: Luma, bits: int = 8) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Luma rounded to 8 bits (uint8) or to ``bits`` bits (uint16)."""
    if bits == 8:
        return np.clip(np.rint(luma), 0, 255).astype(np.uint8)
    scale = 1 << (bits - 8)
    return np.clip(np.rint(luma * scale), 0, (256 << (bits - 8)) - 1).astype(np.uint16)


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
        Presentation time, the centre of the exposure.
    luma : (H, W) uint8 array
        Upright picture, video levels.
    """
    renderer = Renderer(scene)
    for number, time_s in enumerate(frame_times(scene)[:stop]):
        yield float(time_s), quantise(renderer.luma(float(time_s), number))
