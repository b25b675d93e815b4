"""Reading and corrections to an attempt: always derived, never edited.

Everything is computed in whole milliseconds, so that sums are exact.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

import repcount
from repcount.attempt.corrected import BREAK_S, Corrected, apply_edits
from repcount.attempt.count import count
from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import (
    After,
    Attempt,
    BetweenRounds,
    Break,
    Clock,
    Edits,
    FloorRest,
    Hold,
    MovementReps,
    Notice,
    Provenance,
    Reading,
    Rep,
    RestKind,
    RoundSpan,
    SetSpan,
    SetSpeed,
    TimeKind,
    TimeShare,
    Transition,
    Workout,
)
from repcount.attempt.time_budget import Span, allot, clipped, joined, length, without
from repcount.units import Ms, from_ms, to_ms

RESET_S = 0.5  # and HOLD_S: common practice, no source
HOLD_S = 1.5


def rest_kind(rest: FloorRest, *, reset_s: float = RESET_S, break_s: float = BREAK_S) -> RestKind:
    """What a floor rest is, by its length in whole milliseconds.

    Picked up before it has settled: touch. Shorter than `reset_s`: touch-and-go. From `reset_s` to
    under `break_s`: reset. From `break_s` on: break (common practice, no source).
    """
    if not rest.settled:
        return "touch"
    if rest.length_ms >= to_ms(break_s):
        return "break"
    return "reset" if rest.length_ms >= to_ms(reset_s) else "touch-and-go"


def derive_attempt(
    reading: Reading,
    edits: Edits | None = None,
    *,
    reset_s: float = RESET_S,
    break_s: float = BREAK_S,
) -> Attempt:
    """The attempt that a reading and a person's corrections make.

    Counted are, in each round and movement, the first prescribed number of reps by their tops; what
    the reading counts beyond that is extra. Reps that top before the clock's start or after its end
    are unplanned. The workout is finished when every prescribed rep has been counted; an unbroken
    test with its first set, and what comes after a break is extra.

    The time cap ends an unfinished attempt only if the video goes on to it; else the clock stops at
    the last counted top. Where it runs on to the cap, or to an end that a person has set, the last
    round or the time after it runs on with it, so that start piece, rounds and times between rounds
    always add up to the total.

    Without a workout there is one implicit round: every rep that is no no-rep is counted in round
    1, nothing is prescribed and `clock.finished` is null.

    Raises RecordError if the corrections belong to another video.
    """
    corrected = apply_edits(reading, edits)
    rests = [
        rest.model_copy(update={"kind": rest_kind(rest, reset_s=reset_s, break_s=break_s)})
        for rest in sorted(corrected.floor_rests, key=lambda rest: (rest.start_s, rest.end_s))
    ]
    workout = reading.workout
    if workout is not None and workout.to_max:
        workout = workout.tested(_unbroken(corrected.reps, rests))
        reading = reading.model_copy(update={"workout": workout})
    warnings = _passed_on(reading, corrected)
    reps, clock = count(reading, corrected, rests, warnings)
    rounds, between = _rounds(reps, rests, workout, clock)
    breaks = _breaks(rests, rounds, reps)
    sets = _sets(reps, rounds, breaks)
    film = reading.video
    if corrected.recorded_at is not None:
        film = film.model_copy(update={"recorded_at": corrected.recorded_at})
    holds = _holds(reading, corrected, clock, rounds)
    transitions = _transitions(reps, rounds, breaks, holds)
    return Attempt(
        provenance=Provenance(
            version=repcount.__version__,
            made_at=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            options={**reading.provenance.options, "reset_s": reset_s, "break_s": break_s},
            models=reading.provenance.models,
        ),
        video=film,
        workout=workout,
        clock=clock,
        reps=_with_floor(_with_cycles(reps, breaks), rests),
        failed=corrected.failed,
        breaks=breaks,
        between_rounds=between,
        holds=holds,
        transitions=transitions,
        rounds=rounds,
        sets=sets,
        floor_rests=rests,
        time_spent=_time_spent(clock, rounds, between, breaks, holds, transitions, rests, reps),
        notes=corrected.notes,
        orphaned_edits=list(corrected.orphaned),
        trace=reading.trace,
        warnings=warnings,
    )


def _unbroken(reps: Sequence[Rep], rests: Sequence[FloorRest]) -> int:
    """The reps of the first set: those up to the first break after its first rep."""
    done = sorted(rep.top_s for rep in reps if rep.status in ("counted", "extra"))
    breaks = [rest.start_s for rest in rests if rest.kind == "break" and done]
    until = min((at for at in breaks if at > done[0]), default=math.inf)
    return sum(top < until for top in done)


def _passed_on(reading: Reading, corrected: Corrected) -> list[Notice]:
    """The reading's warnings that still hold, and one for each correction without its target."""
    settled = {"start-ambiguous"} if corrected.clock_start_s is not None else set()
    return [notice for notice in reading.warnings if notice.code not in settled] + [
        Notice(code="orphaned-edit", text=f"Correction {name} does not apply: {reason}")
        for name, reason in corrected.orphaned.items()
    ]


