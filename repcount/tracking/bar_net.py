"""Where the bar's ends are in one frame, by the network in `models/bar.onnx`.

The network looks at a square around the athlete and answers for the athlete's own bar, whether it
is held, lying, falling or partly hidden; it knows nothing of other frames. How it was trained,
what it reaches and where it fails is in `models/BAR.md`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from repcount.tracking.model_files import model_path

MODEL = "bar.onnx"
CROP_PX = 224  # the network's input, square
CELL_PX = 4  # one cell of its maps
PAD_LEVEL = 127  # grey level of what lies outside the frame; it becomes 0 in the network
LEVELS = 64.0  # grey levels per unit of the network's input
AXIS_UNIT_PX = 10.0  # the network gives the logarithm of a semi-axis over this
# The maps of `read_maps`, left and right exchanged, and which of them change their sign (x).
MIRRORED = [1, 0, 4, 5, 2, 3, 7, 6, 9, 8]
TURNED = np.array([1, 1, -1, 1, -1, 1, 1, 1, 1, 1], np.float32)[:, None, None]

# The square around the athlete, in body heights: its side, its centre above the floor. At 1.76 m
# that is 3.6 m wide, from 0.7 m below the floor (a plate nearer than the athlete is drawn lower) to
# 2.9 m above it: a bar overhead, plates of 0.45 m and some way to roll stay inside.
SIDE_ST = 2.05
CENTRE_ST = 0.62
# From here on an end is believed: on plain drawn frames without a bar this lets through 2 % of
# ends, on frames with one it loses 4 %. The model card has the numbers, also for other values.
CONFIDENT = 0.4
# How likely a peak of the maps is the end, by its logit: slope and offset of a logistic regression
# over looks at rendered rooms that were not trained on (the model card has the figures).
CALIBRATED = (2.94, 0.95)


@dataclass(frozen=True)
class BarSighting:
    """The two ends in one frame, left and right as seen in it.

    ends_px (2, 2): x and y of the centre of the outermost large plate's outer face, pixels of the
    frame, (0, 0) at its upper left corner; may lie a little outside the frame. semi_axis_px
    (2,): vertical semi-axis of that face. confidence (2,): 0..1 that there is such an end and that
    enough of its plates is seen, a score rather than a probability; below CONFIDENT, place and size
    mean little. seen (2,): estimated
    share of the face that is not hidden.
    """

    ends_px: np.ndarray
    semi_axis_px: np.ndarray
    confidence: np.ndarray
    seen: np.ndarray


@dataclass(frozen=True)
class Candidate:
    """What may be one end: `face` (2,) and `semi_axis` as in `BarSighting`, and the `probability`,
    0..1, that it is the end; those of one side add up to 1 at most."""

    face: np.ndarray
    semi_axis: float
    probability: float


class BarNet:
    """Finds the ends of the athlete's bar. Raises ModelError if the model file is missing or not
    the one that was tested."""

    def __init__(self) -> None:
        self._net = cv2.dnn.readNetFromONNX(str(model_path(MODEL)))

    def find(self, frame: np.ndarray, athlete_box_px: ArrayLike) -> BarSighting:
        """Look at `frame` (H, W) grey or (H, W, 3) RGB, uint8, upright, in the square around the
        athlete (4,) x0, y0, x1, y1 as `athlete_box` gives it; it may reach beyond the frame.

        Raises ValueError for an empty square or another kind of frame.
        """
        maps, corner, per_pixel = self._look(frame, athlete_box_px)
        return read_maps(maps, corner, per_pixel)

    def candidates(
        self, frame: np.ndarray, athlete_box_px: ArrayLike, count: int
    ) -> tuple[list[Candidate], list[Candidate]]:
        """What may be the left and the right end, `count` of each at most, the likeliest first.
        Arguments and errors as in `find`."""
        maps, corner, per_pixel = self._look(frame, athlete_box_px)
        left, right = (read_candidates(maps, side, corner, per_pixel, count) for side in (0, 1))
        return left, right

    def _look(
        self, frame: np.ndarray, athlete_box_px: ArrayLike
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """The maps, the crop's corner and the frame's pixels per pixel of the crop."""
        x0, y0, x1, y1 = (float(v) for v in np.asarray(athlete_box_px, float))
        side = max(x1 - x0, y1 - y0)
        if not side > 0 or not np.isfinite(side):
            raise ValueError(f"the box {x0}, {y0}, {x1}, {y1} has no size")
        if frame.dtype != np.uint8 or frame.ndim not in (2, 3):
            raise ValueError("the frame must be uint8, (H, W) or (H, W, 3)")
        corner = np.array([(x0 + x1 - side) / 2, (y0 + y1 - side) / 2])
        crop = cropped(frame, corner, side)
        if crop.ndim == 2:
            crop = cv2.cvtColor(crop, cv2.COLOR_GRAY2RGB)
        maps = self._maps(crop)
        # What it sees in the mirror is a second opinion: half of its mistakes are not made there.
        other = self._maps(np.ascontiguousarray(crop[:, ::-1]))[MIRRORED, :, ::-1] * TURNED
        return (maps + other) / 2, corner, side / CROP_PX

    def _maps(self, crop: np.ndarray) -> np.ndarray:
        self._net.setInput(cv2.dnn.blobFromImage(crop, 1 / LEVELS, mean=(PAD_LEVEL,) * 3))
        return np.array(self._net.forward()[0])


def cropped(frame: np.ndarray, corner_px: np.ndarray, side_px: float) -> np.ndarray:
    """The square at `corner_px` (2,) of `side_px`, as (CROP_PX, CROP_PX) or (CROP_PX, CROP_PX, 3);
    what is outside the frame is grey."""
    zoom = CROP_PX / side_px
    height, width = frame.shape[:2]
    # Two pixels more, so that padding blends in at the frame's own edge alone.
    x0, y0 = np.clip(np.floor(corner_px) - 2, 0, (width, height)).astype(int)
    x1, y1 = np.clip(np.ceil(corner_px + side_px) + 2, 0, (width, height)).astype(int)
    pad = (PAD_LEVEL,) * 3
    if x1 <= x0 or y1 <= y0:
        return np.full((CROP_PX, CROP_PX, *frame.shape[2:]), PAD_LEVEL, np.uint8)
    part, per_pixel = frame[y0:y1, x0:x1], np.ones(2)
    if zoom < 0.75:
        # Averaged down first: a warp alone would skip pixels.
        size = (max(1, round((x1 - x0) * zoom)), max(1, round((y1 - y0) * zoom)))
        per_pixel = np.array([(x1 - x0) / size[0], (y1 - y0) / size[1]])
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    scale = zoom * per_pixel
    shift = zoom * (np.array([x0, y0]) - corner_px)
    # A pixel's middle is half a pixel in.
    matrix = np.array(
        [
            [scale[0], 0, shift[0] + 0.5 * scale[0] - 0.5],
            [0, scale[1], shift[1] + 0.5 * scale[1] - 0.5],
        ]
    )
    return cv2.warpAffine(
        part,
        matrix,
        (CROP_PX, CROP_PX),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=pad,
    )


def read_maps(maps: np.ndarray, corner_px: np.ndarray, per_pixel: float) -> BarSighting:
    """The sighting in the network's maps (10, cells, cells): heat of both ends (logits), offsets
    from the cell's middle (x, y of the left, of the right; cells), logarithms of the semi-axes over
    AXIS_UNIT_PX, how much is seen (logits). `per_pixel`: pixels of the frame per pixel of the
    crop, whose corner is at `corner_px`."""
    ends, axis, confidence, seen = np.zeros((2, 2)), np.zeros(2), np.zeros(2), np.zeros(2)
    cells = maps.shape[1]
    for side in (0, 1):
        row, column = (int(at) for at in np.unravel_index(maps[side].argmax(), (cells, cells)))
        ends[side], axis[side] = _read_cell(maps, side, row, column)
        confidence[side] = _share(maps[side, row, column])
        seen[side] = _share(maps[8 + side, row, column])
    return BarSighting(
        corner_px + ends * CELL_PX * per_pixel,
        axis * AXIS_UNIT_PX * per_pixel,
        confidence,
        seen,
    )


def read_candidates(
    maps: np.ndarray, side: int, corner_px: np.ndarray, per_pixel: float, count: int
) -> list[Candidate]:
    """The `count` highest peaks of one side in the network's maps (as in `read_maps`), no two
    within one plate's semi-axis."""
    heat = maps[side].astype(np.float32)
    peaks = np.argwhere(heat >= cv2.dilate(heat, np.ones((3, 3), np.uint8)))
    order = np.argsort(-heat[peaks[:, 0], peaks[:, 1]], kind="stable")
    found: list[tuple[np.ndarray, float, float]] = []
    for row, column in peaks[order[: 4 * count]]:
        face, axis = _read_cell(maps, side, int(row), int(column))
        face, axis = corner_px + face * CELL_PX * per_pixel, axis * AXIS_UNIT_PX * per_pixel
        if all(np.hypot(*(face - other)) > max(axis, large) for other, large, _ in found):
            odds = float(np.exp(CALIBRATED[0] * heat[row, column] + CALIBRATED[1]))
            found.append((face, axis, odds))
        if len(found) == count:
            break
    # Only one of them is the end, or none.
    total = 1 + sum(odds for _, _, odds in found)
    return [Candidate(face, axis, odds / total) for face, axis, odds in found]


