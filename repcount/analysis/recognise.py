"""The workout that an attempt looks like, from lifts that were read without one.

A workout is a cycle of movements, so many reps of each, some rounds of it. The cycle is the one
whose repetition is nearest to the runs of movements seen (edit distance, plus its own length). Then
every lift is given a place in it by one search over all lifts (Viterbi): in the cell it is in, or
further on. Prices are in lifts: one that fits no cell costs one, a pick-up (from the floor after a
break, to where the next lift begins) less, and a cell without a lift one.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import Attempt, FloorRest, MovementReps, Reading, Rep, Workout
from repcount.plan import Pattern, Plan, RoundPlan
from repcount.units import from_ms, to_ms
from repcount.wording import listed, plural

LONGEST_CYCLE, MOST_ROUNDS = 6, 40
FEWEST_LIFTS = 4  # under this nothing is read into them
PICK_UP = 0.3  # what a pick-up that fits no cell costs, in lifts; assumption
LEAST = 0.02  # a movement that a lift does not look like at all; assumption
# What stating one more number is worth, in lifts explained by it: a workout of other numbers is
# believed where it explains more than this for each number of its own. Assumption.
A_NUMBER = 2.0


@dataclass(frozen=True)
class Recognised:
    """A workout with its sets as done, as a plan; `left_out` lifts fit none of its places, and
    `missing` reps of its rounds that are over were not seen."""

    plan: Plan
    left_out: int
    missing: int

    @property
    def words(self) -> str:
        """`3 rounds of 8 deadlift, 6 hang power clean, 4 push press`."""
        return workout_words(self.plan.workout)


def workout_words(workout: Workout) -> str:
    """`3 rounds of 8 deadlift, 6 hang power clean`; each round by itself where they differ."""
    each = [listed([f"{part.reps} {part.movement}" for part in one]) for one in workout.rounds]
    if len(set(each)) == 1:
        return f"{plural(len(each), 'round')} of {each[0]}"
    return f"{plural(len(each), 'round')}: {'; '.join(each)}"


def pattern_at(movements: Sequence[MovementReps], marks: Sequence[int]) -> Pattern:
    """The pattern of a round whose bar goes down after so many reps (`marks`, within the round)."""
    total = sum(part.reps for part in movements)
    inside = sorted({mark for mark in marks if 0 < mark < total})
    sets: list[list[MovementReps]] = []
    for begin, end in itertools.pairwise([0, *inside, total]):
        parts, upto = [], 0
        for part in movements:
            reps = min(end, upto + part.reps) - max(begin, upto)
            if reps > 0:
                parts.append(MovementReps(movement=part.movement, reps=reps))
            upto += part.reps
        sets.append(parts)
    return Pattern(sets=sets)


def recognise(reading: Reading, attempt: Attempt) -> Recognised | None:
    """The workout that a reading without one looks like; `attempt` is what it makes.

    None where there are too few lifts to tell.
    """
    lifts = attempt.counted()
    if len(lifts) < FEWEST_LIFTS:
        return None
    looks = {stroke.id: stroke.likelihoods for stroke in reading.strokes}
    seen = [looks.get(lift.id) or {lift.movement: 1.0} for lift in lifts]
    breaks = [rest for rest in attempt.floor_rests if rest.kind == "break"]
    picked = _pick_ups(lifts, breaks)
    paths = [_by_path(look) for look in seen]
    cycle, rounds = _cycle([_path(lift.movement) for lift in lifts], picked)
    cells = _places(paths, picked, cycle, rounds)
    names = _names(seen, cells, cycle)
    counts = _counts(cells, len(cycle))
    asked, over = _asked(counts)
    movements = [
        [MovementReps(movement=name, reps=reps) for name, reps in zip(names, one, strict=True)]
        for one in asked
    ]
    missing = sum(
        max(0, reps - done)
        for one, row in zip(asked[:over], counts[:over], strict=True)
        for reps, done in zip(one, row, strict=True)
    )
    extra = sum(
        max(0, done - reps)
        for one, row in zip(asked, counts, strict=True)
        for reps, done in zip(one, row, strict=True)
    )
    left_out = sum(cell is None and not at for cell, at in zip(cells, picked, strict=True))
    plan = _plan(attempt, lifts, cells, movements, len(cycle), breaks)
    return Recognised(plan, left_out + extra, missing)


def looks_like_another(attempt: Attempt, other: Recognised) -> bool:
    """Whether an attempt that was read by a workout is better explained by another one.

    Both are judged by what they leave unexplained: lifts that are not of the workout, and reps of
    rounds that are over which were not seen. The other one has numbers of its own, which cost.
    """
    workout = attempt.workout
    if workout is None or other.plan.workout.rounds == workout.rounds:
        return False
    outside = sum(rep.status in ("unplanned", "extra") for rep in attempt.reps)
    begun = [span for span in attempt.rounds if span.missing]
    missing = sum(part.reps for span in begun[:-1] for part in span.missing)
    begin = other.plan.workout.rounds[0]
    numbers = len(begin) + 1
    return outside + missing > other.left_out + other.missing + A_NUMBER * numbers


def _path(movement: str) -> str:
    """The first movement of the catalogue with the same path: what differs in the knees alone is
    told with uncertainty (README), and a cycle is made of what is sure."""
    one = CATALOGUE[movement]
    return next(
        name
        for name, other in CATALOGUE.items()
        if (other.begins, other.ends, other.squat, other.via)
        == (one.begins, one.ends, one.squat, one.via)
    )


def _by_path(look: dict[str, float]) -> dict[str, float]:
    """How likely a lift is of each path."""
    found: dict[str, float] = {}
    for name, likelihood in look.items():
        if name in CATALOGUE:
            found[_path(name)] = found.get(_path(name), 0.0) + likelihood
    return found


def _pick_ups(lifts: Sequence[Rep], breaks: Sequence[FloorRest]) -> list[bool]:
    """Which lifts may be pick-ups: the first after a break, to where the next one begins, which
    goes on from there without the floor."""
    found = []
    for place, lift in enumerate(lifts):
        before = lifts[place - 1].top_s if place else 0.0
        rested = any(before <= rest.start_s and rest.end_s <= lift.top_s for rest in breaks)
        after = lifts[place + 1] if place + 1 < len(lifts) else None
        entry = CATALOGUE[lift.movement]
        found.append(
            rested
            and entry.begins == "floor"
            and after is not None
            and CATALOGUE[after.movement].begins == entry.ends
        )
    return found


def _cycle(names: Sequence[str], picked: Sequence[bool]) -> tuple[list[str], int]:
    """The movements of a round in order, and how many rounds were begun."""
    kept = [name for name, at in zip(names, picked, strict=True) if not at] or list(names)
    lengths = [(name, len(list(run))) for name, run in itertools.groupby(kept)]
    whole = Counter[str]()
    for name, reps in lengths:
        whole[name] += reps
    # a movement seen once and never again is a lift that was named wrongly
    known = [name for name, _ in lengths if whole[name] > 1 or len(whole) == 1]
    runs = [name for name, _ in itertools.groupby(known)] or [lengths[0][0]]
    best: tuple[float, list[str], int] | None = None
    for size in range(1, min(LONGEST_CYCLE, len(runs)) + 1):
        cycle = runs[:size]
        if size > 1 and cycle[0] == cycle[-1]:
            continue
        price, rounds = _repeated(runs, cycle)
        if best is None or price + size < best[0]:
            best = price + size, cycle, rounds
    assert best is not None  # a cycle of one movement always is one
    return best[1], best[2]


def _repeated(runs: Sequence[str], cycle: Sequence[str]) -> tuple[int, int]:
    """The edit distance from runs to the cycle's repetition, its tail free, and its rounds."""
    most = min(MOST_ROUNDS, math.ceil(len(runs) / len(cycle)))
    line = list(cycle) * most
    row = list(range(len(line) + 1))
    for place, name in enumerate(runs, 1):
        above, row[0] = row[0], place
        for column, other in enumerate(line, 1):
            here = min(row[column] + 1, row[column - 1] + 1, above + (name != other))
            above, row[column] = row[column], here
    least = min(row)
    return least, max(1, math.ceil(row.index(least) / len(cycle)))


