"""Zone phases → strokes: what the bar did, stroke by stroke, with the instants of the definitions.

Between two floor rests the bar's height is a chain of turning points. A rise that ends in a higher
zone, or that stands up out of a deep bend, is a stroke; the rules below only say which turning
point is its lowest, which its finish, and where it has come down again.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from repcount.motion import Motion
from repcount.motion.smoothing import runs
from repcount.reading.decode import FLOOR, FREE, HANG, OVERHEAD, RACK, STATES, Zones

# The definitions' crossing level: 1 % of stature.
LEVEL_ST = 0.01
# A turn counts when the bar comes back by more than twice the crossing level: less is no movement
# that two people would agree on.
TURN_ST = 0.025
# Nearly at rest: slower than the crossing level in a fifth of a second.
REST_ST_S = 0.05
REST_S = 0.12
# Long enough to be a rest between two movements rather than the turn of one.
LONG_REST_S = 0.25
# Deeper than this share of the way from standing to hip level with knee is a squat; a dip or a
# catch above parallel stays well above (Takei et al., IJSPP 2020;15(1):18 draw the line at 1).
SQUAT_DEPTH = 0.6
# Hip above knee, standing: 0.530 - 0.285 of stature (Winter 2009, from memory).
STAND_HIP_KNEE_ST = 0.245


@dataclass(frozen=True)
class Node:
    """A turning point: place on the motion's grid, +1 for a maximum, height, zone."""

    at: int
    sign: int
    height: float
    zone: int


@dataclass(frozen=True)
class RawStroke:
    """A stroke with its instants (seconds) and what the body did on the way.

    `hip_times` are start, top and end read at the hip, for movements that are defined there.
    `depth` is how far the hip went down at the lowest point, 0 standing to 1 level with the knee;
    `catch_depth` the same in the catch; `dip_st` the hip's drop before the drive; `rebend_st` its
    drop after it; `split_st` how far the feet went apart; `erect_st` how far the shoulders stayed
    below their standing height at the finish. NaN: not seen.
    """

    begins: int
    ends: int
    start_s: float
    top_s: float
    end_s: float
    low_s: float
    hip_times: tuple[float, float, float] | None = None
    depth: float = np.nan
    catch_depth: float = np.nan
    dip_st: float = np.nan
    rebend_st: float = np.nan
    split_st: float = np.nan
    erect_st: float = np.nan
    rise_st: float = np.nan
    zone_confidence: float = 1.0
    seen_share: float = 1.0
    finished: bool = True
    flags: tuple[str, ...] = field(default_factory=tuple)


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


class _Body:
    """Filled signals and standing levels that the rules ask for."""

    def __init__(self, motion: Motion, zones: Zones) -> None:
        self.motion, self.zones = motion, zones
        self.time = motion.time_s
        self.bar = _fill(motion.bar_st)
        self.speed = np.gradient(self.bar, self.time) if len(self.bar) > 1 else self.bar
        self.state = zones.path[_nearest(zones.time_s, self.time)]
        self.certain = zones.probability.max(1)[_nearest(zones.time_s, self.time)]
        self.hip, self.shoulder = _fill(motion.hip_st), _fill(motion.shoulder_st)
        self.knee = _fill(motion.knee_st)
        self.stand_hip = _standing(self.hip, self.time, 0.53)
        self.stand_shoulder = _standing(self.shoulder, self.time, 0.818)
        rack = self.state == RACK
        offset = np.median((self.bar - self.shoulder)[rack]) if rack.any() else 0.0
        # the bar's height when carried standing
        self.carried = self.stand_shoulder + float(np.nan_to_num(offset))
        self.stand_hip_knee = max(self.stand_hip - float(np.nanmedian(self.knee)), 0.15)

    def second(self, index: int) -> float:
        return float(self.time[min(max(index, 0), len(self.time) - 1)])

    def index(self, second: float) -> int:
        return int(np.clip(np.searchsorted(self.time, second), 0, len(self.time) - 1))

    def depth(self, first: int, last: int) -> float:
        """Deepest hip between two places: 0 standing, 1 hip level with the knee."""
        if last <= first:
            return np.nan
        return float(np.nanmax((self.stand_hip - self.hip[first:last]) / self.stand_hip_knee))

    def erect_gap(self, index: int) -> float:
        """How far the shoulders are below their standing height, statures."""
        return float(self.stand_shoulder - self.shoulder[index])


