"""The bar on the floor: contact, bounces, settling and the next lift-off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from repcount.motion.smoothing import runs
from repcount.reading.body import Body
from repcount.reading.decode import FLOOR, FREE
from repcount.reading.instants import LEVEL_ST, SLOW_ST_S, first_fall

# A bounce lasts less than this: 2 v / g with v half of what a fall from overhead gives.
BOUNCE_S = 0.7
# Bounces follow one another at once; the next must begin this soon.
NEXT_BOUNCE_S = 0.25
# The level a bar has come to is its median over so long.
SETTLE_S = 0.5
# A free fall shorter than this is no fall but a touch of noise: 1 cm from rest.
LEAST_FALL_S = 0.05
# A rest seen for less than this share of it has no heights to read.
REST_SEEN = 0.3
# Hands off for so long within a rest have let go.
OFF_IN_REST_S = 0.2


@dataclass(frozen=True)
class RawRest:
    """The bar on the floor: first contact, settled, next lift-off; on the motion's clock."""

    first_contact_s: float
    start_s: float
    end_s: float
    hands_off: bool
    dropped: bool
    settled: bool
    confidence: float


@dataclass(frozen=True)
class FloorStay:
    """A rest and the places on the grid where the strokes before it end and those after begin."""

    rest: RawRest
    arrive: int
    leave: int


def floor_stays(body: Body) -> list[FloorStay]:
    """The bar's stays on the floor in order of time."""
    spans: list[list[int]] = []
    for first, last in runs(body.state == FLOOR):
        # a bounce: free in the air between two contacts
        if spans and np.all(body.state[spans[-1][1] : first] == FREE):
            spans[-1][1] = last
        else:
            spans.append([first, last])
    borders = [0, *[last for _, last in spans], len(body.bar) - 1]
    starts = [first for first, _ in spans] + [len(body.bar) - 1]
    return [
        _stay(body, first, last, borders[order], starts[order + 1])
        for order, (first, last) in enumerate(spans)
    ]


def _stay(body: Body, first: int, last: int, before: int, after: int) -> FloorStay:
    """One stay whose floor state covers [first, last), between `before` and `after`."""
    bar, time = body.bar, body.time
    if not np.isfinite(body.motion.bar_st[first:last]).mean() > REST_SEEN:
        # only known from the hands being elsewhere
        end = min(last, len(time) - 1)
        start, lift = float(time[first]), float(time[end])
        rest = RawRest(start, start, lift, True, False, lift > start, 0.5)
        return FloorStay(rest, first, end)
    lift, leave = _lift_off(body, first, last, after)
    landed, level = _landed_level(body, first, leave)
    limit = level + LEVEL_ST
    down = min(first, landed)
    while down > before and bar[down] < limit:
        down -= 1
    contact = float(time[0]) if down <= 0 else first_fall(time, bar, down, landed, limit)
    first_contact, dropped = contact, False
    fall = _fall_before(body, first, before)
    if fall is not None:
        dropped = True
        first_contact = min(contact, _first_turn(body, fall, landed, limit))
    contact = min(contact, lift)
    settled = min(_settled(body, contact, lift, limit), lift)
    off = body.motion.hands_off[body.index(settled) : max(body.index(lift), 1)]
    rest = RawRest(
        first_contact_s=min(first_contact, settled),
        start_s=settled,
        end_s=lift,
        hands_off=bool((off[np.isfinite(off)] > 0.5).sum() > OFF_IN_REST_S * body.motion.rate_hz),
        dropped=dropped,
        settled=settled < lift - 1e-6,
        confidence=float(np.clip(np.median(body.certain[first:last]), 0, 1)),
    )
    arrive = min(body.index(contact), leave)
    while arrive < landed and bar[arrive] > level + 0.3 * LEVEL_ST:
        arrive += 1
    return FloorStay(rest, min(arrive, leave), leave)


