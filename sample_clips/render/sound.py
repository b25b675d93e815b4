"""The sound of a clip: start signal, plates on the floor, a gym around it. Mono, 48 kHz."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from sample_clips.render.choreography import Choreography

Sound = NDArray[np.float64]
Impact = tuple[float, float]  # time in seconds, speed in m/s

RATE_HZ = 48_000
BEEP_HZ = 1000.0
LAST_BEEP_S, EARLIER_BEEP_S = 0.5, 0.15
GROUP_S = 1.5  # tones closer than this belong to one start signal


def impacts(choreography: Choreography, least_speed: float = 0.15) -> list[Impact]:
    """When and how fast plates meet the floor: every bounce of a drop, every put-down."""
    found: list[Impact] = []
    for drop in choreography.drops:
        for flight in (drop.left, drop.right):
            for i in range(1, len(flight.start_s)):
                fall_s = flight.start_s[i] - flight.start_s[i - 1]
                found.append((float(flight.start_s[i]), abs(flight.speed[i - 1] - 9.81 * fall_s)))
    times = np.arange(0.0, choreography.duration_s, 0.002)
    bar = choreography.bar(times)
    low = bar.y < choreography.radius_m + 0.004
    lands = np.flatnonzero(low[1:] & ~low[:-1] & bar.held[1:]) + 1
    for i in lands:
        j = max(i - 10, 0)
        found.append((float(times[i]), float(abs(bar.y[i] - bar.y[j]) / (times[i] - times[j]))))
    return sorted((t, v) for t, v in found if v > least_speed)


def soundtrack(
    duration_s: float,
    beeps_s: Sequence[float],
    hits: Sequence[Impact],
    seed: int,
    background: float = 1.0,
) -> Sound:
    """Samples in -1..1 of `duration_s` seconds.

    beeps_s: onsets of the start signal's tones; the last of a group is long. hits: `impacts`.
    background: how loud the gym around is (0 none, 1 as usual).
    """
    rng = np.random.default_rng([seed, 7])
    n = max(1, round(duration_s * RATE_HZ))
    dry = np.zeros(n)
    for t, speed in hits:
        _add(dry, t, _thud(speed, rng))
    for t in rng.uniform(0, duration_s, rng.poisson(duration_s / 9)):  # others lift too
        _add(dry, float(t), 0.12 * background * _thud(float(rng.uniform(0.5, 4)), rng))
    for t in rng.uniform(0, duration_s, rng.poisson(duration_s / 6)):
        _add(dry, float(t), 0.05 * background * _clank(rng))
    room = rng.normal(size=int(0.5 * RATE_HZ)) * np.exp(-np.arange(int(0.5 * RATE_HZ)) / 4500)
    room[0] = 12.0
    wet = fftconvolve(dry, room / 12.0)[:n]
    wet += background * _murmur(n, rng)
    for i, t in enumerate(beeps_s):
        last = i + 1 == len(beeps_s) or beeps_s[i + 1] - t > GROUP_S
        _add(wet, t, 0.35 * _beep(LAST_BEEP_S if last else EARLIER_BEEP_S))
    return np.tanh(wet)


def _add(track: Sound, at_s: float, piece: Sound) -> None:
    i = round(at_s * RATE_HZ)
    if 0 <= i < len(track):
        part = piece[: len(track) - i]
        track[i : i + len(part)] += part


def _beep(seconds: float) -> Sound:
    """A tone of a timer; the ramps of 2 ms keep it from clicking."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    ramp = np.minimum(1.0, np.minimum(t, seconds - t) / 0.002)
    return ramp * np.sin(2 * np.pi * BEEP_HZ * t)


def _thud(speed: float, rng: np.random.Generator) -> Sound:
    """Rubber plates on a floor: a low knock, the bar's rattle and a slap."""
    t = np.arange(int(0.4 * RATE_HZ)) / RATE_HZ
    low = np.sin(2 * np.pi * rng.uniform(55, 95) * t * (1 - 0.4 * t)) * np.exp(-t / 0.06)
    slap = rng.normal(size=len(t)) * np.exp(-t / 0.012)
    rattle = sum(
        np.sin(2 * np.pi * rng.uniform(1800, 5200) * t + rng.uniform(0, 6)) for _ in range(4)
    ) * np.exp(-t / 0.05)
    return min(speed / 5.0, 1.2) * (0.9 * low + 0.16 * slap + 0.03 * rattle)


def _clank(rng: np.random.Generator) -> Sound:
    t = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    tones = [np.sin(2 * np.pi * rng.uniform(900, 6000) * t) for _ in range(5)]
    return np.sum(tones, 0) / 5 * np.exp(-t / 0.07)


def _murmur(n: int, rng: np.random.Generator) -> Sound:
    """Ventilation and distant voices: low-passed noise that swells and sinks."""
    noise = rng.normal(size=n)
    hum = sosfilt(butter(2, 250, "low", fs=RATE_HZ, output="sos"), noise)
    voice = sosfilt(butter(2, (300, 1800), "band", fs=RATE_HZ, output="sos"), noise)
    knots = rng.uniform(0.2, 1.0, n // (RATE_HZ // 3) + 3)
    swell = np.interp(np.arange(n), np.arange(len(knots)) * (RATE_HZ // 3), knots)
    return 0.10 * hum + 0.012 * swell * voice
