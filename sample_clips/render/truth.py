"""The exact truth of a choreographed attempt, by the project's written definitions.

Works on signals sampled at 1 kHz (heights of bar and hip, hands on or off) and on the list of
strokes that were meant; it shares no code with the reading of an attempt. Instants are crossings
of the crossing level (1 % of the stature), found between samples by linear interpolation and
rounded once to whole milliseconds; everything after that is integer arithmetic.

Choices where the definitions leave room:

- A place where a signal *rests*: it stays inside one crossing level for `REST_S`.
- The lowest point before a rise, and the place where a descent turns or rests, are looked for from
  the middle of the stroke outwards, up to a rest or to the first turn of more than the level.
- A finishing height is the median over the time in the finishing posture if that lasted
  `PLATEAU_S`, else the maximum.
- Which strokes count is the order-preserving choice that counts most, the earliest first.
- A hold runs from where the bar comes within the level of its plateau to where it leaves it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from sample_clips.render.choreography import Choreography
from sample_clips.render.script import START_ZONE, Stroke

Array = NDArray[np.float64]

RATE_HZ = 1000
LEVEL_SHARE = 0.01
REST_S = 0.3
PLATEAU_S = 0.1
TOUCH_MS, BREAK_MS, HOLD_MS = 500, 1500, 1500
KINDS = (
    "start",
    "between rounds",
    "break",
    "hold",
    "transition",
    "reset",
    "touch",
    "rep",
    "handling",
)
BY_HIP = ("front squat", "back squat", "overhead squat")
START_BY_HIP = (*BY_HIP, "thruster", "cluster")
ACCEPTS = {
    "shoulder to overhead": ("strict press", "push press", "push jerk", "split jerk"),
    "clean": ("power clean",),
}
PICK_UP_COUNTS_AS = {"hang": ("deadlift",), "rack": ("power clean", "clean")}


@dataclass(frozen=True)
class Signals:
    """Sampled at RATE_HZ from time 0: heights (T,) in metres above the floor, hands on the bar."""

    bar_m: Array
    hip_m: Array
    contact: NDArray[np.bool_]
    stature_m: float
    rest_m: float  # the bar's height on the floor

    @property
    def level_m(self) -> float:
        return LEVEL_SHARE * self.stature_m


@dataclass(frozen=True)
class Workout:
    """What was prescribed: for each round, (movement, reps) in order."""

    rounds: tuple[tuple[tuple[str, int], ...], ...]
    time_cap_s: float | None = None


@dataclass
class _Rep:
    """One stroke with its instants in milliseconds, before and after the count."""

    stroke: Stroke
    start: int
    top: int
    end: int
    movement: str
    status: str = ""
    number: int | None = None
    flags: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class FloorRest:
    """A stay on the floor that was seen from contact to lift-off; milliseconds."""

    first_contact: int
    settled: int
    lift_off: int
    hands_off: bool
    dropped: bool

    @property
    def length(self) -> int:
        return max(self.lift_off - self.settled, 0)

    @property
    def span(self) -> tuple[int, int]:
        return self.settled, self.lift_off


def sample(choreography: Choreography) -> Signals:
    """The choreography's signals at 1 kHz."""
    times = np.arange(int(choreography.duration_s * RATE_HZ) + 1) / RATE_HZ
    bar = choreography.bar(times)
    return Signals(
        bar.y,
        choreography.hip_height(times),
        bar.held,
        choreography.human.stature_m,
        choreography.radius_m,
    )


def crossing_ms(signal: Array, level: float, i: int) -> int:
    """The instant between samples i and i+1 at which the signal has the value `level`."""
    a, b = signal[i], signal[i + 1]
    share = 0.0 if a == b else float(np.clip((level - a) / (b - a), 0.0, 1.0))
    return int((i + share) * 1000 / RATE_HZ + 0.5)


def _index(time_s: float, signal: Array) -> int:
    return int(np.clip(round(time_s * RATE_HZ), 0, len(signal) - 1))


