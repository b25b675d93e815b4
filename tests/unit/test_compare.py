"""An attempt beside its plan. Quotations are the project's own definitions."""

from __future__ import annotations

import json

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed
from repcount.analysis.losses import losses
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, make_edit, new_edits
from repcount.attempt.records import Attempt, BreakMatch, Comparison, schema_text
from repcount.errors import RecordError
from repcount.plan import Plan, parse_plan
from repcount.units import to_ms
from tests.scripted_reading import SLATE, Script, as_planned, slate, workout

FULL = SLATE.replace("rounds = 3", "rounds = 2").replace("[44, 48, 50]", "[44, 48]") + (
    'start_s = 2.0\ntransition_s = 1.5\n[pace.cycle_s]\ndeadlift = 1.5\n"push press" = 1.4\n'
)
PLAN = parse_plan(SLATE)


def one_round(text: str = SLATE, round_s: float = 44) -> Plan:
    text = text.replace("rounds = 3", "rounds = 1")
    return parse_plan(text.replace("[44, 48, 50]", f"{round_s:g}"))


def beside(script: Script, plan: Plan | None = None) -> Comparison:
    return compare(derive_attempt(script.reading()), plan or one_round())


def outcome_of(match: BreakMatch) -> tuple[object, ...]:
    return match.outcome, match.moved_by, match.planned_s, match.real_s, match.length


def check_sums(comparison: Comparison, attempt: Attempt) -> None:
    """ "the differences add up to the difference of totals exactly" """
    parts = [to_ms(one.difference_s) for one in comparison.time]
    for one in comparison.time:
        assert to_ms(one.real_s) - to_ms(one.planned_s) == to_ms(one.difference_s)
    if comparison.difference_s is not None and comparison.planned_total_s is not None:
        assert comparison.real_total_s == attempt.clock.total_s
        assert sum(parts) == to_ms(comparison.difference_s)
        assert sum(to_ms(one.planned_s) for one in comparison.time) == to_ms(
            comparison.planned_total_s
        )
        assert sum(to_ms(one.real_s) for one in comparison.time) == to_ms(
            comparison.real_total_s or 0
        )
    breaks = [one for one in comparison.time if one.kind == "breaks"]
    if breaks:
        rows = [one for one in comparison.breaks if one.round <= comparison.compared_rounds]
        assert to_ms(breaks[0].difference_s) == sum(to_ms(one.difference_s or 0) for one in rows)


def test_an_attempt_as_planned() -> None:
    attempt = derive_attempt(as_planned().reading())
    comparison = compare(attempt, PLAN)
    assert {one.outcome for one in comparison.breaks} == {"as planned"}
    assert {one.length for one in comparison.breaks} == {"as planned"}
    assert comparison.planned_sets == comparison.real_sets == ["7 | 1+5 | 1+4"] * 3
    assert [one.kind for one in comparison.time] == ["breaks", "between rounds", "work"]
    assert comparison.planned_total_s == 154.0
    assert comparison.compared_rounds == 3
    check_sums(comparison, attempt)


def test_splits() -> None:
    attempt = derive_attempt(as_planned().reading())
    comparison = compare(attempt, PLAN)
    for one, span, planned in zip(comparison.rounds, attempt.rounds, (44, 48, 50), strict=True):
        assert (one.planned_s, one.real_s) == (planned, span.duration_s)
        assert to_ms(one.difference_s or 0) == to_ms(span.duration_s) - planned * 1000
        assert (one.planned_breaks, one.real_breaks, one.finished) == (2, 2, True)


