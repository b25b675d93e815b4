"""Motion → zone phases: a minimum-duration hidden Markov model over the whole signal.

Part 1 of the reading: what the bar did, knowing nothing of the workout. The observations are the
bar's height above the floor, its height against the shoulders in the same frame, and whether the
hands hold it. Each zone is a chain of sub-states, so that a visit has a least duration; missing
observations say nothing and leave the decision to what comes before and after.

Levels are anthropometry (`repcount.attempt.anthropometry`): arm
0.332 body heights to the wrist and about 0.055 on to the bar, so a bar in straight arms hangs
0.39 below the shoulders, whatever the trunk does, and is 0.39 above them when locked out overhead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d

from repcount.attempt.anthropometry import EYE_HEIGHT_ST, SHOULDER_HEIGHT_ST
from repcount.attempt.records import Zone
from repcount.motion import Motion
from repcount.motion.smoothing import runs
from repcount.reading.chains import most_probable_path, state_probabilities
from repcount.reading.instants import SLOW_ST_S

STATES: tuple[Zone, ...] = ("floor", "hang", "rack", "overhead", "free")
FLOOR, HANG, RACK, OVERHEAD, FREE = range(5)
HELD = (HANG, RACK, OVERHEAD)
RATE_HZ = 20.0
# The plates' radius over a usual body height: 225 mm (IWF, 450 mm discs) of 1.75 m.
FLOOR_ST = 0.225 / 1.75
# How far off that a bar on the floor is met: body heights of 1.5 to 2.1 m, a bar in front of the
# feet or behind them, seen from hip height.
FLOOR_BELOW_ST, FLOOR_ABOVE_ST = 0.10, 0.06
# A bar that lies still with nobody's hands on it lies on the floor, also behind an athlete who is
# filmed from behind by a phone held high, where it seems this much higher; seen from the side, the
# plates 0.7 m nearer than the athlete, by a phone 1.7 m high and 3 m away, this much lower.
LEFT_ABOVE_ST, LEFT_BELOW_ST = 0.13, 0.25
# So sure it must be that the hands are off, and for so long that no bounce is taken for it.
LEFT, LEFT_S = 0.9, 1.0
LIES_WITHIN_S = 4.0
# The level drifts by less than this over an attempt; the bottom of a hinge lies higher above it.
FLOOR_VARIES_ST = 0.06
# A bar so far above where it lies is in the air.
OFF_FLOOR_ST = 0.045
# Shares of the zones' heights against the shoulders, in body heights; the passage lies between.
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
    """Height (n,) of a bar at rest on the floor at the grid places `index`, in body heights.

    A bar that has rolled, or an athlete who stands elsewhere, moves it by some hundredths. It is
    where the bar lies or turns lowest within `LIES_WITHIN_S`, if plates of usual size lie there;
    elsewhere the level known last or next, and the plates' radius where none is known.
    """
    bar = motion.bar_st[index]
    if not np.isfinite(bar).any():
        return np.full(len(index), FLOOR_ST)
    step = (motion.time_s[index[-1]] - motion.time_s[index[0]]) / max(len(index) - 1, 1)
    width = 2 * int(LIES_WITHIN_S / max(step, 1e-6)) + 1
    lowest = minimum_filter1d(np.where(np.isfinite(bar), bar, np.inf), width, mode="nearest")
    speed = np.gradient(bar, max(step, 1e-6)) if len(bar) > 1 else np.zeros(1)
    left = (motion.hands_off[index] > LEFT) & (motion.bar_source[index] == 2)
    left &= np.abs(speed) < SLOW_ST_S
    for a, b in runs(left):
        if (b - a) * step < LEFT_S:
            left[a:b] = False
    highest = FLOOR_ST + np.where(left, LEFT_ABOVE_ST, FLOOR_ABOVE_ST)
    nearest = FLOOR_ST - np.where(left, LEFT_BELOW_ST, FLOOR_BELOW_ST)
    # it lies, or turns: the edge of the window may be in mid-lift
    known = np.flatnonzero(
        (np.abs(speed) < SLOW_ST_S)
        & (bar < lowest + FLOOR_VARIES_ST)
        & (bar > nearest)
        & (bar < highest)
    )
    if len(known):
        # the bottom of a hinge is no floor: a floor varies less than what lies between the two. A
        # bar that has rolled nearer lies lower, and says nothing of where it lay before.
        usual = bar[known] > FLOOR_ST - FLOOR_BELOW_ST
        told = bar[known][usual] if usual.sum() * step > LEFT_S else bar[known]
        known = known[bar[known] < np.quantile(told, 0.02) + FLOOR_VARIES_ST]
    if not len(known):
        return np.full(len(index), FLOOR_ST)
    level = median_filter(bar[known], size=min(2 * int(0.5 / max(step, 1e-6)) + 1, len(known)))
    places = np.arange(len(index))
    after = np.clip(np.searchsorted(known, places), 0, len(known) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(known[after] - places) <= np.abs(known[before] - places)
    return np.asarray(np.where(nearer, level[after], level[before]))


def _box(
    values: np.ndarray, low: float | np.ndarray, high: float | np.ndarray, edge: float = EDGE_ST
) -> np.ndarray:
    """Log density of a uniform range with Gaussian edges; 0 log where the value is missing."""
    outside = np.maximum(np.maximum(low - values, values - high), 0) / edge
    density = np.exp(-0.5 * outside**2) / (high - low + edge * np.sqrt(2 * np.pi))
    return np.where(np.isfinite(values), np.log(density + OUTLIER), 0.0)


# Where a bar is carried standing (Winter 2009, from memory: wrist less half a hand, shoulder, and
# arm on that), and how far a body, a grip or a bent bar puts them off.
LOCKOUT_ST, RACK_ST, OVERHEAD_ST = 0.45, 0.82, 1.23
LEVEL_SD_ST, FLOOR_SD_ST = 0.04, 0.012
# Sunk with the body the bar is so far below the level, or somewhat further: a squat to hip level
# with knee takes it down by 0.245 and the trunk's lean (0.08), the deepest by 0.48.
SUNK_ST, SUNK_SD_ST = 0.38, 0.02
# A low turn lies so far below the level; else a bar that stays does so at the level, or stalls.
TURNED_ST, STANDS = 0.10, 0.95
# Slower than this it stays, body heights a second (twice `SLOW_ST_S`).
STAYS_ST_S = 0.1
# Speeds of a bar that lies, that a body lifts as it stands up or lowers, that arms and legs pull or
# press on, and that falls (standard deviations, body heights a second; means of 0.3 to 0.8 m/s for
# deadlifts and squats, peaks of 1.7 m/s for cleans: common figures, from memory).
LYING_SD_ST_S, BODY_SD_ST_S, ARMS_SD_ST_S, FALLEN_SD_ST_S = 0.15, 0.3, 0.6, 1.0
# One stay is one witness of its height, however long, and one way of how high it leads: a tenth of
# each sample at 20 a second. A speed is another after a sixth of a second.
PLACE_WITNESS, SPEED_WITNESS = 0.1, 0.3

# A place where no bar can be in a zone: an eighth for each sample, tempered so.
NOWHERE = 1e-9


def bell(values: np.ndarray, centre: float | np.ndarray, sd: float | np.ndarray) -> np.ndarray:
    """Density of a normal distribution at `values`."""
    return np.exp(-0.5 * ((values - centre) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))


def flat(values: np.ndarray, low: float | np.ndarray, high: float) -> np.ndarray:
    """Density of a uniform distribution at `values`."""
    return ((values >= low) & (values <= high)) / (high - low)


def _above(values: np.ndarray, low: float | np.ndarray, high: float, edge: float) -> np.ndarray:
    """Density of a range whose lower end fades with a normal tail of `edge`."""
    below = np.exp(-0.5 * (np.maximum(low - values, 0.0) / edge) ** 2)
    return np.asarray(np.where(values <= high, below, 0.0) / (high - low + 1.25 * edge))


def alone_emissions(
    bar_st: np.ndarray, speed_st_s: np.ndarray, floor_st: float | np.ndarray
) -> np.ndarray:
    """Log likelihood (..., n, 8) in the order of `ALONE_STATES` of a bar at heights `bar_st`
    (..., n), moving at `speed_st_s` (n,), over a floor on which it lies at `floor_st`, with no body
    in sight. The first five are `STATES`, then the low turns in hang, rack and overhead.
    """
    slow = np.abs(speed_st_s) < STAYS_ST_S
    speed = np.nan_to_num(speed_st_s)

    def told(place: np.ndarray, speed_sd: float) -> np.ndarray:
        witness = (place + NOWHERE) ** PLACE_WITNESS
        return np.asarray(witness * (bell(speed, 0.0, speed_sd) + OUTLIER) ** SPEED_WITNESS)

    density = np.empty((*bar_st.shape, len(ALONE_STATES)))
    density[..., FLOOR] = told(bell(bar_st, floor_st, FLOOR_SD_ST), LYING_SD_ST_S)
    # a zone's level, how far below it the bar turns at least and at most, and how that ends
    zones = (
        (HANG, LOCKOUT_ST, 0.0, LOCKOUT_ST - floor_st - 0.03, 0.005),
        (RACK, RACK_ST, TURNED_ST, SUNK_ST, SUNK_SD_ST),
        (OVERHEAD, OVERHEAD_ST, TURNED_ST, SUNK_ST, SUNK_SD_ST),
    )
    for low_turn, (state, level, least, most, edge) in enumerate(zones, len(STATES)):
        way = _above(bar_st, level - most, level + 2 * LEVEL_SD_ST, edge)
        turned = _above(bar_st, level - most, level - least, edge)
        stands = STANDS * bell(bar_st, level, LEVEL_SD_ST) + (1 - STANDS) * turned
        density[..., state] = told(np.where(slow, stands, way), BODY_SD_ST_S)
        density[..., low_turn] = told(np.where(slow, turned, way), BODY_SD_ST_S)
    # besides riding on a body that stands up, a bar is pulled or pressed from one zone to the next
    pulled = told(flat(bar_st, floor_st + 0.02, 0.90), ARMS_SD_ST_S)
    pressed = told(flat(bar_st, RACK_ST, 1.15), ARMS_SD_ST_S)
    for state, armed in ((HANG, pulled), (len(STATES), pulled), (RACK, pressed)):
        way = np.maximum(density[..., state], armed)
        density[..., state] = np.where(slow, density[..., state], way)
    density[..., FREE] = told(0.3 * flat(bar_st, floor_st + 0.01, 1.4), FALLEN_SD_ST_S)
    return np.where(np.isfinite(bar_st)[..., None], np.log(np.nan_to_num(density, nan=1.0)), 0.0)


# Free fall in body heights a second squared: 9.81 m/s² over 1.75 m, 1.5 to 2.1 m being 15 % off.
FALL_ST_S2, FALL_WIDTH = 9.81 / 1.75, 1.2
# Nobody lowers a bar faster: 2.6 m/s, what it has after falling freely for a third of a metre.
LOWERED_ST_S = 1.5
# Hands and bar together: single samples are no independent witnesses (a pose error lasts), so no
# sample may say more than nine to one.
MOST_SURE = 0.9
# A deep squat takes the shoulders this far down.
SQUAT_ST = 0.35


def _emissions(motion: Motion, index: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Log likelihood (n, 5) of what was seen at grid places `index` in each state; (n, 8) in the
    order of `ALONE_STATES` if part of it is the bar alone."""
    bar = motion.bar_st[index]
    shoulder = motion.shoulder_st[index]
    above = bar - shoulder
    off = motion.hands_off[index]
    logs = np.zeros((len(index), len(STATES)))
    anywhere = np.where(np.isfinite(above), -np.log(1.2), 0.0)
    logs[:, FLOOR] = _box(bar, floor - 0.03, floor + 0.02, 0.015) + anywhere
    lifted = _box(bar, floor + OFF_FLOOR_ST, 1.4, 0.015)
    logs[:, HANG] = lifted + _box(above, -0.50, HANG_BELOW)
    logs[:, RACK] = lifted + _box(above, RACK_BELOW, RACK_ABOVE)
    logs[:, OVERHEAD] = lifted + _box(above, OVERHEAD_ABOVE, 0.50)
    logs[:, FREE] = _box(bar, floor + 0.01, 1.4) + anywhere
    _without_shoulders(logs, bar, shoulder, lifted, floor, motion.head_st[index])
    if motion.own_floor is not None and motion.own_floor.any():
        alone = motion.own_floor[index]
        speed = np.gradient(motion.bar_st)[index] * motion.rate_hz
        logs = logs[:, ALONE_STATES]
        logs[alone] = alone_emissions(bar, speed, floor)[alone]
    logs += _fall(motion, index)[:, ALONE_STATES[: logs.shape[1]]]
    most = np.where(_stood(motion, floor, index), 0.5, MOST_SURE)
    free = np.where(np.isfinite(off), np.clip(off, 1 - MOST_SURE, most), 0.5)
    held = np.log(2 * (1 - free))
    logs[:, [k for k, state in enumerate(ALONE_STATES[: logs.shape[1]]) if state in HELD]] += held[
        :, None
    ]
    # a bar in the air that nobody holds is rare, unless its fall is seen
    told = np.isfinite(bar) & (motion.bar_source[index] == 2)
    logs[:, FREE] += np.log(2 * free) - np.where(told, 0.0, 1.0)
    # hands that tell where it is hold it: what they do is no flight
    by_hands = np.isfinite(bar) & (motion.bar_source[index] == 1)
    logs[by_hands, FREE] = logs[by_hands].min(1)
    # nobody holds it and it is not seen: then it lies on the floor
    unseen = ~np.isfinite(bar) & np.isfinite(off)
    logs[unseen, FLOOR] += np.log(2 * free[unseen])
    return logs


