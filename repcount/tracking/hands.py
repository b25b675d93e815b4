"""Where both hands are in a frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
