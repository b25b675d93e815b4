"""Which plans stand beside one another in a forecast: the plan, the plan changed, patterns that are
asked for, and those that the break rules offer; and what is kept of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from repcount.analysis.forecast import Forecast
from repcount.analysis.paced import paced, untimed
from repcount.plan.model import Plan
from repcount.plan.pace import BETWEEN_S, START_S
from repcount.plan.propose import Wishes, make_plan
from repcount.plan.working_load import movements_of

THE_PLAN, CHANGED, NEW = "the plan", "the plan, changed", "the new plan"


def candidates(
    base: Plan,
    wishes: Wishes | None = None,
    patterns: Sequence[str] = (),
    new: Plan | None = None,
) -> list[tuple[str, Plan]]:
    """Plans by their names, the plan itself first, each once. What is wished (lengths, rests, load,
    maxes) holds for all but that one and the `new` one, which is suggested; each of `patterns` is
    for every round, and has the name of its rule too where it is one's.

    Raises PlanError where a wish or a pattern cannot be.
    """
    wishes = wishes or Wishes()
    plain = Wishes(maxes=wishes.maxes)
    first = base
    if not base.has_breaks:
        first = make_plan(base, plain).plan
        if base.planned_total_s is None and base.target_s is None:  # nobody planned its times
            first = untimed(first)
    plans = [(THE_PLAN, first)]
    if wishes != plain:
        plans.append((CHANGED, make_plan(first, wishes).plan))
    if new is not None:
        plans.append((NEW, new))
    offers = make_plan(first, wishes).patterns
    asked = [(text, make_plan(first, replace(wishes, patterns=[text])).plan) for text in patterns]
    for text, made in asked:
        rules = [one.name for one in offers if one.patterns == made.planned_sets()]
        plans.append((f"{text} ({rules[0]})" if rules else text, made))
    known = [first.planned_sets(), *(made.planned_sets() for _, made in asked)]
    for offer in offers:
        if offer.patterns not in known:
            plans.append((offer.name, make_plan(first, replace(wishes, rule=offer.name)).plan))
    found: list[tuple[str, Plan]] = []
    for name, made in plans:
        before = [other for as_, other in found if (as_, name) != (CHANGED, NEW)]
        if all(_asks(made) != _asks(other) for other in before):
            found.append((name, made))
    return found


def _asks(plan: Plan) -> tuple[object, ...]:
    """What a forecast takes from a plan, beside its workout."""
    lengths = [one.break_s for one in plan.rounds]
    start_s = START_S if plan.start_s is None else plan.start_s
    between_s = plan.between_rounds_s or [BETWEEN_S] * (len(plan.rounds) - 1)
    return plan.planned_sets(), lengths, between_s, start_s, plan.workout.load_kg


def as_kept(name: str, plan: Plan, forecast: Forecast | None) -> Plan:
    """What is kept of a candidate, with the times that it was forecast with, so that its total is
    that of the list. The plan and the new one keep round times of their own; without a forecast
    there are none."""
    own = name in (THE_PLAN, NEW) and plan.planned_total_s is not None
    return plan if own else paced(plan, forecast)


def kilograms_of(base: Plan, wishes: Wishes) -> dict[str, float]:
    """The known one-rep maxes of the workout's movements, in kilograms."""
    asked = movements_of(base.workout.rounds)
    return {name: one.middle_kg for name, one in wishes.maxes.items() if name in asked}
