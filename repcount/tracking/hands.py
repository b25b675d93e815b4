"""Where both hands are, and what moves as they do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray

# Hands that hold a bar go as far, give or take this much (body lengths) and this fraction of it
# (standard deviations; in 482 moments of 21 clips of real lifts two thirds are within 0.135 at 0.3
# body lengths, 0.185 at 0.6); on the back the shoulders do. Hands of a bar at rest are within 0.05
# in half of 1,201 moments and within 0.25 in nine of ten: they rest, or go anywhere.
HELD_SD, HELD_SHARE = 0.08, 0.15
REST_SD, FREE_SD, FREE = 0.06, 0.5, 0.3
# While the bar moves, the hands do as well, or the shoulders alone, or neither: in those moments
# 85, 7 and 8 of 100, and more fall by themselves where lifts end with a drop.
IN_HANDS, ON_BACK, FALLING = 0.7, 0.1, 0.2


@dataclass(frozen=True)
class Hands:
    """Where both hands are: `left`, `right` (2,) pixels, the middle of the knuckles of the hand
    that is left and right in the frame; `size` the body length in pixels."""

    left: Array
    right: Array
    size: float

    @property
    def middle(self) -> Array:
        return (self.left + self.right) / 2


def held(lift: Array, way: Array) -> Array:
    """Logarithm of the ratio of two likelihoods of a way (n,) up or down of hands or shoulders:
    that they hold what goes `lift` (n,), to that they rest or go anywhere. Both in body lengths."""
    free = np.logaddexp(np.log(1 - FREE) + gauss(way, REST_SD), np.log(FREE) + gauss(way, FREE_SD))
    return np.asarray(gauss(way - lift, HELD_SD + HELD_SHARE * np.abs(lift)) - free)


def gauss(value: Array, deviation: Array | float) -> Array:
    """Logarithm of a Gaussian density."""
    return -0.5 * (value / deviation) ** 2 - np.log(np.sqrt(2 * np.pi) * deviation)