def test_what_became_of_the_planned_breaks() -> None:
    script = Script(slate(1)).wait(1).sets("6|2+5|1+1|3", stop=5.0)
    comparison = beside(script)
    assert [outcome_of(one) for one in comparison.breaks] == [
        ("moved", -1, 4.0, 5.0, "longer"),
        ("as planned", 0, 4.0, 5.0, "longer"),
        ("unplanned", None, None, 5.0, None),
    ]
    assert comparison.real_sets == ["6 | 2+5 | 1+1 | 3"]

    comparison = beside(Script(slate(1)).wait(1).sets("8+4|2+4", stop=3.6))
    assert [outcome_of(one) for one in comparison.breaks] == [
        ("skipped", None, 4.0, None, None),
        ("moved", -1, 4.0, 3.6, "as planned"),
    ]
    assert [one.difference_s for one in comparison.breaks] == [-4.0, -0.4]
    comparison = beside(Script(slate(1)).sets("8+4|2+4", stop=3.4))
    assert comparison.breaks[1].length == "shorter"


def test_a_planned_break_may_be_met_by_a_reset() -> None:
    """ "A planned `|` may be met by a reset or a break." """
    script = Script(slate(1)).wait(1).rep("deadlift", 7).rest(0.9).rep("deadlift")
    script.rep("hang power clean", 5).rest(4.0).rep("hang power clean").rest(0.3)
    script.rep("push press", 2).rest(1.2).rep("push press", 2)
    attempt = derive_attempt(script.reading())
    comparison = compare(attempt, one_round())
    assert [outcome_of(one) for one in comparison.breaks] == [
        ("reset", 0, 4.0, 0.9, "shorter"),
        ("as planned", 0, 4.0, 4.0, "as planned"),
    ]
    assert comparison.breaks[0].real_reset == attempt.floor_rests[0]
    assert comparison.real_sets == ["8+5 | 1+4"]  # a reset does not end a set
    check_sums(comparison, attempt)


def test_a_break_s_place_does_not_shift_with_a_rep_missed_before() -> None:
    script = Script(slate(1)).wait(1).rep("deadlift", 6).rest(4.0).rep("deadlift")
    script.rep("hang power clean", 5).rest(4.0).rep("hang power clean").rep("push press", 4)
    script.rep("push press", status="extra")
    comparison = beside(script)
    assert [(one.outcome, one.moved_by) for one in comparison.breaks] == [
        ("moved", -1),
        ("as planned", 0),
    ]
    assert comparison.real_sets == [
        "6 | 1+5 | 1+4 (7 of 8 deadlift counted; 4 of 4 push press, 1 extra rep)",
    ]


def test_a_short_round_is_compared_and_reported() -> None:
    """Nine of ten deadlifts and all the rest: the attempt went to its end, and is not finished."""
    script = Script(slate()).wait(1)
    for number in (1, 2, 3):
        script.sets("7|1+5|1+4")
        if number < 3:
            script.next_round()
    del script.reps[20]
    attempt = derive_attempt(script.reading())
    comparison = compare(attempt, PLAN)
    assert attempt.clock.finished is False
    assert comparison.compared_rounds == 3
    assert comparison.difference_s is not None
    assert [one.code for one in comparison.warnings] == ["short"]
    assert comparison.warnings[0].text.startswith("1 prescribed rep was not counted")
    assert comparison.real_sets[1] == "6 | 1+5 | 1+4 (7 of 8 deadlift counted)"
    check_sums(comparison, attempt)


def test_sets_without_a_counted_rep_and_no_reps_are_said() -> None:
    script = Script(slate(1)).rep("deadlift", 7).rest(3.0)
    script.rep("deadlift", status="no_rep").rest(2.0).rep("deadlift").rep("hang power clean", 6)
    comparison = beside(script.rep("push press", 4))
    assert comparison.real_sets == ["7 | 0 | 1+6+4 (8 of 8 deadlift counted, 1 no-rep)"]


