"""Whatever is read, the sums are exact. Outside reference: brute force, millisecond by millisecond.

Readings are drawn at random: any order of reps, rests, holds and waits, labels of any round, reps
missed and added, clocks that start late or never.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, make_edit, new_edits
from repcount.attempt.records import Attempt, Reading, StartSignal
from repcount.attempt.time_budget import allot, clipped, joined, length, without
from repcount.units import from_ms, to_ms
from tests.scripted_reading import SLATE_MOVEMENTS, Script, slate, workout

KINDS_BETWEEN = {"start", "between rounds"}
SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)).map(sorted).map(tuple))


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Any reading of one to three rounds of a small workout, or without a workout."""
    small = workout(*[(("deadlift", 3), ("hang power clean", 2))] * draw(st.integers(1, 3)))
    small.time_cap_s = draw(st.sampled_from([None, None, 5.0, 12.0, 40.0]))
    asked = draw(st.sampled_from([small, small, small, None]))
    script = Script(asked, signal=draw(st.sampled_from([None, 0.0, 2.0])))
    steps = draw(st.lists(st.integers(0, 7), max_size=40))
    for step in steps:
        if step <= 2:
            script.rep(
                draw(st.sampled_from(["deadlift", "hang power clean", "thruster"])),
                rise=draw(st.sampled_from([0.0, 0.7, 1.234])),
                down=draw(st.sampled_from([0.0, 0.6, 2.5])),
                status=draw(
                    st.sampled_from(["counted", "counted", "extra", "unplanned", "no_rep"])
                ),
            )
        elif step == 3:
            script.rest(draw(st.sampled_from([0.2, 0.5, 1.499, 1.5, 4.0])))
        elif step == 4:
            script.hold(draw(st.sampled_from(["hang", "rack"])), draw(st.floats(1.5, 4)))
        elif step == 5:
            script.wait(draw(st.floats(0, 3)))
        elif step == 6 and asked is not None:
            script.round = draw(st.integers(1, len(asked.rounds)))
        elif asked is not None and script.round < len(asked.rounds):
            script.next_round(draw(st.floats(0, 8)))
    reading = script.reading(after=draw(st.floats(0, 60)))
    if reading.start_signals:
        late = draw(st.integers(0, 20_000))
        reading.start_signals = [StartSignal(at_s=from_ms(late), source="sound")]
    return reading


def span(thing: object) -> tuple[int, int]:
    return to_ms(thing.start_s), to_ms(thing.end_s)  # type: ignore[attr-defined]


def budget_by_brute_force(attempt: Attempt) -> dict[str, int]:
    """Every millisecond of the clock's run, allotted backwards so that the first kind wins."""
    begin, end = to_ms(attempt.clock.start_s or 0), to_ms(attempt.clock.end_s or 0)
    first = to_ms(attempt.rounds[0].start_s) if attempt.rounds else end
    kinds = {
        "start": [(begin, first)],
        "between rounds": [span(one) for one in attempt.between_rounds],
        "break": [span(one) for one in attempt.breaks],
        "hold": [span(one) for one in attempt.holds],
        "transition": [span(one) for one in attempt.transitions],
        "reset": [span(one) for one in attempt.floor_rests if one.kind == "reset"],
        "touch": [span(one) for one in attempt.floor_rests if one.kind == "touch-and-go"],
        "rep": [span(one) for one in attempt.reps],
    }
    canvas = np.full(end - begin, len(kinds))
    for number, spans in reversed(list(enumerate(kinds.values()))):
        for a, b in spans:
            canvas[max(a - begin, 0) : max(b - begin, 0)] = number
    names = [*kinds, "handling"]
    return {name: int((canvas == number).sum()) for number, name in enumerate(names)}


@settings(max_examples=100, deadline=None)
@given(readings())
def test_pieces_and_the_time_budget_add_up_to_the_total(reading: Reading) -> None:
    """ "Total = start piece + rounds + between rounds, exactly." "The kinds add up to the total
    exactly." """
    attempt = derive_attempt(reading)
    total = attempt.clock.total_s
    if total is None:
        assert attempt.rounds == []
        return
    allotted = {one.kind: to_ms(one.seconds) for one in attempt.time_spent}
    assert sum(allotted.values()) == to_ms(total)
    assert allotted == budget_by_brute_force(attempt)
    if attempt.rounds:
        start = to_ms(attempt.rounds[0].start_s) - to_ms(attempt.clock.start_s or 0)
        rounds = sum(to_ms(one.duration_s) for one in attempt.rounds)
        between = sum(b - a for a, b in map(span, attempt.between_rounds))
        assert start + rounds + between == to_ms(total)