def _resting(signal: Array, level: float) -> NDArray[np.bool_]:
    """(T,) true at i if the signal stays inside one level over the REST_S that begin at i."""
    n = round(REST_S * RATE_HZ) + 1
    origin = -((n - 1) // 2) - (1 - n % 2)
    span = maximum_filter1d(signal, n, origin=origin) - minimum_filter1d(signal, n, origin=origin)
    resting = span <= level
    resting[len(signal) - n + 1 :] = False
    return resting


_PIECE = 4096


def _first(signal: NDArray[Any], test: Callable[[NDArray[Any]], NDArray[np.bool_]]) -> int | None:
    """The first place where `test` holds, looked for piece by piece; None if nowhere."""
    for a in range(0, len(signal), _PIECE):
        found = np.flatnonzero(test(signal[a : a + _PIECE]))
        if len(found):
            return a + int(found[0])
    return None


def _first_turn(signal: Array, level: float) -> int | None:
    """The first place where the signal is more than `level` above its lowest value so far."""
    low = np.inf
    for a in range(0, len(signal), _PIECE):
        part = signal[a : a + _PIECE]
        lowest = np.minimum(np.minimum.accumulate(part), low)
        found = np.flatnonzero(part > lowest + level)
        if len(found):
            return a + int(found[0])
        low = float(lowest[-1])
    return None


class Reader:
    """Reads instants from one signal (bar or hip)."""

    def __init__(self, signal: Array, level: float) -> None:
        self.signal, self.level = signal, level
        self._rest = _resting(signal, level)
        self._window = round(REST_S * RATE_HZ)

    def rise_begins(self, inside: int) -> tuple[int, int]:
        """(ms, index): the level above the lowest point from which the rise at `inside` began."""
        y, level = self.signal, self.level
        turned = _first_turn(y[inside::-1], level)
        stop = 0 if turned is None else inside - turned
        rests = np.flatnonzero(self._rest[stop : max(inside - self._window, stop) + 1])
        if len(rests):
            stop = stop + int(rests[-1])
        lowest = float(y[stop : inside + 1].min())
        below = np.flatnonzero(y[stop : inside + 1] < lowest + level)
        i = stop + int(below[-1])
        return crossing_ms(y, lowest + level, min(i, len(y) - 2)), i

    def finish(self, stroke: Stroke) -> tuple[int, int, float]:
        """(ms, index, height): where the signal enters the level of its finishing height."""
        y = self.signal
        a, b = _index(stroke.finish_s, y), _index(stroke.leave_s, y)
        if stroke.leave_s - stroke.finish_s >= PLATEAU_S:
            height, inside = float(np.median(y[a : b + 1])), a
        else:
            begin = _index(stroke.rising_s, y)
            inside = begin + int(np.argmax(y[begin : b + 1]))
            height = float(y[inside])
        outside = _first(y[inside::-1], lambda part: np.abs(part - height) > self.level)
        i = 0 if outside is None else inside - outside
        edge = height + np.sign(y[i] - height) * self.level
        return crossing_ms(y, edge, min(i, len(y) - 2)), i + 1, height

    def comes_down(self, inside: int, height: float, before: int) -> int | None:
        """(ms) the level above the first place where the descent after `inside` turns or rests.

        None if the signal does not leave `height` downwards, or finds no such place, before the
        sample `before`.
        """
        y, level = self.signal, self.level
        left = _first(y[inside:before], lambda part: part < height - level)
        if left is None:
            return None
        begin = inside + left
        turned = _first_turn(y[begin:], level)
        rests = _first(self._rest[begin:], lambda part: part)
        stops = [] if turned is None else [begin + turned]
        if rests is not None:
            stops.append(begin + rests + self._window)
        if not stops:
            return None
        lowest = float(y[begin : min(stops) + 1].min())
        above = np.flatnonzero(y[begin : min(stops) + 1] <= lowest + level)
        i = begin + int(above[0]) - 1
        return crossing_ms(y, lowest + level, i)


def truth_of(choreography: Choreography, workout: Workout, start_s: float | None = None) -> dict:
    """The truth as a JSON-ready dict; see `read_truth`."""
    beeps = choreography.beeps if start_s is None else [start_s]
    return read_truth(
        sample(choreography),
        choreography.strokes,
        workout,
        beeps,
        start_source="sound" if start_s is None else "given",
    )


def read_truth(
    signals: Signals,
    strokes: Sequence[Stroke],
    workout: Workout,
    beeps_s: Sequence[float] = (),
    start_source: str = "sound",
) -> dict[str, Any]:
    """Truth of one attempt, with the field names of an Attempt; times in seconds.

    `beeps_s` are the onsets of the start signal's tones; without any the clock starts at the first
    lift-off (of the first stroke of the workout).
    """
    bar, hip = (Reader(s, signals.level_m) for s in (signals.bar_m, signals.hip_m))
    rests = floor_rests(signals)
    reps, failed = _instants(signals, strokes, bar, hip)
    inside = [r for r in reps if r.stroke.round is not None]
    first_lift = min((r.start for r in inside), default=0)
    before = [round(b * 1000) for b in beeps_s if round(b * 1000) <= first_lift]
    start, source = (before[-1], start_source) if before else (first_lift, "first lift-off")
    cap = None if workout.time_cap_s is None else start + round(workout.time_cap_s * 1000)
    _count(reps, workout, start, cap, rests)
    counted = [r for r in reps if r.status == "counted"]
    finished = len(counted) == sum(n for movements in workout.rounds for _, n in movements)
    end = counted[-1].top if counted else start
    if not finished and cap is not None:
        end = cap
    rounds = []
    for number in range(1, len(workout.rounds) + 1):
        of = [r for r in counted if r.stroke.round == number]
        if of:
            rounds.append((number, of[0].start, of[-1].top))
    breaks = [
        (rest, number)
        for rest in rests
        for number, a, b in rounds
        if rest.length >= BREAK_MS and rest.settled >= a and rest.lift_off <= b
    ]
    holds = [h for h in _holds(signals) if h[0] >= start and h[1] <= end]
    between = [(a[0], a[2], b[1]) for a, b in pairwise(rounds)]
    away = [rest.span for rest, _ in breaks] + [h[:2] for h in holds]
    transitions = _transitions(reps, rounds, workout, away)
    cycles = _cycles(counted, [rest.span for rest, _ in breaks])
    painted: list[tuple[str, list[tuple[int, int]]]] = [
        ("start", [(start, rounds[0][1] if rounds else end)]),
        ("between rounds", [(a, b) for _, a, b in between]),
        ("break", [rest.span for rest, _ in breaks]),
        ("hold", [h[:2] for h in holds]),
        ("transition", [(t["a"], t["b"]) for t in transitions]),
        ("reset", [r.span for r in rests if r.length >= TOUCH_MS]),
        ("touch", [r.span for r in rests]),
        ("rep", [(r.start, r.end) for r in reps if r.status]),
    ]
    return {
        "clock": {
            "start_s": _s(start),
            "end_s": _s(end),
            "start_source": source,
            "finished": finished,
            "total_s": _s(end - start),
        },
        "reps": [_rep_json(r, cycles.get(id(r)), signals) for r in reps if r.status],
        "failed": [_failed_json(r) for r in failed],
        "breaks": [_break_json(rest, number, counted) for rest, number in breaks],
        "between_rounds": [_between_json(n, a, b, rests) for n, a, b in between],
        "holds": [_hold_json(*hold, rounds) for hold in holds],
        "transitions": [_transition_json(t) for t in transitions],
        "rounds": [_round_json(n, a, b, counted, workout) for n, a, b in rounds],
        "floor_rests": [_rest_json(r) for r in rests],
        "drops": _drops(signals),
        "pick_ups": [_pick_up_json(r) for r in reps if r.stroke.kind == "pick_up"],
        "time_spent": [
            {"kind": k, "seconds": _s(v)} for k, v in paint(start, end, painted).items()
        ],
        "beeps_s": [round(b, 3) for b in beeps_s],
        "definitions": {
            "level_m": round(signals.level_m, 6),
            "rest_m": signals.rest_m,
            "stature_m": signals.stature_m,
        },
    }


def _s(ms: int) -> float:
    return round(ms / 1000, 3)


def _instants(
    signals: Signals, strokes: Sequence[Stroke], bar: Reader, hip: Reader
) -> tuple[list[_Rep], list[_Rep]]:
    """Start, top and end of every stroke, in order of time; reps with pick-ups, and failures."""
    ordered = sorted(strokes, key=lambda s: s.rising_s)
    starts = []
    for stroke in ordered:
        reader = hip if stroke.movement in START_BY_HIP else bar
        starts.append(reader.rise_begins(_index(stroke.rising_s, reader.signal)))
    releases = np.flatnonzero(signals.contact[:-1] & ~signals.contact[1:])
    reps: list[_Rep] = []
    failed: list[_Rep] = []
    for k, stroke in enumerate(ordered):
        reader = hip if stroke.movement in BY_HIP else bar
        last = k + 1 == len(ordered)
        next_start = len(signals.bar_m) - 1 if last else starts[k + 1][0]
        start = starts[k][0]
        if stroke.driven_through:
            top = end = next_start
            reps.append(_Rep(stroke, start, top, end, stroke.movement, flags=["driven_through"]))
            continue
        if stroke.kind == "failed":
            begin = _index(stroke.rising_s, bar.signal)
            until = _index(stroke.leave_s + 0.1, bar.signal)
            inside = begin + int(np.argmax(bar.signal[begin : until + 1]))
            top, height, reader = inside, float(bar.signal[inside]), bar
        else:
            top, inside, height = reader.finish(stroke)
        down = reader.comes_down(inside, height, len(reader.signal) if last else starts[k + 1][1])
        end = next_start if down is None else min(down, next_start)
        let_go = releases[releases >= inside]
        if len(let_go):
            end = min(end, int(let_go[0]))
        made = _Rep(stroke, start, top, max(end, top), stroke.movement)
        (failed if stroke.kind == "failed" else reps).append(made)
    return reps, failed


def _fits(prescribed: str, rep: _Rep) -> bool:
    if rep.stroke.kind == "pick_up":
        return rep.stroke.erect and prescribed in PICK_UP_COUNTS_AS.get(rep.stroke.zone, ())
    made = rep.stroke.movement
    return made == prescribed or made in ACCEPTS.get(prescribed, ())


def _leads_on(rep: _Rep, following: _Rep | None, rests: Sequence[FloorRest]) -> bool:
    """Whether a stroke from the floor is a pick-up: the bar goes straight on from higher up."""
    if following is None or not following.stroke.movement:
        return False
    return (
        START_ZONE[rep.movement] == "floor"
        and START_ZONE[following.stroke.movement] != "floor"
        and not any(
            rest.lift_off is not None and rep.top < rest.lift_off <= following.start
            for rest in rests
        )
    )


def _count(
    reps: list[_Rep], workout: Workout, start: int, cap: int | None, rests: Sequence[FloorRest]
) -> None:
    """Give every rep its status and number, in place; a pick-up that counts as none gets none.

    By the definition one lift too many that leads straight on to a movement that starts higher is
    such a pick-up: handling, no rep and no extra.
    """
    after = dict(zip(map(id, reps), [*reps[1:], None], strict=False))
    for number, movements in enumerate(workout.rounds, 1):
        usable = [
            r
            for r in reps
            if r.stroke.round == number and r.start >= start and (cap is None or r.top <= cap)
        ]
        for rep, position in zip(usable, _best_order(usable, movements), strict=True):
            if position is not None:
                movement, count = position
                rep.status, rep.number, rep.movement = "counted", count, movements[movement][0]
                if rep.stroke.kind == "pick_up":
                    rep.flags.append("pick_up")
            elif rep.stroke.kind == "rep" and not _leads_on(rep, after[id(rep)], rests):
                known = any(_fits(name, rep) for name, _ in movements)
                rep.status = "extra" if known else "unplanned"
    for rep in reps:
        inside = rep.stroke.round in range(1, len(workout.rounds) + 1) and rep.start >= start
        outside = not inside or (cap is not None and rep.top > cap)
        if not rep.status and rep.stroke.kind == "rep" and outside:
            rep.status = "unplanned"


def _best_order(
    reps: Sequence[_Rep], movements: Sequence[tuple[str, int]]
) -> list[tuple[int, int] | None]:
    """For each rep its (movement index, number), or None: most counted, earliest reps first.

    States are (movement index, reps of it counted so far) and only move forwards.
    """
    best: dict[tuple[int, int], tuple[float, list[tuple[int, int] | None]]] = {(0, 0): (0.0, [])}
    for i, rep in enumerate(reps):
        new: dict[tuple[int, int], tuple[float, list[tuple[int, int] | None]]] = {}

        def offer(
            state: tuple[int, int],
            score: float,
            path: list[tuple[int, int] | None],
            into: dict = new,
        ) -> None:
            if state not in into or score > into[state][0] + 1e-12:
                into[state] = (score, path)

        for (m, done), (score, path) in best.items():
            offer((m, done), score, [*path, None])
            for ahead in range(m, len(movements)):
                count = done + 1 if ahead == m else 1
                if count <= movements[ahead][1] and _fits(movements[ahead][0], rep):
                    # the earlier of two equal choices is worth a trifle more
                    gain = 1 + 1e-6 * (len(reps) - i)
                    offer((ahead, count), score + gain, [*path, (ahead, count)])
        best = new
    return max(best.values(), key=lambda item: item[0])[1]


def floor_rests(signals: Signals) -> list[FloorRest]:
    """Every stay on the floor, bounces included, from its first contact to a lift-off.

    An upward crossing with hands on the bar is a lift-off, one without is a bounce. A stay that the
    recording cuts short at either end is left out, and so is a bounce that is caught in the air.
    """
    y, edge = signals.bar_m, signals.rest_m + signals.level_m
    below = y < edge
    found: list[FloorRest] = []
    contacts: list[int] = []  # samples of the downward crossings of this stay
    risen = 0  # sample of its last bounce's upward crossing
    for i in np.flatnonzero(below[1:] != below[:-1]):
        if not below[i]:
            if contacts and signals.contact[risen : i + 1].any():
                contacts = []
            contacts.append(int(i))
        elif signals.contact[i]:
            if contacts:
                first, last = contacts[0], contacts[-1]
                found.append(
                    FloorRest(
                        crossing_ms(y, edge, first),
                        crossing_ms(y, edge, last),
                        crossing_ms(y, edge, int(i)),
                        hands_off=not bool(signals.contact[first : i + 1].all()),
                        dropped=not bool(signals.contact[first]),
                    )
                )
            contacts = []
        else:
            risen = int(i)
    return found


def _holds(signals: Signals) -> list[tuple[int, int, str]]:
    """(start, end, where) in ms of every plateau of 1.5 s and more with the bar in the hands."""
    y, level = signals.bar_m, signals.level_m
    n = HOLD_MS * RATE_HZ // 1000
    origin = -((n - 1) // 2) - (1 - n % 2)
    span = maximum_filter1d(y, n, origin=origin) - minimum_filter1d(y, n, origin=origin)
    still = span <= level
    still[len(y) - n + 1 :] = False
    held = minimum_filter1d(signals.contact.astype(np.int8), n, origin=origin) > 0
    still &= held & (y > signals.rest_m + level)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]])))
    holds = []
    for a, b in edges.reshape(-1, 2):
        plateau = float(np.median(y[a : b + n - 1]))
        outside = np.abs(y - plateau) > level
        before, after = np.flatnonzero(outside[:a]), np.flatnonzero(outside[b + n - 2 :])
        i = int(before[-1]) if len(before) else 0
        j = b + n - 2 + int(after[0]) if len(after) else len(y) - 1
        begin = crossing_ms(y, plateau + np.sign(y[i] - plateau) * level, i)
        finish = crossing_ms(y, plateau + np.sign(y[j] - plateau) * level, j - 1)
        released = np.flatnonzero(~signals.contact[b : j + 1])
        if len(released):
            finish = min(finish, int(b + released[0]) - 1)
        if finish - begin >= HOLD_MS:
            holds.append((begin, finish, _zone_of(plateau / signals.stature_m)))
    return holds


