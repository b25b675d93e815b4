"""From a reading to an attempt. Quotations are the project's own definitions."""

from __future__ import annotations

import itertools
import json
from statistics import fmean

import jsonschema
import pytest
from scipy.stats import linregress

from repcount.attempt.assemble import derive_attempt, rest_kind
from repcount.attempt.records import (
    After,
    Attempt,
    FloorRest,
    Measure,
    MovementReps,
    Notice,
    Reading,
    StartSignal,
    Workout,
    schema_text,
)
from repcount.units import from_ms, to_ms
from tests.scripted_reading import Script, as_planned, slate, workout


def ms(*seconds: float | None) -> int:
    return sum(to_ms(one or 0) for one in seconds)


def pieces(attempt: Attempt) -> int:
    """Start piece, rounds and times between rounds, in ms."""
    start = ms(attempt.rounds[0].start_s) - ms(attempt.clock.start_s)
    rounds = ms(*[span.duration_s for span in attempt.rounds])
    return start + rounds + sum(ms(gap.end_s) - ms(gap.start_s) for gap in attempt.between_rounds)


def statuses(attempt: Attempt, movement: str, round_: int | None = 1) -> list[tuple[str, object]]:
    return [
        (rep.status, rep.number)
        for rep in attempt.reps
        if rep.movement == movement and rep.round == round_
    ]


def test_an_attempt_as_planned() -> None:
    attempt = derive_attempt(as_planned().reading())
    assert len(attempt.reps) == 54
    assert {rep.status for rep in attempt.reps} == {"counted"}
    assert attempt.clock.finished is True
    assert [span.counted for span in attempt.rounds] == [18, 18, 18]
    assert [span.prescribed for span in attempt.rounds] == [18, 18, 18]
    assert [span.missing for span in attempt.rounds] == [[], [], []]
    assert len(attempt.breaks) == 6
    assert [one.after for one in attempt.breaks[:2]] == [
        After(movement="deadlift", number=7),
        After(movement="hang power clean", number=5),
    ]
    assert [one.round for one in attempt.breaks] == [1, 1, 2, 2, 3, 3]
    sets = [[(part.movement, part.reps) for part in one.reps] for one in attempt.sets[:3]]
    assert sets == [
        [("deadlift", 7)],
        [("deadlift", 1), ("hang power clean", 5)],
        [("hang power clean", 1), ("push press", 4)],
    ]
    assert [(one.round, one.number) for one in attempt.sets] == list(
        itertools.product((1, 2, 3), (1, 2, 3))
    )


def test_the_speed_of_a_set_is_fitted_by_least_squares() -> None:
    """Outside: SciPy's `linregress` and the mean of the standard library."""
    reading = as_planned(1).reading()
    speeds = [round(0.9 - 0.02 * k + 0.03 * (k % 3), 4) for k in range(len(reading.reps))]
    for rep, speed in zip(reading.reps, speeds, strict=True):
        rep.measures = [
            Measure(name="rise_speed", value=speed, unit="body heights/s", uncertainty=0.01)
        ]
    first, second, _ = derive_attempt(reading).sets
    fit, mean = linregress(range(7), speeds[:7]), fmean(speeds[:7])
    assert [(one.movement, one.reps) for one in first.speeds] == [("deadlift", 7)]
    assert first.speeds[0].mean_st_s == pytest.approx(mean, abs=1e-4)
    assert first.speeds[0].slope_share == pytest.approx(fit.slope / mean, abs=1e-4)
    assert first.speeds[0].uncertainty == pytest.approx(fit.stderr / mean, abs=1e-4)
    # a single deadlift gives no trend
    assert [(one.movement, one.reps) for one in second.speeds] == [("hang power clean", 5)]


def test_numbers() -> None:
    """ "Counted reps are numbered from 1 in their movement and round; others have no number." """
    attempt = derive_attempt(as_planned().reading())
    for round_ in (1, 2, 3):
        assert statuses(attempt, "hang power clean", round_) == [
            ("counted", number) for number in range(1, 7)
        ]
    script = Script(slate(1)).rep("deadlift", 9).rep("clean", status="unplanned")
    attempt = derive_attempt(script.reading())
    assert [rep.number for rep in attempt.reps] == [*range(1, 9), None, None]


