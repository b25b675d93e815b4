"""Motion → zone phases: an explicit-duration hidden Markov model over the whole signal.

Part 1 of the reading: what the bar did, knowing nothing of the workout. The observations are the
bar's height above the floor, its height against the shoulders in the same frame, and whether the
hands hold it. Each zone is a chain of sub-states, so that a visit has a least duration; missing
observations say nothing and leave the decision to what comes before and after.

Levels are anthropometry (Winter 2009, Fig. 4.1 after Drillis & Contini 1966, from memory): arm
0.332 of stature to the wrist and about 0.055 on to the bar, so a bar in straight arms hangs 0.39
below the shoulders, whatever the trunk does, and is 0.39 above them when locked out overhead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import minimum_filter1d

from repcount.motion import Motion
from repcount.motion.smoothing import runs
from repcount.records import Zone

STATES: tuple[Zone, ...] = ("floor", "hang", "rack", "overhead", "free")
FLOOR, HANG, RACK, OVERHEAD, FREE = range(5)
RATE_HZ = 20.0
# The plates' radius over a usual stature: 225 mm (IWF, 450 mm discs) of 1.75 m.
FLOOR_ST = 0.225 / 1.75
# How far off that a bar on the floor is met: statures of 1.5 to 2.1 m, a bar in front of the feet
# or behind them, seen from hip height.
FLOOR_BELOW_ST, FLOOR_ABOVE_ST = 0.10, 0.06
NEAR_S = 4.0
# Shares of the zones' heights against the shoulders, in statures; between them lies the passage.
HANG_BELOW = -0.20
RACK_BELOW, RACK_ABOVE = -0.13, 0.12
OVERHEAD_ABOVE = 0.18
EDGE_ST = 0.03
# A sample may be wrong altogether (another person, a collapsed skeleton).
OUTLIER = 1e-3


@dataclass(frozen=True)
class Zones:
    """Zone probabilities on a coarse grid.

    `time_s` (n,), `probability` (n, 5) in the order of `STATES`, `path` (n,) the most probable
    sequence of states, `floor_st` (n,) the height of a bar at rest on the floor.
    """

    time_s: np.ndarray
    probability: np.ndarray
    path: np.ndarray
    floor_st: np.ndarray


def floor_level(motion: Motion, index: np.ndarray) -> np.ndarray:
    """Height (n,) of a bar at rest on the floor at the grid places `index`, in statures.

    A bar that has rolled, or an athlete who stands elsewhere, moves it by some hundredths. It is
    the lowest place the bar comes to within `NEAR_S`, if that is where plates of usual size lie;
    elsewhere the level known last or next, and the plates' radius where none is known.
    """
    bar = motion.bar_st[index]
    if not np.isfinite(bar).any():
        return np.full(len(index), FLOOR_ST)
    step = (motion.time_s[index[-1]] - motion.time_s[index[0]]) / max(len(index) - 1, 1)
    width = 2 * int(NEAR_S / max(step, 1e-6)) + 1
    lowest = minimum_filter1d(np.where(np.isfinite(bar), bar, np.inf), width, mode="nearest")
    known = np.flatnonzero(
        (lowest > FLOOR_ST - FLOOR_BELOW_ST) & (lowest < FLOOR_ST + FLOOR_ABOVE_ST)
    )
    if not len(known):
        return np.full(len(index), FLOOR_ST)
    after = np.clip(np.searchsorted(known, np.arange(len(index))), 0, len(known) - 1)
    before = np.maximum(after - 1, 0)
    places = np.arange(len(index))
    nearest = np.where(
        np.abs(known[after] - places) <= np.abs(known[before] - places), known[after], known[before]
    )
    return lowest[nearest]


def _box(
    values: np.ndarray, low: float | np.ndarray, high: float | np.ndarray, edge: float = EDGE_ST
) -> np.ndarray:
    """Log density of a uniform range with Gaussian edges; 0 log where the value is missing."""
    outside = np.maximum(np.maximum(low - values, values - high), 0) / edge
    density = np.exp(-0.5 * outside**2) / (high - low + edge * np.sqrt(2 * np.pi))
    return np.where(np.isfinite(values), np.log(density + OUTLIER), 0.0)


# The body moves little in so short a time, next to the distance between zones.
BRIDGE_S = 1.5


def _bridged(values: np.ndarray, rate_hz: float) -> np.ndarray:
    """Fill gaps of up to `BRIDGE_S` linearly: zones are coarser than what the body does there."""
    good = np.isfinite(values)
    if not good.any():
        return values
    places = np.arange(len(values))
    filled = np.interp(places, places[good], values[good])
    for a, b in runs(~good):
        if b - a > BRIDGE_S * rate_hz:
            filled[a:b] = np.nan
    return filled


def _emissions(motion: Motion, index: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Log likelihood (n, 5) of what was seen at grid places `index` in each state."""
    bar = motion.bar_st[index]
    above = bar - _bridged(motion.shoulder_st, motion.rate_hz)[index]
    off = motion.hands_off[index]
    logs = np.zeros((len(index), len(STATES)))
    anywhere = np.where(np.isfinite(above), -np.log(1.2), 0.0)
    logs[:, FLOOR] = _box(bar, floor - 0.03, floor + 0.015, 0.015) + anywhere
    lifted = _box(bar, floor + 0.04, 1.4, 0.015)
    logs[:, HANG] = lifted + _box(above, -0.50, HANG_BELOW)
    logs[:, RACK] = lifted + _box(above, RACK_BELOW, RACK_ABOVE)
    logs[:, OVERHEAD] = lifted + _box(above, OVERHEAD_ABOVE, 0.50)
    logs[:, FREE] = _box(bar, floor + 0.01, 1.4) + anywhere
    free = np.where(np.isfinite(off), np.clip(off, 0.02, 0.98), 0.5)
    held = np.log(2 * (1 - free))
    logs[:, [HANG, RACK, OVERHEAD]] += held[:, None]
    # a bar in the air that nobody holds
    logs[:, FREE] += np.log(2 * free) - 1.0
    # nobody holds it and it is not seen: then it lies on the floor
    unseen = ~np.isfinite(bar) & np.isfinite(off)
    logs[unseen, FLOOR] += np.log(2 * free[unseen])
    return logs