def _zone_of(height_st: float) -> str:
    """Zone of a still bar by its height in statures, halfway between the usual heights."""
    if height_st < 0.62:
        return "hang"
    return "rack" if height_st < 1.0 else "overhead"


def _transitions(
    reps: Sequence[_Rep],
    rounds: Sequence[tuple[int, int, int]],
    workout: Workout,
    away: Sequence[tuple[int, int]],
) -> list[dict[str, Any]]:
    """From the last top of a movement to the first start of the next; one too many is one too."""
    counted = [r for r in reps if r.status == "counted"]
    extra = [r for r in reps if r.status == "extra"]
    found = []
    for number, _, _ in rounds:
        present = []
        for movement, _ in workout.rounds[number - 1]:
            of = [r for r in counted if r.stroke.round == number and r.movement == movement]
            if of:
                present.append((movement, of))
        for (a_name, a), (b_name, b) in pairwise(present):
            more = [r for r in extra if a[-1].top < r.top <= b[0].start]
            begin = max([a[-1].top, *(r.top for r in more if r.movement == a_name)])
            early = [r.start for r in more if r.movement == b_name and r.start >= begin]
            end = min([max(b[0].start, begin), *early])
            free = np.ones(end - begin, bool)
            for x, y in away:
                free[max(x - begin, 0) : max(y - begin, 0)] = False
            found.append(
                {
                    "round": number,
                    "from": a_name,
                    "to": b_name,
                    "a": begin,
                    "b": end,
                    "net": int(free.sum()),
                }
            )
    return found


