"""A class: the decision of `next` for each athlete, beside the athlete's season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed, in_order
from repcount.analysis.next_plan import NextPlan, decide_next
from repcount.analysis.season import Season, season
from repcount.errors import RepcountError
from repcount.plan.model import Plan


@dataclass(frozen=True)
class Judged:
    """An athlete of a class: the last attempt and what is decided after it, or the reason why
    nothing is; and all attempts over the season."""

    athlete: str
    season: Season
    last: Filmed | None = None
    decision: NextPlan | None = None
    reason: str = ""


def judge(athlete: str, filmed: Sequence[Filmed], plan: Plan | None = None) -> Judged:
    """Decide after the last of an athlete's attempts, as filmed, with the earlier ones at the same
    rounds beside it. `plan` is the last one's, where its folder has none or another.

    What cannot be decided is a reason, so that a class goes on without that athlete.
    """
    over = season(filmed)
    if not filmed:
        return Judged(athlete, over, reason="there is no attempt")
    ordered, _ = in_order(filmed)
    last = ordered[-1]
    asked = last.attempt.workout
    try:
        if plan is not None and asked is not None:
            plan = plan.tested(asked)
            last = replace(last, comparison=compare(last.attempt, plan), plan=plan)
        alike = [
            one
            for one in ordered[:-1]
            if asked and one.attempt.workout and one.attempt.workout.rounds == asked.rounds
        ]
        decision = decide_next([*alike, last], plan)
    except RepcountError as error:
        return Judged(athlete, over, reason=str(error))
    new = decision.plan.model_copy(update={"athlete": athlete})
    decision = decision.model_copy(update={"athlete": athlete, "plan": new})
    return Judged(athlete, over, last, decision)