def test_where_the_time_went() -> None:
    """ "kinds the plan gives times for (breaks, between rounds, and cycle, transition, start times
    where the plan has them) are compared one by one; all others together as `work`, planned as the
    round's time less its breaks" """
    attempt = derive_attempt(as_planned(2).reading())
    comparison = compare(attempt, parse_plan(FULL))
    rows = {one.kind: (one.planned_s, one.real_s) for one in comparison.time}
    assert list(rows) == [
        *("start", "breaks", "between rounds", "transitions"),
        *("cycle deadlift", "cycle push press", "work"),
    ]
    assert rows["start"] == (2.0, 1.0)
    assert rows["breaks"] == (16.0, 16.0)
    # from the last top of round 1: lowering 0.6 s, bar down 6 s
    assert rows["between rounds"] == (6.0, 6.6)
    # two changes a round; the tops' lowering of 0.6 s lies in each
    assert rows["transitions"] == pytest.approx((6.0, 4 * 0.6))
    # 6 cycles a round for 7 and 1 deadlifts, 3 for 4 push presses
    assert rows["cycle deadlift"] == pytest.approx((18.0, 12 * 1.4))
    assert rows["cycle push press"] == pytest.approx((8.4, 6 * 1.4))
    planned_rest = 44 + 48 - 16 - 6 - 18 - 8.4
    assert rows["work"][0] == pytest.approx(planned_rest)
    check_sums(comparison, attempt)

    plain = compare(attempt, parse_plan(FULL.split("start_s")[0]))
    work = {one.kind: one for one in plain.time}["work"]
    assert work.planned_s == 44 + 48 - 16  # "the round's time less its breaks"
    check_sums(plain, attempt)


def test_a_reset_that_meets_a_planned_break_is_counted_once() -> None:
    script = Script(slate(2)).wait(1)
    for number in (1, 2):
        script.rep("deadlift", 7).rest(0.9).rep("deadlift").rest(0.7).rep("hang power clean", 5)
        script.rest(4.0).rep("hang power clean").rep("push press", 4)
        if number == 1:
            script.next_round()
    attempt = derive_attempt(script.reading())
    plan = parse_plan(FULL.replace("7 | 1+5 | 1+4", "7 | 1 | 5 | 1+4"))
    rows = {one.kind: one.real_s for one in compare(attempt, plan).time}
    assert rows["breaks"] == pytest.approx(2 * (0.9 + 0.7 + 4.0))
    assert rows["transitions"] == pytest.approx(2 * (0.6 + 0.6))
    assert rows["cycle deadlift"] == pytest.approx(2 * 6 * 1.4)
    check_sums(compare(attempt, plan), attempt)


def test_what_cost_most() -> None:
    script = Script(slate(1)).wait(1).sets("7|1+5|1+2|2", stop=4.0)
    comparison = beside(script, one_round(round_s=43))
    assert comparison.costliest == (
        "Largest loss: 1 unplanned break, 4.0 s against going on without a break."
    )
    slow = Script(slate(1)).wait(1).sets("7|1+5|1+4", stop=9.3)
    assert beside(slow).costliest == ("Largest loss: planned breaks, 10.6 s against the plan.")
    comparison = compare(derive_attempt(as_planned().reading()), PLAN)
    assert comparison.costliest == (
        "Largest loss: the time between rounds, 1.2 s against the plan."
    )
    assert beside(Script(slate(1)).sets("7|1+5|1+4", stop=3.9)).costliest == (
        "No part took 0.5 s longer than planned."
    )
    long = Script(slate(1)).wait(1).rep("deadlift", 7, rise=3.0).rest(4.0).rep("deadlift")
    long.rep("hang power clean", 5).rest(4.0).rep("hang power clean").rep("push press", 4)
    assert beside(long, one_round(round_s=40)).costliest == (
        "Largest loss: the work, 9.0 s against the plan."
    )
    # where all is measured against the plan, what was lost is what the time went to
    found = losses(Filmed(derive_attempt(long.reading()), beside(long, one_round(round_s=40)), ""))
    assert [(one.kind, one.seconds) for one in found] == [("work", 9.0)]
    assert beside(long, one_round(round_s=40)).lost_s == 9.0
    assert found[0].evidence[0].text == "round 1: 8.0 s over, its breaks aside"