def paint(
    start: int, end: int, layers: Sequence[tuple[str, Sequence[tuple[int, int]]]]
) -> dict[str, int]:
    """Milliseconds of each kind: earlier layers win, what no layer takes is handling."""
    kind = np.full(max(end - start, 0), len(KINDS) - 1, np.int8)
    free = np.ones(len(kind), bool)
    for name, intervals in layers:
        for a, b in intervals:
            piece = slice(max(a - start, 0), max(b - start, 0))
            kind[piece][free[piece]] = KINDS.index(name)
            free[piece] = False
    return {name: int(np.sum(kind == i)) for i, name in enumerate(KINDS)}


def _overlap(rest: FloorRest, a: int, b: int) -> int:
    return max(min(rest.lift_off, b) - max(rest.settled, a), 0)


def _drops(signals: Signals) -> list[dict[str, float]]:
    """Every release above the floor that ends in a fall: when, first contact, height fallen."""
    y, edge = signals.bar_m, signals.rest_m + signals.level_m
    drops = []
    for i in np.flatnonzero(signals.contact[:-1] & ~signals.contact[1:]):
        if y[i] > edge:
            j = int(i) + int(np.flatnonzero(y[i:] < edge)[0]) - 1
            drops.append(
                {
                    "release_s": _s(int(i)),
                    "contact_s": _s(crossing_ms(y, edge, j)),
                    "height_m": round(float(y[i]) - signals.rest_m, 4),
                }
            )
    return drops


