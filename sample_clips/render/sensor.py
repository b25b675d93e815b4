"""What a phone does to the frame: softness, noise, exposure, colour cast."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]

MEAN_GREY = 105.0  # what automatic exposure aims at, of 255 (common practice, no source)


@dataclass(frozen=True)
class SensorLook:
    """softness_px: blur; noise: standard deviation in grey levels; gain: brightness against what
    the phone's automatic exposure would choose; cast: factors of red, green, blue; contrast:
    exponent of the tone curve."""

    softness_px: float = 0.6
    noise: float = 2.5
    gain: float = 1.0
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contrast: float = 1.0


class Sensor:
    """Applies a SensorLook frame after frame; the noise differs from frame to frame.

    `first` is a frame (height, width, 3) of the scene, by which the exposure is set for good.
    """

    def __init__(self, look: SensorLook, first: Picture, seed: int) -> None:
        self.look = look
        self._rng = np.random.default_rng([seed, 9])
        height, width = first.shape[:2]
        exposure = float(np.clip(MEAN_GREY / max(float(first.mean()), 1.0), 0.7, 2.0))
        field = self._rng.normal(size=(height + 64, width + 64, 3)) * look.noise
        self._noise = np.clip(np.rint(field), -60, 60).astype(np.int16)
        grey = np.arange(256) / 255.0
        curve = np.clip(
            grey[:, None] ** look.contrast * look.gain * exposure * np.array(look.cast), 0, 1
        )
        self._curve = (curve * 255 + 0.5).astype(np.uint8).reshape(256, 1, 3)

    def __call__(self, image: Picture) -> Picture:
        image = cv2.LUT(image, self._curve).astype(np.uint8, copy=False)
        if self.look.softness_px > 0:
            blurred = cv2.GaussianBlur(image, (0, 0), self.look.softness_px)
            image = blurred.astype(np.uint8, copy=False)
        if self.look.noise > 0:
            h, w = image.shape[:2]
            y, x = self._rng.integers(0, 64, 2)
            noisy = cv2.add(image, self._noise[y : y + h, x : x + w], dtype=cv2.CV_8U)
            image = noisy.astype(np.uint8, copy=False)
        return image
