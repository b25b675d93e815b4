"""From one attempt to its row: the heat's clock, positions in the workout, state and deviations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repcount.attempt.assemble import is_over
from repcount.attempt.records import (
    After,
    Attempt,
    Break,
    Comparison,
    Rep,
    StartSource,
    Workout,
)
from repcount.heat.ranking import result_words
from repcount.heat.records import HeatAttempt, HeatBreak, HeatRep, HeatRound
from repcount.heat.statistics import spreads
from repcount.plan import position_of
from repcount.reports import words
from repcount.units import from_ms, to_ms
from repcount.wording import plural
from repcount.wording.numbers import short

# One beep heard by several phones: 2.9 ms a metre (343 m/s), so that phones up to 10 m farther from
# the loudspeaker hear it up to 29 ms later.
BEEP_DOUBT_S = 0.03
# A moment that a person stopped: the standard deviation of one press on an anticipated event is
# 0.07 s ("Manual timing in physics experiments", American Journal of Physics 2019, 87: 110).
GIVEN_DOUBT_S = 0.07
# Of right reps, 3 to 4 in a hundred are marked to be looked at (DEVELOPERS.md, "Measured"); an
# attempt with more than twice that share has something the matter with it.
MANY_CHECKS = 0.08


@dataclass(frozen=True)
class Entry:
    """Who did an attempt. `start_s`: where the start lies on the video's own clock (as a player
    shows it), in place of what the reading found; `start_doubt_s`: its standard deviation."""

    athlete: str
    division: str = ""
    lane: int | None = None
    start_s: float | None = None
    start_doubt_s: float | None = None


def failed_row(entry: Entry, reason: str, video: str = "") -> HeatAttempt:
    """The row of an attempt that could not be read."""
    return HeatAttempt(
        athlete=entry.athlete,
        division=entry.division,
        lane=entry.lane,
        video=video,
        state="failed",
        reason=reason,
        result="not read",
    )


def attempt_row(
    entry: Entry, attempt: Attempt, comparison: Comparison | None = None, results: str = ""
) -> HeatAttempt:
    """The row of an attempt that was read; without a place, which only the others give."""
    start_ms, source, doubt = _start(entry, attempt)
    workout = attempt.workout
    end_ms = None if attempt.clock.end_s is None else to_ms(attempt.clock.end_s)
    total_ms = None if start_ms is None or end_ms is None else end_ms - start_ms
    finished = attempt.clock.finished
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    cap_ms = to_ms(workout.time_cap_s) if workout and workout.time_cap_s else None
    if cap_ms is not None and start_ms is not None:
        # Under another start the cap falls at another moment: what topped later does not count.
        limit = start_ms + cap_ms
        if any(to_ms(rep.top_s) > limit for rep in counted):
            counted = [rep for rep in counted if to_ms(rep.top_s) <= limit]
            finished, total_ms = False, cap_ms
        elif finished is False and total_ms is not None:
            total_ms = min(total_ms, cap_ms)
    base = start_ms or 0
    reps = [_rep(rep, workout, base) for rep in counted]
    places = [_place(pause, workout) for pause in attempt.breaks]
    outcomes = _outcomes(comparison)
    spans = {span.round: span for span in attempt.rounds}
    patterns = words.set_patterns(attempt)
    doubts = _doubts(attempt, source, reps, total_ms)
    row = HeatAttempt(
        athlete=entry.athlete,
        division=entry.division,
        lane=entry.lane,
        video=attempt.video.file_name,
        results=results,
        state="doubtful" if doubts else "read",
        reason="; ".join(doubts),
        workout=workout.name if workout else "",
        load_kg=workout.load_kg if workout else None,
        finished=finished,
        total_s=None if total_ms is None or total_ms <= 0 else from_ms(total_ms),
        done=len(reps),
        asked=_asked(workout),
        last_top_s=reps[-1].top_s if reps else None,
        start_source=source,
        start_doubt_s=doubt,
        planned_s=comparison.planned_total_s if comparison else None,
        difference_s=_difference(comparison, attempt, total_ms),
        deviations=_deviations(comparison),
        checks=sum(rep.check for rep in reps),
        failed_strokes=len(attempt.failed),
        rounds=[
            HeatRound(
                round=number,
                start_s=from_ms(to_ms(span.start_s) - base),
                end_s=from_ms(to_ms(span.end_s) - base),
                duration_s=span.duration_s,
                counted=span.counted,
                breaks=sum(pause.round == number for pause in attempt.breaks),
                break_s=from_ms(sum(_length(p) for p in attempt.breaks if p.round == number)),
                sets=patterns.get(number, ""),
            )
            for number, span in sorted(spans.items())
        ],
        between_s=from_ms(
            sum(to_ms(gap.end_s) - to_ms(gap.start_s) for gap in attempt.between_rounds)
        ),
        time_spent=attempt.time_spent,
        spread=spreads(attempt, reps, places) if len(reps) == _counted(attempt) else [],
        reps=reps,
        breaks=[
            HeatBreak(
                round=pause.round or 1,
                movement=pause.after.movement if pause.after else None,
                number=pause.after.number if pause.after else None,
                position=place,
                start_s=from_ms(to_ms(pause.start_s) - base),
                end_s=from_ms(to_ms(pause.end_s) - base),
                length_s=from_ms(_length(pause)),
                outcome=outcomes.get(pause.id),
            )
            for pause, place in zip(attempt.breaks, places, strict=True)
        ],
    )
    row.result = result_words(row)
    return row


def scheme(workout: Workout) -> list[tuple[int, str, int]]:
    """Round, movement and number (from 1 in movement and round) of every prescribed rep."""
    found = []
    for number, parts in enumerate(workout.rounds, 1):
        done: dict[str, int] = {}
        for part in parts:
            for _ in range(part.reps):
                done[part.movement] = done.get(part.movement, 0) + 1
                found.append((number, part.movement, done[part.movement]))
    return found


def _start(entry: Entry, attempt: Attempt) -> tuple[int | None, StartSource, float | None]:
    """Where the heat's clock starts in the attempt's time (ms), how that is known, its doubt."""
    if entry.start_s is not None:
        doubt = GIVEN_DOUBT_S if entry.start_doubt_s is None else entry.start_doubt_s
        return to_ms(entry.start_s / (attempt.video.slowed or 1)), "given", doubt
    clock = attempt.clock
    start = None if clock.start_s is None else to_ms(clock.start_s)
    doubts = {"sound": BEEP_DOUBT_S, "given": GIVEN_DOUBT_S}
    return start, clock.start_source, doubts.get(clock.start_source)


def _asked(workout: Workout | None) -> int | None:
    if workout is None:
        return None
    return sum(part.reps for parts in workout.rounds for part in parts)


def _counted(attempt: Attempt) -> int:
    return sum(rep.status == "counted" for rep in attempt.reps)


def _length(pause: Break) -> int:
    return to_ms(pause.end_s) - to_ms(pause.start_s)


def _before(workout: Workout, round_: int) -> int:
    """Prescribed reps of the rounds before."""
    return sum(part.reps for parts in workout.rounds[: round_ - 1] for part in parts)


def _rep(rep: Rep, workout: Workout | None, base: int) -> HeatRep:
    number, round_ = rep.number or 0, rep.round or 1
    place = None
    if workout is not None:
        after = After(movement=rep.movement, number=number)
        place = _before(workout, round_) + position_of(after, workout.rounds[round_ - 1])
    return HeatRep(
        round=round_,
        movement=rep.movement,
        number=number,
        position=place,
        top_s=from_ms(to_ms(rep.top_s) - base),
        cycle_s=rep.cycle_s,
        confidence=rep.confidence,
        check=words.doubtful(rep),
    )


def _place(pause: Break, workout: Workout | None) -> int | None:
    if workout is None or pause.round is None:
        return None
    return _before(workout, pause.round) + position_of(pause.after, workout.rounds[pause.round - 1])


def _outcomes(comparison: Comparison | None) -> dict[str, str]:
    if comparison is None or not comparison.planned_sets:
        return {}
    return {match.real.id: match.outcome for match in comparison.breaks if match.real}


def _difference(
    comparison: Comparison | None, attempt: Attempt, total_ms: int | None
) -> float | None:
    """Total less planned, on the heat's clock; None where the attempt ended early."""
    if comparison is None or comparison.difference_s is None or total_ms is None:
        return None
    moved = total_ms - to_ms(attempt.clock.total_s or 0)
    return from_ms(to_ms(comparison.difference_s) + moved)