def _cycles(counted: Sequence[_Rep], breaks: Sequence[tuple[int, int]]) -> dict[int, int]:
    """Top minus the top before it in the same set and movement, by the rep's identity."""
    return {
        id(b): b.top - a.top
        for a, b in pairwise(counted)
        if (a.stroke.round, a.movement) == (b.stroke.round, b.movement)
        and not any(a.top < x and y < b.top for x, y in breaks)
    }


TURN_SHARE, TURN_MS = 0.03, 160


def _style(rep: _Rep, signals: Signals) -> str | None:
    """A hang clean's style: whether the bar is back 3 % of the stature above its lowest point
    within 0.16 s of coming so near to it.

    The reader's border is the same 0.16 s (`repcount.reading.label.REBOUND_S`), so comparing
    both says how well that time is read, not where the border should be.
    """
    if rep.movement not in ("hang power clean", "hang clean"):
        return None
    y = signals.bar_m
    near = slice(max(rep.start - 300, 0), rep.start + 1)
    low = near.start + int(np.argmin(y[near]))
    far = y > y[low] + TURN_SHARE * signals.stature_m
    before, after = np.flatnonzero(far[:low]), np.flatnonzero(far[low:])
    lasted = int(after[0]) + low - (int(before[-1]) if len(before) else 0)
    return "fast thigh rebound" if lasted < TURN_MS else "slow dip"