def test_an_unfinished_attempt_is_compared_as_far_as_it_went() -> None:
    script = Script(slate()).wait(1).sets("7|1+5|1+4").next_round().rep("deadlift", 7).rest(5.0)
    script.rep("deadlift").rep("hang power clean", 2)
    attempt = derive_attempt(script.reading())
    comparison = compare(attempt, PLAN)
    assert comparison.compared_rounds == 1
    assert comparison.difference_s is None
    assert (comparison.planned_total_s, comparison.real_total_s) == (154.0, attempt.clock.total_s)
    assert [one.outcome for one in comparison.breaks] == [
        *("as planned", "as planned"),
        *("as planned", "not reached"),
        *("not reached", "not reached"),
    ]
    assert [one.difference_s is None for one in comparison.rounds] == [False, True, True]
    assert [one.finished for one in comparison.rounds] == [True, False, False]
    assert comparison.real_sets == [
        "7 | 1+5 | 1+4",
        "7 | 1+2 (2 of 6 hang power clean counted; 0 of 4 push press)",
        "not begun",
    ]
    assert sum(to_ms(one.planned_s) for one in comparison.time) == 44_000
    end_of_first = to_ms(attempt.rounds[0].end_s) - to_ms(attempt.clock.start_s or 0)
    assert sum(to_ms(one.real_s) for one in comparison.time) == end_of_first
    assert [one.code for one in comparison.warnings] == ["unfinished"]
    check_sums(comparison, attempt)


def test_a_break_at_which_the_attempt_ended_is_not_called_skipped() -> None:
    comparison = beside(Script(slate(1)).wait(1).rep("deadlift", 7))
    assert [one.outcome for one in comparison.breaks] == ["not reached", "not reached"]
    assert comparison.time == []
    assert comparison.compared_rounds == 0
    # the bar lay down there until the time cap: that is the planned break
    capped = Script(slate(1, cap=20.0)).wait(1).rep("deadlift", 7).rest(60.0)
    plan = parse_plan(SLATE.replace("rounds = 3", "rounds = 1").replace("[44, 48, 50]", "44"))
    comparison = beside(capped, plan)
    assert [one.outcome for one in comparison.breaks] == ["as planned", "not reached"]
    assert comparison.breaks[0].length == "longer"
    assert comparison.real_sets == [
        "7 | 0 (7 of 8 deadlift counted; 0 of 6 hang power clean; 0 of 4 push press)"
    ]


def test_no_reps_at_all() -> None:
    comparison = beside(Script(slate(1)))
    assert comparison.real_total_s is None
    assert comparison.real_sets == ["not begun"]
    assert {one.outcome for one in comparison.breaks} == {"not reached"}


def test_a_plan_that_says_less_is_compared_in_what_it_says() -> None:
    attempt = derive_attempt(as_planned().reading())
    no_pace = compare(attempt, parse_plan(SLATE.split("[pace]")[0]))
    assert (no_pace.planned_total_s, no_pace.difference_s, no_pace.time) == (None, None, [])
    assert len(no_pace.breaks) == 6
    assert no_pace.costliest == "No part took 0.5 s longer than planned."
    no_breaks = SLATE.split("[breaks]")[0] + "[pace]" + SLATE.split("[pace]")[1]
    comparison = compare(attempt, parse_plan(no_breaks))
    assert comparison.breaks == comparison.planned_sets == []
    assert [one.kind for one in comparison.time] == ["between rounds", "work"]
    check_sums(comparison, attempt)
    nothing = compare(attempt, parse_plan(SLATE.split("[breaks]")[0]))
    assert [one.code for one in nothing.warnings] == ["no-pattern", "no-pace"]
    assert nothing.costliest is None


