"""A motion drawn by hand: the bar along given corners, the body where it must be to hold it."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from repcount.motion import Motion

SHOULDER, HIP, KNEE = 0.818, 0.53, 0.285  # Winter's fractions of stature, from memory


def drawn(
    *corners: tuple[float, float],
    squats: tuple[tuple[float, float], ...] = (),
    rate_hz: float = 60.0,
) -> Motion:
    """A motion through (second, bar height in body heights) corners, smooth and flat between
    equals.

    Below 0.45 the shoulders come down with the bar (arms are long); during `squats` (from, to) the
    body sinks with a bar that rides on the shoulders.
    """
    seconds, heights = zip(*corners, strict=True)
    time = np.arange(seconds[0], seconds[-1] + 1e-9, 1 / rate_hz)
    bar = PchipInterpolator(seconds, heights)(time)
    low = np.minimum(bar - 0.45, 0.0)
    shoulder, hip = SHOULDER + low, HIP + 0.6 * low
    for first, last in squats:
        inside = (time > first) & (time < last)
        bottom = first + 0.45 * (last - first)
        sunk = 0.36 * np.interp(time[inside], (first, bottom, last), (0, 1, 0))
        shoulder[inside], hip[inside] = SHOULDER - sunk, HIP - 0.9 * sunk
    flat = np.ones(len(time))
    return Motion(
        time_s=time,
        bar_st=bar,
        bar_sharp_st=bar,
        bar_source=np.full(len(time), 2, np.int8),
        hand_st=bar,
        shoulder_st=shoulder,
        hip_st=hip,
        knee_st=KNEE * flat,
        head_st=shoulder + 0.118,
        feet_apart_st=0.15 * flat,
        hands_apart_st=0.3 * flat,
        hands_off=0.0 * flat,
        stature_px=800.0 * flat,
        pieces=((0, len(time)),),
        video={},
        sounds=[],
        options={},
    )
