"""Where the plates are: found because they move with the hands while the background does not.

While two hands lift a bar, dense optical flow shows which pixels move as the hands do, times a
factor (nearer things move more in the frame). Summed up in a frame that travels with the hands,
those pixels draw the plates and the athlete's trunk; the plates are what lies out along the line
through the hands. Plates on racks and on the floor never moved with the hands and are never found.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

# The body length of `Person.size_px` is about 0.5 m, a plate's semi-axis 0.225 m (450 mm plates).
# A plate may be nearer or farther than the body: from 0.7 to 1.7 times its scale.
SEMI_AXIS = 0.45
NEARER = (0.7, 1.7)
# Votes are counted on a map where the body length has this many pixels, this far around the hands.
UNIT_PX = 48
REACH = (4.0, 2.0)
# Flow is judged between frames between which the hands moved this far up or down (body lengths;
# 0.15 is about 7 cm, three times the pose model's own error), no longer apart than this.
HAND_TRAVEL = 0.15
PAIR_S = 0.7
MIN_PAIRS = 6
# A disc moved with the hands in at least this fraction of the pairs, and what is above and below it
# did so less often, by this much.
MIN_SHARE = 0.35
MIN_SCORE = 0.25


@dataclass(frozen=True)
class Hands:
    """Where both hands are: `left`, `right` (2,) pixels, the middle of the knuckles of the hand
    that is left and right in the frame; `size` the body length in pixels."""

    left: np.ndarray
    right: np.ndarray
    size: float

    @property
    def middle(self) -> np.ndarray:
        return (self.left + self.right) / 2

    def scaled(self, by: float) -> Hands:
        """The same hands in a frame `by` times as large."""
        return Hands(self.left * by, self.right * by, self.size * by)


@dataclass(frozen=True)
class Plate:
    """The plates at one end of the bar. `centre` (2,) pixels; `semi_axis` vertical and `half_width`
    horizontal, pixels; `fraction` 0..1, how often it moved with the hands."""

    centre: np.ndarray
    semi_axis: float
    half_width: float
    fraction: float

    def at_least(self, semi_axis: float) -> Plate:
        return replace(self, semi_axis=max(self.semi_axis, semi_axis))


@dataclass
class Votes:
    """Sums up what moves with the hands. All frames must have one size."""

    fraction: np.ndarray = field(
        default_factory=lambda: np.zeros(
            (int(2 * REACH[1] * UNIT_PX), int(2 * REACH[0] * UNIT_PX)), np.float32
        )
    )
    pairs: int = 0
    lines: list[tuple[np.ndarray, np.ndarray]] = field(default_factory=list)
    _flow: cv2.DISOpticalFlow = field(default_factory=lambda: _fine_flow())

    def add(
        self,
        before: np.ndarray,
        now: np.ndarray,
        hands_before: Hands,
        hands: Hands,
        background: np.ndarray,
    ) -> None:
        """One pair of frames between which the hands moved; `background` (2,) pixels by which the
        background did."""
        to_map = self._placement(hands)
        size = self.fraction.shape[::-1]
        one, two = (
            cv2.warpAffine(
                frame,
                to_map,
                size,
                flags=cv2.INTER_AREA if to_map[0, 0] < 1 else cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for frame in (before, now)
        )
        background = background * to_map[0, 0]
        moved = self._flow.calc(two, one, None)  # type: ignore[call-overload]
        flow = -moved - background
        travel = (hands.middle - hands_before.middle) * to_map[0, 0] - background
        rate = flow[..., 1] / travel[1]
        aside = np.abs(flow[..., 0] - rate * travel[0])
        moves = (rate > NEARER[0]) & (rate < NEARER[1]) & (aside < 0.3 * abs(travel[1]) + 0.4)
        seen = cv2.warpAffine(np.ones_like(now), to_map, size, flags=cv2.INTER_NEAREST)
        self.fraction += moves & (seen > 0)
        self.pairs += 1
        self.lines.append((hands.left - hands.middle, hands.right - hands.middle))

    def _placement(self, hands: Hands) -> np.ndarray:
        zoom = UNIT_PX / hands.size
        height, width = self.fraction.shape
        shift = np.array([width / 2, height / 2]) - zoom * hands.middle
        return np.array([[zoom, 0, shift[0]], [0, zoom, shift[1]]], np.float64)

    def moving(self, hands: Hands, centre: np.ndarray, size: np.ndarray) -> np.ndarray:
        """(H, W) 0..1, how much each pixel of a patch of `size` (width, height) about `centre`
        moved with the hands, placed for `hands`; the most moving one has 1."""
        zoom = UNIT_PX / hands.size
        middle = np.array(self.fraction.shape[::-1]) / 2 + zoom * (centre - hands.middle)
        corner = middle - zoom * (size - 1) / 2
        place = np.array([[zoom, 0, corner[0]], [0, zoom, corner[1]]])
        fraction = cv2.warpAffine(
            self.fraction, place, tuple(size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        return np.asarray(fraction / max(float(fraction.max()), 1e-9))

    def plates(self, hands: Hands) -> list[Plate | None]:
        """The left and the right end, placed for `hands`; None where nothing is clear."""
        if self.pairs < MIN_PAIRS:
            return [None, None]
        zoom = UNIT_PX / hands.size
        fraction = cv2.GaussianBlur(self.fraction / self.pairs, (0, 0), 1.2)
        left, right = (np.median(side, axis=0) for side in zip(*self.lines, strict=True))
        origin = np.array(fraction.shape[::-1]) / 2
        return [
            None
            if disc is None
            else Plate(
                hands.middle + (disc.centre - origin) / zoom,
                disc.semi_axis / zoom,
                disc.half_width / zoom,
                disc.fraction,
            )
            for disc in find_discs(fraction, (right - left) * zoom)
        ]


def _fine_flow() -> cv2.DISOpticalFlow:
    flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    flow.setFinestScale(1)
    return flow


def find_discs(fraction: np.ndarray, line: np.ndarray) -> list[Plate | None]:
    """The disc to the left and to the right of the map's middle, None where there is none.

    `fraction` (H, W) 0..1 is how often each place moved with the hands, which are at the middle of
    the map; `line` (2,) runs from the left hand to the right, in pixels of the map. A disc is an
    upright oblong that moves with the hands and has nothing that does above and below; it lies out
    along the line, about as far on one side as on the other.
    """
    height, width = fraction.shape
    origin = np.array([width / 2, height / 2])
    reach = float(np.hypot(*line)) / 2
    along_line = line / max(2 * reach, 1e-9)
    x, y = np.meshgrid(np.arange(3, width - 3, 2), np.arange(3, height - 3, 2))
    along = (x - origin[0]) * along_line[0] + (y - origin[1]) * along_line[1]
    aside = (y - origin[1]) * along_line[0] - (x - origin[0]) * along_line[1]
    # The hands' line is off by the pose model's error, more so farther out.
    likely = np.exp(-0.5 * (aside / (0.35 * UNIT_PX + 0.12 * np.abs(along))) ** 2)
    best = np.zeros(x.shape)
    form = np.zeros((*x.shape, 3))
    for semi_axis in SEMI_AXIS * UNIT_PX * np.geomspace(*NEARER, 9):
        for narrow in (0.25, 0.5, 0.75, 1.0):
            a, b = narrow * semi_axis, semi_axis
            inside = _box_means(fraction, 0.7 * a, 0.75 * b)[y, x]
            beside = _box_means(fraction, 0.6 * a, 0.2 * b)
            above = beside[np.maximum(y - round(1.35 * b), 0), x]
            below = beside[np.minimum(y + round(1.35 * b), height - 1), x]
            score = inside - 0.5 * (above + below) - 0.25 * np.abs(above - below)
            # Of two oblongs that fit alike, the wider one tells more.
            score = np.where(inside >= MIN_SHARE, score * likely * (0.9 + 0.1 * narrow), 0.0)
            # Seen from the side the hands are behind the plate; else it lies outside of them.
            if reach > 0.2 * UNIT_PX:
                score = np.where(np.abs(along) > reach + 0.35 * a, score, 0.0)
            better = score > best
            best[better] = score[better]
            form[better, 0], form[better, 1] = a, b
            form[better, 2] = inside[better]
    sides = [_peaks(np.where(side * along > 0, best, 0.0), form) for side in (-1, 1)]
    pairs = [
        (best[i] + best[j] - _unlike(abs(along[i]), abs(along[j])), i, j)
        for i in sides[0]
        for j in sides[1]
    ]
    if pairs:
        _, i, j = max(pairs, key=lambda pair: pair[0])
        chosen: list[tuple[int, ...] | None] = [i, j]
    else:
        chosen = [peaks[0] if peaks else None for peaks in sides]
    discs = [
        None
        if at is None
        else Plate(
            np.array([x[at], y[at]], float), *(float(value) for value in form[at][[1, 0, 2]])
        )
        for at in chosen
    ]
    left, right = discs
    if left and right and chosen[0] and chosen[1]:
        # Thin plates seen edge-on leave few votes: the better seen end tells the other's size.
        # From the side one of them may lie where the hands are: then nothing follows from where.
        ratio = abs(along[chosen[1]]) / max(abs(along[chosen[0]]), 1e-9)
        if NEARER[0] / NEARER[1] < ratio < NEARER[1] / NEARER[0]:
            return [left.at_least(right.semi_axis / ratio), right.at_least(left.semi_axis * ratio)]
    return discs


def _box_means(fraction: np.ndarray, half_width: float, half_height: float) -> np.ndarray:
    """(H, W) mean of `fraction` over the box about each pixel; boxes are cut at the map's edges."""
    size = (2 * round(half_width) + 1, 2 * round(half_height) + 1)
    total, area = (
        cv2.boxFilter(values, cv2.CV_32F, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
        for values in (fraction.astype(np.float32), np.ones(fraction.shape, np.float32))
    )
    return np.asarray(total / area)


def _peaks(score: np.ndarray, form: np.ndarray, count: int = 4) -> list[tuple[int, ...]]:
    """Indices of the highest scores that are half a disc or more apart."""
    score = score.copy()
    peaks: list[tuple[int, ...]] = []
    for _ in range(count):
        at = np.unravel_index(int(score.argmax()), score.shape)
        if score[at] < MIN_SCORE:
            break
        peaks.append(tuple(int(index) for index in at))
        half = max(2, round(float(form[at][1]) / 4))
        score[max(0, at[0] - half) : at[0] + half, max(0, at[1] - half) : at[1] + half] = 0
    return peaks


def _unlike(one: float, other: float) -> float:
    """Cost of two distances from the hands: perspective makes one up to half as long again."""
    return 0.5 * max(0.0, abs(float(np.log((one + 1) / (other + 1)))) - np.log(1.5))
