"""A dropped bar: free fall, bounces and roll, exact and in closed form between impacts.

The bar is a rod whose two ends (the plates) fall and bounce on their own; an impact at one end of
a loaded bar hardly moves the other, so both ends are points under gravity. Rubber plates give
back more of a slow impact than of a fast one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRAVITY = 9.81  # m/s²
PLATE_X_M = 0.70  # from the bar's middle to the outer face of the inner plate
ROLL_S = 0.5  # a rolling bar's speed decays with this time constant
SOFTEST = 0.75  # restitution never grows beyond this, however slow the impact
REST_SPEED = 0.05  # m/s: a slower rebound is none (it would rise 0.1 mm)
GROWTH = 0.08  # restitution gained from one impact to the next, slower one


@dataclass(frozen=True)
class Flight:
    """One end's path: parabola after parabola, then at rest on its radius."""

    start_s: Array
    height_m: Array
    speed: Array
    rest_s: float
    radius_m: float

    @property
    def first_impact_s(self) -> float:
        return float(self.start_s[1]) if len(self.start_s) > 1 else self.rest_s

    def at(self, times_s: Array) -> Array:
        i = np.clip(np.searchsorted(self.start_s, times_s, "right") - 1, 0, None)
        dt = times_s - self.start_s[i]
        height = self.height_m[i] + self.speed[i] * dt - GRAVITY * dt * dt / 2
        return np.where(times_s >= self.rest_s, self.radius_m, height)


def flight(
    release_s: float, height_m: float, speed: float, radius_m: float, restitution: float
) -> Flight:
    """Fall from `height_m` at vertical `speed` (up is positive), with growing restitution."""
    starts, heights, speeds = [release_s], [height_m], [speed]
    t, y, v, e = release_s, height_m, speed, restitution
    while True:
        fall = (v + np.sqrt(v * v + 2 * GRAVITY * max(y - radius_m, 0.0))) / GRAVITY
        impact = abs(v - GRAVITY * fall)
        t, y, v = t + fall, radius_m, e * impact
        if v < REST_SPEED:
            return Flight(np.array(starts), np.array(heights), np.array(speeds), t, radius_m)
        starts, heights, speeds = [*starts, t], [*heights, y], [*speeds, v]
        e = min(e + GROWTH, SOFTEST)


@dataclass(frozen=True)
class Drop:
    """A bar let go of: both ends' flights, and the way along the floor (all in world metres)."""

    release_s: float
    left: Flight
    right: Flight
    z_m: float
    z_speed: float
    roll_m: float

    @property
    def contact_s(self) -> float:
        """The first end's first impact."""
        return min(self.left.first_impact_s, self.right.first_impact_s)

    @property
    def rest_s(self) -> float:
        return max(self.left.rest_s, self.right.rest_s)

    @property
    def rest_z_m(self) -> float:
        return self.z_m + self.z_speed * (self.contact_s - self.release_s) + self.roll_m

    def height(self, times_s: Array) -> Array:
        return (self.left.at(times_s) + self.right.at(times_s)) / 2

    def tilt(self, times_s: Array) -> Array:
        """Radians, left end up positive."""
        return np.arcsin((self.left.at(times_s) - self.right.at(times_s)) / (2 * PLATE_X_M))

    def z(self, times_s: Array) -> Array:
        air = np.minimum(times_s, self.contact_s) - self.release_s
        rolling = np.maximum(times_s - self.contact_s, 0.0)
        return self.z_m + self.z_speed * air + self.roll_m * (1 - np.exp(-rolling / ROLL_S))

    def settled_s(self, level_m: float) -> float:
        """When the bar's middle comes within `level_m` of its resting height for good."""
        times = np.arange(self.release_s, self.rest_s + 0.002, 0.001)
        above = np.flatnonzero(self.height(times) > self.left.radius_m + level_m)
        return float(times[above[-1]]) if len(above) else self.release_s