def test_five_strokes_for_four_reps() -> None:
    """ "If five strokes were made for four reps, the last is `extra`" """
    script = Script(slate(1)).sets("8+6+4").rep("push press", status="extra")
    attempt = derive_attempt(script.reading())
    assert statuses(attempt, "push press") == [
        *[("counted", number) for number in (1, 2, 3, 4)],
        ("extra", None),
    ]
    # the clock stops at the last counted top, and the fifth lies after it
    assert attempt.clock.end_s == attempt.reps[-2].top_s


def test_status_is_derived_from_the_order_not_from_the_machine_s_word() -> None:
    """ "`extra` (more than prescribed)": the ones beyond, whichever the reading called extra."""
    script = Script(slate(1)).rep("deadlift", 3, status="extra").rep("deadlift", 6)
    attempt = derive_attempt(script.reading())
    assert statuses(attempt, "deadlift") == [
        *[("counted", number) for number in range(1, 9)],
        ("extra", None),
    ]


def test_a_short_round_comes_out_short() -> None:
    """ "So 8 of 10 deadlifts, a break and a pick-up into cleans are 9, and the round is short by
    one." The pick-up is a rep of the reading here; the round tells what is missing."""
    ten = workout((("deadlift", 10), ("hang power clean", 6)))
    script = Script(ten).wait(1).rep("deadlift", 8).wait(0.3).rest(4).rep("deadlift")
    script.rep("hang power clean", 6)
    attempt = derive_attempt(script.reading())
    assert statuses(attempt, "deadlift") == [("counted", number) for number in range(1, 10)]
    (span,) = attempt.rounds
    assert (span.counted, span.prescribed) == (15, 16)
    assert span.missing == [MovementReps(movement="deadlift", reps=1)]
    assert attempt.breaks[0].after == After(movement="deadlift", number=8)
    assert attempt.clock.finished is False
    assert attempt.clock.end_s == attempt.reps[-1].top_s


def test_unplanned_reps() -> None:
    """ "`unplanned` (not of this workout, or before the start, or after the end)" """
    script = Script(slate(1), signal=None).rep("deadlift", 2)  # warming up
    start = from_ms(script.now + 1000)
    script.wait(2).rep("deadlift", 8).rep("thruster").rep("hang power clean", 6)
    script.rep("push press", 4)
    reading = script.reading(start_signals=[StartSignal(at_s=start, source="sound")])
    attempt = derive_attempt(reading)
    assert [rep.status for rep in attempt.reps[:2]] == ["unplanned", "unplanned"]
    assert statuses(attempt, "thruster", None) == [("unplanned", None)]
    assert [span.counted for span in attempt.rounds] == [18]

    capped = Script(slate(1, cap=10.0)).wait(1).sets("8+6+4").reading()
    attempt = derive_attempt(capped)
    late = [rep for rep in attempt.reps if rep.top_s > 13.0]
    assert late
    assert {rep.status for rep in late} == {"unplanned"}


@pytest.mark.parametrize(
    ("lasted", "settled", "kind"),
    [
        (0.499, True, "touch-and-go"),
        (0.5, True, "reset"),
        (1.499, True, "reset"),
        (1.5, True, "break"),
        (9.0, True, "break"),
        (0.3, False, "touch"),
        (2.0, False, "touch"),
    ],
)
def test_kinds_of_floor_rests(lasted: float, settled: bool, kind: str) -> None:
    """ "Shorter than 0.5 s: touch-and-go. 0.5 to 1.5 s: reset. 1.5 s and more: **break** ...
    Picked up before it has settled: touch." The lengths are common practice, no source."""
    rest = FloorRest(id="f1", start_s=1, end_s=1 + lasted, first_contact_s=1, settled=settled)
    assert rest_kind(rest) == kind
    script = Script(slate(1)).rep("deadlift", 3).rest(lasted, settled=settled).rep("deadlift")
    attempt = derive_attempt(script.reading())
    assert attempt.floor_rests[0].kind == kind
    assert len(attempt.breaks) == (kind == "break")
    assert len(attempt.sets) == 1 + (kind == "break")


def test_the_lengths_are_options() -> None:
    script = Script(slate(1)).rep("deadlift", 3).rest(1.2).rep("deadlift")
    attempt = derive_attempt(script.reading(), break_s=1.0)
    assert [one.kind for one in attempt.floor_rests] == ["break"]
    assert attempt.provenance.options["break_s"] == 1.0
    attempt = derive_attempt(script.reading(), reset_s=1.3)
    assert [one.kind for one in attempt.floor_rests] == ["touch-and-go"]


