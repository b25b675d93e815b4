"""Which plans stand beside one another in a forecast: the plan, the plan changed, patterns that are
asked for, and those that the break rules offer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from repcount.plan.model import Plan
from repcount.plan.propose import Wishes, make_plan
from repcount.plan.working_load import movements_of

THE_PLAN, CHANGED = "the plan", "the plan, changed"


def candidates(
    base: Plan, wishes: Wishes | None = None, patterns: Sequence[str] = ()
) -> list[tuple[str, Plan]]:
    """Plans by their names, the plan itself first. What is wished (lengths, rests, load, maxes)
    holds for all but that one; each of `patterns` is for every round.

    Raises PlanError where a wish or a pattern cannot be.
    """
    wishes = wishes or Wishes()
    plain = Wishes(maxes=wishes.maxes)
    first = base if base.has_breaks else make_plan(base, plain).plan
    plans = [(THE_PLAN, first)]
    if wishes != plain:
        plans.append((CHANGED, make_plan(first, wishes).plan))
    for text in patterns:
        plans.append((text, make_plan(first, replace(wishes, patterns=[text])).plan))
    for offer in make_plan(first, wishes).patterns:
        if offer.patterns != first.planned_sets():
            plans.append((offer.name, make_plan(first, replace(wishes, rule=offer.name)).plan))
    return plans


def kilograms_of(base: Plan, wishes: Wishes) -> dict[str, float]:
    """The known one-rep maxes of the workout's movements, in kilograms."""
    asked = movements_of(base.workout.rounds)
    return {name: one.middle_kg for name, one in wishes.maxes.items() if name in asked}
