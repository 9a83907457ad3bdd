"""From light to grey levels: lens blur, tone curve, noise, rounding."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_media.filming import Picture

Luma = NDArray[np.float32]

BLACK_LEVEL, LEVELS = 16.0, 219.0  # luma range of video


def develop(look: Picture, light: Luma, noise_seed: int | None) -> Luma:
    """Luma of linear light.

    Parameters
    ----------
    look : Picture
    light : (H, W) float32 array
        1 is full scale.
    noise_seed : int or None
        Frame number for the noise; None for none.

    Returns
    -------
    (H, W) float32 array
        8-bit video levels: 16 is black, 235 is white.
    """
    if look.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), look.blur_px)
    grey = cv2.pow(np.clip(light, 0, 1), 1 / look.gamma)
    luma = BLACK_LEVEL + LEVELS * grey
    if noise_seed is not None and look.noise_levels > 0:
        luma += _noise(look, noise_seed, luma.shape) * np.float32(look.noise_levels * LEVELS / 255)
    return luma


def _noise(look: Picture, noise_seed: int, shape: tuple[int, ...]) -> Luma:
    """Noise of unit standard deviation, (H, W)."""
    noise = np.random.default_rng([look.seed, noise_seed]).standard_normal(shape, dtype=np.float32)
    if look.noise_grain_px <= 0:
        return noise
    radius = int(np.ceil(4 * look.noise_grain_px))
    kernel = cv2.getGaussianKernel(2 * radius + 1, look.noise_grain_px, cv2.CV_32F)
    return cv2.sepFilter2D(noise, -1, kernel, kernel) / np.float32(np.sum(kernel**2))


def quantise(luma: Luma, bits: int = 8) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Luma rounded to 8 bits (uint8) or to ``bits`` bits (uint16)."""
    if bits == 8:
        return np.clip(np.rint(luma), 0, 255).astype(np.uint8)
    scale = 1 << (bits - 8)
    return np.clip(np.rint(luma * scale), 0, (256 << (bits - 8)) - 1).astype(np.uint16)
