"""The varied attempts that the reading's accuracy is measured on: everything occurs in them."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from repcount.plan import parse_plan
from sample_clips.render.script import PASTIMES
from sample_clips.render.simulate import Noise
from sample_clips.render.specs import random_spec
from sample_clips.render.variety import CHANGES, RATES, eventful_spec

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged


@pytest.mark.slow
def test_everything_happens_somewhere() -> None:
    notes: Counter[str] = Counter()
    rates, sides = set(), Counter()
    for seed in range(400):
        spec = eventful_spec(seed)
        parse_plan(spec.plan_toml, "plan.toml")
        text = " / ".join(spec.notes)
        for word in (
            *PASTIMES,
            *("failed", "missing", "too many", "too early", "hold before", "gave up", "warm-up"),
            *("driven through", "without standing up", "no pause", "kept in the hands"),
            *("false start", "more after the end", "one more lift", "at all", " before "),
            *(
                "rebound from the thighs",
                "fewer",
                "moved",
                "skipped",
                "unplanned break",
                "no start signal",
            ),
        ):
            notes[word] += word in text
        rates.add((spec.fps, spec.pose_every))
        sides[round(abs(spec.view.azimuth_deg) / 30)] += 1
    assert all(notes.values()), notes
    assert rates == {(float(fps), every) for fps, every in RATES}
    assert set(sides) >= {0, 1, 2}


@pytest.mark.parametrize("change", [change for _, change in CHANGES], ids=lambda c: c.__name__)
def test_a_change_happens_and_leaves_the_attempt_it_was_given(change) -> None:
    done = 0
    for seed in range(12):
        given = random_spec(seed)
        before = replace(given)
        made = change(given, np.random.default_rng(seed))
        assert given == before
        done += made != given
    assert done


def test_twice_the_noise_is_twice_every_error() -> None:
    one, two = Noise(), Noise().times(2.0)
    assert two.drift == 2 * one.drift
    assert two.gap_per_min == 2 * one.gap_per_min
    assert two.gap_s == one.gap_s  # events come more often, they do not last longer
    assert Noise().times(1.0) == one
