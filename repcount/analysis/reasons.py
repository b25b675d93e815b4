"""Why an attempt went badly: sets too long, breaks too short, a start too fast, a load too heavy.

Each reason leaves other traces in the times. A set that is too long slows within itself and is cut
short late in it; breaks that are too short are overrun, and the bar goes down again after a few
reps; whoever starts too fast slows more from the first round to the next than otherwise; a load
that is too heavy is slow from the first rep on. Every trace is weighed by a scale of its own, and a
reason's traces are added up as log odds; the probabilities are theirs, each against the other
three. The scales are assumptions (common practice, no source), in the README beside this file. None
of this says what gave out in the body: it ranks what to change first.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from repcount.analysis.forecast import Filmed
from repcount.attempt.assemble import all_rounds_over
from repcount.attempt.records import Attempt, Probability, Record, Rep
from repcount.plan.break_rules import RULES, USUAL_BREAK_S
from repcount.plan.model import Plan
from repcount.plan.pace import LEAD
from repcount.plan.tempo import CYCLE_RANGE_S, typical_cycle_s
from repcount.units import Ms, Seconds, to_ms

ReasonKind = Literal["sets", "breaks", "start", "load"]
KINDS: tuple[ReasonKind, ...] = ("sets", "breaks", "start", "load")
MOST = 3.0  # log odds that one trace can give: what is measured once proves nothing alone
FEWEST_TO_WEIGH = 6
FRESH_REPS = 3  # after a rest, the reps that show what is left of it
# Under this share of the clock's run, what was lost by stopping and slowing explains no failure.
LEAST_SHARE = 0.05
OVER_SHARE, SEVERAL_STOPS = 0.1, 2  # over the plan by this share, or over it with so many stops
# What speaks e to 1 for or against a reason.
LOG_SET = 0.3  # the longest set against the longest of the rules, as a log
LATE_REPS = 1.5  # how many reps into a planned set the bar goes down, against half a usual set
LOG_BREAK = 0.4  # planned breaks against the usual length
OVER_S = 0.5  # how much longer than planned breaks took, on average
LOG_PACE = 0.1  # cycles against typical ones, a round's time against its plan
LOG_DROP = 0.15  # cycles of later rounds against those of the first
USUAL_LONGEST = min(one.reps for one in RULES[0].longest.values())


class Reason(Record):
    """One reason with its probability against the other three, and the traces that speak for it."""

    kind: ReasonKind
    probability: Probability
    traces: list[str] = Field(default_factory=list)


class Trouble(Record):
    """What an attempt lost by stopping and by slowing, and the likely reasons."""

    unfinished: bool = Field(False, description="not all rounds were done")
    stops: int = Field(description="breaks that were not planned")
    reps_before: float | None = Field(None, description="of the set, before these, on average")
    breaks_over_s: Seconds | None = Field(
        None, description="how much longer than planned the planned breaks took, on average"
    )
    stopped_s: Seconds = Field(description="in these breaks")
    slower_s: Seconds = Field(description="in cycles, beyond the median of the first round's")
    later: float | None = Field(
        None, description="how much longer later cycles were than the first round's, as a log"
    )
    rounds: list[int] = Field(description="in which it stopped, or that are not finished")
    reasons: list[Reason] = Field(description="the likeliest first")


@dataclass(frozen=True)
class _Cycle:
    round: int
    position: int  # reps since the bar last lay
    log: float  # against the typical cycle


def trouble(filmed: Filmed, plan: Plan) -> Trouble | None:
    """What went badly in an attempt and why; None where it went well or there is too little to see.

    It went badly where not all rounds were done (a no-rep here or there does not undo a round), or
    took much longer than planned, or longer with several unplanned breaks; and where a part of the
    time went into unplanned breaks and into cycles longer than the first round's, or than is
    typical. Without these it is the plan that asks for more than its cap holds, or rests longer
    than planned.
    """
    attempt = filmed.attempt
    stops = _stops(filmed)
    over = filmed.comparison.difference_s if filmed.comparison else None
    much = (over or 0.0) > OVER_SHARE * (attempt.clock.total_s or 0.0)
    over_all = bool(attempt.clock.finished or all_rounds_over(attempt))
    went_well = over_all and not (much or ((over or 0.0) > 0 and len(stops) >= SEVERAL_STOPS))
    cycles = _cycles(attempt)
    stopped_s = Ms(sum(to_ms(length) for _, length in stops)).seconds
    slower_s = _slower_s(attempt)
    lost = stopped_s + max(slower_s, _slower_than_typical_s(attempt))
    if went_well or lost < LEAST_SHARE * (attempt.clock.total_s or 0.0):
        return None
    if len(cycles) < FEWEST_TO_WEIGH:
        return None
    weighed = {
        "sets": _sets(plan, stops),
        "breaks": _breaks(filmed, plan, stops),
        "start": _start(plan, cycles),
        "load": _load(filmed, plan, cycles),
    }
    odds = {kind: sum(value for value, _ in weighed[kind]) for kind in KINDS}
    most = max(odds.values())
    whole = sum(math.exp(one - most) for one in odds.values())
    reasons = [
        Reason(
            kind=kind,
            probability=math.exp(odds[kind] - most) / whole,
            traces=[said for value, said in sorted(weighed[kind], reverse=True) if value > 0.5],
        )
        for kind in KINDS
    ]
    reasons.sort(key=lambda one: -one.probability)
    unfinished = {span.round for span in attempt.rounds if span.missing}
    unplanned = (
        [one for one in filmed.comparison.breaks if one.outcome == "unplanned"]
        if (filmed.comparison)
        else []
    )
    return Trouble(
        unfinished=not over_all,
        stops=len(stops),
        reps_before=statistics.fmean(reps for reps, _ in stops) if stops else None,
        breaks_over_s=_over_s(filmed),
        stopped_s=stopped_s,
        slower_s=slower_s,
        later=_drop(cycles),
        rounds=sorted(unfinished | {one.round for one in unplanned}),
        reasons=reasons,
    )


def _clipped(value: float) -> float:
    return max(-MOST, min(MOST, value))


def _lying(attempt: Attempt) -> list[float]:
    """When the bar left the floor after a break or between two rounds."""
    return sorted(
        [one.end_s for one in attempt.breaks] + [one.end_s for one in attempt.between_rounds]
    )


def _position(counted: Sequence[Rep], lying: Sequence[float], at_s: float) -> int:
    """How many reps were done since the bar last lay, at a moment."""
    last = max((end for end in lying if end <= at_s), default=-math.inf)
    return sum(last < rep.top_s < at_s for rep in counted)


def _stops(filmed: Filmed) -> list[tuple[int, float]]:
    """Unplanned breaks: how many reps of the planned set were done, and the seconds on the
    floor."""
    attempt = filmed.attempt
    matches = filmed.comparison.breaks if filmed.comparison else []
    unplanned = [one.real for one in matches if one.outcome == "unplanned" and one.real is not None]
    known = {stop.id for stop in unplanned}
    began = [one.end_s for one in attempt.breaks if one.id not in known]
    began = sorted(began + [one.end_s for one in attempt.between_rounds])
    counted = attempt.counted()
    return [(_position(counted, began, stop.start_s), stop.length_s) for stop in unplanned]


def _cycles(attempt: Attempt) -> list[_Cycle]:
    counted, lying = attempt.counted(), _lying(attempt)
    return [
        _Cycle(
            rep.round,
            _position(counted, lying, rep.top_s),
            math.log(rep.cycle_s / typical_cycle_s(rep.movement)),
        )
        for rep in counted
        if rep.cycle_s and rep.round is not None and rep.movement in CYCLE_RANGE_S
    ]


def _fresh(cycles: Sequence[_Cycle], rounds: range) -> float | None:
    """The middle of the cycles soon after a rest, against typical ones."""
    logs = [one.log for one in cycles if one.round in rounds and one.position <= FRESH_REPS]
    return statistics.median(logs) if logs else None


def _drop(cycles: Sequence[_Cycle]) -> float | None:
    """How much longer the cycles of later rounds are than those of the first, as a log."""
    first = [one.log for one in cycles if one.round == 1]
    later = [one.log for one in cycles if one.round > 1]
    if not first or not later:
        return None
    return statistics.median(later) - statistics.median(first)


def longest_set(plan: Plan) -> int:
    """Reps of the longest set that a plan asks for."""
    return max(
        sum(part.reps for part in one)
        for round_ in plan.rounds
        for one in (round_.pattern.sets if round_.pattern else [round_.movements])
    )


def _sets(plan: Plan, stops: Sequence[tuple[int, float]]) -> list[tuple[float, str]]:
    longest = longest_set(plan)
    found = [
        (
            _clipped(math.log(longest / USUAL_LONGEST) / LOG_SET),
            f"the longest set has {longest} reps",
        )
    ]
    if stops:
        reps = statistics.fmean(position for position, _ in stops)
        late = (reps - USUAL_LONGEST / 2) / LATE_REPS
        found.append(
            (_clipped(late), f"the bar went down unplanned after {reps:.0f} reps of a set")
        )
    return found


def _breaks(
    filmed: Filmed, plan: Plan, stops: Sequence[tuple[int, float]]
) -> list[tuple[float, str]]:
    planned = [seconds for one in plan.rounds for seconds in one.break_s]
    if not planned:
        return [(-MOST, "")]
    mean = statistics.fmean(planned)
    found = [
        (
            _clipped(math.log(USUAL_BREAK_S / max(mean, 0.5)) / LOG_BREAK),
            f"breaks were planned with {mean:.1f} s",
        )
    ]
    longer = _over_s(filmed)
    if longer is not None:
        found.append((_clipped(longer / OVER_S), f"they took {longer:.1f} s more on average"))
    if stops:
        reps = statistics.fmean(position for position, _ in stops)
        early = -(reps - USUAL_LONGEST / 2) / LATE_REPS
        found.append((_clipped(early), f"the bar went down again after {reps:.0f} reps"))
    return found


def _over_s(filmed: Filmed) -> float | None:
    """How much longer than planned the breaks took that answer planned ones, on average."""
    over = [
        match.difference_s
        for match in (filmed.comparison.breaks if filmed.comparison else [])
        if match.outcome in ("as planned", "moved") and match.difference_s is not None
    ]
    return statistics.fmean(over) if over else None


def _start(plan: Plan, cycles: Sequence[_Cycle]) -> list[tuple[float, str]]:
    found = []
    fresh, drop = _fresh(cycles, range(1, 2)), _drop(cycles)
    if fresh is not None:
        found.append(
            (
                _clipped(-fresh / LOG_PACE),
                f"round 1 began {100 * -math.expm1(fresh):.0f} % quicker than usual",
            )
        )
    if drop is not None:
        found.append(
            (
                _clipped(drop / LOG_DROP - 2),
                f"later cycles were {100 * math.expm1(drop):.0f} % longer",
            )
        )
    times = [one.round_s for one in plan.rounds if one.round_s is not None]
    if len(times) == len(plan.rounds) > 1:
        works = [one.reps for one in plan.rounds]
        rate = sum(times[1:]) / sum(works[1:])
        lead = math.log(rate * works[0] / times[0])
        found.append(
            (
                _clipped((lead - float(LEAD)) / LOG_PACE),
                f"round 1 was planned {100 * -math.expm1(-lead):.0f} % shorter than the others",
            )
        )
    return found


def _load(filmed: Filmed, plan: Plan, cycles: Sequence[_Cycle]) -> list[tuple[float, str]]:
    found = []
    fresh, drop = _fresh(cycles, range(1, 2)), _drop(cycles)
    if fresh is not None:
        found.append(
            (
                _clipped(fresh / LOG_PACE),
                f"the first reps were {100 * math.expm1(fresh):.0f} % slower than usual",
            )
        )
    if drop is not None:
        found.append((_clipped(1 - drop / LOG_DROP), "cycles were slow from the first round on"))
    span, planned = filmed.attempt.round_spans().get(1), plan.rounds[0].round_s
    if span is not None and planned:
        over = math.log(max(span.duration_s, 0.1) / planned)
        found.append((_clipped(over / LOG_PACE), "round 1 was over its plan already"))
    return found


def _slower_s(attempt: Attempt) -> float:
    """Seconds that cycles took beyond the median of the first round's, by movement."""
    lost = 0.0
    for movement in {rep.movement for rep in attempt.counted()}:
        reps = [rep for rep in attempt.counted() if rep.movement == movement and rep.cycle_s]
        first = [rep.cycle_s or 0.0 for rep in reps if rep.round == 1]
        if first:
            base = statistics.median(first)
            lost += sum(max(0.0, (rep.cycle_s or 0.0) - base) for rep in reps)
    return to_ms(lost).seconds


def _slower_than_typical_s(attempt: Attempt) -> float:
    """Seconds that cycles took beyond typical ones, all together."""
    lost = sum(
        rep.cycle_s - typical_cycle_s(rep.movement)
        for rep in attempt.counted()
        if rep.cycle_s and rep.movement in CYCLE_RANGE_S
    )
    return to_ms(max(0.0, lost)).seconds