def _places(
    seen: Sequence[dict[str, float]], picked: Sequence[bool], cycle: Sequence[str], rounds: int
) -> list[int | None]:
    """The cell of every lift (round times the cycle's length and its place in the cycle), None for
    one that fits none: the cheapest way through, which never goes back."""
    count = rounds * len(cycle)
    costs = [0.0] + [float(cell) for cell in range(1, count)]  # of being in a cell: skipped ones
    ways: list[list[tuple[int, bool]]] = []
    for look, at in zip(seen, picked, strict=True):
        skip = PICK_UP if at else 1.0
        most = max(look.values(), default=1.0) or 1.0
        misfit = [
            min(2.0, math.log(most / max(look.get(name, 0.0), LEAST * most)) / math.log(1 / LEAST))
            * 2.0
            for name in cycle
        ]
        new: list[float] = []
        way: list[tuple[int, bool]] = []
        for cell in range(count):
            options = [(costs[cell] + skip, cell, False), (costs[cell], cell, True)]
            options += [
                (costs[before] + (cell - before - 1), before, True)
                for before in range(max(0, cell - len(cycle)), cell)
            ]
            price, before, fits = min(
                (
                    (cost + (misfit[cell % len(cycle)] if fits else 0.0), before, fits)
                    for cost, before, fits in options
                ),
                key=lambda one: (one[0], not one[2]),
            )
            new.append(price)
            way.append((before, fits))
        costs = new
        ways.append(way)
    cell = min(range(count), key=lambda one: (costs[one], one))
    places: list[int | None] = []
    for way in reversed(ways):
        before, fits = way[cell]
        places.append(cell if fits else None)
        cell = before
    return places[::-1]