def test_what_a_break_keeps() -> None:
    """ "`first_contact_s` and `hands_off` are kept. A break is placed after the last counted
    rep." """
    script = Script(slate(1)).rep("deadlift", 2).rep("deadlift", id="bad", status="no_rep")
    script.wait(0.5).rest(3.0, hands_off=True).rep("deadlift")
    attempt = derive_attempt(script.reading())
    (one,) = attempt.breaks
    assert one.after == After(movement="deadlift", number=2)
    assert one.hands_off is True
    assert ms(one.start_s) - ms(one.first_contact_s) == 60
    assert (one.id, one.touched_by) == ("f1", "machine")


def test_only_breaks_end_a_set() -> None:
    """ "Only a break, the round's end or the attempt's end ends a set." """
    script = Script(slate(1)).rep("deadlift", 2).rest(0.2).rep("deadlift").rest(1.0)
    script.rep("deadlift").rest(0.1, settled=False).rep("deadlift").rest(2.0).rep("deadlift", 3)
    attempt = derive_attempt(script.reading())
    assert [one.reps[0].reps for one in attempt.sets] == [5, 3]


def test_cycle_times() -> None:
    """ "its `top` minus the `top` before it in the same set and movement" """
    script = Script(slate(1)).rep("deadlift", 2).rest(0.5).rep("deadlift").rest(2).rep("deadlift")
    script.rep("deadlift", 4).rep("hang power clean", 2)
    cycles = [rep.cycle_s for rep in derive_attempt(script.reading()).reps]
    first, after_break, first_clean = 0, 3, 8
    assert cycles[first] is cycles[after_break] is cycles[first_clean] is None
    assert cycles[1] == 1.4
    assert cycles[2] == 1.9  # a reset does not end the set
    assert cycles[4:8] == [1.4] * 4
    assert cycles[9] == 1.4


def test_a_cycle_after_a_no_rep_is_one_stroke_s() -> None:
    script = Script(slate(1)).rep("deadlift", 2).rep("deadlift", status="no_rep").rep("deadlift")
    cycles = [rep.cycle_s for rep in derive_attempt(script.reading()).reps]
    assert cycles == [None, 1.4, 1.4, 1.4]


def test_transitions() -> None:
    """ "last `top` of a movement to first `start` of the next, less the breaks and holds inside
    it; the gross gap is kept too" """
    script = Script(slate(1)).rep("deadlift", 8).wait(0.5).rest(3.0).wait(1.0).hold("hang", 2.0)
    script.wait(0.25).rep("hang power clean", 6).rep("push press", 4)
    attempt = derive_attempt(script.reading())
    first, second = attempt.transitions
    assert (first.from_movement, first.to_movement) == ("deadlift", "hang power clean")
    assert first.start_s == attempt.reps[7].top_s
    assert first.end_s == attempt.reps[8].start_s
    assert first.gross_s == 0.6 + 0.5 + 3.0 + 1.0 + 2.0 + 0.25
    assert first.net_s == 0.6 + 0.5 + 1.0 + 0.25
    assert (second.gross_s, second.net_s) == (0.6, 0.6)


def test_lifts_that_do_not_count_are_of_their_movement_in_a_change() -> None:
    """ "last `top` of a movement to first `start` of the next": the no-rep's and the one too many's
    top, and the start of a no-rep; one too many among another movement's is no change."""
    script = Script(slate(1)).rep("deadlift", 9).wait(0.5)
    script.rep("hang power clean", 6).wait(0.4).rest(4.0).wait(0.5)
    script.rep("hang power clean", status="no_rep").rep("push press", status="no_rep")
    script.rep("push press", 2).rep("deadlift", status="extra").rep("push press", 2)
    attempt = derive_attempt(script.reading())
    statuses = [rep.status for rep in attempt.reps if not rep.counts]
    assert statuses == ["extra", "no_rep", "no_rep", "extra"]
    assert [(one.gross_s, one.net_s) for one in attempt.transitions] == [(1.1, 1.1), (0.6, 0.6)]
    assert attempt.transitions[0].start_s == attempt.reps[8].top_s
    assert attempt.transitions[1].end_s == attempt.reps[16].start_s


def test_driven_through() -> None:
    """ "the clean's `top` and `end` and the next rep's `start` are one instant ... Both count, the
    transition is 0" """
    script = Script(workout((("hang power clean", 1), ("push press", 1))))
    script.rep("hang power clean", down=0.0, flags=["driven_through"]).rep("push press")
    attempt = derive_attempt(script.reading())
    assert [rep.status for rep in attempt.reps] == ["counted", "counted"]
    assert [(one.gross_s, one.net_s) for one in attempt.transitions] == [(0, 0)]