def _by_round(reps: Sequence[Rep]) -> dict[int, list[Rep]]:
    """Counted reps of every round that has some, in order."""
    found: dict[int, list[Rep]] = defaultdict(list)
    for rep in reps:
        if rep.counts and rep.round is not None:
            found[rep.round].append(rep)
    return found


def _rounds(
    reps: Sequence[Rep], rests: Sequence[FloorRest], workout: Workout | None, clock: Clock
) -> tuple[list[RoundSpan], list[BetweenRounds]]:
    """Rounds from first counted start to last counted top, and the times between them."""
    rounds: list[RoundSpan] = []
    between: list[BetweenRounds] = []
    lying = [rest.span for rest in rests]

    def add_between(begin: Ms, end: Ms) -> None:
        down = clipped(lying, (begin, end))
        between.append(
            BetweenRounds(
                after_round=rounds[-1].round,
                start_s=begin.seconds,
                end_s=end.seconds,
                bar_down_s=length(down).seconds,
            )
        )

    for number, members in _by_round(reps).items():
        begin, end = members[0].start_ms, members[-1].top_ms
        if rounds:
            add_between(rounds[-1].end_ms, begin)
        made = Counter(rep.movement for rep in members)
        asked = list(dict.fromkeys(workout.movements(number))) if workout else []
        missing = [
            MovementReps(movement=name, reps=workout.asked(number, name) - made[name])
            for name in asked
            if workout and workout.asked(number, name) > made[name]
        ]
        rounds.append(
            RoundSpan(
                round=number,
                start_s=begin.seconds,
                end_s=end.seconds,
                duration_s=(end - begin).seconds,
                counted=len(members),
                prescribed=sum(part.reps for part in workout.rounds[number - 1])
                if workout
                else None,
                missing=missing,
            )
        )
    stopped = clock.end_ms
    if rounds and stopped is not None and stopped > rounds[-1].end_ms:
        last = rounds[-1]
        if workout and last.round < len(workout.rounds) and is_over(last, workout):
            add_between(last.end_ms, stopped)
        else:
            last.end_s = stopped.seconds
            last.duration_s = last.length_s
    return rounds, between


def is_over(span: RoundSpan, workout: Workout) -> bool:
    """Whether the last round begun is over: all reps of its last movement are counted.

    Reps missed before that make a round short, not unfinished.
    """
    final = workout.movements(span.round)[-1]
    return all(part.movement != final for part in span.missing)


def all_rounds_over(attempt: Attempt) -> bool:
    """Whether the last round was done to its end, with a rep missing here or there."""
    workout, last = attempt.workout, attempt.rounds[-1] if attempt.rounds else None
    if workout is None or last is None or last.round < len(workout.rounds):
        return False
    return is_over(last, workout)


