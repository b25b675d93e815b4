"""The camera: hard cuts, how far the background has moved, how bright the frame is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

# A cut is called where two neighbouring frames, after the best shift, share less than this much
# of their variance (correlation 0.6: about a third). Within a shot it stays above 0.9.
CUT_CORRELATION = 0.6
# A shift is the median of this many background points or is not given.
MIN_POINTS = 8
# One point, the best there is, in each cell of a grid of so many rows and columns at most: the
# strongest corners of a frame are often plates, and those move by themselves.
CELLS = 9
# A corner is worth following where the smaller eigenvalue of the gradients there is so large: the
# noise of a plain wall makes 3 to 6, a corner 20 grey levels high 130.
LEAST_QUALITY = 15.0
MARGIN = 6
# Points are chosen anew after this long, so that they stand on what is background now.
RENEW_S = 2.0
THUMB_SIDE = 100
# The background is followed on frames no larger than this: a tenth of a pixel of these is enough.
FOLLOW_SIDE = 360


@dataclass(frozen=True)
class CameraFrame:
    """`shift` (2,) full-size pixels by which the background has moved since the shot's first
    frame; `brightness` mean luma 0..255."""

    shift: np.ndarray
    brightness: float


@dataclass
class Camera:
    """Follows the background through frames of one size, in order of time."""

    previous: np.ndarray | None = None
    points: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    origin: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.float32))
    anchor: np.ndarray = field(default_factory=lambda: np.zeros(2))
    shift: np.ndarray = field(default_factory=lambda: np.zeros(2))
    renewed_s: float = -np.inf
    chosen: int = 0

    def step(
        self,
        gray: np.ndarray,
        time_s: float,
        scale: float,
        moving: Sequence[np.ndarray],
        cut: bool,
    ) -> CameraFrame:
        """The next frame `gray` (H, W) uint8. `moving` are boxes (4,) x0, y0, x1, y1 around what
        moves by itself (NaN where not known), in pixels of `gray`. `scale` full-size pixels per
        pixel; `cut` true if a new shot starts here."""
        # Whole steps: shrinking by them is ten times faster than by fractions.
        step = -(-max(gray.shape) // FOLLOW_SIDE)
        gray, scale = shrunk(gray, step), scale * step
        moving = [box / step for box in moving]
        if cut or self.previous is None:
            self.shift, self.anchor = np.zeros(2), np.zeros(2)
            self._renew(gray, time_s, moving)
        else:
            self._drop(moving)
            self._follow(self.previous, gray)
            few = min(self.chosen, max(self.chosen // 2, MIN_POINTS))
            if len(self.points) < few or time_s - self.renewed_s > RENEW_S:
                self._renew(gray, time_s, moving)
        self.previous = gray
        return CameraFrame(self.shift * scale, float(gray.mean()))

    def _drop(self, moving: Sequence[np.ndarray]) -> None:
        """Let go of the points that something which moves by itself has come over."""
        for x0, y0, x1, y1 in moving:
            x, y = self.points.T
            keep = ~((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))
            self.points, self.origin = self.points[keep], self.origin[keep]

    def _follow(self, before: np.ndarray, now: np.ndarray) -> None:
        if not len(self.points):
            return
        moved, found, _ = cv2.calcOpticalFlowPyrLK(  # type: ignore[call-overload]
            before,
            now,
            self.points.reshape(-1, 1, 2),
            None,
            winSize=(11, 11),
            maxLevel=2,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 10, 0.02),
        )
        moved, good = moved.reshape(-1, 2), found.ravel() == 1
        self.points, self.origin = moved[good], self.origin[good]
        if len(self.points) < MIN_POINTS:
            return
        travel = self.points - self.origin
        middle = np.median(travel, axis=0)
        # What does not move with most of the frame is no background: let go of it.
        apart = np.hypot(*(travel - middle).T)
        keep = apart <= max(1.0, 3 * float(np.median(apart)))
        self.points, self.origin = self.points[keep], self.origin[keep]
        self.shift = self.anchor + middle

    def _renew(self, gray: np.ndarray, time_s: float, moving: Sequence[np.ndarray]) -> None:
        self.points = corners(gray, moving)
        self.origin, self.anchor = self.points.copy(), self.shift.copy()
        self.renewed_s, self.chosen = time_s, len(self.points)


def corners(gray: np.ndarray, moving: Sequence[np.ndarray]) -> np.ndarray:
    """(n, 2) float32 x and y of the best corner in each cell of a grid over `gray` (H, W) that is
    worth following; none inside the boxes `moving` (4,) x0, y0, x1, y1."""
    side = -(-max(gray.shape) // CELLS)
    quality = cv2.cornerMinEigenVal(gray.astype(np.float32), 3, ksize=3)
    for box in moving:
        if np.all(np.isfinite(box)):
            x0, y0, x1, y1 = (max(round(float(value)), 0) for value in box)
            quality[y0:y1, x0:x1] = 0.0
    # What is beside the frame is not known: no corner so near to its edge that it may leave.
    edge = np.full_like(quality, -1.0)
    edge[MARGIN:-MARGIN, MARGIN:-MARGIN] = quality[MARGIN:-MARGIN, MARGIN:-MARGIN]
    found = []
    for top in range(0, gray.shape[0], side):
        for left in range(0, gray.shape[1], side):
            cell = edge[top : top + side, left : left + side]
            y, x = divmod(int(cell.argmax()), cell.shape[1])
            if cell[y, x] >= LEAST_QUALITY:
                found.append((left + x, top + y))
    return np.array(found, np.float32).reshape(-1, 2)


@dataclass
class Cuts:
    """Tells where a new shot starts, from frames of one size, in order of time."""

    thumb: np.ndarray | None = None

    def step(self, gray: np.ndarray) -> bool:
        """Whether a new shot starts with the next frame `gray` (H, W) uint8."""
        before = self.thumb
        self.thumb = shrunk(gray, -(-max(gray.shape) // THUMB_SIDE)).astype(np.float32)
        return before is not None and is_cut(before, self.thumb)


def shrunk(gray: np.ndarray, step: int) -> np.ndarray:
    """`gray` with blocks of `step` by `step` pixels made one; what is left over is cut off."""
    if step <= 1:
        return gray
    height, width = gray.shape[0] // step, gray.shape[1] // step
    part = gray[: height * step, : width * step]
    return np.asarray(cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA))


def is_cut(before: np.ndarray, now: np.ndarray) -> bool:
    """Whether a new shot starts between two small frames (H, W) float32 of one size."""
    if correlation(before, now) >= CUT_CORRELATION:
        return False
    # A fast pan is no cut: try again with the shift that fits best.
    (dx, dy), _ = cv2.phaseCorrelate(
        before, now, cv2.createHanningWindow(now.shape[::-1], cv2.CV_32F)
    )
    limit_x, limit_y = now.shape[1] / 3, now.shape[0] / 3
    if abs(dx) > limit_x or abs(dy) > limit_y:
        return True
    step = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    inside = cv2.warpAffine(np.ones_like(before), step, now.shape[::-1], flags=cv2.INTER_NEAREST)
    shifted = cv2.warpAffine(before, step, now.shape[::-1])
    return correlation(shifted[inside > 0], now[inside > 0]) < CUT_CORRELATION


def correlation(one: np.ndarray, two: np.ndarray) -> float:
    """Pearson's r of two arrays of one shape; two even frames count as alike."""
    a, b = one - one.mean(), two - two.mean()
    spread = float(np.sqrt((a * a).mean() * (b * b).mean()))
    if spread < 4.0:  # less than two grey levels of contrast each: black, covered, blown out
        return 1.0 if abs(float(one.mean() - two.mean())) < 30 else 0.0
    return float((a * b).mean()) / spread