def _deviations(comparison: Comparison | None) -> list[str]:
    if comparison is None:
        return []
    said = [
        f"round {match.round}: {words.break_words(match)}"
        for match in comparison.breaks
        if match.outcome not in ("as planned", "not reached")
    ]
    return said + [
        f"round {match.round}: the break after {match.real.after.movement} "
        f"{match.real.after.number} was {short(abs(match.difference_s))} s {match.length}"
        for match in comparison.breaks
        if match.outcome == "as planned"
        and match.length in ("longer", "shorter")
        and match.real
        and match.real.after
        and match.difference_s is not None
    ]


def _doubts(
    attempt: Attempt, source: StartSource, reps: Sequence[HeatRep], total_ms: int | None
) -> list[str]:
    """Why a person should look at the attempt before its place is believed."""
    said = []
    if attempt.workout is None:
        said.append("read without a workout")
    if not reps:
        said.append("no rep was counted")
    if total_ms is not None and total_ms <= 0:
        said.append("it ends before its start, so the start given cannot be right")
    if source == "given" and any(rep.top_s < 0 for rep in reps):
        said.append("the start given lies after its first rep")
    codes = {notice.code for notice in attempt.warnings}
    if "start-ambiguous" in codes and source == "sound":
        said.append("there are two start signals")
    if "started-early" in codes and source != "given":
        said.append("the first rep begins before the start")
    if source == "first lift-off":
        said.append("no start signal: its clock starts at its own first lift-off")
    last = attempt.rounds[-1] if attempt.rounds else None
    workout, short = attempt.workout, (_asked(attempt.workout) or 0) - _counted(attempt)
    if workout and last and last.round == len(workout.rounds) and is_over(last, workout) and short:
        said.append(f"all rounds were done, but {plural(short, 'rep')} not counted")
    if "ends-before-cap" in codes:
        said.append("the video ends before the time cap")
    checks = sum(rep.check for rep in reps)
    if checks > MANY_CHECKS * len(reps):
        said.append(f"{plural(checks, 'rep')} to look at")
    return said