def _nearest(times: np.ndarray, at: np.ndarray) -> np.ndarray:
    step = times[1] - times[0] if len(times) > 1 else 1.0
    return np.clip(np.round((at - times[0]) / step).astype(int), 0, len(times) - 1)


def _fill(values: np.ndarray) -> np.ndarray:
    """Bridge missing samples linearly (ends held); all NaN stays NaN."""
    good = np.isfinite(values)
    if not good.any():
        return values
    places = np.arange(len(values))
    return np.interp(places, places[good], values[good])


def _standing(values: np.ndarray, times: np.ndarray, usual: float) -> float:
    """The height at which this signal rests highest: the athlete standing still.

    `usual` (Winter's fraction of stature) stands in where nothing rests near it.
    """
    if not np.isfinite(values).any():
        return usual
    still = np.abs(np.gradient(values, times)) < 0.08
    high = values[still & (np.abs(values - usual) < 0.15)]
    if len(high) < 30:
        return usual
    counts, edges = np.histogram(high, bins=np.arange(usual - 0.15, usual + 0.16, 0.01))
    smooth = np.convolve(counts, [1, 2, 1], "same")
    top = int(np.flatnonzero(smooth >= 0.35 * smooth.max())[-1])
    near = high[np.abs(high - edges[top] - 0.005) < 0.02]
    return float(np.median(near)) if len(near) else usual


