"""Times as whole milliseconds, against exact decimal arithmetic."""

from __future__ import annotations

import itertools
import pickle
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.attempt.records import Hold, MovementReps, Workout
from repcount.attempt.time_budget import length
from repcount.units import Ms, from_ms, to_ms, total_ms

# Halves of milliseconds that a float holds exactly, so that the decimal rounding is the true one.
seconds = st.integers(-(10**8), 10**8).map(lambda sixteenths: sixteenths / 16)


@given(seconds)
def test_rounding_is_half_away_from_zero_as_decimals_do_it(value):
    exact = Decimal(value).scaleb(3).quantize(Decimal(1), ROUND_HALF_UP)
    assert to_ms(value) == int(exact)


@given(st.lists(st.integers(-(10**9), 10**9)))
def test_sums_and_differences_are_exact_and_stay_times(values):
    times = [Ms(value) for value in values]
    assert total_ms(one.seconds for one in times) == sum(values)
    assert length([(Ms(0), abs_ms) for abs_ms in map(Ms, map(abs, values))]) == max(
        map(abs, values), default=0
    )
    for one, two in itertools.pairwise(times):
        for result in (one + two, one - two, -one, 5 + one, 5 - one, one + 5):
            assert type(result) is Ms
        assert to_ms((one - two).seconds) == int(one) - int(two)


def test_a_time_goes_to_another_process_and_back():
    assert pickle.loads(pickle.dumps(Ms(1250))).seconds == from_ms(1250) == 1.25


def test_a_time_and_a_part_of_a_millisecond_do_not_add_up_silently():
    with pytest.raises(TypeError):
        Ms(1) + "1"  # type: ignore[operator]


def test_a_record_gives_its_instants_and_stores_seconds_alone():
    hold = Hold(start_s=0.1, end_s=0.3, where="rack")
    assert (hold.span, hold.length_ms, hold.length_s) == ((100, 300), 200, 0.2)
    assert hold.model_dump() == {"start_s": 0.1, "end_s": 0.3, "where": "rack", "round": None}


def test_the_sequence_of_a_workout_numbers_reps_in_movement_and_round():
    rounds = [[("clean", 2), ("jerk", 1), ("clean", 1)], [("jerk", 2)]]
    workout = Workout(
        name="Gravel",
        rounds=[[MovementReps(movement=m, reps=n) for m, n in parts] for parts in rounds],
    )
    assert workout.sequence() == [
        (1, "clean", 1),
        (1, "clean", 2),
        (1, "jerk", 1),
        (1, "clean", 3),
        (2, "jerk", 1),
        (2, "jerk", 2),
    ]
    assert workout.reps == len(workout.sequence()) == 6
    assert workout.reps_before(1) == 0
    assert workout.reps_before(2) == 4
    assert workout.movements(1) == ["clean", "jerk", "clean"]
