"""A plan with times to a tenth, whose total is that of a forecast."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from repcount.analysis.forecast import Forecast
from repcount.errors import PlanError
from repcount.plan.load import check_time
from repcount.plan.model import Plan
from repcount.plan.pace import BETWEEN_S, START_S, between_rounds, spread
from repcount.units import from_ms, to_ms
from repcount.wording.numbers import as_tenths


def untimed(plan: Plan) -> Plan:
    """A plan without the times of its rounds."""
    rounds = [one.model_copy(update={"round_s": None}) for one in plan.rounds]
    return plan.model_copy(update={"rounds": rounds})


def bare(plan: Plan) -> Plan:
    """A plan with a time between each two rounds, its pace left out."""
    gaps = len(plan.rounds) - 1
    return untimed(plan).model_copy(
        update={
            "between_rounds_s": plan.between_rounds_s or [BETWEEN_S] * gaps,
            "cycle_s": {},
            "transition_s": None,
        }
    )


def in_tenths(plan: Plan) -> Plan:
    """The plan with its breaks, its start and its times between rounds to a tenth."""

    def tenth(seconds: float) -> float:
        return as_tenths(seconds) / 10

    return plan.model_copy(
        update={
            "between_rounds_s": [tenth(one) for one in plan.between_rounds_s or []]
            or plan.between_rounds_s,
            "start_s": None if plan.start_s is None else tenth(plan.start_s),
            "rounds": [
                one.model_copy(update={"break_s": [tenth(s) for s in one.break_s]})
                for one in plan.rounds
            ],
        }
    )


def with_start(plan: Plan) -> Plan:
    """The plan with a time to the first rep, the usual one where it gives none."""
    return plan if plan.start_s is not None else plan.model_copy(update={"start_s": START_S})


def timed(plan: Plan, times: Sequence[float | None]) -> Plan:
    """The plan with these times of its rounds, in seconds. Raises PlanError where one leaves no
    time to work."""
    new = plan.model_copy(
        update={
            "rounds": [
                one.model_copy(update={"round_s": took})
                for one, took in zip(plan.rounds, times, strict=True)
            ]
        }
    )
    check_time(new)
    return new


def shared(plan: Plan, forecast: Forecast) -> list[int]:
    """The times of a plan's rounds in ms, whole tenths, by which its total is the forecast's; they
    share it as forecast (the middles of parts do not add up to the middle of the sum).

    Raises PlanError where start and times between rounds leave no time for them.
    """
    around = between_rounds(len(plan.rounds), plan.start_s or 0.0, plan.between_rounds_s or [])
    left = 100 * as_tenths(forecast.total.middle_s) - around.total
    if left < 100 * len(plan.rounds):
        raise PlanError("the start and the times between rounds leave no time for the rounds.")
    return spread(left, [Fraction(to_ms(one.middle_s)) for one in forecast.rounds])


def paced(plan: Plan, forecast: Forecast | None) -> Plan:
    """The plan to a tenth, its rounds as long as forecast in place of a pace of its own; without
    times for its rounds where there is no forecast, or where it leaves a round no time to work."""
    plan = with_start(in_tenths(bare(plan)))
    if forecast is None:
        return plan
    try:
        return timed(plan, [from_ms(one) for one in shared(plan, forecast)])
    except PlanError:
        return plan
