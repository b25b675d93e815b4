"""The blind behaviours' truth is what their scripts ask for, and hangs together."""

from __future__ import annotations

from collections import Counter
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from repcount.plan import parse_plan
from sample_clips.render.fall import PLATE_X_M
from tests.accuracy.blind.attempts import Case, case
from tests.accuracy.blind.behaviours import BEHAVIOURS

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

# Bar and body move no faster than a free fall from overhead (about 2.2 m) lands, at 1 kHz.
FASTEST_M = np.sqrt(2 * 9.81 * 2.2) / 1000


@cache
def drawn(name: str) -> Case:
    """The first attempt of a behaviour."""
    return case(name, 0)


def _breaks_asked_for(made: Case) -> int:
    """Breaks between reps of one round, by the script; a bar that is carried makes two."""
    found = 0
    for number, one in enumerate(made.draft.rounds, 1):
        waiting = begun = 0
        for act in one.acts(number):
            if act.do in ("break", "stuck") and act.seconds > 1.5 and begun:
                waiting += 2 if act.during == "carry" else 1
            if act.do == "rep":
                found, waiting, begun = found + waiting, 0, 1
    return found


@pytest.mark.parametrize("name", BEHAVIOURS)
def test_truth_is_what_was_asked_for(name: str) -> None:
    made = drawn(name)
    truth = made.truth
    counted = [rep for rep in truth["reps"] if rep["status"] == "counted"]
    assert Counter((rep["round"], rep["movement"]) for rep in counted) == made.draft.done()
    assert len(truth["breaks"]) == _breaks_asked_for(made)
    for rep in truth["reps"]:
        assert rep["start_s"] < rep["top_s"] <= rep["end_s"]
    for one, following in pairwise(counted):
        assert one["top_s"] < following["top_s"]
        assert one["end_s"] <= following["start_s"] + 0.001
    for rest in truth["floor_rests"]:
        assert not any(rest["first_contact_s"] < rep["top_s"] < rest["end_s"] for rep in counted)
    for one in truth["breaks"]:
        assert one["end_s"] - one["start_s"] >= 1.5
        assert not any(one["start_s"] < rep["top_s"] < one["end_s"] for rep in counted)
    parse_plan(made.spec.plan_toml, "plan.toml")


@pytest.mark.parametrize("name", BEHAVIOURS)
def test_the_bar_moves_as_a_bar_can(name: str) -> None:
    made = drawn(name).choreography
    bar = made.bar(np.arange(int(made.duration_s * 1000)) / 1000)
    lowest = bar.y - np.abs(PLATE_X_M * np.sin(bar.tilt))
    assert lowest.min() > made.radius_m - 0.005
    for way in (bar.x, bar.y, bar.z):
        assert np.abs(np.diff(way)).max() < 1.2 * FASTEST_M


def test_another_seed_is_another_attempt() -> None:
    first, second = case("false dip", 0), case("false dip", 1)
    assert first.spec.stature_m != second.spec.stature_m
    assert first.spec.script != second.spec.script
    assert case("false dip", 0).spec == first.spec
