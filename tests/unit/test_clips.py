"""What cost most as clips: which losses, with which stills, and the bar's height in their place."""

from __future__ import annotations

import re

import pytest

from repcount.attempt.records import Notice
from repcount.reports.clips import AFTER_S, BEFORE_S, MOST_CLIPS, clips, still_moments
from repcount.reports.stills import moments
from repcount.units import to_ms
from tests.example_records import bare_attempt, example_attempt, example_comparison


def test_the_biggest_losses_come_first_and_are_few():
    made = clips(example_attempt(), example_comparison())
    assert len(made) == MOST_CLIPS
    assert [one.seconds for one in made] == sorted((one.seconds for one in made), reverse=True)
    assert all(one.what.endswith(".") and one.moments for one in made)


def test_a_still_stands_for_a_moment_beside_it_and_else_the_bar_does():
    attempt, comparison = example_attempt(), example_comparison()
    shown = to_ms(clips(attempt, comparison)[0].moments[1].at_s)
    made = clips(attempt, comparison, stills_ms=[5, shown - 100, shown + 90_000])
    assert made[0].still_ms == shown - 100
    assert all(one.still_ms is None for one in made[1:])
    # the curve covers what the clip plays: its own units are seconds of the video
    for one in made:
        box = re.search(r'viewBox="([\d.]+) 0 ([\d.]+) 1000"', one.curve)
        assert box is not None
        shown = one.moments[0]
        assert float(box[1]) == round(shown.start_s - BEFORE_S, 3)
        assert float(box[2]) == pytest.approx(shown.end_s - shown.start_s + BEFORE_S + AFTER_S)
    # which is the loss from its begin to its end: a break, say
    stops = {stop.start_s: stop.end_s for stop in attempt.breaks}
    assert all(stops[shown.start_s] == shown.end_s for shown in made[0].moments)


def test_stills_are_taken_of_what_clips_and_lists_show():
    attempt, comparison = example_attempt(), example_comparison()
    first = still_moments(attempt, comparison)
    taken = moments(attempt, comparison, first)
    assert taken[0] == attempt.counted()[0].top_ms
    made = clips(attempt, comparison, stills_ms=taken)
    assert [one.still_ms for one in made] == [to_ms(one.moments[0].at_s) for one in made]


def test_of_another_workout_or_none_nothing_is_said():
    said = Notice(code="other-workout", text="This looks like another workout.")
    attempt = example_attempt().model_copy(update={"warnings": [said]})
    assert clips(attempt, example_comparison()) == []
    assert clips(bare_attempt(), None) == []
    assert still_moments(bare_attempt(), None) == [bare_attempt().counted()[0].top_s]