def test_rounds_and_the_time_between() -> None:
    """ "first counted `start` to last counted `top`; includes its breaks. **Between rounds**: last
    `top` to the next round's first `start`, kept in its own list with the time the bar was down;
    never among the breaks." """
    attempt = derive_attempt(as_planned().reading())
    counted = [[rep for rep in attempt.reps if rep.round == number] for number in (1, 2, 3)]
    for span, reps in zip(attempt.rounds, counted, strict=True):
        assert (span.start_s, span.end_s) == (reps[0].start_s, reps[-1].top_s)
        assert ms(span.duration_s) == ms(span.end_s) - ms(span.start_s)
    first = attempt.between_rounds[0]
    assert first.after_round == 1
    assert (first.start_s, first.end_s) == (counted[0][-1].top_s, counted[1][0].start_s)
    assert first.bar_down_s == 6.0
    assert all(stop.end_s - stop.start_s < 5 for stop in attempt.breaks)


def test_total_is_start_piece_rounds_and_times_between() -> None:
    """ "Total = start piece + rounds + between rounds, exactly." """
    attempt = derive_attempt(as_planned().reading())
    assert ms(attempt.rounds[0].start_s) - ms(attempt.clock.start_s) == 1000
    assert pieces(attempt) == ms(attempt.clock.total_s)


def test_the_clock_starts_at_the_signal_or_the_first_lift_off() -> None:
    """ "the onset of the last beep ...; or given; or the first lift-off" """
    script = Script(slate(1)).wait(1).sets("8+6+4")
    clock = derive_attempt(script.reading()).clock
    assert (clock.start_s, clock.start_source) == (3.0, "sound")

    script = Script(slate(1), signal=None).wait(1).rest(4.0).wait(0.3).sets("8+6+4")
    clock = derive_attempt(script.reading()).clock
    assert (clock.start_s, clock.start_source) == (5.0, "first lift-off")

    script = Script(slate(1), signal=None).wait(2).sets("8+6+4")
    assert derive_attempt(script.reading()).clock.start_s == 2.0
    late = script.reading(start_signals=[StartSignal(at_s=2.001, source="first lift-off")])
    assert derive_attempt(late).warnings == []


def test_a_rep_begun_before_the_signal_counts_at_its_top_and_is_reported() -> None:
    """ "A rep counts at its `top`." """
    script = Script(slate(1), signal=None).wait(2).sets("8+6+4")
    reading = script.reading(start_signals=[StartSignal(at_s=2.3, source="sound")])
    attempt = derive_attempt(reading)
    assert attempt.reps[0].status == "counted"
    assert [one.code for one in attempt.warnings] == ["started-early"]
    assert pieces(attempt) == ms(attempt.clock.total_s)
    assert ms(*[fraction.seconds for fraction in attempt.time_spent]) == ms(attempt.clock.total_s)


def flagged(attempt: Attempt, flag: str) -> list[str]:
    return [rep.id for rep in attempt.reps if flag in rep.flags and "check" in rep.flags]


@pytest.mark.parametrize(("later_ms", "unsure"), [(-160, False), (-60, True), (90, True)])
def test_a_top_next_to_the_time_cap_is_to_be_looked_at(later_ms: int, unsure: bool) -> None:
    """Tops are read to some hundredths of a second."""
    script = Script(slate(1, cap=20.0)).wait(1).rep("deadlift", 3)
    script.wait(23.0 - 0.8 + later_ms / 1000 - script.now / 1000).rep("deadlift").rep("deadlift", 4)
    attempt = derive_attempt(script.reading(after=20))
    assert attempt.reps[3].status == ("counted" if later_ms < 0 else "unplanned")
    assert flagged(attempt, "near_cap") == ([attempt.reps[3].id] if unsure else [])


def test_with_a_start_without_a_signal_the_reps_about_the_cap_are_unsure() -> None:
    script = Script(slate(1, cap=10.0), signal=None).wait(1).rep("deadlift", 8)
    script.rep("hang power clean", 6)
    attempt = derive_attempt(script.reading(after=20))
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    after = attempt.reps[len(counted)]
    assert after.status == "unplanned"
    assert flagged(attempt, "near_cap") == [counted[-1].id, after.id]
    # an end that a person has set is no cap
    set_by_hand = Script(slate(1), signal=None).wait(1).rep("deadlift", 8)
    assert flagged(derive_attempt(set_by_hand.reading()), "near_cap") == []


