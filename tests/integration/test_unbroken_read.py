"""An unbroken test as it is read from a simulated attempt: the count is the athlete's own."""

from __future__ import annotations

import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from sample_clips.render.script import Act
from sample_clips.render.specs import Movements, RoundScript, stop
from tests.integration.test_behaviours import spec_of

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("movement", ["deadlift", "push press"])
def test_as_many_as_there_are_are_counted(movement: str) -> None:
    made: Movements = ((movement, 11),)
    spec = spec_of([RoundScript(made)], [made], after=[Act("end", how="drop", seconds=3.0)])
    choreography = spec.choreography()
    head, tail = spec.plan_toml.split("[breaks]")[0], "reps = 11"
    workout = parse_plan(head.replace(tail, 'reps = "max"')).workout
    assert workout.to_max
    attempt = derive_attempt(read_attempt(measure(spec.tracks(choreography)), workout))
    true = [rep["top_s"] for rep in spec.truth(choreography)["reps"]]
    assert [rep.top_s for rep in attempt.counted()] == pytest.approx(true, abs=0.15)
    assert attempt.clock.finished
    assert attempt.workout is not None
    assert attempt.workout.reps == 11
    assert not any("count_short" in rep.flags for rep in attempt.reps)


def test_a_break_ends_the_test() -> None:
    made: Movements = (("deadlift", 9),)
    spec = spec_of([RoundScript(made, stops={6: stop(5.0)})], [made])
    choreography = spec.choreography()
    head = spec.plan_toml.split("[breaks]")[0]
    workout = parse_plan(head.replace("reps = 9", 'reps = "max"')).workout
    attempt = derive_attempt(read_attempt(measure(spec.tracks(choreography)), workout))
    assert len(attempt.counted()) == 6
    assert [rep.status for rep in attempt.reps] == ["counted"] * 6 + ["extra"] * 3
