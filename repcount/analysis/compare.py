"""An attempt beside its plan: splits, breaks matched, where the time went.

Differences are real minus planned, in whole milliseconds, so that they add up exactly.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime

import repcount
from repcount.analysis.matching import PlannedPlace, RealPlace, match_breaks
from repcount.attempt.assemble import is_over
from repcount.attempt.records import (
    After,
    Attempt,
    Break,
    BreakMatch,
    BreakOutcome,
    Comparison,
    FloorRest,
    MovementReps,
    Notice,
    PlannedBreak,
    Provenance,
    Rep,
    RoundDifference,
    RoundSpan,
    TimeDifference,
)
from repcount.attempt.time_budget import Span, clipped, length
from repcount.errors import RecordError
from repcount.plan import Plan, position_of, write_sets
from repcount.units import Ms, to_ms, total_ms
from repcount.wording import plural
from repcount.wording.numbers import short

# A length as planned: well over what video adds (two events at 30 Hz: 0.014 s) and about what a
# person's own counting of seconds varies by (common practice, no source).
LENGTH_TOLERANCE_S = 0.5


def compare(
    attempt: Attempt, plan: Plan, *, length_tolerance_s: float = LENGTH_TOLERANCE_S
) -> Comparison:
    """Set an attempt beside its plan.

    A break whose length is within `length_tolerance_s` of the planned one is as long as planned.
    The time of an attempt that ended early is compared to the end of its last finished round; its
    total then has no difference.

    Raises RecordError if the attempt was not read against the plan's workout.
    """
    plan = plan.tested(attempt.workout) if attempt.workout else plan
    _check_same_workout(attempt, plan)
    spans = attempt.round_spans()
    done = _finished_rounds(attempt, plan)
    matches = _matches(attempt, plan, spans, length_tolerance_s, done) if plan.has_breaks else []
    time = _time(attempt, plan, spans, matches, done)
    planned, real = plan.planned_total_s, attempt.clock.total_s
    whole = done == len(plan.rounds)
    comparison = Comparison(
        provenance=Provenance(
            version=repcount.__version__,
            made_at=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            options={**attempt.provenance.options, "length_tolerance_s": length_tolerance_s},
            models=attempt.provenance.models,
        ),
        workout=plan.workout,
        planned_total_s=planned,
        real_total_s=real,
        difference_s=_less(real, planned) if whole else None,
        compared_rounds=done,
        rounds=_rounds(attempt, plan, spans, matches, done),
        breaks=matches,
        planned_sets=plan.planned_sets(),
        real_sets=[_real_sets(attempt, plan, number) for number in range(1, len(plan.rounds) + 1)],
        time=time,
        warnings=_warnings(attempt, plan, done),
    )
    _weigh(attempt, comparison, plan)
    return comparison


def _check_same_workout(attempt: Attempt, plan: Plan) -> None:
    if attempt.workout is None:
        raise RecordError(
            "the attempt was read without a workout, so it has no rounds to compare; analyze the "
            "video again with the plan."
        )
    if attempt.workout.rounds != plan.workout.rounds:
        raise RecordError(
            f'the attempt was read as the workout "{attempt.workout.name}", whose rounds differ '
            f'from those of the plan "{plan.workout.name}"; analyze the video again with this plan.'
        )


def _warnings(attempt: Attempt, plan: Plan, done: int) -> list[Notice]:
    found = []
    workout = attempt.workout
    if workout and workout.load_kg != plan.workout.load_kg:
        text = "The plan's load is not the one that the attempt was read with."
        found.append(Notice(code="load-differs", text=text))
    missing = sum(part.reps for span in attempt.rounds[:done] for part in span.missing)
    if missing:
        was = "rep was" if missing == 1 else "reps were"
        text = f"{missing} prescribed {was} not counted: the time compared is of a shorter workout."
        found.append(Notice(code="short", text=text))
    if done < len(plan.rounds):
        upto = f"up to the end of round {done}" if done else "not at all"
        text = f"The attempt is not finished: its time is compared {upto}."
        found.append(Notice(code="unfinished", text=text))
    if not plan.has_breaks:
        text = "The plan has no break pattern: breaks are not compared."
        found.append(Notice(code="no-pattern", text=text))
    if plan.planned_total_s is None:
        text = "The plan has no round times: the time is not compared."
        found.append(Notice(code="no-pace", text=text))
    return found


def _finished_rounds(attempt: Attempt, plan: Plan) -> int:
    """How many rounds from the first on are over: those before the last begun, and it if over."""
    if not attempt.rounds:
        return 0
    last = attempt.rounds[-1]
    return last.round if is_over(last, plan.workout) else last.round - 1


def _rounds(
    attempt: Attempt,
    plan: Plan,
    spans: dict[int, RoundSpan],
    matches: Sequence[BreakMatch],
    done: int,
) -> list[RoundDifference]:
    found = []
    for number, one in enumerate(plan.rounds, 1):
        real = spans[number].duration_s if number in spans else None
        found.append(
            RoundDifference(
                round=number,
                planned_s=one.round_s,
                real_s=real,
                difference_s=_less(real, one.round_s) if number <= done else None,
                planned_breaks=len(one.break_s),
                real_breaks=len(attempt.breaks_in(number)),
                finished=number <= done,
            )
        )
    return found


# Breaks


def _matches(
    attempt: Attempt, plan: Plan, spans: dict[int, RoundSpan], tolerance_s: float, done: int
) -> list[BreakMatch]:
    """Every planned break and every real one, by round, in the order of the round."""
    planned_breaks = plan.planned_breaks()
    last = attempt.rounds[-1].round if attempt.rounds else 0
    found = []
    for number, one in enumerate(plan.rounds, 1):
        counted = attempt.counted(number)
        here = [stop for stop in planned_breaks if stop.round == number]
        reached = one.reps
        if number > last:
            reached = -1
        elif number > done:
            reached = _position(counted[-1:], one.movements) - 1
        planned = [
            PlannedPlace(position, to_ms(stop.seconds), position <= reached)
            for stop, position in zip(
                here, one.pattern.positions() if one.pattern else [], strict=True
            )
        ]
        stops: list[Break | FloorRest] = list(attempt.breaks_in(number))
        if number in spans:
            stops += [
                rest
                for rest in attempt.floor_rests
                if rest.kind == "reset"
                and spans[number].start_s <= rest.start_s
                and rest.start_s < spans[number].end_s
            ]
        stops.sort(key=lambda stop: stop.start_s)
        real = [
            RealPlace(
                _position([rep for rep in counted if rep.top_s <= stop.start_s], one.movements),
                stop.length_ms,
                isinstance(stop, FloorRest),
            )
            for stop in stops
        ]
        for i, j in match_breaks(planned, real, one.reps):
            if i is None and j is not None and real[j].reset:
                continue
            found.append(
                _match(
                    number,
                    None if i is None else (here[i], planned[i]),
                    None if j is None else (stops[j], real[j]),
                    to_ms(tolerance_s),
                )
            )
    return found


def _match(
    number: int,
    planned: tuple[PlannedBreak, PlannedPlace] | None,
    real: tuple[Break | FloorRest, RealPlace] | None,
    tolerance: Ms,
) -> BreakMatch:
    """One planned break with what came of it, or one real break that was not planned."""
    outcome: BreakOutcome
    moved = None
    if planned and real:
        moved = real[1].position - planned[1].position
        outcome = "reset" if real[1].reset else "moved" if moved else "as planned"
    elif planned:
        outcome = "skipped" if planned[1].reached else "not reached"
    else:
        outcome = "unplanned"
    planned_ms, real_ms = planned[1].ms if planned else None, real[1].ms if real else None
    difference = (real_ms or Ms(0)) - (planned_ms or Ms(0))
    match = BreakMatch(
        round=number,
        outcome=outcome,
        planned=planned[0] if planned else None,
        moved_by=moved,
        planned_s=None if planned_ms is None else planned_ms.seconds,
        real_s=None if real_ms is None else real_ms.seconds,
        difference_s=None if outcome == "not reached" else difference.seconds,
    )
    if real:
        stop = real[0]
        if isinstance(stop, Break):
            match.real = stop
        else:
            match.real_reset = stop
    if planned and real:
        longer, shorter = difference > tolerance, difference < -tolerance
        match.length = "longer" if longer else "shorter" if shorter else "as planned"
    return match


def _position(done: Sequence[Rep], movements: Sequence[MovementReps]) -> int:
    """The place in the round after counted reps: that of the last of them."""
    if not done:
        return 0
    return position_of(After(movement=done[-1].movement, number=done[-1].number or 1), movements)


def _real_sets(attempt: Attempt, plan: Plan, number: int) -> str:
    """The sets of a round as they were done, in the plan's notation, with what is not as asked.

    A set without a counted rep is written 0. Reps that were missed are not guessed a place: they
    stand behind, in words.
    """
    span = attempt.round_spans().get(number)
    if span is None:
        return "not begun"
    counted = attempt.counted(number)
    stops = [stop.start_s for stop in attempt.breaks_in(number)]
    edges = [float("-inf"), *stops, float("inf")]
    sets = []
    for begin, end in itertools.pairwise(edges):
        members = [rep for rep in counted if begin < rep.top_s <= end]
        runs = itertools.groupby(members, key=lambda rep: rep.movement)
        sets.append([len(list(run)) for _, run in runs])
    said = counted_words(attempt, number)
    return write_sets(sets) + (f" ({said})" if said else "")


def counted_words(attempt: Attempt, number: int) -> str:
    """What counts of a round where that is not all that was done or asked for, each movement once:
    `5 of 6 hang power clean counted, 1 no-rep`. Empty where all of it counts."""
    if attempt.workout is None or number not in attempt.round_spans():
        return ""
    done: Counter[tuple[str, str]] = Counter(
        (rep.movement, rep.status) for rep in attempt.reps if rep.round == number
    )
    said: list[str] = []
    for name in dict.fromkeys(part.movement for part in attempt.workout.rounds[number - 1]):
        asked = attempt.workout.asked(number, name)
        counted = done[name, "counted"]
        also = [
            plural(done[name, status], word)
            for status, word in (("no_rep", "no-rep"), ("extra", "extra rep"))
            if done[name, status]
        ]
        if counted < asked or also:
            verb = "" if said else " counted"  # once is enough
            said.append(", ".join([f"{counted} of {asked} {name}{verb}", *also]))
    return "; ".join(said)


# Where the time went


def _time(
    attempt: Attempt,
    plan: Plan,
    spans: dict[int, RoundSpan],
    matches: Sequence[BreakMatch],
    done: int,
) -> list[TimeDifference]:
    """Kinds that the plan gives times for, one by one, and the rest as work, up to a round's end.

    Work is what is left on both sides, so the differences add up to that of the totals exactly.
    """
    planned_end = plan.planned_until_s(done)
    over = [span for number, span in sorted(spans.items()) if number <= done]
    begin = attempt.clock.start_ms
    if planned_end is None or begin is None or not over:
        return []
    total = over[-1].end_ms - begin
    parts: dict[str, tuple[Ms, Ms]] = {}
    if plan.start_s is not None:
        parts["start"] = to_ms(plan.start_s), over[0].start_ms - begin
    if plan.has_breaks:
        here = [match for match in matches if match.round <= done]
        parts["breaks"] = (
            total_ms(match.planned_s or 0 for match in here),
            total_ms(match.real_s or 0 for match in here),
        )
    if plan.between_rounds_s:
        gaps = [gap for gap in attempt.between_rounds if gap.end_ms <= begin + total]
        parts["between rounds"] = (
            total_ms(plan.between_rounds_s[: max(done - 1, 0)]),
            Ms(sum(gap.length_ms for gap in gaps)),
        )
    for number in range(1, done + 1):
        for kind, planned, real in _inside(attempt, plan, matches, number):
            before = parts.get(kind, (Ms(0), Ms(0)))
            parts[kind] = before[0] + planned, before[1] + real
    parts["work"] = (
        to_ms(planned_end) - sum(planned for planned, _ in parts.values()),
        total - sum(real for _, real in parts.values()),
    )
    return [
        TimeDifference(
            kind=kind,
            planned_s=planned.seconds,
            real_s=real.seconds,
            difference_s=(real - planned).seconds,
        )
        for kind, (planned, real) in parts.items()
    ]


def _inside(
    attempt: Attempt, plan: Plan, matches: Sequence[BreakMatch], number: int
) -> list[tuple[str, Ms, Ms]]:
    """Changes of movement and cycles of one round where the plan gives them, planned and real.

    A reset that meets a planned break is counted with the breaks: it is taken out of a change of
    movement, and the cycle it lies in is none, as the plan's is none there.
    """
    resets: list[Span] = [
        match.real_reset.span for match in matches if match.real_reset and match.round == number
    ]
    found: list[tuple[str, Ms, Ms]] = []
    planned_changes = plan.planned_transition_s(number)
    if planned_changes is not None:
        real = Ms(0)
        for one in attempt.transitions:
            if one.round == number:
                real += one.net_ms - length(clipped(resets, one.span))
        found.append(("transitions", to_ms(planned_changes), real))
    for movement, planned_s in plan.planned_cycle_s(number).items():
        cycles = [
            (rep.top_ms - to_ms(rep.cycle_s), rep.top_ms)
            for rep in attempt.counted(number)
            if rep.movement == movement and rep.cycle_s is not None
        ]
        real = Ms(sum(end - start for start, end in cycles if not clipped(resets, (start, end))))
        found.append((f"cycle {movement}", to_ms(planned_s), real))
    return found


def _weigh(attempt: Attempt, comparison: Comparison, plan: Plan) -> None:
    """Say of a comparison what was lost in all, and the largest loss in a sentence; nothing where
    nothing is timed."""
    from repcount.analysis.forecast import Filmed  # imported here, as it takes long
    from repcount.analysis.losses import LEAST_S, losses

    found = losses(Filmed(attempt, comparison, attempt.video.file_name, plan))
    comparison.lost_s = total_ms(one.seconds for one in found).seconds
    if found:
        most = found[0]
        comparison.costliest = (
            f"Largest loss: {most.name}, {short(most.seconds)} s against {most.against}."
        )
    elif comparison.time or any(one.difference_s is not None for one in comparison.breaks):
        comparison.costliest = f"No part took {short(LEAST_S)} s longer than planned."


def _less(real: float | None, planned: float | None) -> float | None:
    if real is None or planned is None:
        return None
    return (to_ms(real) - to_ms(planned)).seconds
