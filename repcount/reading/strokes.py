"""Zone phases → strokes: what the bar did, stroke by stroke, with the instants of the definitions.

Between two floor rests the bar's height is a chain of turning points. A rise that ends in a higher
zone, or that stands up out of a deep bend, is a stroke; the rules below only say which turning
point is its lowest, which its finish, and where it has come down again.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from repcount.attempt.anthropometry import KNEE_HEIGHT_ST
from repcount.attempt.records import Flag
from repcount.motion import Motion
from repcount.motion.measure import BAR_CUTOFF_HZ
from repcount.motion.smoothing import runs
from repcount.reading.body import ARM_ST, Body
from repcount.reading.decode import (
    FLOOR,
    FLOOR_ST,
    FREE,
    HANG,
    HELD,
    OFF_FLOOR_ST,
    OUTLIER,
    OVERHEAD,
    RACK,
    STATES,
    Zones,
)
from repcount.reading.instants import (
    LEVEL_ST,
    SLOW_ST_S,
    first_fall,
    first_rise,
    turning_points,
)
from repcount.reading.rests import RawRest, floor_stays, release

# A turn counts when the bar comes back by more than twice the crossing level: less is no movement
# that two people would agree on.
TURN_ST = 0.025
# Deeper than this share of the way from standing to hip level with knee is a squat; a dip or a
# catch above parallel stays well above (Takei et al., IJSPP 2020;15(1):18 draw the line at 1).
SQUAT_DEPTH = 0.6
# So far below the carrying height the athlete does not stand yet: half of what a catch with thighs
# above parallel or a dip for the drive takes the bar down (about 0.07, common practice), and over
# three times the noise of a bar's ends with a change of grip.
STANDS_ST = 0.035
# The carrying heights lie 0.3 and more apart; half of that is no standing badly.
MISPLACED_ST = 0.15
# Held still there, a bar up to this far below is still a finish, if a poor one.
GIVEN_UP_ST = 0.10
# Elbows at a right angle hold the bar so far below locked arms: 0.386 against the square root of
# 0.186² + 0.201² (upper arm, forearm with half a hand; Winter 2009, from memory).
BENT_ARMS_ST = 0.11
# A bar on its way beyond the carrying height by this much was being pulled or pressed.
BEYOND_ST = 0.06
# Up from a squat the bar is where it is carried, give or take so much where the athlete stands
# nearer or leans (Cauchy's scale: of 18 squats on film half are within 0.005, the farthest 0.071),
# or arms pressed it to anywhere below bent arms, once in twenty times (an assumption).
CARRIED_SCALE_ST, PRESSED = 0.008, 0.05
# Slow for so long, between a dip and the press, the bar has stopped: five frames of slow video.
STOP_S = 0.2
# A trunk leaning by 45 degrees and more lowers the shoulders by 0.288 * (1 - cos 45), the knees a
# little more (trunk length: Winter 2009, from memory).
BENT_OVER_ST = 0.10
# Upright at any moment so near to the finish is upright: single looks at the pose can be wrong.
UPRIGHT_S = 0.3
# With less than this share of the body in sight about the lowest point, its zone is a guess.
BODY_SEEN = 0.5
DOUBTED = 0.5
# From the floor to the bottom of the catch, with time to stand in the hang on the way.
LONGEST_CLEAN_S = 4.0
# Pulled to the shoulders and caught in a squat, the bar sinks with the body by over a foot; one
# that is pulled overhead in one sinks by a hand (common practice, no source).
CAUGHT_ST = 0.10
# Below the knee nothing hangs yet.
KNEE_ST = KNEE_HEIGHT_ST
# Nobody turns a bar round between the floor and the knee without setting it down: half of that way
# up, give or take how well the floor's level is known in a film held in the hand, it is open.
LOW_HANG_ST, LOW_HANG_WIDTH = (KNEE_ST - FLOOR_ST) / 2, 0.02
# Three times the noise of a bar's ends.
NOISE_ST = 0.012
# The deepest squat takes the hip down by no more than from standing to sitting on the heels: hip to
# ankle (0.530 - 0.039, Winter 2009, from memory) less a shank's and thigh's thickness, 0.40; the
# trunk leaning by 45 degrees takes the shoulders down by 0.288 * (1 - cos 45) more.
DEEPEST_ST = 0.48
# Beyond what a zone's heights can be, the bar's may be off by its noise; further down also by how a
# view from near or from above stretches a way: a tenth of it.
HIGH_SD_ST, DEEPEST_SD_ST = 0.006, 0.05
# No bar is pulled to the shoulders or overhead by less than 0.9 m/s at its fastest (the heaviest
# cleans have 1.2: common figures, from memory), give or take what smoothing takes off.
PULLED_ST_S, PULLED_WIDTH = 0.5, 0.05
# What sinks by three quarters of its way up again was no catch and no pause on the way.
WENT_BACK = 0.25
# A zone that is twenty times less likely than another, by the bar's height alone, is none.
NO_OTHER = 3.0
# The least rise of a hinge: a third of the way from knee to standing hang (0.285 to 0.43).
HINGE_ST = 0.10


@dataclass(frozen=True)
class Node:
    """A turning point: place on the motion's grid, +1 for a maximum, height, zone.

    `sure` is whether the height itself leaves no other zone.
    """

    at: int
    sign: int
    height: float
    zone: int
    sure: bool = False


@dataclass(frozen=True)
class RawStroke:
    """A stroke with its instants (seconds) and what the body did on the way.

    `hip_times` are start, top and end read at the hip, for movements that are defined there.
    `depth` is how far the hip went down at the lowest point, 0 standing to 1 level with the knee;
    `catch_depth` the same in the catch; `dip_st` the drop before the drive; `rebend_st` the hip's
    drop after it; `split_st` how far the feet went apart; `erect_st` how far the athlete stayed
    below standing at the finish; `short_st` how far the bar below its carrying height; `sank_st`
    how far it sank again on the way up; `speed_st_s` its greatest speed there; `turn_s` how long it
    stayed within the crossing level of its lowest point (a rebound is short, a stop long), and
    `dwell_s` within three of them, which noise moves less. NaN: not seen. `seen_share` and
    `body_share` are how much of the stroke bar and shoulders were seen, `low_share` the shoulders
    about the lowest point. `caught_s` is when a stroke made of two (see `joined`) was at the bottom
    of its catch. `bent_over`: the bar rose to a trunk that stayed bent.
    `sure_low`: the bar's height leaves no other zone for the lowest point. `hung`: how likely a
    lowest point in the hang is none on the floor, by its height above that. `lifted`: how
    likely the bar was lifted from the floor before, in this film (NaN: nothing new is known).
    `top_off_s`: how far off the top may be, by how slowly the bar comes to it and by the shoulders,
    where they go up with it (NaN: not told). `goes_on`: the film ends in the middle of it.
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
    short_st: float = np.nan
    sank_st: float = np.nan
    speed_st_s: float = np.nan
    turn_s: float = np.nan
    dwell_s: float = np.nan
    zone_confidence: float = 1.0
    seen_share: float = 1.0
    body_share: float = 1.0
    low_share: float = 1.0
    finished: bool = True
    caught_s: float | None = None
    bent_over: bool = False
    sure_low: bool = False
    hung: float = 1.0
    lifted: float = np.nan
    top_off_s: float = np.nan
    goes_on: bool = False
    flags: tuple[Flag, ...] = ()


