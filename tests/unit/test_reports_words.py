"""Numbers and words of the reports: what is shown adds up on paper, and names cannot do harm."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.attempt.records import BreakMatch, MovementReps, PlannedBreak, SetSpeed
from repcount.reports import words
from repcount.reports.rows import round_rows, spent_rows, time_rows
from repcount.units import from_ms
from repcount.wording import numbers
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    long_attempt,
)

milliseconds = st.integers(min_value=-3_600_000, max_value=3_600_000)


@given(st.lists(milliseconds, max_size=30))
def test_tenths_add_up_and_stay_within_a_tenth(values):
    shown = numbers.tenths([from_ms(value) for value in values])
    assert sum(shown) == numbers.as_tenths(from_ms(sum(values)))
    for tenth, value in zip(shown, values, strict=True):
        assert abs(Fraction(tenth, 10) - Fraction(value, 1000)) < Fraction(1, 10)


def test_tenths_of_a_worked_example():
    # Largest remainder by hand: 0.04 + 0.04 + 0.04 = 0.12 is shown as 0.1: one part carries it.
    assert sorted(numbers.tenths([0.04, 0.04, 0.04])) == [0, 0, 1]
    assert numbers.tenths([1.26, 2.37, 3.37]) == [12, 24, 34]


def test_tenths_reach_a_sum_that_has_been_shown():
    assert sum(numbers.tenths([1.04, 1.04], whole=21)) == 21
    assert sum(numbers.tenths([1.04, 1.04], whole=30)) == 21  # another sum is not forced


@pytest.mark.parametrize(
    ("seconds", "clock", "short", "signed"),
    [
        (0.0, "0:00.0", "0.0", "0.0"),
        (0.05, "0:00.1", "0.1", "+0.1"),
        (-0.04, "0:00.0", "0.0", "0.0"),
        (-1.25, "−0:01.3", "−1.3", "−1.3"),
        (59.96, "1:00.0", "60.0", "+60.0"),
        (166.916, "2:46.9", "166.9", "+166.9"),
        (3725.04, "1:02:05.0", "3725.0", "+3725.0"),
        (None, "–", "–", "–"),
    ],
)
def test_times_in_words(seconds, clock, short, signed):
    assert numbers.clock(seconds) == clock
    assert numbers.short(seconds) == short
    assert numbers.signed(seconds) == signed


@pytest.mark.parametrize("attempt", [example_attempt(), long_attempt()])
def test_rounds_add_up_to_the_total_as_shown(attempt):
    for comparison in (None, example_comparison(example_attempt())):
        if comparison and attempt.workout != comparison.workout:
            continue
        *rows, total = round_rows(attempt, comparison)
        assert sum(row.real or 0 for row in rows) == total.real
        if comparison:
            assert sum(row.planned or 0 for row in rows) == total.planned
            assert sum(row.difference or 0 for row in rows) == total.difference


def test_time_by_kind_adds_up_as_shown():
    attempt = example_attempt()
    comparison = example_comparison(attempt)
    *rows, total = time_rows(comparison)
    assert total.real == numbers.as_tenths(attempt.clock.total_s)
    assert [
        sum(getattr(row, part) for row in rows) for part in ("planned", "real", "difference")
    ] == [
        total.planned,
        total.real,
        total.difference,
    ]
    *work, whole = spent_rows(attempt, comparison)
    assert whole.label == "Work"
    assert whole.real == next(row.real for row in rows if row.label == "Work")
    assert sum(row.real for row in work) == whole.real
    *every, clock = spent_rows(attempt)
    assert (clock.label, sum(row.real for row in every)) == ("Total", total.real)


def test_work_is_not_taken_apart_where_it_is_cut_across_kinds():
    attempt = example_attempt()
    comparison = example_comparison(attempt)
    work = comparison.time[-1]
    other = work.model_copy(update={"real_s": work.real_s - 2})
    cut = comparison.model_copy(update={"time": [*comparison.time[:-1], other]})
    assert spent_rows(attempt, cut)[-1].label == "Total"


def test_verdicts():
    attempt = example_attempt()
    comparison = example_comparison(attempt)
    text = words.verdict(attempt, comparison).text
    assert text.startswith("Finished in 2:46.9. 11.4 s behind the plan of 2:35.5. The break after")
    run = attempt.clock.model_copy(update={"finished": False})
    one = [MovementReps(movement="deadlift", reps=1)]
    short = attempt.rounds[0].model_copy(update={"counted": 17, "missing": one})
    dropped = attempt.model_copy(
        update={"clock": run, "reps": attempt.reps[1:-1], "rounds": [short, *attempt.rounds[1:]]}
    )
    assert words.verdict(dropped, comparison).text.startswith(
        "All rounds done in 2:46.9, not every rep counted. 11.4 s behind the plan of 2:35.5. "
        "53 of 54 reps counted."
    )
    stopped = attempt.model_copy(
        update={"clock": run, "reps": attempt.reps[:40], "rounds": attempt.rounds[:2]}
    )
    unfinished = comparison.model_copy(update={"difference_s": None})
    assert words.verdict(stopped, unfinished).text.startswith(
        "Not finished: 2:46.9 on the clock. The plan was 2:35.5. 40 of 54 reps counted."
    )
    capped = attempt.workout.model_copy(update={"time_cap_s": run.total_s})
    at_cap = stopped.model_copy(update={"workout": capped})
    assert words.verdict(at_cap, None).time == "Not finished at the time cap: 2:46.9 on the clock."
    assert words.verdict(bare_attempt(), None).text == (
        "25 deadlift, 18 hang power clean, 12 push press in 2:46.9."
    )
    assert words.verdict(empty_attempt(), None).text == "No reps were seen."


def test_what_became_of_breaks_is_said_in_words():
    matches = example_comparison().breaks
    said = [words.break_words(match) for match in matches]
    assert said[0] == "bar down after deadlift 7 as planned"
    assert said[2] == "bar down after deadlift 6, 1 rep earlier than planned"
    assert said[5] == "unplanned break after hang power clean 3, 3.2 s"
    planned = PlannedBreak(round=3, after={"movement": "deadlift", "number": 7}, seconds=4)
    skipped = BreakMatch(round=3, outcome="skipped", planned=planned)
    assert words.break_words(skipped) == "no break after deadlift 7, though planned"
    unreached = BreakMatch(round=3, outcome="not reached", planned=planned)
    assert words.break_words(unreached) == "the break after deadlift 7 was not reached"
    reset = BreakMatch(
        round=3, outcome="reset", planned=planned, real_reset=example_attempt().floor_rests[0]
    )
    assert words.break_words(reset) == (
        "a reset of 3.9 s after deadlift 7 where a break was planned"
    )


def test_everything_to_look_at_is_listed_in_order():
    found = words.doubts(example_attempt())
    assert [doubt.at_s for doubt in found] == sorted(doubt.at_s for doubt in found)
    assert len(found) == 5
    assert found[1].what == "Push press, not counted"
    assert found[-1].why == "not part of the workout"


def test_missing_reps_are_named():
    missing = [
        MovementReps(movement="push press", reps=2),
        MovementReps(movement="deadlift", reps=1),
    ]
    assert words.missing_words(missing) == "2 push press, 1 deadlift"


@given(st.text())
def test_plain_text_has_no_controls_and_turns_nothing(text):
    shown = words.plain(text)
    assert len(shown) == len(text)
    # Control characters (Unicode category Cc) and the explicit directional formatting characters
    # of UAX 9, table "Explicit Formatting Characters".
    bad = {chr(i) for i in (*range(32), *range(127, 160), 0x200E, 0x200F)}
    bad |= {chr(i) for i in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))}
    assert not bad & set(shown)


# The international pound is 0.45359237 kg exactly (agreement of 1959; NIST SP 811, appendix B).
@pytest.mark.parametrize(
    ("kg", "said"),
    [
        (60.0, "60 kg (132.3 lb)"),
        (42.5, "42.5 kg (93.7 lb)"),
        (95 * 0.45359237, "95 lb (43.1 kg)"),
        (43.091, "95 lb (43.1 kg)"),
        (61.3, "61.3 kg (135.1 lb)"),
    ],
)
def test_a_load_is_told_in_the_unit_it_is_whole_in(kg, said):
    assert numbers.load(kg) == said


def test_how_a_rep_was_done_is_said_in_words():
    rep = example_attempt().reps[0]
    assert words.way_words(rep) == ""
    done = rep.model_copy(update={"from_floor": "reset", "dropped": True})
    assert words.way_words(done) == "from a reset, dropped after it"
    clean = rep.model_copy(update={"style": "fast thigh rebound", "style_confidence": 0.934})
    assert words.way_words(clean) == "fast thigh rebound (93 %)"
    sure = clean.model_copy(update={"style_confidence": 1.0})
    assert words.way_words(sure) == "fast thigh rebound (over 99 %)"
    unsure = rep.model_copy(update={"style": "unsure", "style_confidence": 0.6})
    assert words.way_words(unsure) == "style unsure"
    kinds = ("touch", "touch-and-go", "reset", "break")
    said = [words.way_words(rep.model_copy(update={"from_floor": kind})) for kind in kinds]
    assert len(set(said)) == 4
    assert all(said)


def test_a_sets_speed_is_said_with_its_doubt():
    span = example_attempt().sets[0]
    assert words.speed_words(span.model_copy(update={"speeds": []})) == ""
    speed = SetSpeed(
        movement="deadlift", reps=7, mean_st_s=0.5, slope_share=-0.021, uncertainty=0.008
    )
    said = words.speed_words(span.model_copy(update={"speeds": [speed]}))
    assert said == "set 1: deadlift 0.50, −2.1 ± 0.8 % a rep"