@st.composite
def attempts(draw: st.DrawFn) -> Reading:
    """Two rounds of a workout done whole, with breaks, resets, holds and waits anywhere."""
    parts = (("deadlift", 3), ("hang power clean", 2), ("push press", 2))
    script = Script(workout(parts, parts)).wait(1.0)
    for number in range(2):
        if number:
            script.next_round()
        for movement in (name for name, reps in parts for _ in range(reps)):
            down = draw(st.sampled_from([0.0, 0.6]))
            script.rep(movement, rise=draw(st.sampled_from([0.7, 1.234])), down=down)
            step = draw(st.integers(0, 8))
            if step == 0:
                script.hold("rack", 2.0)
            elif step < 5:
                script.wait(0.4).rest(draw(st.sampled_from([0.3, 0.9, 4.0]))).wait(0.5)
    return script.reading()


def spent(attempt: Attempt) -> dict[str, int]:
    return {one.kind: to_ms(one.seconds) for one in attempt.time_spent}


@settings(max_examples=40, deadline=None)
@given(attempts())
def test_a_no_rep_inside_a_round_leaves_every_kind_of_time_as_it_was(reading: Reading) -> None:
    """What the bar did does not depend on what a judge lets count. A round goes from its first
    counted start to its last counted top: one less there, the time to it lies between rounds."""
    whole = derive_attempt(reading)
    before = spent(whole)
    ends = {(span.start_s, span.end_s)[n] for span in whole.rounds for n in (0, 1)}
    for rep in whole.reps[:-1]:
        none = new_edits(reading)
        edit = make_edit(none, "mark_no_rep", who="Robin", why="bent", target=rep.id)
        marked = derive_attempt(reading, append_edit(reading, none, edit))
        after = spent(marked)
        assert sum(after.values()) == sum(before.values()) == to_ms(marked.clock.total_s or 0)
        if rep.start_s in ends or rep.top_s in ends:
            assert all(after[one] <= before[one] for one in set(after) - KINDS_BETWEEN)
        else:
            assert after == before
            assert [one.net_s for one in marked.transitions] == [
                one.net_s for one in whole.transitions
            ]


@settings(max_examples=100, deadline=None)
@given(readings())
def test_counts_numbers_sets_and_breaks_agree(reading: Reading) -> None:
    attempt = derive_attempt(reading)
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    assert len(attempt.reps) == len(reading.reps)
    assert all((rep.number is None) == (rep.status != "counted") for rep in attempt.reps)
    for one in attempt.rounds:
        members = [rep for rep in counted if rep.round == one.round]
        assert len(members) == one.counted
        for movement in {rep.movement for rep in members}:
            numbers = [rep.number for rep in members if rep.movement == movement]
            assert numbers == list(range(1, len(numbers) + 1))
            if reading.workout:
                assert len(numbers) <= reading.workout.asked(one.round, movement)
        if one.prescribed is not None:
            assert one.counted + sum(part.reps for part in one.missing) == one.prescribed
        in_sets = [part for s in attempt.sets if s.round == one.round for part in s.reps]
        assert sum(part.reps for part in in_sets) == one.counted
        assert [rep.round for rep in counted] == sorted(rep.round or 0 for rep in counted)
    bounds = {one.round: span(one) for one in attempt.rounds}
    for stop in attempt.breaks:
        begin, end = bounds[stop.round or 0]
        assert begin <= to_ms(stop.start_s) <= to_ms(stop.end_s) <= end
        before = [rep for rep in counted if rep.round == stop.round and rep.top_s <= stop.start_s]
        assert (stop.after is None) == (not before)
        if before and stop.after:
            assert (stop.after.movement, stop.after.number) == (
                before[-1].movement,
                before[-1].number,
            )


@given(SPANS, SPANS)
def test_sets_of_spans_against_sets_of_milliseconds(one: list, other: list) -> None:
    """Outside reference: Python's own sets."""

    def moments(spans: list) -> set[int]:
        return {at for begin, end in spans for at in range(begin, end)}

    assert moments(joined(one)) == moments(one)
    assert length(one) == len(moments(one))
    assert moments(without(one, other)) == moments(one) - moments(other)
    assert moments(clipped(one, (10, 40))) == moments(one) & set(range(10, 40))
    parts = allot((5, 50), [("one", one), ("other", other)], "rest")
    run = set(range(5, 50))
    assert parts["one"] == len(run & moments(one))
    assert parts["other"] == len(run & moments(other) - moments(one))
    assert sum(parts.values()) == 45


def test_the_readings_drawn_are_of_all_kinds() -> None:
    """The whole workout, as planned, is one of the readings the properties speak of."""
    script = Script(slate(1)).sets("7|1+5|1+4", movements=SLATE_MOVEMENTS)
    test_pieces_and_the_time_budget_add_up_to_the_total.hypothesis.inner_test(  # type: ignore[attr-defined]
        script.reading()
    )
