"""What a plan comes to while it is still being written: its total, or what it would be."""

from __future__ import annotations

from pydantic import Field

from repcount.attempt.records import Record
from repcount.plan.model import Plan
from repcount.plan.pace import BETWEEN_S, START_S, floors, typical_rounds
from repcount.plan.tempo import Tempo
from repcount.units import Ms, Seconds, to_ms


class Outlook(Record):
    """A plan's total. Where its rounds have no times yet, what they take at a typical pace, and at
    the brisk and the slow end of what is typical; the start and the time between rounds are then
    the usual ones where the plan gives none."""

    total_s: Seconds
    planned: bool = Field(description="whether the plan gives the times of its rounds")
    brisk_s: Seconds
    slow_s: Seconds


def outlook(plan: Plan) -> Outlook | None:
    """What a plan comes to, in seconds; None for an unbroken test, which has no planned length."""
    if plan.workout.to_max:
        return None
    tempo = Tempo(dict(plan.cycle_s), plan.transition_s, {})
    gaps = [BETWEEN_S] * (len(plan.rounds) - 1)
    if plan.between_rounds_s is not None:
        gaps = list(plan.between_rounds_s)
    start_s = START_S if plan.start_s is None else plan.start_s
    frame = sum(map(to_ms, [start_s, *gaps]))
    typical, brisk, slow = (
        Ms(frame + sum(rounds)).seconds
        for rounds in (
            typical_rounds(plan.rounds, tempo),
            floors(plan.rounds, tempo, "brisk"),
            floors(plan.rounds, tempo, "slow"),
        )
    )
    planned_s = plan.planned_total_s
    return Outlook(
        total_s=typical if planned_s is None else planned_s,
        planned=planned_s is not None,
        brisk_s=brisk,
        slow_s=slow,
    )