def _names(
    seen: Sequence[dict[str, float]], cells: Sequence[int | None], cycle: Sequence[str]
) -> list[str]:
    """The name of each place in the cycle: what its lifts together look most like of its path."""
    names = []
    for place, name in enumerate(cycle):
        logs = {one: 0.0 for one in CATALOGUE if _path(one) == name}
        for look, cell in zip(seen, cells, strict=True):
            if cell is not None and cell % len(cycle) == place:
                for one in logs:
                    logs[one] += math.log(max(look.get(one, 0.0), LEAST))
        names.append(max(logs, key=lambda one: logs[one]))
    return names


def _counts(cells: Sequence[int | None], size: int) -> list[list[int]]:
    """Lifts in every place of the cycle, by round; a last round of one lift is none."""
    done = Counter(cell for cell in cells if cell is not None)
    rounds = max(done, default=0) // size + 1
    counts = [[done[number * size + place] for place in range(size)] for number in range(rounds)]
    while len(counts) > 1 and sum(counts[-1]) <= 1:
        counts.pop()
    return counts


def _asked(counts: Sequence[Sequence[int]]) -> tuple[list[list[int]], int]:
    """What each round asks for, and how many rounds are over.

    The same in every round where that leaves less to explain than other numbers would cost; else
    what was done.
    """
    size = len(counts[0])
    usual = [
        max(Counter(row[place] for row in counts).items(), key=lambda item: (item[1], item[0]))[0]
        for place in range(size)
    ]
    begun_last = counts[-1]
    unfinished = len(counts) > 1 and begun_last[-1] < usual[-1] and sum(begun_last) < sum(usual)
    over = len(counts) - unfinished
    off = sum(
        abs(done - asked) for row in counts[:over] for done, asked in zip(row, usual, strict=True)
    )
    if off <= A_NUMBER * size * max(1, over - 1) / 2:
        return [[max(1, one) for one in usual] for _ in counts], over
    return [[max(1, one) for one in row] for row in counts], over


def _plan(
    attempt: Attempt,
    lifts: Sequence[Rep],
    cells: Sequence[int | None],
    movements: list[list[MovementReps]],
    size: int,
    breaks: Sequence[FloorRest],
) -> Plan:
    """The workout with the sets, breaks and times as they were done."""
    rounds: list[RoundPlan] = []
    spans: list[tuple[float, float]] = []
    for number, asked in enumerate(movements):
        mine = [
            (lift, cell % size)
            for lift, cell in zip(lifts, cells, strict=True)
            if cell is not None and cell // size == number
        ]
        begin, end = mine[0][0].start_s, mine[-1][0].top_s
        spans.append((begin, end))
        stops: dict[int, int] = {}
        for rest in breaks:
            if begin < rest.start_s < end:
                done = [place for lift, place in mine if lift.top_s <= rest.start_s]
                mark = _mark(done, asked)
                stops[mark] = stops.get(mark, 0) + rest.length_ms
        pattern = pattern_at(asked, list(stops))
        lengths = [from_ms(stops[mark]) for mark in pattern.positions()]
        rounds.append(RoundPlan(movements=asked, pattern=pattern, break_s=lengths))
    return _timed(attempt, rounds, spans, movements)


def _mark(done: Sequence[int], asked: Sequence[MovementReps]) -> int:
    """Reps of the round that are done, of lifts in these places of the cycle."""
    if not done:
        return 0
    place = done[-1]
    here = min(sum(one == place for one in done), asked[place].reps)
    return sum(part.reps for part in asked[:place]) + here


def _timed(
    attempt: Attempt,
    rounds: list[RoundPlan],
    spans: Sequence[tuple[float, float]],
    movements: list[list[MovementReps]],
) -> Plan:
    """The rounds as a plan with its times; a round that was cut short gets the usual time."""
    took = [to_ms(end) - to_ms(begin) for begin, end in spans]
    usual = statistics.median_low(took)
    times = [
        max(ms, usual) if number == len(took) - 1 and len(took) > 1 else ms
        for number, ms in enumerate(took)
    ]
    least = [to_ms(one.break_total_s) + 100 * one.reps for one in rounds]
    start = attempt.clock.start_ms
    return Plan(
        workout=Workout(name="As recognised", rounds=movements),
        rounds=[
            one.model_copy(update={"round_s": from_ms(max(ms, low))})
            for one, ms, low in zip(rounds, times, least, strict=True)
        ],
        between_rounds_s=[
            from_ms(max(0, to_ms(after[0]) - to_ms(before[1])))
            for before, after in itertools.pairwise(spans)
        ]
        or None,
        start_s=None if start is None else from_ms(max(0, to_ms(spans[0][0]) - start)),
    )
