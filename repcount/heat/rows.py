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
from repcount.units import Ms, to_ms
from repcount.wording import plural
from repcount.wording.numbers import short

# One beep heard by several phones: 2.9 ms a metre (343 m/s), so that phones up to 10 m farther from
# the loudspeaker hear it up to 29 ms later.
BEEP_UNCERTAINTY_S = 0.03
# A moment that a person stopped: the standard deviation of one press on an anticipated event is
# 0.07 s ("Manual timing in physics experiments", American Journal of Physics 2019, 87: 110).
GIVEN_UNCERTAINTY_S = 0.07
# Of right reps, 3 to 4 in a hundred are marked to be checked (DEVELOPERS.md, "Measured"); an
# attempt with more than twice that fraction has something the matter with it.
MANY_CHECKS = 0.08


@dataclass(frozen=True)
class Entry:
    """Who did an attempt. `start_s`: where the start lies on the video's own clock (as a player
    shows it), in place of what the reading found; `start_uncertainty_s`: its standard deviation."""

    athlete: str
    division: str = ""
    lane: int | None = None
    start_s: float | None = None
    start_uncertainty_s: float | None = None


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
    start, source, uncertainty = _start(entry, attempt)
    workout = attempt.workout
    total, finished, counted = _result(attempt, start)
    base = start or Ms(0)
    reps = [_rep(rep, workout, base) for rep in counted]
    breaks = _breaks(attempt, comparison, base)
    reasons = _reasons_to_check(attempt, source, reps, total)
    whole = len(reps) == len(attempt.counted())
    row = HeatAttempt(
        athlete=entry.athlete,
        division=entry.division,
        lane=entry.lane,
        video=attempt.video.file_name,
        results=results,
        state="doubtful" if reasons else "read",
        reason="; ".join(reasons),
        workout=workout.name if workout else "",
        load_kg=workout.load_kg if workout else None,
        finished=finished,
        total_s=None if total is None or total <= 0 else total.seconds,
        done=len(reps),
        asked=workout.reps if workout else None,
        last_top_s=reps[-1].top_s if reps else None,
        start_source=source,
        start_uncertainty_s=uncertainty,
        planned_s=comparison.planned_total_s if comparison else None,
        difference_s=_difference(comparison, attempt, total),
        deviations=_deviations(comparison),
        checks=sum(rep.check for rep in reps),
        failed_strokes=len(attempt.failed),
        rounds=_rounds(attempt, base),
        between_s=Ms(sum(gap.length_ms for gap in attempt.between_rounds)).seconds,
        time_spent=attempt.time_spent,
        spread=spreads(attempt, reps, [one.position for one in breaks]) if whole else [],
        reps=reps,
        breaks=breaks,
    )
    row.result = result_words(row)
    return row


def _result(attempt: Attempt, start: Ms | None) -> tuple[Ms | None, bool | None, list[Rep]]:
    """The total on a clock that starts at `start`, whether it is finished, and its counted reps.

    Under another start the time cap falls at another moment: what topped later does not count.
    """
    end, finished, counted = attempt.clock.end_ms, attempt.clock.finished, attempt.counted()
    total = None if start is None or end is None else end - start
    cap_s = attempt.workout.time_cap_s if attempt.workout else None
    if cap_s and start is not None:
        cap = to_ms(cap_s)
        in_time = [rep for rep in counted if rep.top_ms <= start + cap]
        if len(in_time) < len(counted):
            return cap, False, in_time
        if finished is False and total is not None:
            total = min(total, cap)
    return total, finished, counted


def _rounds(attempt: Attempt, base: Ms) -> list[HeatRound]:
    """The splits on the heat's clock."""
    patterns = words.set_patterns(attempt)
    found = []
    for number, span in sorted(attempt.round_spans().items()):
        breaks = attempt.breaks_in(number)
        found.append(
            HeatRound(
                round=number,
                start_s=(span.start_ms - base).seconds,
                end_s=(span.end_ms - base).seconds,
                duration_s=span.duration_s,
                counted=span.counted,
                breaks=len(breaks),
                break_s=Ms(sum(pause.length_ms for pause in breaks)).seconds,
                sets=patterns.get(number, ""),
            )
        )
    return found