def turning_points(height: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Alternating extremes of `height` (n,), each at least `least` from the next.

    Returns (index, sign) with sign +1 for a maximum; the first and last samples are included as
    what they are to their neighbours. Every swing of `least` or more is kept, every smaller one
    dropped.
    """
    if len(height) == 0:
        return []
    found: list[tuple[int, int]] = []
    low = high = 0
    direction = 0
    for k in range(1, len(height)):
        value = height[k]
        if direction >= 0 and value > height[high]:
            high = k
        if direction <= 0 and value < height[low]:
            low = k
        if direction >= 0 and height[high] - value >= least:
            found.append((high, 1))
            direction, low = -1, k
        elif direction <= 0 and value - height[low] >= least:
            found.append((low, -1))
            direction, high = 1, k
    if direction > 0:
        found.append((high, 1))
    elif direction < 0:
        found.append((low, -1))
    return found


def _rise(values: np.ndarray, times: np.ndarray, first: int, last: int, level: float) -> float:
    """Last time in [first, last] at which `values` comes up through `level`, interpolated."""
    for k in range(last, first, -1):
        if values[k - 1] < level <= values[k]:
            share = (level - values[k - 1]) / (values[k] - values[k - 1])
            return float(times[k - 1] + share * (times[k] - times[k - 1]))
    return float(times[first])


def _first_rise(
    values: np.ndarray, times: np.ndarray, first: int, last: int, level: float
) -> float:
    """First time in [first, last] at which `values` comes up through `level`, interpolated."""
    for k in range(first + 1, last + 1):
        if values[k - 1] < level <= values[k]:
            share = (level - values[k - 1]) / (values[k] - values[k - 1])
            return float(times[k - 1] + share * (times[k] - times[k - 1]))
    return float(times[last])


def _fall(values: np.ndarray, times: np.ndarray, first: int, last: int, level: float) -> float:
    """First time in [first, last] at which `values` goes down through `level`, interpolated."""
    for k in range(first + 1, last + 1):
        if values[k - 1] > level >= values[k]:
            share = (values[k - 1] - level) / (values[k - 1] - values[k])
            return float(times[k - 1] + share * (times[k] - times[k - 1]))
    return float(times[last])


def find_strokes(motion: Motion, zones: Zones) -> tuple[list[RawStroke], list[RawRest]]:
    """Strokes and floor rests in order of time. Both lists are empty if the bar was never seen."""
    if len(motion.time_s) < 30 or not np.isfinite(motion.bar_st).any():
        return [], []
    body = _Body(motion, zones)
    rests = _floor_rests(body)
    strokes: list[RawStroke] = []
    edges = [0]
    for _, _, first, last in rests:
        edges += [first, last]
    edges.append(len(body.time) - 1)
    for k in range(0, len(edges), 2):
        from_floor = k > 0
        to_floor = k + 2 < len(edges)
        strokes += _parse(body, edges[k], edges[k + 1], from_floor, to_floor)
    return strokes, [rest for rest, *_ in rests]


def _floor_rests(body: _Body) -> list[tuple[RawRest, float, int, int]]:
    """Floor rests with their level and the half-open stretch of grid they cover.

    The stretch runs from where the bar comes down for the last time to lift-off; bounces and the
    fall before them lie between the strokes' stretch and it.
    """
    state, bar, time = body.state, body.bar, body.time
    spans = runs(state == FLOOR)
    # a bounce: free in the air between two contacts
    merged: list[list[int]] = []
    for first, last in spans:
        if merged and np.all(state[merged[-1][1] : first] == FREE):
            merged[-1][1] = last
        else:
            merged.append([first, last])
    found = []
    for order, (first, last) in enumerate(merged):
        inside = bar[first:last]
        tail = inside[len(inside) // 2 :]
        quiet = (
            tail[np.abs(np.gradient(tail, time[1] - time[0])) < REST_ST_S]
            if len(tail) > 2
            else tail
        )
        level = float(np.median(quiet)) if len(quiet) >= 4 else float(inside.min())
        limit = level + LEVEL_ST
        # widen to where the bar really leaves and reaches the level
        before = merged[order - 1][1] if order else 0
        after = merged[order + 1][0] if order + 1 < len(merged) else len(bar) - 1
        low = first + int(np.argmin(inside))
        up = last - 1
        while up < after and bar[up] < limit:
            up += 1
        down = first
        while down > before and bar[down] < limit:
            down -= 1
        reach_end = up >= len(bar) - 1
        lift = time[-1] if reach_end else _rise(bar, time, max(low, down), up, limit)
        lift_at = body.index(lift)
        contact = time[0] if down <= 0 else _fall(bar, time, down, max(low, down + 1), limit)
        low_at = max(low, body.index(contact))
        first_contact, dropped = contact, False
        fall = _fall_before(body, first, merged[order - 1][1] if order else 0)
        if fall is not None:
            dropped = True
            first_contact = min(contact, _first_turn(body, fall, low_at, limit))
        settled_s = _settled(body, contact, lift, limit)
        off = body.motion.hands_off[body.index(settled_s) : max(lift_at, 1)]
        off = off[np.isfinite(off)]
        hands_off = bool(len(off) and (off > 0.5).sum() > 0.2 * body.motion.rate_hz)
        rest = RawRest(
            first_contact_s=first_contact,
            start_s=settled_s,
            end_s=float(lift),
            hands_off=hands_off,
            dropped=dropped,
            settled=settled_s < lift - 1e-6,
            confidence=float(np.clip(np.median(body.certain[first:last]), 0, 1)),
        )
        # where the strokes' stretches meet the rest: last at its level going up, first coming down
        near = level + 0.3 * LEVEL_ST
        leave = lift_at
        while leave > low and bar[leave] > near:
            leave -= 1
        arrive = body.index(contact)
        while arrive < low and bar[arrive] > near:
            arrive += 1
        found.append((rest, level, arrive, max(leave, arrive)))
    return found


def _fall_before(body: _Body, contact: int, earliest: int) -> int | None:
    """Where the free fall that ends in this rest began, or None if the bar was put down."""
    k = contact
    while k > earliest and body.state[k - 1] in (FREE, FLOOR):
        k -= 1
    free = np.flatnonzero(body.state[k:contact] == FREE)
    if len(free) < 0.05 * body.motion.rate_hz:
        return None
    return k + int(free[0])


def _first_turn(body: _Body, fall: int, last: int, limit: float) -> float:
    """First contact of a falling bar: where it reaches the floor's level or turns upward."""
    bar, time = body.bar, body.time
    for k in range(fall + 1, last):
        if bar[k] <= limit:
            return _fall(bar, time, fall, k, limit)
        if bar[k] < bar[k - 1] and bar[k] <= bar[k + 1] and bar[fall] - bar[k] > 2 * TURN_ST:
            return float(time[k])
    return float(time[last])


# A bounce lasts less than this: 2 v / g with v half of what a fall from overhead gives.
BOUNCE_S = 0.7


def _settled(body: _Body, contact: float, lift: float, limit: float) -> float:
    """When the bar has come to the floor's level for good after its bounces.

    Bounces follow one another without a pause; a wobble of the track seconds later is none.
    """
    bar, time = body.bar, body.time
    settled = contact
    k = body.index(contact)
    last = body.index(lift) - 1
    while k < last:
        ahead = min(k + int(0.25 * body.motion.rate_hz), last)
        up = np.flatnonzero(bar[k : ahead + 1] > limit)
        if not len(up):
            break
        rise = k + int(up[0])
        down = rise
        while down < last and bar[down] > limit:
            down += 1
        if down >= last or time[down] - time[rise] > BOUNCE_S:
            break
        settled = _fall(bar, time, down - 1, down, limit)
        k = down
    return settled


def _release(body: _Body, top_at: int, free: int, last: int) -> float:
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


def _parse(body: _Body, first: int, last: int, from_floor: bool, to_floor: bool) -> list[RawStroke]:
    """Strokes between two floor rests, on the grid places [first, last]."""
    if last - first < 6:
        return []
    state = body.state
    held = last
    free = np.flatnonzero(state[first : last + 1] == FREE)
    release: int | None = None
    if len(free):
        # what falls free is no stroke; the bar does not come back from the air
        release = held = first + int(free[0])
    height = body.bar[first : held + 1]
    turns = turning_points(height, TURN_ST)
    nodes = [
        Node(first + at, sign, float(height[at]), int(state[first + at])) for at, sign in turns
    ]
    if not nodes:
        return []
    if nodes[0].sign > 0:
        nodes.insert(
            0, Node(first, -1, float(height[0]), FLOOR if from_floor else int(state[first]))
        )
    elif from_floor and nodes[0].at - first < 0.3 * body.motion.rate_hz:
        nodes[0] = replace(nodes[0], zone=FLOOR)
    nodes = [node if node.zone != FREE else replace(node, zone=HANG) for node in nodes]
    nodes = _with_pauses(body, nodes)
    limit = held if release is None else release
    strokes: list[RawStroke] = []
    k = 0
    while k + 1 < len(nodes):
        low, high = nodes[k], nodes[k + 1]
        step = 2
        flags: tuple[str, ...] = ()
        if high.zone == RACK and low.zone in (FLOOR, HANG):
            catch_from = high.at
            finish = high
            depth = body.depth(high.at, min(high.at + 2, limit))
            if k + 3 < len(nodes):
                dip, then = nodes[k + 2], nodes[k + 3]
                deep = body.depth(dip.at - 3, dip.at + 4) > SQUAT_DEPTH
                stands = _stands(body, high)
                if dip.zone == RACK and then.zone == RACK and not (deep and stands):
                    finish, step = (then if then.height > high.height else high), 4
                    depth = body.depth(catch_from, then.at)
                elif dip.zone == RACK and then.zone == OVERHEAD and not stands:
                    strokes.append(_driven_through(body, low, high, dip, then))
                    k += 2
                    continue
            stroke = _stroke(body, nodes, low, finish, k + step - 1, limit, release, flags)
            climb = body.depth(_middle(low, finish), finish.at)
            strokes.append(replace(stroke, catch_depth=np.nanmax([depth, climb])))
        elif high.zone == OVERHEAD and low.zone != OVERHEAD:
            finish = high
            while k + step + 1 < len(nodes):
                dip, then = nodes[k + step], nodes[k + step + 1]
                deep = body.depth(dip.at - 3, dip.at + 4) > SQUAT_DEPTH
                if dip.zone != OVERHEAD or then.zone != OVERHEAD or deep or _stands(body, finish):
                    break
                finish, step = then, step + 2
            strokes.append(_stroke(body, nodes, low, finish, k + step - 1, limit, release, flags))
        elif high.zone == HANG and low.zone == FLOOR:
            finish = high
            while k + step + 1 < len(nodes):
                dip, then = nodes[k + step], nodes[k + step + 1]
                if dip.zone != HANG or then.zone != HANG or _stands(body, finish):
                    break
                finish, step = (then if then.height > finish.height else finish), step + 2
            strokes.append(_stroke(body, nodes, low, finish, k + step - 1, limit, release, flags))
        elif high.zone == low.zone:
            inside = _same_zone(body, nodes, low, high, k, limit, release)
            if inside is not None:
                strokes.append(inside)
        k += step
    return strokes


def _with_pauses(body: _Body, nodes: list[Node]) -> list[Node]:
    """Add the small turn or pause in a zone that a rise crosses without a larger one.

    A snatch passes the shoulders at speed; a clean driven straight on comes nearly to rest there,
    sometimes without turning by as much as `TURN_ST`.
    """
    result: list[Node] = []
    for node in nodes:
        if result and node.sign > 0 and node.zone > result[-1].zone >= FLOOR:
            low = result[-1]
            # out of a squat the rack is a place to pause as well
            deep = low.zone == RACK and body.depth(low.at - 3, low.at + 4) > SQUAT_DEPTH
            for zone in range(low.zone + (0 if deep else 1), node.zone):
                places = low.at + np.flatnonzero(body.state[low.at : node.at] == zone)
                if len(places) < 3:
                    continue
                if deep:
                    places = places[body.bar[places] > body.carried - 2 * TURN_ST]
                    if len(places) < 3:
                        continue
                slowest = int(places[np.argmin(body.speed[places])])
                if body.speed[slowest] > 2 * REST_ST_S:
                    continue
                inside = body.bar[places[0] : places[-1] + 1]
                turn = turning_points(inside, LEVEL_ST)
                if len(turn) >= 2 and turn[0][1] > 0:
                    top, dip = places[0] + turn[0][0], places[0] + turn[1][0]
                else:
                    top = dip = slowest
                result.append(Node(int(top), 1, float(body.bar[top]), zone))
                result.append(Node(int(dip), -1, float(body.bar[dip]), zone))
        result.append(node)
    return result


def _middle(low: Node, high: Node) -> int:
    return (low.at + high.at) // 2


def _stands(body: _Body, node: Node) -> bool:
    """Whether the athlete stands erect at a maximum, rather than passing it under the bar.

    In the rack the bar itself tells too: pulled up and met by a sinking body it turns well below
    the height at which it is carried standing.
    """
    if body.erect_gap(node.at) > 0.035:
        return False
    if node.zone == RACK:
        return node.height > body.carried - 0.03
    near = int(0.06 * body.motion.rate_hz)
    around = body.bar[max(node.at - near, 0) : node.at + near + 1]
    return float(around.max() - around.min()) < 2 * LEVEL_ST


def _finish_level(body: _Body, node: Node, low: Node, limit: int) -> tuple[float, int]:
    """Finishing height of a rise that ends at `node`, and where that height is first met."""
    bar, speed = body.bar, body.speed
    start = _middle(low, node)
    arrived = node.at
    for k in range(start, node.at):
        if speed[k] < REST_ST_S and bar[k] > node.height - 0.06:
            arrived = k
            break
    window = min(arrived + int(0.6 * body.motion.rate_hz), limit, len(bar) - 1)
    top = arrived + int(np.argmax(bar[arrived : window + 1]))
    return float(bar[top]), top


def _come_down(
    body: _Body, finish_at: int, level: float, next_low: Node | None, limit: int
) -> float | None:
    """When the bar, coming down, passes the crossing level above its first turn or rest."""
    bar, speed, time = body.bar, body.speed, body.time
    bottom = next_low.at if next_low is not None else limit
    start = finish_at
    while start < bottom and bar[start] > level - 2 * LEVEL_ST:
        start += 1
    if start >= bottom:
        return None
    need = max(int(REST_S * body.motion.rate_hz), 1)
    slow = speed[start : bottom + 1] > -REST_ST_S
    rest = bottom
    for a, b in runs(slow):
        if b - a >= need and bar[start + a] < level - 0.05:
            rest = start + a
            break
    floor = float(bar[start : rest + 1].min())
    return _fall(bar, time, finish_at, rest, floor + LEVEL_ST)


def _stroke(
    body: _Body,
    nodes: list[Node],
    low: Node,
    finish: Node,
    finish_place: int,
    limit: int,
    release: int | None,
    flags: tuple[str, ...],
) -> RawStroke:
    """Put the instants of the definitions and the body's measures to one rise."""
    bar, time = body.bar, body.time
    level, top_at = _finish_level(body, finish, low, limit)
    start, begin_at = _rise_begins(bar, time, low.at, top_at)
    top = _rise(bar, time, low.at, top_at, level - LEVEL_ST)
    next_low = nodes[finish_place + 1] if finish_place + 1 < len(nodes) else None
    end = _come_down(body, top_at, level, next_low, limit)
    if end is None:
        end = body.second(limit)
    if release is not None and (next_low is None or next_low.at >= release - 1):
        end = min(end, _release(body, top_at, release, min(release + 90, len(bar) - 2)))
    end = max(end, top)
    stroke = RawStroke(
        begins=low.zone,
        ends=finish.zone,
        start_s=start,
        top_s=top,
        end_s=end,
        low_s=body.second(begin_at),
        flags=flags,
    )
    return _with_body(body, stroke)


def _rise_begins(
    values: np.ndarray, times: np.ndarray, low_at: int, top_at: int
) -> tuple[float, int]:
    """When a rise begins, and the place of the point it begins from.

    Looked for backwards from the middle of the rise: the lowest point, or the last place before
    it where the signal rests; the instant is the crossing level above that.
    """
    middle = low_at + int(
        np.argmin(np.abs(values[low_at : top_at + 1] - (values[low_at] + values[top_at]) / 2))
    )
    step = times[1] - times[0]
    place, level = low_at, float(values[low_at])
    slow = np.abs(np.gradient(values[low_at : middle + 1], step)) < REST_ST_S
    for a, b in runs(slow) if middle - low_at > 2 else []:
        if (b - a) * step >= LONG_REST_S:
            place, level = low_at + b - 1, float(np.median(values[low_at + a : low_at + b]))
    last = place
    for k in range(place, middle):
        if values[k] < level + LEVEL_ST:
            last = k
    return _first_rise(values, times, last, top_at, level + LEVEL_ST), place


def _driven_through(body: _Body, low: Node, high: Node, dip: Node, then: Node) -> RawStroke:
    """A clean driven straight into the overhead rep: one instant for top, end and next start."""
    instant, _ = _rise_begins(body.bar, body.time, dip.at, then.at)
    stroke = RawStroke(
        begins=low.zone,
        ends=RACK,
        start_s=_rise_begins(body.bar, body.time, low.at, high.at)[0],
        top_s=instant,
        end_s=instant,
        low_s=body.second(low.at),
        catch_depth=body.depth(high.at, then.at),
        flags=("driven_through",),
    )
    return replace(_with_body(body, stroke), catch_depth=body.depth(high.at, dip.at + 1))


def _same_zone(
    body: _Body,
    nodes: list[Node],
    low: Node,
    high: Node,
    place: int,
    limit: int,
    release: int | None,
) -> RawStroke | None:
    """A rise inside one zone: a squat, a hinge, an unfinished stroke, or nothing to count."""
    near = int(0.1 * body.motion.rate_hz)
    depth = body.depth(max(low.at - near, 0), low.at + near + 1)
    rise = high.height - low.height
    if low.zone in (RACK, OVERHEAD) and depth > SQUAT_DEPTH:
        return _stroke(body, nodes, low, high, place + 1, limit, release, ())
    if low.zone == HANG and rise > 0.10 and body.erect_gap(high.at) < 0.06:
        return _stroke(body, nodes, low, high, place + 1, limit, release, ())
    above = high.height - float(body.shoulder[high.at])
    if low.zone == RACK and above > 0.06 and rise > 0.08:
        stroke = _stroke(body, nodes, low, high, place + 1, limit, release, ())
        return replace(stroke, finished=False)
    if low.zone == HANG and above > -0.28 and rise > 0.12:
        stroke = _stroke(body, nodes, low, high, place + 1, limit, release, ())
        return replace(stroke, finished=False)
    return None


def _with_body(body: _Body, stroke: RawStroke) -> RawStroke:
    """Add what hip, knees and feet did between a stroke's lowest point and its top."""
    rate = body.motion.rate_hz
    low, top = body.index(stroke.low_s), body.index(stroke.top_s)
    start = body.index(stroke.start_s)
    near = int(0.12 * rate)
    hip = body.hip
    before = hip[max(low - int(0.8 * rate), 0) : low + 1]
    bottom = hip[max(low - near, 0) : min(low + near, len(hip))]
    dip = float(before.max() - bottom.min()) if len(before) and len(bottom) else np.nan
    rebend = np.nan
    if top - start > 4:
        drive = start + int(np.argmax(hip[start : start + max((top - start) * 2 // 3, 1)]))
        after = hip[drive : top + 1]
        rebend = float(hip[drive] - after.min()) if len(after) else np.nan
    feet = body.motion.feet_apart_st
    stance = feet[max(low - int(0.5 * rate), 0) : low + 1]
    during = feet[start : min(top + int(0.1 * rate), len(feet))]
    split = np.nan
    if np.isfinite(stance).any() and np.isfinite(during).any():
        split = float(np.nanmax(during) - np.nanmedian(stance))
    seen = np.isfinite(body.motion.bar_st[low : top + 1])
    return replace(
        stroke,
        depth=body.depth(max(low - near, 0), min(low + near, len(hip))),
        dip_st=dip,
        rebend_st=rebend,
        split_st=split,
        erect_st=body.erect_gap(top),
        rise_st=float(body.bar[top] - body.bar[low]),
        zone_confidence=float(
            min(body.certain[low], body.certain[min(top + 1, len(body.certain) - 1)])
        ),
        seen_share=float(seen.mean()) if len(seen) else 0.0,
        hip_times=_hip_times(body, stroke),
    )


def _hip_times(body: _Body, stroke: RawStroke) -> tuple[float, float, float] | None:
    """Start, top and end read at the hip: up out of its lowest point, standing, down again."""
    rate = body.motion.rate_hz
    hip, time = body.hip, body.time
    low, top = body.index(stroke.low_s), body.index(stroke.top_s)
    first = max(low - int(0.4 * rate), 0)
    last = min(low + int(0.4 * rate), top)
    if last <= first or not np.isfinite(body.motion.hip_st[first : top + 1]).any():
        return None
    bottom = first + int(np.argmin(hip[first : last + 1]))
    reach = min(top + int(0.4 * rate), len(hip) - 1)
    if reach <= bottom:
        return None
    finish = bottom + int(np.argmax(hip[bottom : reach + 1]))
    start, _ = _rise_begins(hip, time, bottom, finish)
    stand = _rise(hip, time, bottom, finish, float(hip[finish]) - LEVEL_ST)
    after = min(body.index(stroke.end_s) + int(0.4 * rate), len(hip) - 1)
    if after <= finish:
        return start, max(stand, start), max(stroke.end_s, stand)
    deepest = finish + int(np.argmin(hip[finish : after + 1]))
    end = _fall(hip, time, finish, deepest, float(hip[deepest]) + LEVEL_ST)
    return start, max(stand, start), max(end, stand)


def zone_name(state: int) -> str:
    """The zone's word for a decoder state."""
    return STATES[state]
