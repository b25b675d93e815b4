"""Numbers and words of the reports: times are rounded, sums are exact, names cannot do harm."""

from __future__ import annotations

import decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import BreakMatch, MovementReps, PlannedBreak, SetSpeed
from repcount.plan import parse_plan
from repcount.reports import words
from repcount.reports.clips import biggest_losses
from repcount.reports.rows import round_rows, spent_rows, time_rows
from repcount.reports.terminal import report_lines
from repcount.units import from_ms, to_ms
from repcount.wording import numbers
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    long_attempt,
)
from tests.scripted_reading import SLATE, Script, slate

milliseconds = st.integers(min_value=-3_600_000, max_value=3_600_000)


@given(milliseconds)
def test_a_time_is_rounded_to_the_nearest_tenth(value):
    """Python's decimal, which rounds by the rule that its caller names, is the judge."""
    rule = decimal.ROUND_HALF_UP if value >= 0 else decimal.ROUND_HALF_DOWN  # towards plus infinity
    exact = (decimal.Decimal(value) / 1000).quantize(decimal.Decimal("0.1"), rounding=rule)
    assert numbers.as_tenths(from_ms(value)) == 10 * exact
    shown = numbers.short(from_ms(value)).replace("−", "-")
    assert decimal.Decimal(shown) == exact


@given(milliseconds, st.integers(min_value=0, max_value=36_000))
def test_a_difference_from_whole_tenths_is_that_of_what_is_shown(value, planned):
    real = from_ms(value)
    assert numbers.as_tenths(real - planned / 10) == numbers.as_tenths(real) - planned


def test_a_part_of_a_table_is_rounded_not_cut():
    """A start piece of 1.667 s is 1.7, also where the column would then miss its sum by a tenth."""
    script = Script(slate()).wait(1.667)
    for number in range(3):
        if number:
            script.next_round(6.04)
        script.sets("7|1+5|1+4", 4.03)
    attempt = derive_attempt(script.reading())
    comparison = compare(attempt, parse_plan(SLATE))
    for beside in (None, comparison):
        start = round_rows(attempt, beside)[0]
        assert (start.label, numbers.short(start.real)) == ("Start", "1.7")
        lines = [line.plain for line in report_lines(attempt, beside)]
        assert any(line.startswith("Start") and " 1.7" in line for line in lines)
    for rows in (
        time_rows(attempt, comparison),
        spent_rows(attempt, comparison),
        spent_rows(attempt),
    ):
        for row in rows:
            exact = decimal.Decimal(to_ms(row.real)) / 1000
            assert abs(decimal.Decimal(numbers.short(row.real)) - exact) <= decimal.Decimal("0.05")