def test_a_workout_that_the_attempt_was_not_read_with() -> None:
    with pytest.raises(RecordError, match="was read without a workout"):
        beside(Script(None).rep("deadlift", 3))
    with pytest.raises(RecordError, match="whose rounds differ from those of the plan"):
        beside(Script(workout((("clean", 5),), name="Gravel")).rep("clean", 5))
    attempt = derive_attempt(as_planned(1).reading())
    comparison = compare(attempt, one_round(SLATE.replace("60.0", "50")))
    assert [one.code for one in comparison.warnings] == ["load-differs"]


def test_a_correction_changes_the_comparison() -> None:
    reading = as_planned(1).reading()
    edits = new_edits(reading)
    edit = make_edit(edits, "remove_break", who="R. Okonjo", target="f1")
    attempt = derive_attempt(reading, append_edit(reading, edits, edit))
    assert [one.outcome for one in compare(attempt, one_round()).breaks] == [
        "skipped",
        "as planned",
    ]


def test_comparisons_fit_their_json_schema() -> None:
    """Outside standard: JSON Schema draft 2020-12, by the library `jsonschema`."""
    schema = json.loads(schema_text(Comparison))
    jsonschema.Draft202012Validator.check_schema(schema)
    for script in (as_planned(), Script(slate()).sets("6|2+5|1+4")):
        comparison = compare(derive_attempt(script.reading()), PLAN)
        text = comparison.model_dump_json()
        jsonschema.Draft202012Validator(schema).validate(json.loads(text))
        assert Comparison.model_validate_json(text) == comparison


@st.composite
def attempts(draw: st.DrawFn) -> tuple[Attempt, Plan]:
    """Two rounds of a small workout, done somehow, and a plan that says somewhat."""
    text = '[workout]\nname = "Gravel"\nrounds = 2\n'
    for movement in ("deadlift", "hang power clean"):
        text += f'[[workout.movements]]\nmovement = "{movement}"\nreps = 4\n'
    if draw(st.booleans()):
        text += f'[breaks]\npattern = "{draw(st.sampled_from(["2 | 2+4", "4 | 2 | 2", "4+4"]))}"\n'
        text += f"seconds = {draw(st.floats(0, 5)):.3f}\n"
    if draw(st.booleans()):
        text += "[pace]\nround_s = [30, 32.5]\n"
        for line in ("between_rounds_s = 5", "start_s = 1.25", "transition_s = 1"):
            text += line + "\n" if draw(st.booleans()) else ""
        text += "[pace.cycle_s]\ndeadlift = 1.5\n" if draw(st.booleans()) else ""
    plan = parse_plan(text)
    script = Script(plan.workout).wait(draw(st.floats(0, 2)))
    for round_ in (1, 2):
        for movement in ("deadlift", "hang power clean"):
            for _ in range(draw(st.sampled_from([4, 4, 3, 5, 0]))):
                script.rep(movement)
                for seconds in draw(st.lists(st.sampled_from([0.2, 0.9, 2.0, 5.123]), max_size=1)):
                    script.rest(seconds)
        if round_ == 1 and draw(st.booleans()):
            script.next_round(draw(st.floats(1, 9)))
    return derive_attempt(script.reading()), plan


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(attempts())
def test_differences_add_up_whatever_was_done(drawn: tuple[Attempt, Plan]) -> None:
    attempt, plan = drawn
    comparison = compare(attempt, plan)
    check_sums(comparison, attempt)
    whole = comparison.compared_rounds == 2
    if attempt.clock.finished:
        assert whole
    assert (comparison.difference_s is not None) == (
        whole and comparison.planned_total_s is not None
    )
    if plan.has_breaks:
        answered = [one.planned for one in comparison.breaks if one.planned]
        assert answered == plan.planned_breaks()
        real = [one.real.id for one in comparison.breaks if one.real]
        assert sorted(real) == sorted(one.id for one in attempt.breaks)