def test_the_time_cap_ends_an_unfinished_attempt() -> None:
    """ "(or the time cap if given and unfinished, with `finished = false`)" """
    script = Script(slate(2, cap=40.0)).wait(1).sets("8+6+4").next_round().rep("deadlift", 3)
    script.wait(0.5).rest(8.0)
    attempt = derive_attempt(script.reading())
    assert attempt.clock.finished is False
    assert (attempt.clock.start_s, attempt.clock.end_s, attempt.clock.total_s) == (3, 43, 40)
    # the bar lay down in an unfinished round when the time was up: a break, to the cap
    assert attempt.breaks[0].end_s == 43
    assert attempt.breaks[0].after == After(movement="deadlift", number=3)
    assert pieces(attempt) == 40_000

    # finished within the cap: the cap says nothing
    attempt = derive_attempt(Script(slate(1, cap=100.0)).sets("8+6+4").reading(after=200))
    assert attempt.clock.finished is True
    assert attempt.clock.end_s == attempt.reps[-1].top_s


def test_the_time_cap_between_two_rounds() -> None:
    script = Script(slate(2, cap=30.0)).wait(1).sets("8+6+4").next_round(30.0)
    attempt = derive_attempt(script.reading())
    assert [(gap.after_round, gap.end_s) for gap in attempt.between_rounds] == [(1, 33.0)]
    assert pieces(attempt) == 30_000


def test_a_video_that_ends_before_the_cap_says_nothing_of_the_time_after() -> None:
    script = Script(slate(2, cap=420.0)).wait(1).sets("8+6+4").next_round().rep("deadlift", 3)
    attempt = derive_attempt(script.reading())
    assert attempt.clock.finished is False
    assert attempt.clock.end_s == attempt.reps[-1].top_s
    assert [one.code for one in attempt.warnings] == ["ends-before-cap"]


def test_an_attempt_that_ends_early() -> None:
    attempt = derive_attempt(Script(slate()).wait(1).sets("7|1+5|1+4").reading())
    assert attempt.clock.finished is False
    assert attempt.clock.end_s == attempt.reps[-1].top_s
    assert [span.round for span in attempt.rounds] == [1]
    assert pieces(attempt) == ms(attempt.clock.total_s)


@pytest.mark.parametrize("asked", [slate(), None])
def test_no_reps_at_all(asked: Workout | None) -> None:
    attempt = derive_attempt(Script(asked).reading())
    assert attempt.clock.total_s is None
    assert attempt.clock.finished is (None if asked is None else False)
    assert attempt.rounds == attempt.sets == attempt.breaks == attempt.time_spent == []
    nothing = Script(asked, signal=None).reading(after=0)
    assert derive_attempt(nothing).clock.start_s is None


def test_no_reps_until_the_cap_is_all_start() -> None:
    attempt = derive_attempt(Script(slate(1, cap=5.0)).wait(10).reading())
    assert attempt.clock.total_s == 5.0
    assert [one.kind for one in attempt.time_spent if one.seconds] == ["start"]


def test_without_a_workout_there_is_one_round() -> None:
    script = Script(None).rep("deadlift", 3, status="unplanned").rest(2).rep("power clean", 2)
    attempt = derive_attempt(script.reading())
    assert [rep.status for rep in attempt.reps] == ["counted"] * 5
    assert [rep.number for rep in attempt.reps] == [1, 2, 3, 1, 2]
    assert attempt.clock.finished is None
    (span,) = attempt.rounds
    assert (span.counted, span.prescribed, span.missing) == (5, None, [])
    assert attempt.breaks[0].after == After(movement="deadlift", number=3)
    assert len(attempt.transitions) == 1
    assert pieces(attempt) == ms(attempt.clock.total_s)


def test_holds() -> None:
    """ "1.5 s and more without a rep while the bar is in the hands" """
    script = Script(slate(1)).hold("hang", 2.0).rep("deadlift", 4).hold("hang", 1.6)
    script.rep("deadlift", 4).rep("hang power clean", 6).rep("push press", 4)
    script.hold("overhead", 3.0)
    attempt = derive_attempt(script.reading())
    # before the first rep it is in no round; after the last counted top the clock has stopped
    assert [(one.where, one.round) for one in attempt.holds] == [("hang", None), ("hang", 1)]


