"""The reading on simulated attempts, whose truth is exact (`sample_clips/render/truth.py`)."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from sample_clips.render.simulate import Noise
from sample_clips.render.specs import basalt, slate


@pytest.mark.parametrize("make", [slate, basalt])
@pytest.mark.parametrize("noise", [Noise.none(), Noise()], ids=["exact", "noisy"])
def test_counts_are_exact_and_instants_close(make, noise) -> None:
    spec = make()
    choreography = spec.choreography()
    truth = spec.truth(choreography)
    plan = parse_plan(spec.plan_toml, "plan.toml")
    reading = read_attempt(measure(spec.tracks(choreography, noise=noise)), plan.workout)
    attempt = derive_attempt(reading)
    true = {
        (rep["round"], rep["movement"], rep["number"]): rep["top_s"]
        for rep in truth["reps"]
        if rep["status"] == "counted"
    }
    found = {
        (rep.round, rep.movement, rep.number): rep.top_s
        for rep in attempt.reps
        if rep.status == "counted"
    }
    assert set(found) == set(true)
    error = np.array([abs(found[key] - true[key]) for key in true])
    assert np.median(error) < 0.04
    assert len(attempt.breaks) == len(truth["breaks"])
    for one, other in zip(attempt.breaks, truth["breaks"], strict=True):
        assert one.after is not None
        assert one.after.model_dump() == other["after"]
        assert one.end_s == pytest.approx(other["end_s"], abs=0.1)


def test_the_plans_breaks_never_reach_the_reading() -> None:
    """Two plans of one workout that differ in breaks and pace give the same reading."""
    spec = slate()
    other = spec.plan_toml.replace("7 | 1+5 | 1+4", "2 | 6 | 6+4").replace(
        "seconds = 4", "seconds = 9"
    )
    assert other != spec.plan_toml
    motion = measure(spec.tracks(spec.choreography()))
    one, two = (
        read_attempt(motion, parse_plan(text, "plan.toml").workout).model_dump(
            exclude={"provenance"}
        )
        for text in (spec.plan_toml, other)
    )
    assert one == two


def test_without_a_workout_movements_are_named_by_what_they_look_like() -> None:
    spec = slate()
    reading = read_attempt(measure(spec.tracks(spec.choreography())))
    names = [rep.movement for rep in reading.reps]
    # the pick-ups after each break inside a round are deadlifts here: nothing says otherwise
    assert names.count("hang power clean") >= 18
    assert names.count("deadlift") >= 24


def test_a_new_reading_keeps_the_ids_of_what_it_finds_again() -> None:
    spec = slate()
    workout = parse_plan(spec.plan_toml, "plan.toml").workout
    tracks = spec.tracks(spec.choreography())
    first = read_attempt(measure(tracks), workout)
    # the same film, looked at with a little other timing: what was there moves by 0.1 s
    later = tracks.assign_coords(time=tracks["time"] + 0.1)
    again = read_attempt(measure(later), workout, previous=first)
    anew = read_attempt(measure(later), workout)
    assert [rep.id for rep in again.reps] == [rep.id for rep in first.reps]
    assert [rest.id for rest in again.floor_rests] == [rest.id for rest in first.floor_rests]
    assert {rep.id for rep in anew.reps}.isdisjoint({rep.id for rep in first.reps})
    assert len({rest.id for rest in first.floor_rests}) == len(first.floor_rests)
