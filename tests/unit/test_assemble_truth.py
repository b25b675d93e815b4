"""Derived attempts against the truth of scripted ones, which shares no code with the derivation.

A reading is made of the truth's own reps, rests and holds, with their status, numbers and round's
end taken away where they are to be derived. What comes out must be the truth again.
"""

from __future__ import annotations

from typing import Any

import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import (
    FloorRest,
    Hold,
    Provenance,
    Reading,
    Rep,
    StartSignal,
    Video,
)
from repcount.plan import parse_plan
from repcount.units import from_ms, to_ms
from sample_clips.render.specs import Spec, basalt, random_spec, slate

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

SPECS = [slate, basalt, *[lambda seed=seed: random_spec(seed) for seed in range(8)]]


def reading_of(spec: Spec, truth: dict[str, Any], duration_s: float) -> Reading:
    reps = [
        Rep(
            id=f"r{number}",
            round=one["round"],
            movement=one["movement"],
            # the machine says of a rep that it belongs to a round; which ones count is derived
            status="unplanned" if one["status"] == "unplanned" else "counted",
            start_s=one["start_s"],
            top_s=one["top_s"],
            end_s=one["end_s"],
            confidence=1.0,
        )
        for number, one in enumerate(truth["reps"])
    ]
    rests = [
        FloorRest(id=f"f{number}", **{key: value for key, value in one.items() if key != "kind"})
        for number, one in enumerate(truth["floor_rests"])
    ]
    holds = [Hold(**{**one, "round": None}) for one in truth["holds"]]
    clock = truth["clock"]
    return Reading(
        provenance=Provenance(version="0", made_at="2026-03-14T09:26:53Z"),
        video=Video(
            file_name="a.mp4",
            sha256="ab" * 32,
            duration_s=duration_s,
            width=1,
            height=1,
            mean_rate_hz=30,
        ),
        workout=parse_plan(spec.plan_toml).workout,
        start_signals=[StartSignal(at_s=clock["start_s"], source=clock["start_source"])],
        end_of_sight_s=duration_s,
        floor_rests=rests,
        holds=holds,
        reps=reps,
    )


def only(records: list[Any], like: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Records as dicts with the keys that the truth has."""
    keys = set().union(*map(set, like)) if like else set()
    return [one.model_dump(include=keys) for one in records]


@pytest.mark.parametrize("number", range(len(SPECS)))
def test_the_derived_attempt_is_the_truth(number: int) -> None:
    spec = SPECS[number]()
    choreography = spec.choreography()
    truth = spec.truth(choreography)
    attempt = derive_attempt(reading_of(spec, truth, choreography.duration_s))
    assert attempt.clock.model_dump() == truth["clock"]
    assert [(rep.status, rep.round, rep.number, rep.cycle_s) for rep in attempt.reps] == [
        (one["status"], one["round"], one["number"], one["cycle_s"]) for one in truth["reps"]
    ]
    if to_ms(attempt.clock.end_s or 0) > to_ms(truth["rounds"][-1]["end_s"]):
        # The time cap came in the middle of a round. The truth ends the round at its last counted
        # top; the attempt lets it run on to the cap, so that the pieces add up to the total.
        last = truth["rounds"][-1]
        last["end_s"] = attempt.clock.end_s
        last["duration_s"] = from_ms(to_ms(last["end_s"]) - to_ms(last["start_s"]))
    for one in truth["holds"]:
        del one["round"]  # the truth gives a hold that begins as a round ends to that round
    for name in ("breaks", "between_rounds", "holds", "transitions", "rounds", "floor_rests"):
        assert only(getattr(attempt, name), truth[name]) == truth[name], name
    assert [one.model_dump() for one in attempt.time_spent] == truth["time_spent"]