def test_where_the_time_went_in_the_order_of_the_definition() -> None:
    """ "painted in this order, a later kind taking only what is still free: start, between rounds,
    break, hold, transition, reset, touch, rep (`start` to `end`); what is left is handling" """
    script = Script(slate(2)).wait(1.0)  # start 1.0
    script.rep("deadlift", 3)  # 3 x 1.4
    script.wait(0.2).rest(0.7).wait(0.1)  # reset 0.7, handling 0.3
    script.rep("deadlift", 4).rest(0.3).rep("deadlift")  # touch 0.3; the last ends in a transition
    script.wait(0.4).rest(5.0).wait(0.6)  # break 5.0, the rest of the gap is transition
    script.rep("hang power clean", 6).hold("rack", 2.0).rep("push press", 4)
    script.next_round(6.0).sets("8+6+4")
    attempt = derive_attempt(script.reading())
    spent = {one.kind: ms(one.seconds) for one in attempt.time_spent}
    assert list(spent) == [
        *("start", "between rounds", "break", "hold", "transition", "reset", "touch", "rep"),
        "handling",
    ]
    assert spent["start"] == 1000
    assert spent["between rounds"] == 600 + 6000
    assert spent["break"] == 5000
    assert spent["hold"] == 2000
    assert spent["transition"] == (600 + 400 + 600) + 600 + 600 + 600
    assert spent["reset"] == 700
    assert spent["touch"] == 300
    # 36 reps, less the lowerings that lie in the 4 transitions, the gap, and after the end
    assert spent["rep"] == 36 * 1400 - 6 * 600
    assert spent["handling"] == 300
    assert sum(spent.values()) == ms(attempt.clock.total_s)


def test_a_hold_takes_time_from_a_rep_and_a_break_from_a_hold() -> None:
    script = Script(workout((("deadlift", 2),)))
    script.rep("deadlift", rise=1.0, down=5.0)  # top at 4.0, end at 9.0
    script.rest(2.0).rep("deadlift", rise=1.0)
    reading = script.reading()
    reading.holds = Script(None, signal=4.0).hold("hang", 6.0).holds  # 1 s into the break
    spent = {one.kind: one.seconds for one in derive_attempt(reading).time_spent}
    assert (spent["break"], spent["hold"], spent["rep"]) == (2.0, 5.0, 1.0 + 1.0)


def test_warnings_and_the_rest_of_the_reading_are_passed_on() -> None:
    reading = as_planned(1).reading(warnings=[Notice(code="camera-moved", text="It moved.")])
    attempt = derive_attempt(reading)
    assert attempt.warnings == reading.warnings
    assert (attempt.video, attempt.trace, attempt.failed) == (
        reading.video,
        reading.trace,
        reading.failed,
    )


def test_deriving_leaves_the_reading_alone_and_repeats() -> None:
    reading = as_planned().reading()
    before = reading.model_dump_json()
    first = derive_attempt(reading)
    again = derive_attempt(Reading.model_validate_json(before))
    assert reading.model_dump_json() == before
    first.provenance = again.provenance
    assert first == again


def test_a_rep_labelled_out_of_its_round_s_time_is_reported_not_counted() -> None:
    script = Script(slate(2)).sets("8+6+4").next_round().rep("deadlift", 3)
    script.rep("deadlift", round=1).rep("deadlift", 4)
    attempt = derive_attempt(script.reading())
    assert [rep.id for rep in attempt.reps if rep.status == "unplanned"] == ["r22"]
    assert [one.code for one in attempt.warnings] == ["round-order"]
    assert "Deadlift at" in attempt.warnings[0].text
    assert pieces(attempt) == ms(attempt.clock.total_s)


def test_attempts_fit_their_json_schema() -> None:
    """Outside standard: JSON Schema draft 2020-12, by the library `jsonschema`."""
    schema = json.loads(schema_text(Attempt))
    jsonschema.Draft202012Validator.check_schema(schema)
    for script in (as_planned(), Script(None), Script(None).rep("clean", 3)):
        attempt = derive_attempt(script.reading())
        text = attempt.model_dump_json()
        jsonschema.Draft202012Validator(schema).validate(json.loads(text))
        assert Attempt.model_validate_json(text) == attempt


def test_five_minutes_take_well_under_a_second() -> None:
    import time

    script = Script(slate(9)).wait(1.0)
    for number in range(9):
        if number:
            script.next_round()
        script.sets("7|1+5|1+4")
    reading = script.reading()
    assert script.now > 300_000
    began = time.process_time()
    derive_attempt(reading)
    assert time.process_time() - began < 0.5
