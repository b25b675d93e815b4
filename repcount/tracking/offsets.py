"""From a followed patch to the outer face of the plates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

Array = np.ndarray

# How much offset and size change over height, per unit of it (standard deviation). Over 2 m, nine
# semi-axes, a plate 3 to 5 m away comes nearer to or goes farther from a phone by a tenth at most.
SLOPE_SD = 0.015


class OffsetModel:
    """From an end's followed place to its outer face and size, as the network saw them: straight
    lines over height (perspective), nearly level where few heights tell of a slope."""

    def __init__(self, sightings: Sequence[Sequence[float]]) -> None:
        """`sightings`: height of the patch, way (x, y) from there to the face, semi-axis."""
        table = np.array(sightings)
        self._middle = np.median(table, axis=0)
        self._low, self._high = table[:, 0].min(), table[:, 0].max()
        x, y = table[:, 0] - self._middle[0], table[:, 1:] - self._middle[1:]
        weight, scale = np.ones_like(y), 1.5 * np.median(np.abs(y), axis=0)
        for _ in range(5):
            scale = np.maximum(scale, 1e-3)
            mean_x = (weight * x[:, None]).sum(0) / weight.sum(0)
            mean_y = (weight * y).sum(0) / weight.sum(0)
            apart = x[:, None] - mean_x
            known = (weight * apart**2).sum(0) + (scale / SLOPE_SD) ** 2
            self._slope = (weight * apart * (y - mean_y)).sum(0) / known
            rest = np.abs(y - mean_y - self._slope * apart)
            scale = 1.5 * np.median(rest, axis=0)
            weight = 1 / np.maximum(1.0, rest / np.maximum(scale, 1e-3))
        self._middle[1:] += mean_y - self._slope * mean_x

    def __call__(self, height: Array) -> tuple[Array, Array]:
        """((n, 2) offsets, (n,) semi-axes) where the patch is at heights (n,)."""
        height = np.clip(height, self._low, self._high) - self._middle[0]
        values = self._middle[1:] + self._slope * height[:, None]
        return values[:, :2], values[:, 2]
