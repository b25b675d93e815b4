"""Instants of a height over time: crossings, where a rise begins, where a descent ends.

All of them are crossings of the crossing level (`LEVEL_ST`), found from the middle of a movement
outwards: up to where the signal last rested, or to its last turn.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

# The definitions' crossing level: 1 % of body height.
LEVEL_ST = 0.01
# A signal rests where it stays inside one crossing level for so long.
REST_S = 0.3
# A turn seen on the way is one if the signal comes back by more than the crossing level and its
# noise (a bar's ends: 0.004 of body height).
WAY_BACK_ST = 0.015
# A posture held for so long has a plateau; its height is then the plateau's, not its maximum.
PLATEAU_S = 0.1
# Over so long the frame's drift stays under the crossing level.
DRIFT_S = 0.5
# A drift's speed: two standard deviations of it take that time over a crossing level.
DRIFT_SD_ST_S = LEVEL_ST / DRIFT_S / 2
# A hold wavers by the crossing level while a heavy bar swings and the athlete sways; samples nearer
# in time than a sixth of a second are one witness of it.
HOLD_SD_ST, WITNESS_S = LEVEL_ST, 0.15
# The fit of a hold, and its beginning by that fit, settle in few passes.
FIT_PASSES, HOLD_PASSES = 5, 8
# Nearly at rest: slower than the crossing level in a fifth of a second.
SLOW_ST_S = 0.05


def first_rise(times: np.ndarray, values: np.ndarray, first: int, last: int, level: float) -> float:
    """First time in [first, last] at which `values` comes up through `level`; else the last."""
    below = values[first : last + 1] < level
    found = np.flatnonzero(below[:-1] & ~below[1:])
    return _between(times, values, first + int(found[0]), level) if len(found) else times[last]


def first_fall(times: np.ndarray, values: np.ndarray, first: int, last: int, level: float) -> float:
    """First time in [first, last] at which `values` goes down through `level`; else the last."""
    above = values[first : last + 1] > level
    found = np.flatnonzero(above[:-1] & ~above[1:])
    return _between(times, values, first + int(found[0]), level) if len(found) else times[last]


def _between(times: np.ndarray, values: np.ndarray, at: int, level: float) -> float:
    share = (level - values[at]) / (values[at + 1] - values[at])
    return float(times[at] + share * (times[at + 1] - times[at]))


class Heights:
    """One height (n,) on a uniform clock (n,), with its speed and its rests.

    `resting` (n,) is true at i if the signal stays inside one crossing level over the `REST_S`
    that begin at i.
    """

    def __init__(self, times: np.ndarray, values: np.ndarray) -> None:
        self.times, self.values = times, values
        step = float(times[1] - times[0]) if len(times) > 1 else 1.0
        self.speed = np.gradient(values, step) if len(values) > 1 else np.zeros(len(values))
        self.window = max(round(REST_S / step), 1)
        size = self.window + 1
        ahead = -((size - 1) // 2) - (1 - size % 2)  # the window begins at its own place
        span = maximum_filter1d(values, size, origin=ahead)
        span = span - minimum_filter1d(values, size, origin=ahead)
        self.resting = span <= LEVEL_ST
        self.resting[max(len(values) - size + 1, 0) :] = False

    def rise_begins(self, inside: int, first: int = 0) -> tuple[float, int]:
        """When the rise that passes `inside` begins, and the place of its lowest point.

        Not before the place `first`. The instant is the crossing level above the lowest point, or
        above the last place before it where the signal rests.
        """
        values = self.values
        first = min(first, inside)
        back = values[first : inside + 1][::-1]
        turned = np.flatnonzero(back > np.minimum.accumulate(back) + WAY_BACK_ST)
        stop = inside - int(turned[0]) if len(turned) else first
        rests = np.flatnonzero(self.resting[stop : max(inside - self.window, stop)])
        if len(rests):
            stop += int(rests[-1])
            lowest = float(np.median(values[stop : stop + self.window + 1]))
        else:
            lowest = float(values[stop : inside + 1].min())
        below = np.flatnonzero(values[stop : inside + 1] < lowest + LEVEL_ST)
        place = stop + int(below[-1]) if len(below) else stop
        low = stop + int(np.argmin(values[stop : place + 1]))
        if place >= inside:
            return float(self.times[place]), low
        return _between(self.times, values, place, lowest + LEVEL_ST), low

    def finish(self, low: int, high: int, last: int) -> tuple[float, int, float]:
        """When the rise from `low` enters the level of its finishing height; place; that height.

        `high` is the place of its maximum; the plateau is not followed beyond `last`. The height is
        the plateau's if it lasts `PLATEAU_S`, else the maximum. The entry after which it stays
        there, or only then turns, counts.

        A long hold drifts: the frame's levels do, and a heavy bar creeps on. So the plateau is a
        line, its slope estimated from the hold itself; it is followed back from the maximum.
        """
        # places are counted from the low on
        values, times = self.values[low : last + 1], self.times[low : last + 1]
        speed, high = self.speed[low : last + 1], high - low
        top, slope = float(values[high]), 0.0
        since_high = times - times[high]
        hold = (high, high)
        for _ in range(HOLD_PASSES):
            # its drift alone takes it further back: a level that sank would creep down the rise
            above = values - (values[high] + slope * since_high)
            before, hold = hold, _held(above, speed, high)
            if hold == before or times[hold[1]] - times[hold[0]] < PLATEAU_S:
                break
            held = slice(hold[0], hold[1] + 1)
            slope, top = _drift(since_high[held], values[held])
        above = values - (top + slope * since_high)
        arrived = hold[0] + int(np.argmax(above[hold[0] : hold[1] + 1] >= -LEVEL_ST))
        # the line fits the whole hold; the height it came to is that of its beginning
        height = top + slope * float(since_high[arrived])
        ahead = above[arrived : hold[1] + 1]
        left = np.flatnonzero(ahead < np.maximum.accumulate(ahead) - LEVEL_ST)
        place = arrived + int(np.argmax(ahead[: int(left[0])] if len(left) else ahead))
        # below the level by its noise is no going back
        back = np.flatnonzero(above[: place + 1] < -WAY_BACK_ST)
        since = int(back[-1]) if len(back) else 0
        return first_rise(times, above, since, place, -LEVEL_ST), low + place, height

    def spread(self, instant_s: float, first: int, last: int, noise: float) -> float:
        """How far an instant on a rise, between the places `first` and `last`, may be off (s) where
        the height is off by `noise`: half the time in which it rises from so much below what it is
        then to so much above."""
        at = min(max(int(np.searchsorted(self.times, instant_s)), first), last)
        values, height = self.values, float(np.interp(instant_s, self.times, self.values))
        below = np.flatnonzero(values[first : at + 1] < height - noise)
        above = np.flatnonzero(values[at : last + 1] > height + noise)
        since = self.times[first + int(below[-1])] if len(below) else self.times[first]
        until = self.times[at + int(above[0])] if len(above) else instant_s
        return float(until - since) / 2

    def comes_down(self, high: int, top: float, last: int) -> float | None:
        """When the descent after `high` passes the level above its first turn or rest, or None.

        None if the signal does not leave `top` downwards before the place `last`.
        """
        values = self.values
        left = np.flatnonzero(values[high : last + 1] < top - 2 * LEVEL_ST)
        if not len(left):
            return None
        begin = high + int(left[0])
        ahead = values[begin : last + 1]
        turned = np.flatnonzero(ahead > np.minimum.accumulate(ahead) + WAY_BACK_ST)
        stop = begin + int(turned[0]) if len(turned) else last
        rests = np.flatnonzero(self.resting[begin : stop + 1])
        lowest = None
        if len(rests):
            a = begin + int(rests[0])
            stop = min(stop, a + self.window)
            lowest = float(np.median(values[a : stop + 1]))
        if lowest is None:
            lowest = float(values[begin : stop + 1].min())
        return first_fall(self.times, values, high, stop, lowest + LEVEL_ST)


def _held(above: np.ndarray, speed: np.ndarray, high: int) -> tuple[int, int]:
    """The places about `high` between which the height is near its plateau, `above` (n,) which it
    is, and slow, at a `speed` (n,)."""
    far = np.flatnonzero(above[:high] < -3 * LEVEL_ST)
    arrived = int(far[-1]) + 1 if len(far) else 0
    slow = np.flatnonzero(speed[arrived : high + 1] < SLOW_ST_S)
    arrived += int(slow[0]) if len(slow) else high - arrived
    far = np.flatnonzero(above[high:] < -3 * LEVEL_ST)
    left = high + int(far[0]) - 1 if len(far) else len(above) - 1
    slow = np.flatnonzero(speed[high : left + 1] > -SLOW_ST_S)
    return arrived, max(high + (int(slow[-1]) if len(slow) else 0), arrived)


def _drift(times: np.ndarray, values: np.ndarray) -> tuple[float, float]:
    """Slope of a hold's height (n,) over `times` (n,), and its height at time 0.

    Least squares, reweighted so that what is off by more than the crossing level says little
    (Cauchy), with what is known of a drift beforehand: a short hold has none.
    """
    count, slope, height = min(1.0, float(times[1] - times[0]) / WITNESS_S), 0.0, _median(values)
    for _ in range(FIT_PASSES):
        level = values - slope * times
        weight = count / (1 + ((level - height) / HOLD_SD_ST) ** 2)
        apart = times - (weight @ times) / weight.sum()
        known = float(weight @ apart**2) + (HOLD_SD_ST / DRIFT_SD_ST_S) ** 2
        slope = float((weight * apart) @ values) / known
        height = _median(values - slope * times)
    return slope, height


def _median(values: np.ndarray) -> float:
    """`np.median` of a few values, without its overhead."""
    places = [(len(values) - 1) // 2, len(values) // 2]
    return float(np.partition(values, places)[places].sum() / 2)


def turning_points(height: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Alternating extremes of `height` (n,), each at least `least` from the next.

    Returns (index, sign) with sign +1 for a maximum; the first and last samples are included as
    what they are to their neighbours. Every swing of `least` or more is kept, every smaller one
    dropped.
    """
    found: list[tuple[int, int]] = []
    low = high = 0
    direction = 0
    series = height.tolist()
    for k, value in enumerate(series):
        if direction >= 0 and value > series[high]:
            high = k
        if direction <= 0 and value < series[low]:
            low = k
        if direction >= 0 and series[high] - value >= least:
            found.append((high, 1))
            direction, low = -1, k
        elif direction <= 0 and value - series[low] >= least:
            found.append((low, -1))
            direction, high = 1, k
    if direction > 0:
        found.append((high, 1))
    elif direction < 0:
        found.append((low, -1))
    return found
