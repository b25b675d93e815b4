"""How the overlay looks: marks on the frame, and a strip of figures below it.

Nothing is laid over the lift but thin lines: the bar's path of the rep being done, the bar's ends,
the hip. All else stands in a strip that is added below the frame, so that it hides nothing. Small
parts are drawn, straight on the video's own luma and colour planes: to turn whole frames into
red, green and blue and back would cost more than everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np

# The report's colours on dark paper (Okabe and Ito).
PAPER, INK, SOFT = (21, 24, 27), (233, 231, 226), (163, 171, 180)
REAL, PAUSE, HIP = (86, 180, 233), (230, 159, 0), (204, 121, 167)
Colour = tuple[int, int, int]
# Fraction of red and blue in luma (ITU-R BT.601 and BT.709), by H.273's number of the matrix.
_LUMA = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 6: (0.299, 0.114)}


class Canvas:
    """Planes of one frame, drawn on in place: `luma` (H, W), `blue` and `red` (H/2, W/2)."""

    def __init__(
        self, luma: np.ndarray, blue: np.ndarray, red: np.ndarray, matrix: np.ndarray
    ) -> None:
        self.luma, self.blue, self.red, self.matrix = luma, blue, red, matrix

    def _each(
        self, draw: Callable[[np.ndarray, tuple[float], float], None], colour: Colour
    ) -> None:
        values = to_planes(np.array(colour, float)[None, None], self.matrix)[0, 0]
        for plane, value, scale in zip(
            (self.luma, self.blue, self.red), values, (1.0, 0.5, 0.5), strict=True
        ):
            draw(plane, (float(value),), scale)

    def line(self, points: np.ndarray, colour: Colour, thick: float) -> None:
        """A line through points (N, 2) in pixels."""

        def draw(plane: np.ndarray, value: tuple[float], scale: float) -> None:
            fixed = np.round(points * scale * 16).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(
                plane, [fixed], False, value, max(1, round(thick * scale)), cv2.LINE_AA, shift=4
            )

        self._each(draw, colour)

    def ring(self, centre: np.ndarray, radius: float, colour: Colour, thick: float) -> None:
        """A circle's outline."""

        def draw(plane: np.ndarray, value: tuple[float], scale: float) -> None:
            x, y = np.round(centre * scale * 16).astype(int)
            cv2.circle(
                plane, (int(x), int(y)), round(radius * scale * 16), value,
                max(1, round(thick * scale)), cv2.LINE_AA, shift=4,
            )  # fmt: skip

        self._each(draw, colour)

    def paste(self, part: tuple[np.ndarray, np.ndarray, np.ndarray], x: int, y: int) -> None:
        """Put planes made by `planes_of` at an even place."""
        for plane, made, half in zip(
            (self.luma, self.blue, self.red), part, (0, 1, 1), strict=True
        ):
            top, left = y >> half, x >> half
            plane[top : top + made.shape[0], left : left + made.shape[1]] = made


def colour_matrix(number: int, height: int) -> np.ndarray:
    """(3, 3) from red, green, blue (0 to 255) to luma and colour differences in video range, for
    H.273's matrix number; where the video says nothing, by its height as players do."""
    kr, kb = _LUMA.get(number, _LUMA[1 if height >= 720 else 6])
    y = np.array([kr, 1 - kr - kb, kb])
    b = (np.array([0, 0, 1]) - y) / (2 * (1 - kb))
    r = (np.array([1, 0, 0]) - y) / (2 * (1 - kr))
    return np.array([y * 219, b * 224, r * 224]) / 255


def to_planes(rgb: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """(H, W, 3) luma and colour differences of (H, W, 3) red, green and blue."""
    return np.round(rgb @ matrix.T + (16, 128, 128))


def planes_of(rgb: np.ndarray, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The three planes of a small frame (H, W, 3) with even sides."""
    full = cv2.transform(rgb, np.c_[matrix, [16.0, 128.0, 128.0]])
    half = cv2.resize(full, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return full[..., 0], half[..., 1], half[..., 2]


class Block:
    """A part of the strip, drawn anew only when what it shows has changed."""

    def __init__(self, size: tuple[int, int], matrix: np.ndarray) -> None:
        from PIL import Image, ImageDraw

        self.size, self.matrix = size, matrix
        self._image = Image.new("RGB", size, PAPER)
        self.draw = ImageDraw.Draw(self._image)
        self._shown: Hashable = None
        self._planes: Any = None

    def planes(self, shown: Hashable, paint: Callable[[Block], None]) -> Any:
        """The block's planes; `paint` draws it anew where `shown` is not what it was."""
        if self._planes is None or shown != self._shown:
            self.draw.rectangle((0, 0, *self.size), fill=PAPER)
            paint(self)
            self._planes = planes_of(np.asarray(self._image), self.matrix)
            self._shown = shown
        return self._planes

    def text(
        self, x: float, y: float, said: str, size: int, colour: Colour, *, bold: bool = False,
        right: bool = False, wide: float | None = None,
    ) -> float:  # fmt: skip
        """Write a line on its base line; returns where it ends. What is wider than `wide` is made
        smaller."""
        face = font(size, bold)
        length = self.draw.textlength(said, face)
        if wide is not None and length > wide > 0:
            face = font(max(8, int(size * wide / length)), bold)
            length = self.draw.textlength(said, face)
        anchor = "rs" if right else "ls"
        self.draw.text((x, y), said, fill=colour, font=face, anchor=anchor)
        return x + length


@lru_cache(maxsize=32)
def font(size: int, bold: bool) -> Any:
    """DejaVu Sans, as matplotlib (a dependency) carries it."""
    from PIL import ImageFont

    spec = find_spec("matplotlib")
    assert spec is not None
    assert spec.origin is not None
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    return ImageFont.truetype(folder / f"DejaVuSans{'-Bold' if bold else ''}.ttf", size)


def outlined(canvas: Canvas, points: np.ndarray, colour: Colour, thick: float) -> None:
    """A thin line with a darker edge, to be seen on any ground."""
    canvas.line(points, PAPER, 2.2 * thick)
    canvas.line(points, colour, thick)


def boxes(
    block: Block, cuts: Sequence[int], total: int, left: float, right: float, top: float,
    bottom: float, *, filled_to: int | None = None, gap: float = 2,
) -> None:  # fmt: skip
    """A round's sets as boxes as wide as their reps; `filled_to` reps are solid."""
    edges = [0, *cuts, total]
    place = [left + (right - left) * edge / total for edge in edges]
    for begin, end, low, high in zip(place, place[1:], edges, edges[1:], strict=False):
        box = (begin + gap, top, max(begin + gap, end - gap), bottom)
        if filled_to is None:
            block.draw.rounded_rectangle(box, 4, outline=SOFT, width=2)
            continue
        block.draw.rounded_rectangle(box, 4, fill=(52, 59, 66))
        if filled_to > low:
            fraction = min(1.0, (filled_to - low) / (high - low))
            solid = (box[0], top, box[0] + (box[2] - box[0]) * fraction, bottom)
            block.draw.rounded_rectangle(solid, 4, fill=REAL)
