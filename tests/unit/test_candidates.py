"""Which plans a forecast sets beside one another."""

from __future__ import annotations

import pytest

from repcount.analysis.candidates import candidates, kilograms_of
from repcount.errors import PlanError
from repcount.plan import parse_plan
from repcount.plan.propose import Wishes
from repcount.plan.strength import one_rep_max
from tests.scripted_reading import SLATE


def test_the_plan_stands_first_and_unchanged_the_rules_beside_it():
    plan = parse_plan(SLATE)
    made = dict(candidates(plan))
    assert next(iter(made)) == "the plan"
    assert made["the plan"] is plan
    assert "the plan, changed" not in made
    assert len(made) > 2
    sets = [tuple(one.planned_sets()) for one in made.values()]
    assert len(set(sets)) == len(sets)
    assert all(one.workout.rounds == plan.workout.rounds for one in made.values())


def test_a_wish_holds_for_all_but_the_plan_itself():
    plan = parse_plan(SLATE)
    made = candidates(plan, Wishes(break_s=2.5), ["8+6+4"])
    assert [name for name, _ in made[:3]] == ["the plan", "the plan, changed", "8+6+4 (unbroken)"]
    for name, one in made[1:]:
        lengths = {length for round_ in one.rounds for length in round_.break_s}
        assert lengths <= {2.5}, name
    assert made[2][1].planned_breaks() == []


def test_the_new_plan_stands_beside_them_under_its_own_name():
    plan = parse_plan(SLATE)
    new = candidates(plan, Wishes(break_s=9.3))[1][1]
    names = [name for name, _ in candidates(plan, Wishes(break_s=2.5), new=new)]
    assert names[:3] == ["the plan", "the plan, changed", "the new plan"]
    # what is typed may come to the same; the plan itself is listed once
    typed = candidates(plan, Wishes(break_s=9.3), new=new)
    assert [name for name, _ in typed[:3]] == names[:3]
    assert "the new plan" not in dict(candidates(plan, new=plan))


def test_a_pattern_that_cannot_be_is_refused():
    with pytest.raises(PlanError, match="round 1"):
        candidates(parse_plan(SLATE), patterns=["9 | 9"])


def test_only_maxes_of_the_workouts_movements_count():
    known = {"deadlift": one_rep_max(150), "thruster": one_rep_max(90)}
    assert kilograms_of(parse_plan(SLATE), Wishes(maxes=known)) == {"deadlift": 150}


def test_a_pattern_that_is_a_rules_or_the_plans_own_stands_once():
    plan = parse_plan(SLATE)
    offered = dict(candidates(plan))["long opening set"].planned_sets()[0]
    made = candidates(plan, patterns=[offered])
    assert [name for name, one in made if one.planned_sets()[0] == offered] == [
        f"{offered} (long opening set)"
    ]
    assert [name for name, _ in candidates(plan, patterns=["7 | 1+5 | 1+4"])] == [
        name for name, _ in candidates(plan)
    ]
    # with other breaks it is another plan
    assert [name for name, _ in candidates(plan, Wishes(break_s=2.5), ["7 | 1+5 | 1+4"])][:2] == [
        "the plan",
        "the plan, changed",
    ]