def _rep_json(rep: _Rep, cycle: int | None, signals: Signals) -> dict[str, Any]:
    return {
        "round": rep.stroke.round if rep.status != "unplanned" else None,
        "movement": rep.movement if rep.movement else "deadlift",
        "number": rep.number,
        "status": rep.status,
        "start_s": _s(rep.start),
        "top_s": _s(rep.top),
        "end_s": _s(rep.end),
        "flags": rep.flags,
        "cycle_s": None if cycle is None else _s(cycle),
        "style": _style(rep, signals),
    }


def _failed_json(rep: _Rep) -> dict[str, Any]:
    return {
        "round": rep.stroke.round,
        "movement": rep.movement,
        "start_s": _s(rep.start),
        "peak_s": _s(rep.top),
        "end_s": _s(rep.end),
    }


def _round_json(
    number: int, start: int, end: int, counted: Sequence[_Rep], workout: Workout
) -> dict[str, Any]:
    done = [r for r in counted if r.stroke.round == number]
    asked = workout.rounds[number - 1]
    short = [(m, n - sum(r.movement == m for r in done)) for m, n in asked]
    return {
        "round": number,
        "start_s": _s(start),
        "end_s": _s(end),
        "duration_s": _s(end - start),
        "counted": len(done),
        "prescribed": sum(n for _, n in asked),
        "missing": [{"movement": m, "reps": n} for m, n in short if n > 0],
    }


