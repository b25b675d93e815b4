"""The workout that an attempt looks like, from lifts read without one."""

from __future__ import annotations

import pytest

from repcount.analysis.recognise import looks_like_another, pattern_at, recognise, workout_words
from repcount.attempt.assemble import derive_attempt
from repcount.plan import parse_plan
from repcount.plan.writing import plan_toml
from tests.scripted_reading import Script, slate, workout


def read(script: Script):
    """What is recognised of a script that was read without a workout."""
    reading = script.reading()
    return recognise(reading, derive_attempt(reading))


WAYS_UP = {"hang power clean": ["deadlift"], "push press": ["deadlift", "hang power clean"]}


def with_pick_ups(script: Script, pattern: str, stop: float = 4.0) -> Script:
    """A round of Slate as lifts without a workout are: after a break inside cleans or presses the
    way up to them is a deadlift, and a hang power clean where a press follows."""
    names = ["deadlift"] * 8 + ["hang power clean"] * 6 + ["push press"] * 4
    for number, one in enumerate(pattern.split("|")):
        reps = sum(map(int, one.split("+")))
        if number:
            script.wait(0.4).rest(stop).wait(0.5)
            way_up = WAYS_UP.get(names[0], [])
            names, reps = way_up + names, reps + len(way_up)
        for _ in range(reps):
            script.rep(names.pop(0))
    return script


def test_rounds_are_recognised_through_pick_ups():
    script = Script().wait(1.0)
    for number, pattern in enumerate(("7|1+5|1+4", "8|6|4", "7|1+3|2|1+4")):
        if number:
            script.next_round()
        with_pick_ups(script, pattern)
    found = read(script)
    assert found.words == "3 rounds of 8 deadlift, 6 hang power clean, 4 push press"
    # a break before the presses costs a clean, which is none of the workout
    assert found.missing == 0
    assert found.plan.planned_sets() == ["7 | 1+5 | 1+4", "8 | 6 | 4", "7 | 1+3 | 2 | 1+4"]
    assert [len(one.break_s) for one in found.plan.rounds] == [2, 2, 3]
    assert parse_plan(plan_toml(found.plan)) == found.plan


def test_an_unfinished_round_does_not_change_what_is_asked():
    script = Script().wait(1.0).sets("7|1+5|1+4").next_round().sets("7|1+5|1+4").next_round()
    script.rep("deadlift", 5)
    assert read(script).words == "3 rounds of 8 deadlift, 6 hang power clean, 4 push press"


def test_rounds_that_differ_are_told_one_by_one():
    rounds = ((("thruster", 9), ("power clean", 9)), (("thruster", 6), ("power clean", 6)),
              (("thruster", 3), ("power clean", 3)))  # fmt: skip
    script = Script().wait(1.0)
    for number, parts in enumerate(rounds):
        if number:
            script.next_round()
        for name, reps in parts:
            script.rep(name, reps)
    found = read(script)
    assert found.plan.workout.rounds == workout(*rounds).rounds
    assert found.words.startswith("3 rounds: 9 thruster, 9 power clean; 6 thruster")
    assert parse_plan(plan_toml(found.plan)) == found.plan


def test_one_rep_missed_in_one_round_is_missing_not_another_workout():
    script = Script().wait(1.0)
    for number in range(4):
        if number:
            script.next_round()
        script.rep("power clean", 4 if number == 2 else 5).rep("front squat", 6)
    found = read(script)
    assert found.words == "4 rounds of 5 power clean, 6 front squat"
    assert (found.missing, found.left_out) == (1, 0)


def test_a_single_lift_that_was_named_wrongly_is_left_out():
    script = Script().wait(1.0).rep("power clean", 5).rep("front squat", 6).next_round()
    script.rep("power clean", 5).rep("front squat", 3).rep("overhead squat").rep("front squat", 3)
    found = read(script)
    assert found.words == "2 rounds of 5 power clean, 6 front squat"
    assert found.left_out == 1


def test_too_few_lifts_tell_nothing():
    assert read(Script().wait(1.0).rep("deadlift", 3)) is None


@pytest.mark.parametrize("rounds", [2, 3])
def test_a_wrong_plan_is_told_and_a_right_one_is_not(rounds):
    bare = Script().wait(1.0)
    for number in range(rounds):
        if number:
            bare.next_round()
        bare.sets("7|1+5|1+4")
    found = read(bare)
    right = Script(slate(rounds)).wait(1.0).sets("8+6+4")
    assert not looks_like_another(derive_attempt(right.reading()), found)  # cut short
    wrong = workout(*[(("thruster", 9), ("deadlift", 9))] * 5)
    script = (
        Script(wrong).wait(1.0).rep("deadlift", 8).rep("hang power clean", 6, status="unplanned")
    )
    script.rep("push press", 4, status="unplanned")
    assert looks_like_another(derive_attempt(script.reading()), found)


def test_a_pattern_is_made_of_places():
    parts = slate(1).rounds[0]
    assert str(pattern_at(parts, [7, 13])) == "7 | 1+5 | 1+4"
    assert str(pattern_at(parts, [0, 18, 8, 8])) == "8 | 6+4"
    assert str(pattern_at(parts, [])) == "8+6+4"
    assert workout_words(slate(1)) == "1 round of 8 deadlift, 6 hang power clean, 4 push press"
