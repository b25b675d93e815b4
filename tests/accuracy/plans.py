"""Plans for drawn athletes: `python -m tests.accuracy.plans --athletes 1000`.

Each athlete, weak or strong, with maxes, best sets or neither, gets a plan of every workout,
without a target and for drawn ones. Checked against numbers of its own: no set is longer than the
published table allows at that load, every plan adds up to the millisecond, reps keep to what is
typical for them, and a target outside the feasible range is refused with the nearest feasible one.
"""

from __future__ import annotations

import argparse
import re
from collections import Counter
from dataclasses import replace

import numpy as np

from repcount.errors import PlanError
from repcount.plan import Plan, parse_plan
from repcount.plan.propose import Proposal, Wishes, make_plan
from repcount.plan.strength import MaxEstimate, one_rep_max
from repcount.plan.tempo import CYCLE_RANGE_S
from repcount.units import to_ms
from tests.scripted_reading import SLATE

# Mean reps to failure at 45 to 95 % of the max: Nuzzo, Pinto, Nosaka and Steele, Sports Med
# 2024;54:303, general model, figure 2, at second hand; 1 at the max. Standard deviation among
# people of 0.31 of the mean: the middle of the six of Richens and Cleather, Biol Sport 2014;31:157
# (abstract): 17.9 ± 2.8, 11.8 ± 2.7, 7.0 ± 2.1 and 39.9 ± 17.6, 19.8 ± 6.4, 10.8 ± 3.9.
SHARES = (0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0)
MEANS = (30.37, 25.99, 22.43, 19.53, 17.11, 14.80, 12.37, 9.75, 7.15, 4.94, 3.28, 1.0)
ALLOWED = 1 - 0.31
# Of a strong athlete, in kilograms (assumptions); others have a part of them.
STRONG = {
    "deadlift": 200.0, "hang power clean": 110.0, "power clean": 115.0, "push press": 100.0,
    "push jerk": 110.0, "front squat": 140.0, "thruster": 100.0, "snatch": 90.0,
}  # fmt: skip


def _workout(name: str, rounds: int, *parts: tuple[str, int], more: str = "") -> str:
    tables = "".join(
        f'[[workout.movements]]\nmovement = "{movement}"\nreps = {reps}\n'
        for movement, reps in parts
    )
    return f'[workout]\nname = "{name}"\nrounds = {rounds}\n{tables}{more}'


WORKOUTS = (
    SLATE.replace("load_kg = 60.0\n", ""),
    _workout("Basalt", 3, ("power clean", 5), ("front squat", 6), ("push jerk", 4),
             more='[breaks]\npattern = "5+3 | 3+4"\nseconds = 5\n'),
    _workout("Gravel", 5, ("power clean", 9), ("front squat", 7), ("push press", 5)),
    _workout("Slate", 3, ("thruster", 15)),
    _workout("Basalt", 4, ("deadlift", 8), ("snatch", 3)),
    '[workout]\nname = "Gravel"\n' + "".join(
        "[[workout.round]]\n[[workout.round.movements]]\nmovement = \"thruster\"\n"
        f"reps = {reps}\n" for reps in (21, 15, 9)
    ),
)  # fmt: skip


def drawn_wishes(rng: np.random.Generator, plan: Plan) -> Wishes:
    """An athlete with a load."""
    strength = rng.uniform(0.3, 1.1)
    maxes: dict[str, MaxEstimate] = {}
    for name in {part.movement for one in plan.rounds for part in one.movements}:
        best = STRONG[name] * strength * rng.uniform(0.85, 1.15)
        drawn = rng.random()
        if drawn < 0.5:
            maxes[name] = one_rep_max(best)
        elif drawn < 0.7:
            maxes[name] = one_rep_max(0.8 * best, int(rng.integers(2, 11)))
    return Wishes(
        maxes=maxes,
        load_kg=float(rng.choice([30, 40, 50, 60, 70, 85])),
        shape="ahead" if rng.random() < 0.3 else "even",
        break_s=float(rng.integers(2, 20)) if rng.random() < 0.2 else None,
        between_s=float(rng.integers(0, 40)) if rng.random() < 0.2 else None,
    )


def check_sets(made: Proposal, maxes: dict[str, MaxEstimate]) -> None:
    """No set is longer than the table allows; a single rep is the shortest there is."""
    assert made.load is not None
    kg = made.load.load.total_kg
    for one in made.plan.rounds:
        for parts in one.pattern.sets if one.pattern else [one.movements]:
            used = 0.0
            for part in parts:
                if part.movement in maxes:
                    share = kg / maxes[part.movement].middle_kg
                    slope = (MEANS[0] - MEANS[1]) / (SHARES[1] - SHARES[0])
                    lighter = slope * max(0.0, SHARES[0] - share)
                    used += part.reps / (float(np.interp(share, SHARES, MEANS)) + lighter)
            single = sum(part.reps for part in parts) == 1
            assert single or used <= ALLOWED + 1e-3, (str(one.pattern), kg, used)


