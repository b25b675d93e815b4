"""Which plans a forecast sets beside one another."""

from __future__ import annotations

import pytest

from repcount.analysis.candidates import NEW, THE_PLAN, as_kept, candidates, kilograms_of
from repcount.analysis.forecast import Filmed, Forecast, Ranking, Span, rank_plans
from repcount.errors import PlanError
from repcount.plan import Plan, parse_plan
from repcount.plan.clock_card import clock_card
from repcount.plan.propose import Wishes
from repcount.plan.strength import one_rep_max
from repcount.reports.after import chosen_from, listed_toml, made_after, ranked_lines
from repcount.wording.numbers import clock
from tests.example_records import example_attempt, example_comparison
from tests.scripted_reading import SLATE

# What a coach may have typed into the list: other sets, shorter breaks, more on the bar.
TYPED = Wishes(break_s=3.0, load_kg=65)
PATTERN = "8+3 | 3+4"


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


@pytest.fixture(scope="module")
def listed() -> tuple[dict[str, Plan], Ranking]:
    """What stands beside the plan, as it would be kept, and what it is forecast to take."""
    plan = parse_plan(SLATE)
    plans = candidates(plan, TYPED, [PATTERN], plan)
    filmed = Filmed(example_attempt(), example_comparison(), "slate", plan)
    ranking = rank_plans([filmed], plans)
    found = {one.forecast.name: one.forecast for one in ranking.plans}
    return {name: as_kept(name, one, found.get(name)) for name, one in plans}, ranking


def test_a_listed_plan_is_kept_with_the_times_that_it_was_forecast_with(listed):
    plans, ranking = listed
    lines = {one.name: one for one in ranked_lines(ranking, plans)}
    assert len(lines) == len(ranking.plans) > 3
    for name, line in lines.items():
        toml = listed_toml(name, plans[name], "2026-11-28", "slate.mp4")
        kept = parse_plan(toml)
        assert clock_card(kept).total_s == kept.planned_total_s
        if name == THE_PLAN:  # the coach gave it times
            assert [one.round_s for one in kept.rounds] == [44, 48, 50]
            assert line.times == f"kept with its own times, {clock(kept.planned_total_s)}"
            continue
        assert line.total.startswith(f"{clock(kept.planned_total_s)} ("), name
        assert line.times == ""
        # what the coach typed is what is kept, and is said in the row
        assert kept.workout.load_kg == 65
        assert {length for one in kept.rounds for length in one.break_s} <= {3.0}
        assert line.asks in ("breaks of 3.0 s, 65 kg (143.3 lb)", "no break, 65 kg (143.3 lb)")


def test_a_plan_that_was_kept_is_known_in_the_list_until_it_is_changed(listed):
    plans, ranking = listed
    name = next(name for name in plans if name.startswith(PATTERN))
    toml = listed_toml(name, plans[name], None, "slate.mp4").replace("[workout]", "\n[workout]")
    kept = parse_plan(f'athlete = "Robin"\n{toml}')
    assert [one.name for one in ranked_lines(ranking, plans, kept) if one.kept] == [name]
    other = parse_plan(toml.replace("seconds = 3", "seconds = 3.5"))
    assert not any(one.kept for one in ranked_lines(ranking, plans, other))
    # its notes say which it was, without the numbers that the coach may change
    assert made_after(kept) == "after the attempt in slate.mp4"
    assert chosen_from(kept) == "long opening set"
    assert not any(sign.isdigit() for sign in kept.notes.replace("slate.mp4", ""))
    assert (
        chosen_from(parse_plan(listed_toml("8+6+4", kept, None, "a.mp4"))) == "a pattern as typed"
    )
    assert chosen_from(parse_plan(SLATE)) == ""


def test_without_a_forecast_or_time_to_work_no_round_times_are_kept(listed):
    plans, _ = listed
    plan = plans[THE_PLAN]

    def of(total_s: float) -> Forecast:
        return Forecast(name="x", total=wide(total_s), rounds=[wide(10)] * 3)

    def wide(middle_s: float) -> Span:
        return Span(middle_s=middle_s, low_s=0, high_s=90)

    # 2 s to the first rep, 6 s between rounds, 8 s of breaks in each: 38 s without a rep
    assert as_kept("x", plan, of(39)).planned_total_s == 39
    for found in (None, of(38), of(12)):
        kept = as_kept("x", plan, found)
        assert kept.planned_total_s is None
        assert kept.planned_sets() == plan.planned_sets()
        assert as_kept(NEW, plan, found) is plan
    # times that nobody planned are not the plan's own
    bare = parse_plan(SLATE.partition("[breaks]")[0])
    assert candidates(bare)[0][1].planned_total_s is None