def body_of(motion: Motion, zones: Zones) -> Body | None:
    """The signals that strokes are read from; None if the bar was never seen."""
    if len(motion.time_s) < 30 or not np.isfinite(motion.bar_st).any():
        return None
    return Body(motion, zones)


def find_strokes(body: Body | None) -> tuple[list[RawStroke], list[RawRest]]:
    """Strokes and floor rests in order of time. Both lists are empty if the bar was never seen."""
    if body is None:
        return [], []
    stays = floor_stays(body)
    strokes: list[RawStroke] = []
    begins = [0, *[stay.leave for stay in stays]]
    stops = [*[stay.arrive for stay in stays], len(body.time) - 1]
    for order, (first, last) in enumerate(zip(begins, stops, strict=True)):
        strokes += _Parser(body, first, last, order > 0).strokes()
    return strokes, [stay.rest for stay in stays]


def with_lifts_before(
    strokes: list[RawStroke], rests: list[RawRest], rises_seen: Sequence[float]
) -> list[RawStroke]:
    """The strokes, each with how likely the bar was `lifted` from the floor before it: its own
    beginning there is none of that, if it should prove to be no lift from the floor.

    `rises_seen` is how much was seen of the bar as it left each rest, 0 to 1: one that was not seen
    to rise may not be the one that was lifted. It is told of the first stroke after the bar was
    taken alone, as it is one witness of all that follows.
    """
    found: list[RawStroke] = []
    told: tuple[int, int] | None = None
    for one in strokes:
        lain = [k for k, rest in enumerate(rests) if rest.end_s <= one.top_s]
        lain = lain[:-1] if one.begins == FLOOR else lain
        pulled = [pull for pull in strokes if pull.begins < RACK and pull.top_s < one.top_s]
        seen = [*(rises_seen[k] for k in lain[-1:]), *(pull.seen_share for pull in pulled[-1:])]
        lifted = (1 + max(seen)) / 2 if seen else 0.0
        new = told != (len(lain), len(pulled))
        found.append(replace(one, lifted=lifted if new else np.nan))
        told = len(lain), len(pulled)
    return found


# A rise by so much is no walk and no dip: half of what the least of all lifts takes, from the floor
# to the hang.
CLEAR_ST = 0.15


def unread_rises(body: Body | None, strokes: list[RawStroke]) -> list[tuple[float, float]]:
    """Where the bar itself was seen to go up clearly and no stroke was read: from and to, s."""
    if body is None or not (body.motion.bar_source == 2).any():
        return []
    turns = turning_points(body.bar, CLEAR_ST)
    found = []
    for (low, sign), (high, _) in itertools.pairwise(turns):
        seen = body.motion.bar_source[low : high + 1] == 2
        if sign > 0 or body.bar[high] - body.bar[low] < CLEAR_ST or seen.mean() < BODY_SEEN:
            continue
        if (body.state[low : high + 1] == FREE).mean() > 1 - BODY_SEEN:
            continue
        begin, end = body.second(low), body.second(high)
        if not any(stroke.low_s < end and begin < stroke.top_s for stroke in strokes):
            found.append((begin, end))
    return found