def _breaks(attempt: Attempt, comparison: Comparison | None, base: Ms) -> list[HeatBreak]:
    """The breaks on the heat's clock, each at its place among the prescribed reps."""
    outcomes = _outcomes(comparison)
    return [
        HeatBreak(
            round=pause.round or 1,
            movement=pause.after.movement if pause.after else None,
            number=pause.after.number if pause.after else None,
            position=_place(pause, attempt.workout),
            start_s=(pause.start_ms - base).seconds,
            end_s=(pause.end_ms - base).seconds,
            length_s=pause.length_s,
            outcome=outcomes.get(pause.id),
        )
        for pause in attempt.breaks
    ]


def _start(entry: Entry, attempt: Attempt) -> tuple[Ms | None, StartSource, float | None]:
    """Where the heat's clock starts in the attempt's time, how that is known, its uncertainty."""
    if entry.start_s is not None:
        uncertainty = (
            GIVEN_UNCERTAINTY_S if entry.start_uncertainty_s is None else entry.start_uncertainty_s
        )
        return to_ms(entry.start_s / (attempt.video.slowed or 1)), "given", uncertainty
    clock = attempt.clock
    uncertainties = {"sound": BEEP_UNCERTAINTY_S, "given": GIVEN_UNCERTAINTY_S}
    return clock.start_ms, clock.start_source, uncertainties.get(clock.start_source)


def _rep(rep: Rep, workout: Workout | None, base: Ms) -> HeatRep:
    number, round_ = rep.number or 0, rep.round or 1
    place = None
    if workout is not None:
        after = After(movement=rep.movement, number=number)
        place = workout.reps_before(round_) + position_of(after, workout.rounds[round_ - 1])
    return HeatRep(
        round=round_,
        movement=rep.movement,
        number=number,
        position=place,
        top_s=(rep.top_ms - base).seconds,
        cycle_s=rep.cycle_s,
        confidence=rep.confidence,
        check=words.needs_check(rep),
    )


def _place(pause: Break, workout: Workout | None) -> int | None:
    if workout is None or pause.round is None:
        return None
    return workout.reps_before(pause.round) + position_of(
        pause.after, workout.rounds[pause.round - 1]
    )


def _outcomes(comparison: Comparison | None) -> dict[str, str]:
    if comparison is None or not comparison.planned_sets:
        return {}
    return {match.real.id: match.outcome for match in comparison.breaks if match.real}


def _difference(comparison: Comparison | None, attempt: Attempt, total: Ms | None) -> float | None:
    """Total less planned, on the heat's clock; None where the attempt ended early."""
    if comparison is None or comparison.difference_s is None or total is None:
        return None
    moved = total - to_ms(attempt.clock.total_s or 0)
    return (to_ms(comparison.difference_s) + moved).seconds


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


def _reasons_to_check(
    attempt: Attempt, source: StartSource, reps: Sequence[HeatRep], total: Ms | None
) -> list[str]:
    """Why a person should check the attempt before its place is believed."""
    said = []
    if attempt.workout is None:
        said.append("read without a workout")
    if not reps:
        said.append("no rep was counted")
    if total is not None and total <= 0:
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
    workout = attempt.workout
    short = workout.reps - len(attempt.counted()) if workout else 0
    if workout and last and last.round == len(workout.rounds) and is_over(last, workout) and short:
        said.append(f"all rounds were done, but {plural(short, 'rep')} not counted")
    if "ends-before-cap" in codes:
        said.append("the video ends before the time cap")
    checks = sum(rep.check for rep in reps)
    if checks > MANY_CHECKS * len(reps):
        said.append(f"{plural(checks, 'rep')} to check")
    return said
