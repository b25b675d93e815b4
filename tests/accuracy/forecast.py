"""Coverage of the forecast: `python -m tests.accuracy.forecast --athletes 500 [--form fails]`.

Each invented athlete makes one attempt by one pattern; the model is fitted to it and forecasts an
attempt by another pattern, which the athlete then makes on another day. Athletes of the forms
"fails" and "fails other" put the bar down unplanned where a set is too long; theirs is the second
attempt whose sets are longer. Printed: how often the total lies in its interval of 90 %, and how
often true parameters lie in theirs, each with its standard error.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from repcount.analysis.forecast import Forecaster, forecaster
from repcount.plan import Plan, parse_plan
from repcount.plan.break_rules import RULE_NAMES
from repcount.plan.propose import Wishes, make_plan
from tests.simulated_athletes import Athlete

FORMS = ("model", "other", "fails", "fails other")
WORKOUTS = (
    ((("deadlift", 8), ("hang power clean", 6), ("push press", 4)), 3),
    ((("power clean", 5), ("front squat", 6), ("push jerk", 4)), 4),
    ((("deadlift", 9), ("hang power clean", 5)), 5),
)


def plans_of(which: int) -> tuple[Plan, Plan]:
    """A plan of an invented workout, and another with another pattern and shorter breaks."""
    movements, rounds = WORKOUTS[which % len(WORKOUTS)]
    tables = "".join(
        f'[[workout.movements]]\nmovement = "{name}"\nreps = {reps}\n' for name, reps in movements
    )
    base = parse_plan(f'[workout]\nname = "Gravel"\nrounds = {rounds}\nload_kg = 50\n{tables}')
    first = make_plan(base, Wishes(rule=RULE_NAMES[0], break_s=5.0)).plan
    return first, make_plan(base, Wishes(rule=RULE_NAMES[1], break_s=4.0)).plan


def one_athlete(seed: int, form: str = "model") -> dict[str, bool]:
    """What of one athlete lay in its interval of 90 %."""
    athlete = Athlete(np.random.default_rng(seed), form)
    known, new = plans_of(seed)
    if form.startswith("fails"):
        known, new = new, known
    filmed = athlete.attempt(known)
    model = forecaster([filmed])
    if not isinstance(model, Forecaster) or model.too_far(new):
        return {}
    told = model.forecast(new).total
    true = athlete.attempt(new).attempt.clock.total_s or 0.0
    inside = {"total": told.low_s <= true <= told.high_s}
    slowing = model.slowing
    if model.holding.broken:
        key = "total, after sets that broke"
        inside[key] = inside["total"]
    truth = {
        "slowing in the set": 100 * math.expm1(athlete.in_set),
        "slowing by work": 100 * math.expm1(athlete.by_work),
        "recovery in breaks": athlete.recovery_s,
    }
    for estimate in slowing.estimates:
        if estimate.name in truth:
            inside[estimate.name] = estimate.low <= truth[estimate.name] <= estimate.high
    return inside


def main() -> None:
    """Simulate the athletes asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--athletes", type=int, default=500)
    parser.add_argument("--form", choices=FORMS, default="model")
    given = parser.parse_args()
    found = [one_athlete(seed, given.form) for seed in range(given.athletes)]
    known = [one for one in found if one]
    print(f"{len(found) - len(known)} of {len(found)} not forecast: too far, or too little data")
    for name in dict.fromkeys(name for one in known for name in one):
        seen = [one[name] for one in known if name in one]
        share = np.mean(seen)
        error = math.sqrt(share * (1 - share) / len(seen))
        print(f"{name:30s} inside its 90 % interval: {share:.1%} ± {error:.1%} of {len(seen)}")


if __name__ == "__main__":
    main()