def _breaks(
    rests: Sequence[FloorRest], rounds: Sequence[RoundSpan], reps: Sequence[Rep]
) -> list[Break]:
    """Floor rests that are breaks and begin inside a round, placed after its last counted rep."""
    members = _by_round(reps)
    found = []
    for rest in rests:
        at = rest.start_ms
        inside = [span for span in rounds if span.start_ms <= at < span.end_ms]
        if rest.kind != "break" or not inside:
            continue
        span = inside[0]
        done = [rep for rep in members[span.round] if rep.top_ms <= at]
        after = After(movement=done[-1].movement, number=done[-1].number or 0) if done else None
        missed = [
            rep
            for rep in reps
            if rep.status == "no_rep"
            and (rep.round, rep.movement) == (span.round, after.movement if after else None)
            and rep.top_ms <= at
        ]
        found.append(
            Break(
                id=rest.id,
                start_s=rest.start_s,
                end_s=min(rest.end_s, span.end_s),
                first_contact_s=rest.first_contact_s,
                round=span.round,
                after=after,
                after_no_reps=len(missed),
                hands_off=rest.hands_off,
                seen=rest.seen,
                touched_by=rest.touched_by,
            )
        )
    return found


def _set_number(rep: Rep, starts: Sequence[float]) -> int:
    """How many breaks lie before a rep, by their starts in order: reps with the same number are of
    one set."""
    return bisect_left(starts, rep.top_s)


def _sets(
    reps: Sequence[Rep], rounds: Sequence[RoundSpan], breaks: Sequence[Break]
) -> list[SetSpan]:
    """Counted reps between two breaks, by round."""
    members, starts = _by_round(reps), sorted(one.start_s for one in breaks)
    found = []
    for span in rounds:
        groups = itertools.groupby(members[span.round], key=lambda rep: _set_number(rep, starts))
        for number, (_, group) in enumerate(groups, 1):
            one = list(group)
            found.append(
                SetSpan(
                    round=span.round,
                    number=number,
                    reps=[
                        MovementReps(movement=name, reps=len(list(run)))
                        for name, run in itertools.groupby(one, key=lambda rep: rep.movement)
                    ],
                    start_s=one[0].start_s,
                    speeds=_speeds(one),
                    end_s=one[-1].top_s,
                )
            )
    return found


def _speeds(reps: Sequence[Rep]) -> list[SetSpeed]:
    """Mean and slope a rep (ordinary least squares) of the rising speeds of every movement of a set
    with three reps and more."""
    found = []
    for movement in dict.fromkeys(rep.movement for rep in reps):
        values = [
            one.value
            for rep in reps
            if rep.movement == movement
            for one in rep.measures
            if one.name == "rise_speed"
        ]
        count = len(values)
        if count < 3:
            continue
        mean = sum(values) / count
        # the covariance is scaled by the residuals over n - 2
        (slope, _), covariance = np.polyfit(range(count), values, 1, cov=True)
        found.append(
            SetSpeed(
                movement=movement,
                reps=count,
                mean_st_s=round(mean, 4),
                slope_share=round(float(slope / mean), 4),
                uncertainty=round(float(np.sqrt(covariance[0, 0]) / mean), 4),
            )
        )
    return found


def _with_floor(reps: Sequence[Rep], rests: Sequence[FloorRest]) -> list[Rep]:
    """Reps with how the bar lay before those from the floor, and whether it fell after."""
    found = []
    ended = sorted(rests, key=lambda rest: rest.end_s)
    ends = [rest.end_s for rest in ended]
    falls = sorted(rest.first_contact_s for rest in rests if rest.dropped)
    for place, rep in enumerate(reps):
        since = reps[place - 1].top_s if place else 0.0
        until = reps[place + 1].start_s if place + 1 < len(reps) else float("inf")
        before = bisect_right(ends, rep.top_s)  # rests that have ended by then
        fall = bisect_left(falls, rep.top_s)
        fell = fall < len(falls) and falls[fall] < until
        entry = CATALOGUE.get(rep.movement)
        own = before and ends[before - 1] > since and entry is not None and entry.begins == "floor"
        kind = ended[before - 1].kind if own else None
        found.append(rep.model_copy(update={"from_floor": kind, "dropped": fell}))
    return found


