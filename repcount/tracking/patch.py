"""Following a patch of picture to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

# Steps of the fine fit; each is a least-squares step, the last ones move it by under 0.01 pixel.
STEPS = 6


def cut_out(gray: np.ndarray, centre: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(height, width) float32 of `gray` about `centre` (x, y), between pixels by interpolation;
    outside the picture its edge goes on. `size` is (width, height), odd numbers."""
    return cv2.getRectSubPix(gray, size, (float(centre[0]), float(centre[1])), patchType=cv2.CV_32F)


def likeness(one: np.ndarray, other: np.ndarray, weight: np.ndarray) -> float:
    """Weighted correlation of two patches, -1..1; 0 where one is flat."""
    total = weight.sum()
    a = one - (weight * one).sum() / total
    b = other - (weight * other).sum() / total
    spread = float((weight * a * a).sum() * (weight * b * b).sum())
    return float((weight * a * b).sum()) / spread**0.5 if spread > 1e-6 else 0.0


@dataclass
class Patch:
    """What to look for: `look` (H, W) float32; `weight` (H, W) 0..1, how much each pixel counts."""

    look: np.ndarray
    weight: np.ndarray
    _solve: np.ndarray = field(init=False)
    _half: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.renew(self.look)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height)."""
        return self.look.shape[1], self.look.shape[0]

    def renew(self, look: np.ndarray) -> None:
        """Take over a new appearance."""
        self.look = look.astype(np.float32)
        smooth = cv2.GaussianBlur(self.look, (0, 0), 0.8)
        dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
        dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
        # Patch at centre + d, seen as gain * look + offset: linear in d, gain and offset.
        parts = np.stack([dx, dy, self.look, np.ones_like(self.look)]).reshape(4, -1)
        weighted = parts * self.weight.reshape(1, -1)
        normal = (weighted @ parts.T).astype(np.float64)
        normal[np.diag_indices(4)] *= 1 + 1e-6  # a flat patch has no solution; this gives it none
        self._solve = (np.linalg.pinv(normal, rcond=1e-9) @ weighted).astype(np.float32)
        self._half = cv2.pyrDown(self.look)

    def fine(self, gray: np.ndarray, centre: np.ndarray) -> tuple[np.ndarray, float]:
        """(centre, likeness) after sliding from `centre` to the best place nearby, a few pixels at
        most; brightness and contrast may differ."""
        at = np.array(centre, float)
        seen = cut_out(gray, at, self.size)
        for _ in range(STEPS):
            dx, dy, gain, _ = self._solve @ seen.reshape(-1)
            if gain < 0.1:
                break
            step = np.array([dx, dy]) / gain
            length = float(np.hypot(*step))
            at -= step * min(1.0, 2.0 / max(length, 1e-9))
            seen = cut_out(gray, at, self.size)
            if length < 0.01:
                break
        if np.hypot(*(at - centre)) > 4.0:  # it slid away: not what was near `centre`
            at = np.array(centre, float)
            seen = cut_out(gray, at, self.size)
        return at, likeness(seen, self.look, self.weight)

    def search(
        self, gray: np.ndarray, centre: np.ndarray, reach: np.ndarray
    ) -> tuple[np.ndarray, float]:
        """(centre, likeness) of the best place within `reach` (x, y) pixels of `centre`."""
        width, height = self.size
        window = cut_out(
            gray,
            centre,
            (int(2 * np.ceil(reach[0])) + width, int(2 * np.ceil(reach[1])) + height),
        )
        half = cv2.pyrDown(window)
        match = cv2.matchTemplate(half, self._half, cv2.TM_CCOEFF_NORMED)
        _, _, _, (column, row) = cv2.minMaxLoc(match)
        offset = np.array([column - (match.shape[1] - 1) / 2, row - (match.shape[0] - 1) / 2]) * 2
        return self.fine(gray, np.asarray(centre, float) + offset)