def joined(strokes: list[RawStroke], rests: list[RawRest]) -> list[RawStroke]:
    """Strokes with every clean that goes on out of a squat overhead made one with what follows.

    For workouts that ask for the two as one movement. The bar must not touch the floor between.
    Where the body was not seen in the squat, a bar at the shoulders there passes for one in the
    hang: what came up from the floor and went on overhead is made one as well, with its zone in
    uncertainty.
    """
    result: list[RawStroke] = []
    for stroke in strokes:
        lain = [rest.end_s for rest in rests if rest.end_s < stroke.start_s]
        lifted_s = max(lain, default=-np.inf)
        before = result[-1] if result and stroke.begins != FLOOR else None
        if before is not None and before.top_s < lifted_s:
            before = None
        whole = _whole(before, stroke, lifted_s) if stroke.ends == OVERHEAD else None
        if whole is not None and before is not None:
            result.pop()
        result.append(whole or stroke)
    return result


def _whole(before: RawStroke | None, stroke: RawStroke, lifted_s: float) -> RawStroke | None:
    """A stroke that ends overhead with the clean it came out of, or None if there was none.

    `before` is the stroke before it since the bar left the floor at `lifted_s`.
    """
    if stroke.begins == FLOOR:
        # caught on the way, at shoulders that were another's
        return _as_one(stroke, stroke, DOUBTED) if stroke.sank_st > CAUGHT_ST else None
    cleaned = before is not None and before.begins == FLOOR and before.ends == stroke.begins == RACK
    if before is not None and cleaned and stroke.depth > SQUAT_DEPTH:
        return _as_one(before, stroke, before.zone_confidence)
    if stroke.low_share >= BODY_SEEN or stroke.start_s - lifted_s > LONGEST_CLEAN_S:
        return None
    if before is None:
        pull = replace(stroke, start_s=lifted_s, low_s=lifted_s)
        return _as_one(pull, stroke, DOUBTED) if stroke.begins == HANG else None
    if before.begins > HANG or before.ends > RACK:
        return None
    return _as_one(replace(before, start_s=min(before.start_s, lifted_s)), stroke, DOUBTED)


def _as_one(pull: RawStroke, drive: RawStroke, sure: float) -> RawStroke:
    """A pull from the floor to the shoulders and the drive overhead out of its catch."""
    return replace(
        drive,
        begins=FLOOR,
        start_s=pull.start_s,
        low_s=pull.low_s,
        catch_depth=drive.depth,
        caught_s=drive.start_s,
        zone_confidence=min(sure, drive.zone_confidence),
        seen_share=min(pull.seen_share, drive.seen_share),
        body_share=min(pull.body_share, drive.body_share),
        low_share=pull.low_share,
    )


def past_the_rack(strokes: list[RawStroke], rests: list[RawRest]) -> list[RawStroke]:
    """Strokes overhead in one, for workouts in which the bar never rests on the shoulders.

    Pulled from below and pressed on, with the bar in the hands all along: what seemed a stop on the
    shoulders was a wrong zone (a lost pose, or a slow passage), so the zone is questioned.
    """
    result: list[RawStroke] = []
    for stroke in strokes:
        before = result[-1] if result else None
        if (stroke.begins, stroke.ends) != (RACK, OVERHEAD):
            result.append(stroke)
            continue
        since = before.top_s if before is not None else -np.inf
        lain = [rest for rest in rests if since < rest.end_s <= stroke.low_s + STOP_S]
        stopped = before is not None and (before.ends == RACK or not before.finished)
        if before is not None and stopped and before.begins < RACK and not lain:
            result[-1] = replace(
                stroke,
                begins=before.begins,
                start_s=before.start_s,
                low_s=before.low_s,
                depth=before.depth,
                catch_depth=float(np.fmax(stroke.depth, before.catch_depth)),
                zone_confidence=min(before.zone_confidence, stroke.zone_confidence, 0.5),
                low_share=before.low_share,
            )
        elif lain:
            lowest = lain[-1].end_s
            result.append(replace(stroke, begins=FLOOR, start_s=lowest, zone_confidence=0.5))
        else:
            result.append(stroke)
    return result


