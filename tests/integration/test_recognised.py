"""An attempt read without a plan gives a plan that it can be read with."""

from __future__ import annotations

import pytest

from repcount.pipeline.analyze import analyze
from repcount.pipeline.results import RECOGNISED
from repcount.plan import load_plan, parse_plan
from repcount.reports.words import summary
from repcount.tracking.tracks import save_tracks
from sample_clips.render.simulate import Noise
from sample_clips.render.specs import basalt, slate

pytestmark = pytest.mark.slow

WRONG = """
[workout]
name = "Gravel"
rounds = 5
[[workout.movements]]
movement = "deadlift"
reps = 12
[[workout.movements]]
movement = "power clean"
reps = 6
"""


@pytest.mark.parametrize("make", [slate, basalt])
def test_what_is_recognised_is_a_plan_of_the_attempt(make, tmp_path) -> None:
    spec = make()
    tracks = tmp_path / "tracks.nc"
    save_tracks(spec.tracks(spec.choreography(), noise=Noise()), tracks)
    asked = parse_plan(spec.plan_toml).workout.rounds
    analyze(None, None, tmp_path / "bare", tracks=tracks)
    plan = load_plan(tmp_path / "bare" / RECOGNISED)
    assert plan.workout.rounds == asked
    again = analyze(None, plan, tmp_path / "again", tracks=tracks)
    assert again.attempt.clock.finished
    assert again.comparison.real_sets == plan.planned_sets()
    assert all(match.outcome == "as planned" for match in again.comparison.breaks)
    assert not (tmp_path / "again" / RECOGNISED).exists()


def test_a_plan_of_another_workout_is_told_and_the_right_one_offered(tmp_path) -> None:
    spec = slate()
    tracks = tmp_path / "tracks.nc"
    save_tracks(spec.tracks(spec.choreography(), noise=Noise()), tracks)
    found = analyze(None, parse_plan(WRONG), tmp_path / "out", tracks=tracks)
    said = "This looks like another workout: 3 rounds of 8 deadlift, 6 hang power clean, 4 push"
    assert said in summary(found.attempt, found.comparison).text
    assert found.attempt.warnings[0].code == "other-workout"
    plan = load_plan(tmp_path / "out" / RECOGNISED)
    assert plan.workout.rounds == parse_plan(spec.plan_toml).workout.rounds