def check_sums(made: Proposal) -> None:
    """All parts add up to the total, on the plan and on the card."""
    plan = made.plan
    whole = to_ms(plan.start_s or 0.0) + sum(map(to_ms, plan.between_rounds_s or []))
    whole += sum(to_ms(one.round_s or 0.0) for one in plan.rounds)
    assert whole == to_ms(plan.planned_total_s or 0.0) == to_ms(made.card.total_s)
    assert to_ms(made.card.rounds[-1].end_s) == whole
    for round_, one in zip(made.card.rounds, plan.rounds, strict=True):
        assert to_ms(round_.end_s) - to_ms(round_.start_s) == to_ms(one.round_s or 0.0)
        assert round_.sets[0].start_s == round_.start_s
        assert round_.sets[-1].end_s == round_.end_s
        for a, b in zip(round_.sets, round_.sets[1:], strict=False):
            assert a.break_s is not None
            assert a.bar_down_s is not None
            assert to_ms(b.start_s) - to_ms(a.bar_down_s) == to_ms(a.break_s)


def check_pace(made: Proposal) -> None:
    """Sets of one movement take no longer than at its slow cycle, and no less than at its brisk
    one. Picking the bar up and the first rep's way are given 6 s and a tenth of a second a rep."""
    for round_ in made.card.rounds:
        for one in round_.sets:
            if len({part.movement for part in one.reps}) > 1:
                continue
            low, high = CYCLE_RANGE_S[one.reps[0].movement]
            reps = sum(part.reps for part in one.reps)
            took = one.end_s - one.start_s
            assert (reps - 1) * low - 0.1 * reps <= took <= reps * (high + 0.1) + 6, (
                one,
                low,
                high,
            )


def planned(plan: Plan, wishes: Wishes) -> Proposal | str:
    """The plan, or the sentence that refuses it."""
    try:
        return make_plan(plan, wishes)
    except PlanError as error:
        return str(error)


def check_target(plan: Plan, wishes: Wishes, target_s: float) -> str:
    """The plan for a target, or the refusal that names the nearest that can be had."""
    made = planned(plan, replace(wishes, target_s=target_s))
    found, at = "met", target_s
    if isinstance(made, str):
        if "no target" in made:
            return "no target feasible"
        near = re.search(r"nearest feasible target is (\d+):(\d+(?:\.\d+)?)\.$", made)
        assert near, made
        at = int(near[1]) * 60 + float(near[2])
        found = "too slow" if target_s > at else "too fast"
        beyond = at + (0.2 if target_s > at else -0.2)
        assert isinstance(planned(plan, replace(wishes, target_s=beyond)), str), (beyond, made)
        made = planned(plan, replace(wishes, target_s=at))
    assert not isinstance(made, str), made
    assert to_ms(made.plan.planned_total_s or 0.0) == to_ms(at)
    check_sums(made)
    check_pace(made)
    check_sets(made, dict(wishes.maxes))
    return found


def one_athlete(seed: int) -> Counter[str]:
    """All plans of a drawn athlete; what became of them, counted. Raises AssertionError."""
    rng = np.random.default_rng(seed)
    found: Counter[str] = Counter()
    for text in WORKOUTS:
        plan = parse_plan(text)
        wishes = drawn_wishes(rng, plan)
        made = planned(plan, replace(wishes, target_s=None))
        if isinstance(made, str):
            assert "over the" in made, made
            found["load over the max"] += 1
            continue
        check_sets(made, dict(wishes.maxes))
        check_sums(made)
        found["without a target"] += 1
        typical = made.plan.planned_total_s or 0.0
        for factor in (rng.uniform(0.2, 1), rng.uniform(1, 2), rng.uniform(2, 30)):
            target = round(typical * factor, int(rng.integers(0, 4)))
            found[check_target(plan, wishes, target)] += 1
    return found


def main() -> None:
    """Draw the athletes asked for and say what became of their plans."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--athletes", type=int, default=1000)
    given = parser.parse_args()
    found: Counter[str] = Counter()
    for seed in range(given.athletes):
        found += one_athlete(seed)
    for name, count in found.most_common():
        print(f"{count:7d} {name}")


if __name__ == "__main__":
    main()