class _Parser:
    """Reads the strokes of one stretch [first, last] between two stays on the floor."""

    def __init__(self, body: Body, first: int, last: int, from_floor: bool) -> None:
        # at the film's first moment the smoothed height leans on what comes after alone
        first = min(first or round(body.motion.rate_hz / BAR_CUTOFF_HZ), last)
        self.body, self.first, self.last = body, first, last
        self.released: int | None = None
        for begin, end in runs(body.state[first : last + 1] == FREE):
            # what falls free is no stroke, nor what it does once it has landed
            if self._lands(first + begin, first + end):
                self.released = first + begin
                break
        self.limit = last if self.released is None else self.released
        self.nodes = self._with_pauses(self._turns(from_floor)) if last - first >= 6 else []

    def _lands(self, begin: int, end: int) -> bool:
        """Whether a bar that nobody seems to hold in [begin, end) comes to the floor before it is
        held again: what does not fall was not let go."""
        held = np.flatnonzero(np.isin(self.body.state[end : self.last + 1], HELD))
        upto = end + int(held[0]) if len(held) else self.last
        low = self.body.bar[begin : upto + 1] < self.body.floor[begin : upto + 1] + OFF_FLOOR_ST
        return bool(low.any() or not len(held))

    def _turns(self, from_floor: bool) -> list[Node]:
        state, first = self.body.state, self.first
        height = self.body.bar[first : self.limit + 1]
        nodes = [
            Node(first + at, sign, float(height[at]), int(state[first + at]))
            for at, sign in turning_points(height, TURN_ST)
        ]
        if not nodes:
            return []
        if nodes[0].sign > 0:
            zone = FLOOR if from_floor else int(state[first])
            nodes.insert(0, Node(first, -1, float(height[0]), zone))
        elif from_floor and nodes[0].at - first < 0.3 * self.body.motion.rate_hz:
            nodes[0] = replace(nodes[0], zone=FLOOR)
        nodes = [replace(node, zone=self._held_zone(node)) for node in nodes]
        for k, node in enumerate(nodes):
            beside = k - node.sign
            near = nodes[beside] if 0 <= beside < len(nodes) else None
            nodes[k] = self._stood(node) if node.sign > 0 else self._bent(node, near)
        return nodes

    def _bent(self, node: Node, high: Node | None) -> Node:
        """A minimum in the zone that the decoder, its own height and the way up to `high` tell
        together.

        Bending the knees takes a bar down from where it is carried standing, and hardly further
        than a squat goes; who takes it from the hang to the shoulders pulls it. `sure` is it where
        the height leaves no other zone.
        """
        if node.zone not in self.body.level:
            return node
        told = self._low_zones(node.height, -NOISE_ST)
        share = self._decoded(node)
        pulled = self._pulled(node, high) if high is not None and high.zone > HANG else 0.0
        zone = max(told, key=lambda one: told[one] + share[one] + (pulled if one == HANG else 0.0))
        # who pulls from the hang bends first, or it would be no minimum
        bent = told if zone != node.zone else self._low_zones(node.height, NOISE_ST)
        others = [value for one, value in bent.items() if one != zone]
        return replace(node, zone=zone, sure=bent[zone] - max(others) > NO_OTHER)

    def _low_zones(self, height: float, bend_st: float) -> dict[int, float]:
        """Log likelihood of each zone for a bar that is so high at its lowest; `bend_st` below
        standing in the hang, in the others as low as standing, to within the noise."""
        told = {}
        for zone, level in self.body.level.items():
            below, slack = level - height, self.body.slack[zone]
            least, most = (bend_st, np.inf) if zone == HANG else (-NOISE_ST, DEEPEST_ST)
            high, low = max(least - slack - below, 0.0), max(below - most - slack, 0.0)
            told[zone] = -0.5 * ((high / HIGH_SD_ST) ** 2 + (low / DEEPEST_SD_ST) ** 2)
        return told

    def _decoded(self, node: Node) -> np.ndarray:
        """Log probability (5,) of the zones at a node, as the decoder has it."""
        sample = int(np.abs(self.body.zones.time_s - self.body.second(node.at)).argmin())
        return np.asarray(np.log(np.maximum(self.body.zones.probability[sample], OUTLIER)))

    def _pulled(self, low: Node, high: Node) -> float:
        """Log likelihood of the speed between two nodes for a bar that arms pull, against one that
        a body carries."""
        fastest = float(self.body.speed[low.at : high.at + 1].max())
        return float(-np.log1p(np.exp(-(fastest - PULLED_ST_S) / PULLED_WIDTH)))

    def _stood(self, node: Node) -> Node:
        """A maximum in the zone whose carrying height it has.

        A bar far below where this athlete carries it in its zone, but just where it is carried in
        another, was put there by shoulders that were wrong for a moment.
        """
        level = self.body.level
        if abs(node.height - level.get(node.zone, node.height)) < MISPLACED_ST:
            return node
        near = {zone: abs(node.height - level[zone]) for zone in self.body.known}
        zone = min(near, key=lambda one: near[one], default=node.zone)
        return replace(node, zone=zone) if near.get(zone, np.inf) < STANDS_ST else node

    def _held_zone(self, node: Node) -> int:
        """The zone of a node; at the moment of release, the one the bar was let go in."""
        if node.zone != FREE:
            return node.zone
        before = self.body.state[self.first : node.at + 1]
        held = np.flatnonzero(before != FREE)
        return int(before[held[-1]]) if len(held) else HANG

    def _with_pauses(self, nodes: list[Node]) -> list[Node]:
        """Add the small turn or pause in a zone that a rise crosses without a larger one.

        A snatch passes the shoulders at speed; a clean driven straight on comes nearly to rest
        there, sometimes without turning by as much as `TURN_ST`.
        """
        result: list[Node] = []
        for node in nodes:
            # pressed out of a rack and not locked out, it passes its own zone's level as well
            passed = node.zone + int(node.sign > 0 and self._pulled_past(node))
            if result and node.sign > 0 and passed > result[-1].zone >= FLOOR:
                low = result[-1]
                for zone in range(low.zone, passed):
                    result += self._pauses_in(zone, low, node)
            result.append(node)
        return result

    def _pauses_in(self, zone: int, low: Node, high: Node) -> list[Node]:
        """The turns and stops in one zone of the rise between two nodes, two nodes each."""
        body, found = self.body, []
        since = low.at
        # caught in a zone that it passes, the bar can stop there once more, where it is carried
        for still in (True,) if zone in (low.zone, high.zone) else (False, True):
            places = since + np.flatnonzero(body.state[since : high.at] == zone)
            places = places[body.bar[places] < high.height - BEYOND_ST]
            if still:
                # up from a dip or a squat the bar can stop where it is carried
                stands = body.level.get(zone, np.inf) - STANDS_ST - body.slack.get(zone, 0.0)
                places = places[body.bar[places] > stands]
            pause = self._pause(places, still) if len(places) >= 3 else None
            if pause is None:
                break
            top, dip = pause
            found.append(Node(top, 1, float(body.bar[top]), zone))
            found.append(Node(dip, -1, float(body.bar[dip]), zone))
            since = dip
        return found

    def _pause(self, places: np.ndarray, still: bool) -> tuple[int, int] | None:
        """A small turn or slow stretch at `places` of the grid: where it begins and ends."""
        body = self.body
        slowest = int(places[np.argmin(body.speed[places])])
        if body.speed[slowest] > 2 * SLOW_ST_S:
            return None
        inside = body.bar[places[0] : places[-1] + 1]
        turn = turning_points(inside, LEVEL_ST)
        if not still and len(turn) >= 2 and turn[0][1] > 0:
            return int(places[0]) + turn[0][0], int(places[0]) + turn[1][0]
        stop = round(STOP_S * body.motion.rate_hz) if still else 0
        if still:
            # a stop is slow in the mean over its length: on the way noise is faster
            slow = np.abs(inside[stop:] - inside[:-stop]) < SLOW_ST_S * STOP_S
        else:
            slow = body.speed[places[0] : places[-1] + 1] < SLOW_ST_S
        first, last = max(runs(slow), key=lambda run: run[1] - run[0], default=(0, 0))
        if still and last == first:
            return None
        last += stop
        if last == first:
            return slowest, slowest
        # where it is highest it stands, if it stands at all
        top = first + int(np.argmax(inside[first:last]))
        return int(places[0]) + top, int(places[0]) + max(last - 1, top)

    def _deep(self, low: Node) -> bool:
        near = int(0.06 * self.body.motion.rate_hz)
        first, last = max(low.at - near, 0), min(low.at + near + 1, len(self.body.bar))
        return self.body.depth(first, last, low.zone) > SQUAT_DEPTH

    def _stands(self, node: Node) -> bool:
        """Whether the athlete stands at a maximum, rather than passing it on the way.

        The bar tells: pulled up and met by a sinking body, or carried in bent legs, it stays below
        the height at which this athlete carries it standing. Held still a little below is standing
        badly.
        """
        level = self.body.level.get(node.zone)
        if level is None:
            return True
        slack = self.body.slack[node.zone]
        if self._pulled_past(node):
            return False
        if node.height > level - STANDS_ST - slack:
            return True
        first = max(node.at - self.body.line.window, 0)
        still = bool(self.body.line.resting[first : node.at + 1].any())
        return still and node.height > level - GIVEN_UP_ST - slack

    def _pulled_past(self, node: Node) -> bool:
        """Whether a maximum lies above where the bar is carried: pulled or pressed on its way."""
        level = self.body.level.get(node.zone)
        if level is None or node.zone == OVERHEAD:
            return False
        return self._beyond(node) > BEYOND_ST + self.body.slack[node.zone]

    def _beyond(self, node: Node) -> float:
        """How far a maximum lies above where the bar is carried.

        Arms pull or press a bar away from the shoulders: where these rise as far, it is the athlete
        who stands higher than was thought.
        """
        body = self.body
        above = node.height - body.level[node.zone]
        carried = body.level[node.zone] - body.stand_shoulder
        return float(np.fmin(above, node.height - body.motion.shoulder_st[node.at] - carried))

    def strokes(self) -> list[RawStroke]:
        nodes, found = self.nodes, []
        k = 0
        while k + 1 < len(nodes):
            low, high = nodes[k], nodes[k + 1]
            if high.zone < low.zone or high.zone == FLOOR:
                k += 2
                continue
            finish, step, through = self._finish(k)
            if through:
                found.append(self._driven_through(low, high, nodes[k + step], nodes[k + step + 1]))
                k += step
                continue
            # a hitch before the descent is no part of the rise
            lowest = k
            if low.zone == finish.zone:
                lowest = min(range(k, k + step, 2), key=lambda place: nodes[place].height)
            stroke = self._named(lowest, step - (lowest - k), finish)
            if stroke is not None:
                found.append(stroke)
            k += step
        return found

    def _finish(self, k: int) -> tuple[Node, int, bool]:
        """The turning point at which the rise from node k is done, how many nodes that takes, and
        whether it was driven straight on overhead instead.

        A maximum at which the athlete does not stand yet is a catch, or a pause on the way up.
        """
        nodes = self.nodes
        low, finish, step = nodes[k], nodes[k + 1], 2
        while k + step + 1 < len(nodes) and (
            # into a higher zone, though lower in space: the body sank under a bar that was pulled
            nodes[k + step].zone > finish.zone or not self._stands(finish)
        ):
            dip, then = nodes[k + step], nodes[k + step + 1]
            back = dip.height - low.height < WENT_BACK * (finish.height - low.height)
            if dip.zone < finish.zone or (dip.zone == low.zone and back):
                break
            # picked up without standing, and into a hinge or into the dip for a pull from the hang
            pulled = then.zone > HANG or self._pulled_past(then)
            stooped = finish.height - dip.height > HINGE_ST or pulled
            below = finish.height < KNEE_ST
            if dip.zone == HANG and stooped and not below:
                break
            if then.zone == OVERHEAD and dip.zone == RACK and low.zone < RACK:
                return finish, step, True
            if then.zone != dip.zone and not below:
                break
            if then.height >= finish.height or then.zone > finish.zone:
                finish = then
            step += 2
        return finish, step, False

    def _named(self, k: int, step: int, finish: Node) -> RawStroke | None:
        """The stroke from node k to `finish`, or None if it is nothing to count."""
        body, low = self.body, self.nodes[k]
        # short of the carrying height, or (negative) beyond it, by more than it may be off
        short = body.level.get(finish.zone, finish.height) - finish.height
        slack = body.slack.get(finish.zone, 0.0)
        if short < 0 and finish.zone in body.level:
            short = min(-self._beyond(finish), 0.0)
        short = np.sign(short) * max(abs(short) - slack, 0.0)
        rise = finish.height - low.height
        finished, told = True, 1.0
        if finish.zone == OVERHEAD:
            finished = short < BENT_ARMS_ST
            if low.zone == OVERHEAD and not self._deep(low):
                return None
        elif finish.zone == RACK:
            if low.zone == RACK and self._deep(low):
                pressed = _pressed(-short)
                finished, told = pressed < 0.5, max(pressed, 1 - pressed)
            elif low.zone == RACK:
                if short > -BEYOND_ST or rise < BEYOND_ST:
                    return None
                finished = False  # pressed, and not locked out
            finished = finished and short < GIVEN_UP_ST
        elif short < -BEYOND_ST and rise > HINGE_ST:
            finished = False  # pulled higher than the hang, and not caught
        elif low.zone == HANG:
            if rise < HINGE_ST or (short > STANDS_ST and not self._bent_over(low, finish)):
                return None
        else:
            finished = short < GIVEN_UP_ST
        stroke = self._stroke(k, step, finish)
        first = next(node for node in self.nodes[k + 1 :] if node.sign > 0)
        if low.zone < finish.zone and finish.at > first.at:
            caught = body.depth(first.at, finish.at, finish.zone)
        else:
            caught = body.depth(finish.at, min(finish.at + 2, self.limit), finish.zone)
        middle = (low.at + first.at) // 2
        # caught so low that the bar only rises: the hip alone tells
        climb = body.depth(middle, finish.at) if low.zone < finish.zone else np.nan
        seen = [value for value in (caught, climb) if np.isfinite(value)]
        depth = max(seen) if seen else np.nan
        bent = low.zone == HANG and self._bent_over(low, finish)
        if self._begun_before(low):
            stroke = replace(stroke, flags=(*stroke.flags, "begun_before"))
        return replace(
            stroke,
            catch_depth=depth,
            finished=finished,
            zone_confidence=stroke.zone_confidence * told,
            bent_over=bent,
            sure_low=low.sure,
            hung=self._hung(low),
            top_off_s=self._top_off(low, finish, stroke),
            goes_on=self._goes_on(finish),
        )

    def _hung(self, low: Node) -> float:
        """The probability that a low in the hang is none on the floor, by its height alone."""
        if low.zone != HANG:
            return 1.0
        above = low.height - float(self.body.floor[low.at])
        return float(expit((above - LOW_HANG_ST) / LOW_HANG_WIDTH))

    def _top_off(self, low: Node, finish: Node, stroke: RawStroke) -> float:
        """How far (s) the top of a lift in which the shoulders go up with the bar may be off: a bar
        that creeps to its height leaves that open, unless the shoulders come to theirs with it. NaN
        where they do not, or were not seen."""
        body = self.body
        last = min(body.index(stroke.end_s), self.limit)
        seen = np.isfinite(body.motion.shoulder_st[low.at : last + 1])
        if finish.zone not in (HANG, low.zone) or last <= finish.at or seen.mean() < BODY_SEEN:
            return np.nan
        creeps = body.line.spread(stroke.top_s, low.at, last, NOISE_ST)
        high = low.at + int(np.argmax(body.shoulder[low.at : last + 1]))
        return min(creeps, abs(body.shoulder_line.finish(low.at, high, last)[0] - stroke.top_s))

    def _begun_before(self, low: Node) -> bool:
        """Whether the film begins in the middle of this rise."""
        body = self.body
        edge = round(body.motion.rate_hz / BAR_CUTOFF_HZ)
        return bool(low.at <= edge and body.speed[2 * edge] > SLOW_ST_S and low.zone != FLOOR)

    def _goes_on(self, finish: Node) -> bool:
        """Whether the film ends in the middle of this rise: the bar has not come to rest, nor
        turned, at its last moment."""
        body = self.body
        edge = round(body.motion.rate_hz / BAR_CUTOFF_HZ)
        last = len(body.bar) - 1
        return bool(finish.at >= last - edge and body.speed[last - edge :].min() > SLOW_ST_S)

    def _bent_over(self, low: Node, finish: Node) -> bool:
        """Whether the bar rose to a trunk that stayed bent: the arms did it, not the hips.

        A trunk that is not seen says nothing: then a bar that stops short of where it is carried
        standing does.
        """
        body = self.body
        shoulder, near = body.motion.shoulder_st, int(UPRIGHT_S * body.motion.rate_hz)
        about = shoulder[max(finish.at - near, 0) : finish.at + near + 1]
        below, above = shoulder[low.at], np.fmax.reduce(about, initial=-np.inf)
        if not np.isfinite(above):
            return bool(body.level[HANG] - finish.height > STANDS_ST)
        stood_up = above - below >= (finish.height - low.height) / 2
        return bool(not stood_up and above < body.stand_shoulder - BENT_OVER_ST)

    def _stroke(self, k: int, step: int, finish: Node) -> RawStroke:
        """Put the instants of the definitions and the body's measures to one rise."""
        body, line, low = self.body, self.body.line, self.nodes[k]
        after = self.nodes[k + step] if k + step < len(self.nodes) else None
        last = self.limit if after is None else after.at
        middle = _middle(body, low.at, self.nodes[k + 1].at)
        start, begin = line.rise_begins(middle, max(low.at - line.window, self.first))
        top, top_at, height = line.finish(low.at, finish.at, last)
        end = line.comes_down(top_at, height, last)
        if end is None:
            end = body.second(last)
        if self.released is not None and (after is None or after.at >= self.released - 1):
            end = min(end, release(body, top_at, self.released, min(self.released + 90, self._end)))
        stroke = RawStroke(
            begins=low.zone,
            ends=finish.zone,
            start_s=start,
            top_s=max(top, start),
            end_s=max(end, top, start),
            low_s=body.second(begin),
        )
        return _with_body(body, stroke)

    @property
    def _end(self) -> int:
        return len(self.body.bar) - 2

    def _driven_through(self, low: Node, high: Node, dip: Node, then: Node) -> RawStroke:
        """A clean driven straight into the overhead rep: one instant for top, end, next start."""
        body, line = self.body, self.body.line
        instant, _ = line.rise_begins(_middle(body, dip.at, then.at), dip.at)
        start, begin = line.rise_begins(_middle(body, low.at, high.at), self.first)
        stroke = RawStroke(
            begins=low.zone,
            ends=RACK,
            start_s=start,
            top_s=max(instant, start),
            end_s=max(instant, start),
            low_s=body.second(begin),
            flags=("driven_through",),
        )
        depth = body.depth(high.at, dip.at + 1, RACK)
        return replace(_with_body(body, stroke), catch_depth=depth, erect_st=np.nan)