def _break_json(rest: FloorRest, number: int, counted: Sequence[_Rep]) -> dict[str, Any]:
    after = [r for r in counted if r.top <= rest.settled][-1]
    return {
        "start_s": _s(rest.settled),
        "end_s": _s(rest.lift_off),
        "first_contact_s": _s(rest.first_contact),
        "round": number,
        "after": {"movement": after.movement, "number": after.number},
        "hands_off": rest.hands_off,
    }


def _between_json(after: int, a: int, b: int, rests: Sequence[FloorRest]) -> dict[str, Any]:
    return {
        "after_round": after,
        "start_s": _s(a),
        "end_s": _s(b),
        "bar_down_s": _s(sum(_overlap(rest, a, b) for rest in rests)),
    }


def _hold_json(
    a: int, b: int, where: str, rounds: Sequence[tuple[int, int, int]]
) -> dict[str, Any]:
    return {
        "start_s": _s(a),
        "end_s": _s(b),
        "where": where,
        "round": next((n for n, x, y in rounds if x <= a <= y), None),
    }


def _transition_json(transition: dict[str, Any]) -> dict[str, Any]:
    a, b = transition["a"], transition["b"]
    return {
        "round": transition["round"],
        "from_movement": transition["from"],
        "to_movement": transition["to"],
        "start_s": _s(a),
        "end_s": _s(b),
        "gross_s": _s(b - a),
        "net_s": _s(transition["net"]),
    }


def _pick_up_json(rep: _Rep) -> dict[str, Any]:
    return {
        "start_s": _s(rep.start),
        "top_s": _s(rep.top),
        "to": rep.stroke.zone,
        "erect": rep.stroke.erect,
        "counted_as": rep.movement if rep.status else None,
    }


def _rest_json(rest: FloorRest) -> dict[str, Any]:
    length = rest.length
    return {
        "start_s": _s(rest.settled),
        "end_s": _s(rest.lift_off),
        "first_contact_s": _s(rest.first_contact),
        "hands_off": rest.hands_off,
        "dropped": rest.dropped,
        "kind": "touch-and-go" if length < TOUCH_MS else "reset" if length < BREAK_MS else "break",
    }


def plain(truth: Mapping[str, Any]) -> str:
    """One line a rep and break, for people."""
    lines = [
        f"round {r['round']} {r['movement']:<17} {r['number'] or '-':>2} {r['status']:<9} "
        f"{r['start_s']:8.3f} {r['top_s']:8.3f} {r['end_s']:8.3f} {' '.join(r['flags'])}"
        for r in truth["reps"]
    ]
    lines += [
        f"break {b['start_s']:.3f} to {b['end_s']:.3f} after {b['after']['movement']} "
        f"{b['after']['number']}, round {b['round']}"
        for b in truth["breaks"]
    ]
    return "\n".join(lines)