def _stood(motion: Motion, floor: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Where (n,) of grid places `index` the bar stays at one height in the air, or did when it was
    last seen: what nobody holds falls, so it is held or on a stand, and hands that are off say
    nothing."""
    bar = motion.bar_st[index]
    seen = np.isfinite(bar)
    width = int(LEFT_S * RATE_HZ) | 1
    highest = maximum_filter1d(np.where(seen, bar, np.inf), width)
    lowest = minimum_filter1d(np.where(seen, bar, -np.inf), width)
    stays = (highest - lowest < SLOW_ST_S * LEFT_S) & (lowest > floor + OFF_FLOOR_ST)
    stood = maximum_filter1d(stays, width)
    return np.asarray(stood[np.maximum.accumulate(np.where(seen, np.arange(len(bar)), 0))])


# The eyes are so far above the shoulders (Winter 2009, from memory: 0.936 less 0.818 body
# heights), standing; a lean or a look down brings them nearer by up to as much. A head is
# somebody else's where the body was not found in one look of three (an assumption).
HEAD_ABOVE_ST, HEAD_SD_ST, HEAD_WRONG = EYE_HEIGHT_ST - SHOULDER_HEIGHT_ST, 0.06, 0.33


def _without_shoulders(
    logs: np.ndarray,
    bar: np.ndarray,
    shoulder: np.ndarray,
    lifted: np.ndarray,
    floor: np.ndarray,
    head: np.ndarray,
) -> None:
    """Where the bar is seen and the shoulders are not: by the head, as far as it is the athlete's;
    else by its own height, standing or squatting; from the floor on, bent over it. One stay is one
    witness."""
    blind = np.isfinite(bar) & ~np.isfinite(shoulder)
    if not blind.any():
        return
    seen = shoulder[np.isfinite(shoulder)]
    stand = float(np.quantile(seen, 0.8)) if len(seen) >= 20 else 0.818
    levels = bar - stand
    by_head = bar - head + HEAD_ABOVE_ST
    for state, low, high, most in (
        (HANG, np.minimum(floor - stand, -0.55), HANG_BELOW, -0.50),
        (RACK, RACK_BELOW, RACK_ABOVE, RACK_BELOW),
        (OVERHEAD, OVERHEAD_ABOVE, 0.50, OVERHEAD_ABOVE),
    ):
        mixed = np.exp(_box(levels, low, high))
        if state != HANG:
            mixed = 0.85 * mixed + 0.15 * np.exp(_box(levels, low - SQUAT_ST, low))
        guess = PLACE_WITNESS * np.log(mixed)
        told = np.exp(_box(by_head, most, high, HEAD_SD_ST))
        told = np.log(HEAD_WRONG * mixed + (1 - HEAD_WRONG) * told)
        logs[blind, state] = (lifted + np.where(np.isfinite(head), told, guess))[blind]


def _fall(motion: Motion, index: np.ndarray) -> np.ndarray:
    """Log likelihood (n, 5) of the bar's speed and, where its ends are seen, its acceleration.

    A bar that nobody holds falls at 9.81 m/s² between impacts; one that hangs in the air or rises
    evenly is held, whatever the hands seem to do. Half the density is broad: impacts, a slowed
    clip, a wrong end.
    """
    speed = np.gradient(motion.bar_st) * motion.rate_hz if len(motion.bar_st) > 1 else np.zeros(1)
    change = (np.gradient(speed) * motion.rate_hz if len(speed) > 1 else speed)[index]

    def bell(centre: float, width: float) -> np.ndarray:
        return np.exp(-0.5 * ((change - centre) / width) ** 2) / (width * np.sqrt(2 * np.pi))

    broad = bell(0.0, 10.0)
    logs = np.zeros((len(index), len(STATES)))
    told = motion.bar_source[index] == 2  # hands that drop fast are a wrong pose, not a bar's fall
    known = np.isfinite(change) & told
    logs[:] = np.log(0.5 * bell(0.0, 3.0) + 0.5 * broad)[:, None]
    logs[:, FREE] = np.log(0.5 * bell(-FALL_ST_S2, FALL_WIDTH) + 0.5 * broad)
    logs[~known] = 0.0
    speed = speed[index]
    fast = np.where(told & np.isfinite(speed), np.maximum(-speed - LOWERED_ST_S, 0.0), 0.0)
    held = [FLOOR, HANG, RACK, OVERHEAD]
    logs[:, held] -= np.minimum(0.5 * (fast / 0.4) ** 2, -np.log(OUTLIER))[:, None]
    return logs


# While it bounces a bar is as free as in its fall. The fall ends in a stretch of floor of its own,
# which lasts longer than the floor between two lifts must: what rises sooner is no lift. Where the
# bar alone is read, low turns are states of their own, so that a squat is as much of an event as a
# touch of the floor.
_LANDED, _BENT, _SUNK, _SUNK_OVERHEAD = range(5, 9)
ALONE_STATES = (FLOOR, HANG, RACK, OVERHEAD, FREE, HANG, RACK, OVERHEAD)
# Least visit in sub-states of 1/RATE_HZ: passing through a zone takes at least that long.
_LEAST = {FLOOR: 2, HANG: 2, RACK: 2, OVERHEAD: 3, FREE: 2, _LANDED: 6}
_LEAST_ALONE = {**_LEAST, _BENT: 2, _SUNK: 2, _SUNK_OVERHEAD: 2}
_MEAN_S = {FLOOR: 2.0, HANG: 1.0, RACK: 1.0, OVERHEAD: 1.0, FREE: 0.7, _LANDED: 2.0}
_MEAN_S |= dict.fromkeys((_BENT, _SUNK, _SUNK_OVERHEAD), 1.0)
_NEIGHBOURS = {
    FLOOR: {HANG: 1.0},
    HANG: {FLOOR: 0.45, RACK: 0.45, FREE: 0.1},
    RACK: {HANG: 0.45, OVERHEAD: 0.45, FREE: 0.1},
    OVERHEAD: {RACK: 0.9, FREE: 0.1},
    FREE: {_LANDED: 0.9, HANG: 0.1},
    _LANDED: {HANG: 1.0},
    _BENT: {HANG: 0.5, RACK: 0.4, OVERHEAD: 0.1},
    _SUNK: {RACK: 0.9, OVERHEAD: 0.1},
    _SUNK_OVERHEAD: {OVERHEAD: 1.0},
}
_NEIGHBOURS_ALONE = {
    **_NEIGHBOURS,
    HANG: {FLOOR: 0.35, RACK: 0.2, _BENT: 0.15, _SUNK: 0.1, _SUNK_OVERHEAD: 0.1, FREE: 0.1},
    RACK: {HANG: 0.1, _BENT: 0.25, OVERHEAD: 0.25, _SUNK: 0.3, FREE: 0.1},
    OVERHEAD: {RACK: 0.7, _SUNK_OVERHEAD: 0.2, FREE: 0.1},
}
# Anything may follow anything when seconds are missing or wrong; but a fall ends in a landing.
_JUMP = 1e-4


def chain(alone: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sub-states' probability at first, their transition matrix, and each one's zone; with `alone`
    its place in `ALONE_STATES`."""
    least_of, neighbours = (_LEAST_ALONE, _NEIGHBOURS_ALONE) if alone else (_LEAST, _NEIGHBOURS)
    part_of = np.concatenate([np.full(least, part) for part, least in least_of.items()])
    first = {part: int(np.flatnonzero(part_of == part)[0]) for part in least_of}
    matrix = np.zeros((len(part_of), len(part_of)))
    for part, least in least_of.items():
        last = first[part] + least - 1
        for place in range(first[part], last):
            matrix[place, place + 1] = 1.0
        stay = 1 - 1 / (_MEAN_S[part] * RATE_HZ)
        matrix[last, last] = stay
        for other in least_of:
            lands = other == (FLOOR if part == FREE else _LANDED)
            jump = 0.0 if lands else _JUMP
            if other != part:
                share = neighbours[part].get(other, 0.0) + jump
                matrix[last, first[other]] = (1 - stay) * share
    zone_of = np.where(part_of > _LANDED, part_of - 1, np.where(part_of == _LANDED, FLOOR, part_of))
    start = (part_of != _LANDED).astype(float)  # nothing was seen to fall before
    return start / start.sum(), matrix / matrix.sum(1, keepdims=True), zone_of


def decode_zones(motion: Motion) -> Zones:
    """The most probable zone of the bar through the whole signal, and its probability."""
    step = max(round(motion.rate_hz / RATE_HZ), 1)
    index = np.arange(0, len(motion.time_s), step)
    count = len(index)
    if count == 0:
        return Zones(np.zeros(0), np.zeros((0, len(STATES))), np.zeros(0, int), np.zeros(0))
    floor = floor_level(motion, index)
    logs = _emissions(motion, index, floor)
    start, matrix, column_of = chain(logs.shape[1] > len(STATES))
    zone_of = np.array(ALONE_STATES)[column_of]
    emit = logs[:, column_of]
    with np.errstate(divide="ignore"):
        log_start, log_matrix = np.log(start), np.log(matrix)
    path = most_probable_path(log_start, log_matrix, emit)
    likelihood = np.exp(emit - emit.max(1, keepdims=True))
    posterior = state_probabilities(start, matrix, likelihood)
    probability = np.stack([posterior[:, zone_of == zone].sum(1) for zone in range(len(STATES))], 1)
    if motion.zone_sure is not None:
        probability *= motion.zone_sure[index][:, None]
    return Zones(motion.time_s[index], probability, zone_of[path], floor)
