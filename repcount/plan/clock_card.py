"""The clock card: where the planned clock stands at every set, break and round."""

from __future__ import annotations

from pydantic import Field

from repcount.attempt.records import MovementReps, Record
from repcount.errors import PlanError
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.tempo import TYPICAL, Tempo, steps_of
from repcount.units import Seconds, from_ms, to_ms


class CardSet(Record):
    """A set on the planned clock. Seconds from the start signal."""

    number: int
    reps: list[MovementReps]
    start_s: Seconds = Field(description="the first rep's start; after a break, its end")
    end_s: Seconds = Field(description="the last rep's top")
    bar_down_s: Seconds | None = Field(None, description="the bar has settled: the break begins")
    break_s: Seconds | None = Field(None, description="length of the break after the set")
    bar_up_s: Seconds | None = Field(None, description="the break ends: the bar leaves the floor")


class CardRound(Record):
    """A round on the planned clock."""

    round: int
    start_s: Seconds
    end_s: Seconds
    round_s: Seconds
    pattern: str = ""
    sets: list[CardSet]
    rest_s: Seconds | None = Field(None, description="to the next round's start")


class ClockCard(Record):
    """Everything that a judge needs to call ahead or behind."""

    workout: str
    athlete: str | None = None
    load_kg: float | None = None
    load_lb: float | None = None
    start_s: Seconds
    total_s: Seconds
    rounds: list[CardRound]


def clock_card(plan: Plan, tempo: Tempo = TYPICAL) -> ClockCard:
    """The clock card of a plan. Round times and break lengths are the plan's; the time to work is
    shared between the steps of a round as `tempo` has them at that pace, to the millisecond.

    Raises PlanError where the plan has no round times.
    """
    clock = plan.planned_clock()
    total = plan.planned_total_s
    if not clock or total is None:
        raise PlanError(
            "the plan has no pace.round_s, so its clock is not known; give round times or a target."
        )
    rounds = []
    for place, one in zip(clock, plan.rounds, strict=True):
        between = plan.between_rounds_s or []
        rest = between[place.round - 1] if place.round - 1 < len(between) else None
        rounds.append(
            CardRound(
                round=place.round,
                start_s=place.start_s,
                end_s=place.end_s,
                round_s=one.round_s or 0.0,
                pattern=str(one.pattern) if one.pattern else "",
                sets=_sets(one, place.start_ms, tempo),
                rest_s=rest,
            )
        )
    return ClockCard(
        workout=plan.workout.name,
        athlete=plan.athlete,
        load_kg=plan.workout.load_kg,
        load_lb=plan.load_lb,
        start_s=plan.start_s or 0.0,
        total_s=total,
        rounds=rounds,
    )


def _sets(one: RoundPlan, start: int, tempo: Tempo) -> list[CardSet]:
    """The sets of a round from its start on, in ms."""
    work = to_ms(one.round_s or 0.0) - to_ms(one.break_total_s)
    pieces = tempo.pieces_for(steps_of(one.movements, one.pattern), work)
    whole = sum(map(sum, pieces))
    stops = [to_ms(seconds) for seconds in one.break_s]

    sets = one.pattern.sets if one.pattern else [list(one.movements)]
    done = rested = 0  # of the work, and of the breaks

    def now() -> int:
        return start + rested + work * done // whole

    found: list[CardSet] = []
    step = 0
    begins = start
    for number, parts in enumerate(sets, 1):
        for index in range(sum(part.reps for part in parts)):
            before, after = pieces[step]
            done += after if index == 0 and number > 1 else before + after
            step += 1
        card = CardSet(
            number=number, reps=list(parts), start_s=from_ms(begins), end_s=from_ms(now())
        )
        if number < len(sets):
            done += pieces[step][0]
            card.bar_down_s = from_ms(now())
            card.break_s = from_ms(stops[number - 1])
            rested += stops[number - 1]
            begins = now()
            card.bar_up_s = from_ms(begins)
        found.append(card)
    return found
