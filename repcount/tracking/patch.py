"""Following a patch of a frame to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

# Steps of the fine fit; each is a least-squares step, the last ones move it by under 0.01 pixel.
STEPS = 6
# The fine fit may slide this far.
SLIDE_PX = 4.0
# Frames are smoothed by this much (pixels) before they are compared: noise of single pixels and
# the blocks of coding say nothing.
SMOOTH_PX = 0.7
# A correlation score above this is as good as it gets under a new light.
GOOD = 0.8


def cut_out(gray: np.ndarray, centre: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(height, width) float32 of `gray` about `centre` (x, y), between pixels by interpolation;
    outside the frame its edge goes on. `size` is (width, height), odd numbers."""
    return np.asarray(
        cv2.getRectSubPix(gray, size, (float(centre[0]), float(centre[1])), patchType=cv2.CV_32F)
    )


def correlation(one: np.ndarray, other: np.ndarray, weight: np.ndarray) -> float:
    """Weighted correlation of two patches, -1..1; 0 where one is flat."""
    total = max(float(weight.sum()), 1e-9)
    a = one - (weight * one).sum() / total
    b = other - (weight * other).sum() / total
    spread = float((weight * a * a).sum() * (weight * b * b).sum())
    return float((weight * a * b).sum()) / spread**0.5 if spread > 1e-6 else 0.0


class View:
    """The part of a frame that reaches `reach` (x, y) pixels around `centre`, smoothed."""

    def __init__(self, gray: np.ndarray, centre: np.ndarray, reach: np.ndarray) -> None:
        low = np.floor(np.asarray(centre) - reach).astype(int) - 2
        high = np.ceil(np.asarray(centre) + reach).astype(int) + 3
        (x0, y0), (x1, y1) = np.clip([low, high], 0, [gray.shape[1], gray.shape[0]])
        self.corner = np.array([x0, y0], float)
        if x1 - x0 < 2 or y1 - y0 < 2:  # nothing of it is in the frame
            self.part = np.zeros((2, 2), np.uint8)
        else:
            self.part = np.asarray(cv2.GaussianBlur(gray[y0:y1, x0:x1], (0, 0), SMOOTH_PX))

    def cut_out(self, centre: np.ndarray, size: tuple[int, int]) -> np.ndarray:
        """As the function of that name; `centre` in pixels of the whole frame."""
        return cut_out(self.part, centre - self.corner, size)


@dataclass
class Patch:
    """What to look for: the template `look` (H, W) float32, and how much each pixel counts, 0..1,
    in two ways: `inner` (H, W) the thing itself, `whole` (H, W) its outline too, against what is
    behind. What is behind may turn from darker to lighter than the thing; then only the inside
    stays like itself. But a thing without markings has nothing but its outline."""

    look: np.ndarray
    inner: np.ndarray
    whole: np.ndarray
    first: np.ndarray = field(init=False)
    _solvers: list[np.ndarray] = field(init=False)
    _half: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.first = self.look
        self.renew(self.look)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height)."""
        return self.look.shape[1], self.look.shape[0]

    @property
    def reach(self) -> np.ndarray:
        """(2,) half of the size."""
        return np.array(self.size) / 2

    def copy(self) -> Patch:
        twin = Patch(self.look, self.inner, self.whole)
        twin.first = self.first
        return twin

    def renew(self, look: np.ndarray) -> None:
        """Take over a new appearance."""
        self.look = look.astype(np.float32)
        dx = cv2.Sobel(self.look, cv2.CV_32F, 1, 0, scale=1 / 8)
        dy = cv2.Sobel(self.look, cv2.CV_32F, 0, 1, scale=1 / 8)
        # Patch at centre + d, seen as gain * look + offset: linear in d, gain and offset.
        parts = np.stack([dx, dy, self.look, np.ones_like(self.look)]).reshape(4, -1)
        self._solvers = []
        for weight in (self.inner, self.whole):
            weighted = parts * weight.reshape(1, -1)
            normal = (weighted @ parts.T).astype(np.float64)
            self._solvers.append((np.linalg.pinv(normal, rcond=1e-9) @ weighted).astype(np.float32))
        self._half = cv2.pyrDown(self.look)

    def learn(self, gray: np.ndarray, centre: np.ndarray, fraction: float, alike: float) -> None:
        """Blend into the template what is at `centre`, by `fraction`; not where its correlation
        with the first template is below `alike`: something else has come before it."""
        seen = View(gray, centre, self.reach).cut_out(centre, self.size)
        if correlation(seen, self.first, self.whole) >= alike or (
            correlation(seen, self.first, self.inner) >= alike
        ):
            self.renew((1 - fraction) * self.look + fraction * seen)

    def fine(self, gray: np.ndarray, centre: np.ndarray) -> tuple[np.ndarray, float]:
        """(centre, correlation) after sliding from `centre` to the best place nearby, a few pixels
        at most; brightness and contrast may differ."""
        return self._slide(View(gray, centre, self.reach + SLIDE_PX), np.asarray(centre, float))

    def search(
        self, gray: np.ndarray, centre: np.ndarray, reach: np.ndarray
    ) -> tuple[np.ndarray, float]:
        """(centre, correlation) of the best place within `reach` (x, y) pixels of `centre`."""
        view = View(gray, centre, self.reach + reach + SLIDE_PX)
        width, height = self.size
        around = np.ceil(reach).astype(int)
        window = view.cut_out(centre, (2 * int(around[0]) + width, 2 * int(around[1]) + height))
        match = cv2.matchTemplate(cv2.pyrDown(window), self._half, cv2.TM_CCOEFF_NORMED)
        _, _, _, (column, row) = cv2.minMaxLoc(match)
        offset = np.array([column - (match.shape[1] - 1) / 2, row - (match.shape[0] - 1) / 2]) * 2
        return self._slide(view, np.asarray(centre, float) + offset)

    def _slide(self, view: View, centre: np.ndarray) -> tuple[np.ndarray, float]:
        best, score = centre, -1.0
        for solve, weight in zip(self._solvers, (self.inner, self.whole), strict=True):
            at, alike = self._fit(view, centre, solve, weight)
            if alike > score:
                best, score = at, alike
            if score >= GOOD:
                break
        return best, score

    def _fit(
        self, view: View, centre: np.ndarray, solve: np.ndarray, weight: np.ndarray
    ) -> tuple[np.ndarray, float]:
        at = centre.copy()
        seen = view.cut_out(at, self.size)
        for _ in range(STEPS):
            dx, dy, gain, _ = solve @ seen.reshape(-1)
            if gain < 0.1:
                break
            step = np.array([dx, dy]) / gain
            length = float(np.hypot(*step))
            at -= step * min(1.0, 2.0 / max(length, 1e-9))
            seen = view.cut_out(at, self.size)
            if length < 0.01:
                break
        if np.hypot(*(at - centre)) > SLIDE_PX:  # it slid away: not what was near `centre`
            at = centre.copy()
            seen = view.cut_out(at, self.size)
        return at, correlation(seen, self.look, weight)