@pytest.mark.parametrize(
    ("seconds", "clock", "short", "signed"),
    [
        (0.0, "0:00.0", "0.0", "0.0"),
        (0.05, "0:00.1", "0.1", "+0.1"),
        (-0.04, "0:00.0", "0.0", "0.0"),
        (-1.25, "−0:01.2", "−1.2", "−1.2"),
        (-1.26, "−0:01.3", "−1.3", "−1.3"),
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


def total_ms(rows, part):
    return sum(to_ms(getattr(row, part) or 0) for row in rows)


@pytest.mark.parametrize("attempt", [example_attempt(), long_attempt()])
def test_rounds_add_up_to_the_total_to_the_millisecond(attempt):
    for comparison in (None, example_comparison(example_attempt())):
        if comparison and attempt.workout != comparison.workout:
            continue
        *rows, total = round_rows(attempt, comparison)
        assert total_ms(rows, "real") == to_ms(total.real)
        if comparison:
            assert total_ms(rows, "planned") == to_ms(total.planned)
            assert total_ms(rows, "difference") == to_ms(total.difference)


def test_time_by_kind_adds_up_to_the_millisecond():
    attempt = example_attempt()
    comparison = example_comparison(attempt)
    *rows, total = time_rows(attempt, comparison)
    assert total.real == attempt.clock.total_s
    for part in ("planned", "real", "difference"):
        assert total_ms(rows, part) == to_ms(getattr(total, part))
    *work, whole = spent_rows(attempt, comparison)
    assert whole.label == "Work"
    assert whole.real == next(row.real for row in rows if row.label == "Work")
    assert total_ms(work, "real") == to_ms(whole.real)
    *every, clock = spent_rows(attempt)
    assert (clock.label, total_ms(every, "real")) == ("Total", to_ms(total.real))


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
    plain = words.summary(attempt, comparison).text
    assert plain.startswith("Finished in 2:46.9. 11.4 s behind the plan of 2:35.5. Largest loss: ")
    text = words.summary(attempt, comparison, balanced=True).text
    assert text == (
        "Finished in 2:46.9. 11.4 s behind the plan of 2:35.5: 19.9 s lost, 8.5 s won elsewhere. "
        "Largest loss: planned breaks, 7.5 s against the plan."
    )
    found = biggest_losses(attempt, comparison)
    assert comparison.lost_s == pytest.approx(sum(one.seconds for one in found))
    most = found[0]
    assert text.endswith(f"{most.name}, {most.seconds:.1f} s against {most.against}.")
    run = attempt.clock.model_copy(update={"finished": False})
    one = [MovementReps(movement="deadlift", reps=1)]
    short = attempt.rounds[0].model_copy(update={"counted": 17, "missing": one})
    dropped = attempt.model_copy(
        update={"clock": run, "reps": attempt.reps[1:-1], "rounds": [short, *attempt.rounds[1:]]}
    )
    assert words.summary(dropped, comparison).text.startswith(
        "All rounds done in 2:46.9. 53 of 54 reps counted. 1 rep short, it is not finished as "
        "asked: the time is of a shorter workout. 11.4 s behind the plan of 2:35.5. "
    )
    stopped = attempt.model_copy(
        update={"clock": run, "reps": attempt.reps[:40], "rounds": attempt.rounds[:2]}
    )
    unfinished = comparison.model_copy(update={"difference_s": None})
    assert words.summary(stopped, unfinished).text.startswith(
        "Not finished: 2:46.9 on the clock. 40 of 54 reps counted. The plan was 2:35.5."
    )
    capped = attempt.workout.model_copy(update={"time_cap_s": run.total_s})
    at_cap = stopped.model_copy(update={"workout": capped})
    assert words.summary(at_cap, None).time == "Not finished at the time cap: 2:46.9 on the clock."
    assert words.summary(bare_attempt(), None).text == (
        "25 deadlift, 18 hang power clean, 12 push press in 2:46.9."
    )
    assert words.summary(empty_attempt(), None).text == "No reps were seen."


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
    found = words.review_marks(example_attempt())
    assert [mark.at_s for mark in found] == sorted(mark.at_s for mark in found)
    assert len(found) == 5
    assert found[1].what == "Push press, not counted"
    assert found[-1].why == "not part of the workout"


def test_a_rep_driven_through_is_told_as_it_was_and_asks_nothing():
    """ "Both count, the transition is 0, flag `driven_through`." """
    rep = example_attempt().reps[0].model_copy(update={"flags": ["driven_through"]})
    assert words.flag_words(rep) == "went straight on into the next movement"
    assert not words.needs_check(rep)
    doubtful = rep.model_copy(update={"flags": ["driven_through", "check"]})
    assert words.needs_check(doubtful)
    # what is asked is asked by the mark on what is to be checked, for every flag alike
    assert not any("?" in said for said in words.FLAGS.values())


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
def test_a_load_is_shown_in_the_unit_it_is_whole_in(kg, said):
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


def test_a_sets_speed_is_shown_with_its_uncertainty():
    span = example_attempt().sets[0]
    assert words.speed_words(span.model_copy(update={"speeds": []})) == ""
    speed = SetSpeed(
        movement="deadlift", reps=7, mean_st_s=0.5, slope_share=-0.021, uncertainty=0.008
    )
    said = words.speed_words(span.model_copy(update={"speeds": [speed]}))
    assert said == "set 1: deadlift 0.50 body heights/s, −2.1 ± 0.8 % each rep"
