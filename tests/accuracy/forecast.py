"""Coverage of the forecast: `python -m tests.accuracy.forecast --athletes 500 [--form other]`.

Each invented athlete makes one attempt by one pattern; the model is fitted to it and forecasts an
attempt by another pattern, which the athlete then makes on another day. Printed: how often the
total lies in its interval of 90 %, and how often true parameters lie in theirs.
"""

from __future__ import annotations

import argparse
import math

import numpy as np

from repcount.analysis.forecast import Forecaster, overs
from repcount.analysis.slowing import fit_slowing
from repcount.plan import Plan, parse_plan
from repcount.plan.break_rules import RULE_NAMES
from repcount.plan.propose import Wishes, make_plan
from tests.simulated_athletes import Athlete

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
    filmed = athlete.attempt(known)
    slowing = fit_slowing([filmed.attempt])
    if not slowing:
        return {}
    expected = Forecaster(slowing, overs([filmed])).forecast(new).total
    true = athlete.attempt(new).attempt.clock.total_s or 0.0
    inside = {"total": expected.low_s <= true <= expected.high_s}
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
    parser.add_argument("--form", choices=["model", "other"], default="model")
    given = parser.parse_args()
    found = [one_athlete(seed, given.form) for seed in range(given.athletes)]
    for name in found[0]:
        fraction = np.mean([one[name] for one in found if one])
        print(f"{name:24s} inside its 90 % interval: {fraction:.1%} of {len(found)}")


if __name__ == "__main__":
    main()
