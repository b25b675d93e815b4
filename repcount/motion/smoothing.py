"""Weighted zero-lag smoothing that copes with gaps, unequal noise and outliers.

The smoother is Whittaker's (Whittaker 1923; Eilers, Anal. Chem. 2003;75:3631): minimise
sum w (y - z)^2 + lambda sum (third difference of z)^2. On a uniform grid with equal weights its
gain at angular frequency f is 1 / (1 + lambda/w (2 sin(f dt/2))^6): the gain of a third-order
Butterworth filter run forward and back, with no lag. Samples of weight 0 are bridged by a
quadratic, samples of low weight are smoothed more.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

ORDER = 3


def penalty(cutoff_hz: float, rate_hz: float) -> float:
    """The lambda at which a signal of weight 1 keeps half its amplitude at `cutoff_hz`."""
    return (2 * np.sin(np.pi * min(cutoff_hz, 0.49 * rate_hz) / rate_hz)) ** (-2 * ORDER)


def gain(frequency_hz: np.ndarray, cutoff_hz: float, rate_hz: float) -> np.ndarray:
    """Amplitude gain at `frequency_hz` of `smooth` with weights of 1."""
    step = 2 * np.sin(np.pi * np.asarray(frequency_hz) / rate_hz)
    return 1 / (1 + penalty(cutoff_hz, rate_hz) * step ** (2 * ORDER))


def _bands(count: int) -> np.ndarray:
    """Upper banded form of D'D for third differences of `count` samples, shape (4, count)."""
    coefficients = np.array([-1.0, 3.0, -3.0, 1.0])
    bands = np.zeros((ORDER + 1, count))
    for offset in range(ORDER + 1):
        for j in range(ORDER + 1 - offset):
            product = coefficients[j] * coefficients[j + offset]
            # row k of D touches samples k..k+3: the pair (k+j, k+j+offset)
            bands[ORDER - offset, j + offset : count - ORDER + j + offset] += product
    return bands


def smooth(
    times_s: np.ndarray,
    values: np.ndarray,
    weights: np.ndarray,
    grid_s: np.ndarray,
    cutoff_hz: float,
    *,
    robust_scale: float | None = None,
    passes: int = 3,
) -> np.ndarray:
    """Smooth samples at any times onto a uniform grid.

    `values` and `weights`, (n,) or (k, n) of k sensors, belong to `times_s` (n,), which need not be
    regular; NaN or weight 0 means no sample. Weight 1 is a sample for which `cutoff_hz` holds at
    the samples' own median rate. A sample between two grid points is compared with the curve
    interpolated there, so no time is rounded. With `robust_scale` (in the values' unit), samples
    further than about three scales from the curve lose their weight (Tukey's biweight, `passes`
    times). `grid_s` (m,) must be uniform. Returns (m,); all NaN when there are too few samples to
    hold a curve.
    """
    grid_s = np.asarray(grid_s, float)
    count = len(grid_s)
    values = np.asarray(values, float)
    base = np.where(np.isfinite(values), np.asarray(weights, float), 0.0)
    use = base > 0
    if count < 2 * ORDER or np.count_nonzero(use) <= ORDER:
        return np.full(count, np.nan)
    step = grid_s[1] - grid_s[0]
    # each sample counts for as many grid points as lie between samples
    seen = np.asarray(times_s, float)[np.atleast_2d(use).any(0)]
    base = base[use] * max(np.median(np.diff(seen)) / step, 1e-9)
    times, values = np.broadcast_to(times_s, values.shape)[use], values[use]
    place = np.clip((times - grid_s[0]) / step, 0, count - 1)
    left = np.minimum(place.astype(int), count - 2)
    fraction = place - left
    bands = penalty(cutoff_hz, 1 / step) * _bands(count)
    live = base
    curve = np.empty(count)
    for _ in range(passes if robust_scale else 1):
        system = bands.copy()
        system[ORDER] += 1e-9
        before, after = live * (1 - fraction), live * fraction

        def summed(at: np.ndarray, terms: np.ndarray) -> np.ndarray:
            return np.bincount(at, terms, count)

        system[ORDER] += summed(left, before * (1 - fraction)) + summed(left + 1, after * fraction)
        system[ORDER - 1] += summed(left + 1, after * (1 - fraction))
        right = summed(left, before * values) + summed(left + 1, after * values)
        curve = solveh_banded(
            system, right, overwrite_ab=True, overwrite_b=True, check_finite=False
        )
        if robust_scale:
            expected = (1 - fraction) * curve[left] + fraction * curve[left + 1]
            ratio = (values - expected) / (4.7 * robust_scale)
            live = base * np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 1e-3)
    return curve


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Half-open index pairs (first, past last) of the stretches where `mask` is true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def crossings(times_s: np.ndarray, values: np.ndarray, level: float) -> np.ndarray:
    """Times at which `values` passes `level`, either way, interpolated linearly."""
    above = values >= level
    index = np.flatnonzero(above[1:] != above[:-1])
    low, high = values[index], values[index + 1]
    fraction = (level - low) / (high - low)
    return times_s[index] + fraction * (times_s[index + 1] - times_s[index])
