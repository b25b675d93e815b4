"""An unbroken test, `reps = "max"`: as many reps as there are in one set."""

from __future__ import annotations

import pytest

from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import MovementReps, Workout
from repcount.errors import PlanError
from repcount.plan import parse_plan
from repcount.plan.propose import Wishes, make_plan
from repcount.plan.set_limits import mean_reps
from repcount.plan.strength import one_rep_max
from repcount.plan.writing import plan_toml
from repcount.reports.card import card_lines
from repcount.reports.words import summary
from repcount.web.plan_form import form_of, toml_of
from tests.scripted_reading import Script

TEST = """
[workout]
name = "Gravel"
rounds = 1
load_kg = 60
[[workout.movements]]
movement = "push press"
reps = "max"
"""


def read(*sets: int) -> Script:
    workout = Workout(
        name="Gravel",
        rounds=[[MovementReps(movement="push press", reps=100, to_max=True)]],
        load_kg=60,
    )
    script = Script(workout).wait(1.0)
    for number, reps in enumerate(sets):
        if number:
            script.wait(0.4).rest(5.0).wait(0.5)
        script.rep("push press", reps)
    return script


def test_a_test_is_planned_by_the_table_and_written_back():
    plan = parse_plan(TEST)
    made = make_plan(plan, Wishes(maxes={"push press": one_rep_max(75)}))
    assert made.plan.workout.reps == round(mean_reps(0.8)) == 10
    assert made.patterns == []
    text = " ".join(" ".join(card_lines(made)).split())
    assert "max push press" in text
    assert "An unbroken test" in text
    written = plan_toml(made.plan)
    assert 'reps = "max"' in written
    again = parse_plan(written)
    assert again.workout.to_max
    assert again.planned_total_s == made.plan.planned_total_s
    assert make_plan(again).plan.planned_total_s == made.plan.planned_total_s
    assert 'reps = "max"' in toml_of(form_of(again), written)
    assert "20 reps, an assumption" in " ".join(make_plan(plan).assumptions)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (TEST.replace("rounds = 1", "rounds = 2"), "one round of one movement"),
        (TEST + '[breaks]\npattern = "5 | 5"\nseconds = 3\n', "an unbroken test is one set"),
        (TEST.replace('"max"', '"most"'), 'or "max" for an unbroken test'),
    ],
)
def test_what_is_no_test_is_refused(text, said):
    with pytest.raises(PlanError, match=said):
        parse_plan(text)


def test_the_report_counts_the_first_set():
    attempt = derive_attempt(read(9).reading())
    assert attempt.clock.finished
    assert [rep.number for rep in attempt.reps] == list(range(1, 10))
    assert attempt.workout.reps == 9
    plan = parse_plan(TEST + "[pace]\nround_s = 20\n")
    compared = compare(attempt, plan)
    assert compared.real_sets == ["9"]
    assert summary(attempt, compared).time.startswith("9 push press unbroken in ")
    broken = derive_attempt(read(6, 3).reading())
    assert [rep.status for rep in broken.reps] == ["counted"] * 6 + ["extra"] * 3
    assert summary(broken, None).time.startswith("6 push press unbroken in ")