def _lift_off(body: Body, first: int, last: int, after: int) -> tuple[float, int]:
    """When the bar leaves the floor, and the place from which its rise begins.

    Read from the rise backwards, against the level the bar had just then: the frame may have
    drifted while it lay.
    """
    bar, time = body.bar, body.time
    lowest = float(bar[first:last].min())
    risen = np.flatnonzero(bar[last - 1 : after + 1] > lowest + 4 * LEVEL_ST)
    if not len(risen):
        end = min(after, len(bar) - 1)
        return (float(time[end]), end) if after >= len(bar) - 1 else (float(time[last]), last)
    lift, low = body.line.rise_begins(min(last - 1 + int(risen[0]), len(bar) - 1), first)
    # from a long rest the strokes' stretch begins just before the rise, not at the rest's first
    leave = max(low, body.index(lift) - int(0.1 * body.motion.rate_hz))
    return lift, leave


def _landed_level(body: Body, first: int, leave: int) -> tuple[int, float]:
    """The place where the bar first lies quietly after landing, and its level there."""
    bar = body.bar
    quiet = np.flatnonzero(np.abs(body.speed[first : leave + 1]) < SLOW_ST_S)
    span = int(SETTLE_S * body.motion.rate_hz)
    low = first + int(np.argmin(bar[first : leave + 1]))
    resting = np.flatnonzero(body.line.resting[first : max(leave - body.line.window, first) + 1])
    if len(resting):
        place = first + int(resting[0])
        stretch = bar[place : min(place + span, leave + 1)]
        return place, float(np.median(stretch))
    if len(quiet) >= 4:
        near = first + quiet[np.abs(bar[first + quiet] - bar[low]) < 2 * LEVEL_ST]
        if len(near):
            return int(near[0]), float(np.median(bar[near]))
    return low, float(bar[low])


def _fall_before(body: Body, contact: int, earliest: int) -> int | None:
    """Where the free fall that ends in this rest began, or None if the bar was put down."""
    k = contact
    while k > earliest and body.state[k - 1] in (FREE, FLOOR):
        k -= 1
    free = np.flatnonzero(body.state[k:contact] == FREE)
    if len(free) < LEAST_FALL_S * body.motion.rate_hz:
        return None
    return k + int(free[0])


def _first_turn(body: Body, fall: int, last: int, limit: float) -> float:
    """First contact of a falling bar: where it reaches the floor's level or turns upward."""
    bar, time = body.sharp, body.time
    for k in range(fall + 1, last):
        if bar[k] <= limit:
            return first_fall(time, bar, fall, k, limit)
        if bar[k] < bar[k - 1] and bar[k] <= bar[k + 1] and bar[fall] - bar[k] > 5 * LEVEL_ST:
            return float(time[k])
    return float(time[last])


def _settled(body: Body, contact: float, lift: float, limit: float) -> float:
    """When the bar has come to the floor's level for good after its bounces.

    Bounces follow one another without a pause; a wobble of the track seconds later is none.
    """
    bar, time = body.sharp, body.time
    settled = contact
    k = body.index(contact)
    last = body.index(lift) - 1
    while k < last:
        ahead = min(k + int(NEXT_BOUNCE_S * body.motion.rate_hz), last)
        up = np.flatnonzero(bar[k : ahead + 1] > limit)
        if not len(up):
            break
        rise = k + int(up[0])
        down = rise
        while down < last and bar[down] > limit:
            down += 1
        if down >= last or time[down] - time[rise] > BOUNCE_S:
            break
        settled = first_fall(time, bar, down - 1, down, limit)
        k = down
    return settled


def release(body: Body, top_at: int, free: int, last: int) -> float:
    """When a bar that ends in free fall left the hands.

    The fall is a parabola: fitted to its last part before contact, followed back to where the bar
    left it, but not past its vertex.
    """
    bar, time = body.bar, body.time
    low = free
    while low < last and bar[low + 1] < bar[low]:
        low += 1
    margin = int(0.06 * body.motion.rate_hz)
    reach = slice(max(top_at, free - margin), max(low - margin, free))
    x, y = time[reach] - time[free], bar[reach]
    falling = np.gradient(y, x) < -0.5 if len(x) > 3 else np.zeros(len(x), bool)
    if falling.sum() < 5:
        return float(time[free])
    curve = np.polyfit(x[falling], y[falling], 2)
    if curve[0] > -1.0:
        return float(time[free])
    vertex = -curve[1] / (2 * curve[0]) + time[free]
    k = free
    while k > top_at and time[k] > vertex:
        if abs(bar[k] - np.polyval(curve, time[k] - time[free])) > 2 * LEVEL_ST:
            break
        k -= 1
    return float(max(time[k], min(vertex, time[free])))