def _with_cycles(reps: Sequence[Rep], breaks: Sequence[Break]) -> list[Rep]:
    """Reps with their cycle time: their top less the top before it in the same set and movement.

    A no-rep and an extra rep are lifts of their set like any other: the rep after one is measured
    from its top, so that a cycle is always one lift's.
    """
    found = []
    starts = sorted(one.start_s for one in breaks)
    before: Rep | None = None
    for rep in reps:
        cycle = None
        if rep.round is not None:
            if (
                before is not None
                and (before.round, before.movement) == (rep.round, rep.movement)
                and _set_number(before, starts) == _set_number(rep, starts)
            ):
                cycle = (rep.top_ms - before.top_ms).seconds
            before = rep
        found.append(rep.model_copy(update={"cycle_s": cycle}))
    return found


def _holds(
    reading: Reading, corrected: Corrected, clock: Clock, rounds: Sequence[RoundSpan]
) -> list[Hold]:
    """The reading's holds of which enough lies in the clock's run, less a person's reps in them."""
    rises = [
        (rep.start_ms, rep.top_ms)
        for rep in corrected.reps
        if rep.touched_by == "person" and rep.start_s < rep.top_s
    ]
    found = []
    for hold in reading.holds:
        for begin, end in without([hold.span], rises):
            seen = clipped([(begin, end)], clock.span) if clock.span else [(begin, end)]
            if length(seen) < to_ms(HOLD_S):
                continue
            middle = from_ms(sum(seen[0]) // 2)
            inside = [span.round for span in rounds if span.start_s <= middle < span.end_s]
            found.append(
                Hold(
                    start_s=begin.seconds,
                    end_s=end.seconds,
                    where=hold.where,
                    round=inside[0] if inside else None,
                )
            )
    return found


def _transitions(
    reps: Sequence[Rep],
    rounds: Sequence[RoundSpan],
    breaks: Sequence[Break],
    holds: Sequence[Hold],
) -> list[Transition]:
    """From the last top of a movement to the first start of the next, within a round.

    A lift that missed a standard is one of its movement all the same, and so is one beyond what is
    asked for, beside the others: a change of movement does not depend on what a judge lets count.
    """
    stops = joined([*(one.span for one in breaks), *(one.span for one in holds)])
    found = []
    for span in rounds:
        lifts = [
            rep
            for rep in reps
            if rep.round == span.round
            and span.start_ms <= rep.start_ms
            and rep.top_ms <= span.end_ms
        ]
        runs = [list(run) for _, run in itertools.groupby(lifts, key=lambda rep: rep.movement)]
        done = [rep for run in runs if any(rep.status != "extra" for rep in run) for rep in run]
        for one, after in itertools.pairwise(done):
            if one.movement == after.movement:
                continue
            begin, end = one.top_ms, max(one.top_ms, after.start_ms)
            gross = end - begin
            found.append(
                Transition(
                    round=span.round,
                    from_movement=one.movement,
                    to_movement=after.movement,
                    start_s=begin.seconds,
                    end_s=end.seconds,
                    gross_s=gross.seconds,
                    net_s=(gross - length(clipped(stops, (begin, end)))).seconds,
                )
            )
    return found


def _time_spent(
    clock: Clock,
    rounds: Sequence[RoundSpan],
    between: Sequence[BetweenRounds],
    breaks: Sequence[Break],
    holds: Sequence[Hold],
    transitions: Sequence[Transition],
    rests: Sequence[FloorRest],
    reps: Sequence[Rep],
) -> list[TimeShare]:
    """The clock's run divided kind after kind; what is left is pick-ups and put-downs."""
    run = clock.span
    if run is None:
        return []
    begun = rounds[0].start_ms if rounds else run[1]
    layers: list[tuple[TimeKind, list[Span]]] = [
        ("start", [(run[0], begun)]),
        ("between rounds", [one.span for one in between]),
        ("break", [one.span for one in breaks]),
        ("hold", [one.span for one in holds]),
        ("transition", [one.span for one in transitions]),
        ("reset", [one.span for one in rests if one.kind == "reset"]),
        ("touch", [one.span for one in rests if one.kind in ("touch", "touch-and-go")]),
        ("rep", [one.span for one in reps]),
    ]
    spent = allot(run, layers, "handling")
    return [TimeShare(kind=kind, seconds=ms.seconds) for kind, ms in spent.items()]
