"""From a followed patch to the outer face of the plates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

Array = np.ndarray

# A line over height needs this many sightings, and this spread of heights (semi-axes).
ENOUGH, SPREAD = 12, 3.0


class OffsetModel:
    """From an end's followed place to its outer face and size, as the network saw them: constants,
    or straight lines over height where the end was seen at many heights (perspective)."""

    def __init__(self, sightings: Sequence[Sequence[float]]) -> None:
        """`sightings`: height of the patch, way (x, y) from there to the face, semi-axis."""
        table = np.array(sightings)
        self._middle = np.median(table, axis=0)
        self._slope = np.zeros(3)
        self._low, self._high = table[:, 0].min(), table[:, 0].max()
        if len(table) >= ENOUGH and self._high - self._low > SPREAD * self._middle[3]:
            x, y = table[:, 0] - self._middle[0], table[:, 1:] - self._middle[1:]
            weight = np.ones_like(y)
            for _ in range(5):
                mean_x = (weight * x[:, None]).sum(0) / weight.sum(0)
                mean_y = (weight * y).sum(0) / weight.sum(0)
                apart = x[:, None] - mean_x
                slope = (weight * apart * (y - mean_y)).sum(0) / (weight * apart**2).sum(0)
                rest = np.abs(y - mean_y - slope * apart)
                scale = np.maximum(1.5 * np.median(rest, axis=0), 1e-3)
                weight = 1 / np.maximum(1.0, rest / scale)
            self._slope = slope
            self._middle[1:] += mean_y - slope * mean_x

    def __call__(self, height: Array) -> tuple[Array, Array]:
        """((n, 2) offsets, (n,) semi-axes) where the patch is at heights (n,)."""
        height = np.clip(height, self._low, self._high) - self._middle[0]
        values = self._middle[1:] + self._slope * height[:, None]
        return values[:, :2], values[:, 2]
