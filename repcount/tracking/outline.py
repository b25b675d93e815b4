"""The outline of the plates at one end, from frames laid over each other so that the plates stand
still: there the plates are sharp and steady, and the background runs past."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

ANGLES = np.linspace(0.0, 2 * np.pi, 48, endpoint=False)
# Exponents of |x/a|^n + |y/b|^n = 1: a disc seen from anywhere; a stack of plates seen edge-on.
DISC, STACK = 2.0, 5.0
# Temporal standard deviation that camera noise and coding leave a steady pixel (grey levels).
NOISE = 4.0
# What a place inside being steadier than one outside counts, against how much of the outline is
# seen as an edge. Rings within a disc are edges all round, but what is outside of them is steady.
STEADY = 0.5
BEYOND = 0.8


@dataclass(frozen=True)
class Outline:
    """An upright oblong: `centre` (2,), `half_width`, `semi_axis` in pixels of the patch; `form` is
    DISC or STACK; `score` about 0..2."""

    centre: np.ndarray
    half_width: float
    semi_axis: float
    form: float
    score: float

    def weight(self, size: np.ndarray, margin: float) -> np.ndarray:
        """(H, W) float32 for a patch of `size` (width, height): 1 inside the outline grown by
        `margin` pixels, soft at the edge."""
        y, x = np.mgrid[: size[1], : size[0]]
        u = np.abs(x - self.centre[0]) / (self.half_width + margin)
        v = np.abs(y - self.centre[1]) / (self.semi_axis + margin)
        inside = (u**self.form + v**self.form <= 1).astype(np.float32)
        return np.asarray(cv2.GaussianBlur(inside, (0, 0), 1.0))


def find_outline(
    mean: np.ndarray,
    temporal_sd: np.ndarray,
    known: np.ndarray,
    half_width: float,
    semi_axis: float,
) -> Outline:
    """The outline near the middle of a patch. `mean` and `temporal_sd` (H, W) float32 are mean and
    standard deviation over frames, `known` (H, W) bool where the patch lies within the frame;
    `half_width` and `semi_axis` a first guess in pixels, right within a third."""
    height, width = mean.shape
    blur = max(0.8, semi_axis / 40)
    smooth = cv2.GaussianBlur(mean, (0, 0), blur)
    steady = cv2.GaussianBlur(temporal_sd, (0, 0), 1.0)
    # Edges that do not stay are the background's.
    trust = cv2.erode(known.astype(np.uint8), np.ones((5, 5))) / (1 + steady / (2 * NOISE))
    edge_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.25) * trust
    edge_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.25) * trust
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    reach = int(semi_axis)
    row, column = int(middle[1]), int(middle[0])
    near = np.hypot(edge_x, edge_y)[
        max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1
    ]
    # The strongest edge must not outvote the others: all above this count alike.
    full = max(1.0, float(np.percentile(near, 80)))
    edge_x, edge_y = edge_x / full, edge_y / full
    strength = np.minimum(np.hypot(edge_x, edge_y), 1.0)
    fields = (edge_x, edge_y, steady, strength, known.astype(np.float32))
    best: Outline | None = None
    for form in (DISC, STACK):
        grid = np.stack(
            [
                part.ravel()
                for part in np.meshgrid(
                    middle[0] + semi_axis * np.linspace(-0.45, 0.45, 7),
                    middle[1] + semi_axis * np.linspace(-0.3, 0.3, 5),
                    np.array([0.15, 0.25, 0.4, 0.6, 0.8, 1.0]),
                    semi_axis * np.geomspace(0.65, 1.2, 8),
                )
            ],
            axis=1,
        )
        grid[:, 2] *= grid[:, 3]
        top, score = _best(fields, grid, form)
        for step in (0.06, 0.03, 0.015):
            shifts = np.stack(
                [part.ravel() for part in np.meshgrid(*[np.array([-1.0, 0.0, 1.0]) * step] * 4)],
                axis=1,
            )
            top, score = _best(fields, top + shifts * top[3], form)
        if best is None or score > best.score:
            best = Outline(top[:2], float(top[2]), float(top[3]), form, score)
    assert best is not None
    return best


def _best(
    fields: tuple[np.ndarray, ...], grid: np.ndarray, form: float
) -> tuple[np.ndarray, float]:
    """The best row (x, y, half width, semi-axis) of `grid` and its score."""
    grid = grid[(grid[:, 2] > 1.5) & (grid[:, 3] > 3)]
    edge_x, edge_y, steady, strength, known = fields
    height, width = steady.shape
    cos, sin = np.cos(ANGLES), np.sin(ANGLES)
    radius = (np.abs(cos) ** form + np.abs(sin) ** form) ** (-1 / form)
    unit_x, unit_y = cos * radius, sin * radius
    x, y = (grid[:, [part]] for part in (0, 1))
    a, b = grid[:, [2]], grid[:, [3]]

    def places(grow: float) -> tuple[np.ndarray, np.ndarray]:
        column = np.clip(np.rint(x + grow * a * unit_x), 0, width - 1).astype(np.intp)
        row = np.clip(np.rint(y + grow * b * unit_y), 0, height - 1).astype(np.intp)
        return row, column

    normal_x = np.sign(unit_x) * np.abs(unit_x) ** (form - 1) / a
    normal_y = np.sign(unit_y) * np.abs(unit_y) ** (form - 1) / b
    norm = np.hypot(normal_x, normal_y)
    at = places(1.0)
    edge = np.minimum(np.abs(normal_x * edge_x[at] + normal_y * edge_y[at]) / norm, 1.0)
    outline_x, outline_y = a * unit_x, b * unit_y
    length = np.hypot(
        np.roll(outline_x, -1, 1) - np.roll(outline_x, 1, 1),
        np.roll(outline_y, -1, 1) - np.roll(outline_y, 1, 1),
    )
    inside = (steady[places(0.85)] + steady[places(0.7)]) / 2
    outside = (steady[places(1.12)] + steady[places(1.25)]) / 2
    steadier = np.clip(np.log2((outside + NOISE) / (inside + NOISE)), -1.0, 1.0)
    beyond = np.mean([strength[places(grow)] for grow in (1.12, 1.22, 1.32)], axis=0)
    # What is cut off by the frame's edge says nothing; a little is lost for what is not seen.
    seen = length * known[at]
    fraction = seen / (0.8 * seen + 0.2 * length).sum(1, keepdims=True)
    score = ((edge - BEYOND * beyond + STEADY * steadier) * fraction).sum(1)
    top = int(score.argmax())
    return grid[top], float(score[top])