# Least visit in sub-states of 1/RATE_HZ: passing through a zone takes at least that long.
_LEAST = {FLOOR: 2, HANG: 2, RACK: 2, OVERHEAD: 3, FREE: 2}
_MEAN_S = {FLOOR: 2.0, HANG: 1.0, RACK: 1.0, OVERHEAD: 1.0, FREE: 0.7}
_NEIGHBOURS = {
    FLOOR: {HANG: 1.0},
    HANG: {FLOOR: 0.45, RACK: 0.45, FREE: 0.1},
    RACK: {HANG: 0.45, OVERHEAD: 0.45, FREE: 0.1},
    OVERHEAD: {RACK: 0.9, FREE: 0.1},
    FREE: {FLOOR: 0.9, HANG: 0.1},
}
# Anything may follow anything when seconds are missing or wrong.
_LEAP = 1e-4


def _chain() -> tuple[np.ndarray, np.ndarray]:
    """Transition matrix over sub-states and each sub-state's zone."""
    zone_of = np.concatenate([np.full(_LEAST[zone], zone) for zone in range(len(STATES))])
    first = {zone: int(np.flatnonzero(zone_of == zone)[0]) for zone in range(len(STATES))}
    matrix = np.zeros((len(zone_of), len(zone_of)))
    for zone in range(len(STATES)):
        last = first[zone] + _LEAST[zone] - 1
        for place in range(first[zone], last):
            matrix[place, place + 1] = 1.0
        stay = 1 - 1 / (_MEAN_S[zone] * RATE_HZ)
        matrix[last, last] = stay
        for other in range(len(STATES)):
            if other != zone:
                share = _NEIGHBOURS[zone].get(other, 0.0) + _LEAP
                matrix[last, first[other]] = (1 - stay) * share
    return matrix / matrix.sum(1, keepdims=True), zone_of


def decode_zones(motion: Motion) -> Zones:
    """The most probable zone of the bar through the whole signal, and its probability."""
    step = max(round(motion.rate_hz / RATE_HZ), 1)
    index = np.arange(0, len(motion.time_s), step)
    count = len(index)
    if count == 0:
        return Zones(np.zeros(0), np.zeros((0, len(STATES))), np.zeros(0, int), np.zeros(0))
    floor = floor_level(motion, index)
    logs = _emissions(motion, index, floor)
    matrix, zone_of = _chain()
    emit = logs[:, zone_of]
    with np.errstate(divide="ignore"):
        log_matrix = np.log(matrix)

    size = len(zone_of)
    score = emit[0] - np.log(size)
    back = np.zeros((count, size), np.int16)
    for k in range(1, count):
        options = score[:, None] + log_matrix
        back[k] = options.argmax(0)
        score = options[back[k], np.arange(size)] + emit[k]
    best = np.zeros(count, int)
    best[-1] = int(score.argmax())
    for k in range(count - 1, 0, -1):
        best[k - 1] = back[k, best[k]]

    likelihood = np.exp(emit - emit.max(1, keepdims=True))
    forward = np.zeros((count, size))
    forward[0] = likelihood[0] / likelihood[0].sum()
    for k in range(1, count):
        forward[k] = (forward[k - 1] @ matrix) * likelihood[k]
        forward[k] /= forward[k].sum()
    backward = np.ones(size)
    posterior = forward.copy()
    for k in range(count - 2, -1, -1):
        backward = matrix @ (likelihood[k + 1] * backward)
        backward /= backward.sum()
        posterior[k] = forward[k] * backward
        posterior[k] /= posterior[k].sum()
    probability = np.stack([posterior[:, zone_of == zone].sum(1) for zone in range(len(STATES))], 1)
    return Zones(motion.time_s[index], probability, zone_of[best], floor)