def _pressed(beyond_st: float) -> float:
    """The probability that a bar which came up from a squat to so far above where it is carried
    (body heights) was pressed there, and not locked out."""
    carried = 1 / (np.pi * CARRIED_SCALE_ST * (1 + (beyond_st / CARRIED_SCALE_ST) ** 2))
    pressed = PRESSED / (ARM_ST - BENT_ARMS_ST) * (beyond_st > 0)
    return float(pressed / (pressed + carried))


def _middle(body: Body, low: int, high: int) -> int:
    """The last place between a low and a high that is still below half of the way."""
    way = body.bar[low : high + 1]
    below = np.flatnonzero(way < (way[0] + way[-1]) / 2)
    return low + int(below[-1]) if len(below) else low


def _with_body(body: Body, stroke: RawStroke) -> RawStroke:
    """Add what hip, knees and feet did between a stroke's lowest point and its top."""
    rate = body.motion.rate_hz
    low, top = body.index(stroke.low_s), body.index(stroke.top_s)
    start = body.index(stroke.start_s)
    near = int(0.12 * rate)
    hip = body.hip
    first, last = max(low - near, 0), min(low + near, len(hip) - 1)
    before = hip[max(low - int(0.8 * rate), 0) : low + 1]
    dip = float(before.max() - hip[first : last + 1].min())
    if stroke.begins == RACK:
        # carried on the shoulders the bar sinks with the hip
        dip = float(np.nanmean([dip, body.level[RACK] - body.bar[first : last + 1].min()]))
    rebend = np.nan
    if top - start > 4:
        drive = start + int(np.argmax(hip[start : start + max((top - start) * 2 // 3, 1)]))
        rebend = float(hip[drive] - hip[drive : top + 1].min())
    feet = body.motion.feet_apart_st
    stance = feet[max(low - int(0.5 * rate), 0) : low + 1]
    during = feet[start : min(top + int(0.1 * rate), len(feet))]
    split = np.nan
    if np.isfinite(stance).any() and np.isfinite(during).any():
        split = float(np.nanmax(during) - np.nanmedian(stance))
    erect = body.erect_gap(top)
    if stroke.ends in body.level:
        # who is bent carries the bar lower as well: both must say so
        erect = float(np.fmin(erect, body.level[stroke.ends] - body.bar[top] - LEVEL_ST))
    way = body.bar[low : top + 1]
    seen = np.isfinite(body.motion.bar_st[low : top + 1])
    return replace(
        stroke,
        depth=body.depth(first, last + 1, stroke.begins),
        dip_st=dip,
        rebend_st=rebend,
        split_st=split,
        erect_st=erect,
        rise_st=float(body.bar[top] - body.bar[low]),
        short_st=body.level.get(stroke.ends, np.nan) - float(body.bar[top]) - LEVEL_ST,
        sank_st=float(np.max(np.maximum.accumulate(way) - way)),
        speed_st_s=float(body.line.speed[low : top + 1].max()),
        turn_s=_turn(body, low, LEVEL_ST),
        dwell_s=_turn(body, low, 3 * LEVEL_ST),
        zone_confidence=float(
            min(body.certain[low], body.certain[min(top + 1, len(body.certain) - 1)])
        ),
        seen_share=float(seen.mean()) if len(seen) else 0.0,
        body_share=float(np.isfinite(body.motion.shoulder_st[low : top + 1]).mean()),
        low_share=float(np.isfinite(body.motion.shoulder_st[first : last + 1]).mean()),
        hip_times=_hip_times(body, stroke),
    )


# Who stays low for longer stands there.
LONGEST_TURN_S = 2.0


def _turn(body: Body, low: int, level_st: float) -> float:
    """Seconds the bar stays within a level of its lowest point, around that, at most twice
    `LONGEST_TURN_S`; NaN if it was not seen all along."""
    reach = int(LONGEST_TURN_S * body.motion.rate_hz)
    first, last = max(low - reach, 0), min(low + reach, len(body.bar) - 1)
    limit = body.bar[low] + level_st
    far = body.bar[first : last + 1] > limit
    before, after = np.flatnonzero(far[: low - first]), np.flatnonzero(far[low - first :])
    first += int(before[-1]) if len(before) else 0
    last = low + int(after[0]) if len(after) else last
    if not np.isfinite(body.motion.bar_st[first : last + 1]).all():
        return np.nan
    begin = first_fall(body.time, body.bar, first, low, limit) if len(before) else body.time[first]
    return float(first_rise(body.time, body.bar, low, last, limit) - begin)


def _hip_times(body: Body, stroke: RawStroke) -> tuple[float, float, float] | None:
    """Start, top and end read at the hip: up out of its lowest point, standing, down again."""
    rate = body.motion.rate_hz
    line = body.hip_line
    hip = line.values
    low, top = body.index(stroke.low_s), body.index(stroke.top_s)
    first = max(low - int(0.4 * rate), 0)
    last = min(low + int(0.4 * rate), top)
    if last <= first or not np.isfinite(hip[first : top + 1]).all():
        return None
    bottom = first + int(np.argmin(hip[first : last + 1]))
    reach = min(top + int(0.4 * rate), len(hip) - 1)
    if reach <= bottom:
        return None
    high = bottom + int(np.argmax(hip[bottom : reach + 1]))
    way = hip[bottom : high + 1]
    below = np.flatnonzero(way < (way[0] + way[-1]) / 2)
    start, _ = line.rise_begins(bottom + int(below[-1]) if len(below) else bottom, first)
    after = min(max(body.index(stroke.end_s), high) + int(0.4 * rate), len(hip) - 1)
    stand, high, height = line.finish(bottom, high, after)
    end = line.comes_down(high, height, after)
    if end is None:
        end = stroke.end_s
    stand = max(stand, start, _bar_up(body, body.index(stand), top))
    return start, stand, max(end, stand)


def _bar_up(body: Body, first: int, last: int) -> float:
    """When, from the place `first` on, the bar has come up to where it first rests, at the latest
    at `last`: hips may be up before it, and who stands has the bar up as well."""
    rests = np.flatnonzero(body.line.resting[first : last + 1])
    if not len(rests):
        return body.second(last)
    rest = first + int(rests[0])
    level = float(np.median(body.bar[rest : rest + body.line.window + 1])) - LEVEL_ST
    below = np.flatnonzero(body.bar[first : rest + 1] < level)
    if not len(below):
        return body.second(first)
    return first_rise(body.time, body.bar, first + int(below[-1]), rest, level)


def zone_name(state: int) -> str:
    """The zone's word for a decoder state."""
    return STATES[state]