def _read_cell(maps: np.ndarray, side: int, row: int, column: int) -> tuple[np.ndarray, float]:
    """(2,) place in cells and semi-axis over AXIS_UNIT_PX that a peak and its neighbours give."""
    cells = maps.shape[1]
    rows = slice(max(0, row - 1), min(cells, row + 2))
    columns = slice(max(0, column - 1), min(cells, column + 2))
    weight = _share(maps[side, rows, columns])
    y, x = np.mgrid[rows, columns] + 0.5
    total = float(weight.sum())
    x, y = x + maps[2 + 2 * side, rows, columns], y + maps[3 + 2 * side, rows, columns]
    place = np.array([(x * weight).sum() / total, (y * weight).sum() / total])
    return place, float(np.exp((maps[6 + side, rows, columns] * weight).sum() / total))


def _share(logit: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(logit, -60, 60)))


def athlete_box(
    ankles_px: ArrayLike, hips_px: ArrayLike, stature_px: float, ground_y_px: float | None = None
) -> np.ndarray:
    """(4,) the square x0, y0, x1, y1 that `BarNet.find` wants, pixels.

    `ankles_px`, `hips_px`: one or more points (..., 2) of each; `stature_px`: the athlete's height,
    best carried over from frames in which the athlete stands upright, since a bent body seen from
    in front measures short; `ground_y_px`: where the floor under the athlete is, if known better
    than from these ankles (ankles of a pose model sit 0.04 body heights above it). Once the bar is
    let go and the athlete walks off, pass the points of the last frame with hands on the bar.
    """
    ankles = np.asarray(ankles_px, float).reshape(-1, 2).mean(0)
    hips = np.asarray(hips_px, float).reshape(-1, 2).mean(0)
    ground = ankles[1] + 0.04 * stature_px if ground_y_px is None else ground_y_px
    centre = np.array([(ankles[0] + hips[0]) / 2, ground - CENTRE_ST * stature_px])
    half = SIDE_ST * stature_px / 2
    return np.concatenate([centre - half, centre + half])
