"""Strokes in the workout: the worked examples of the definitions, on strokes made by hand."""

from __future__ import annotations

from dataclasses import replace

from repcount.attempt.records import MovementReps, Workout
from repcount.reading.align import Item, Pairing, align, expand
from repcount.reading.decode import FLOOR, HANG, OVERHEAD, RACK
from repcount.reading.read import CHECK_BELOW
from repcount.reading.strokes import RawRest, RawStroke


class Bar:
    """Writes down what the bar did, two seconds a stroke, three for a break."""

    def __init__(self) -> None:
        self.time = 1.0
        self.strokes: list[RawStroke] = []
        self.rests: list[RawRest] = []

    def stroke(self, begins: int, ends: int, times: int = 1) -> Bar:
        for _ in range(times):
            if begins == FLOOR:
                self.rest(0.3)
            self.strokes.append(
                RawStroke(
                    begins=begins,
                    ends=ends,
                    start_s=self.time,
                    top_s=self.time + 0.9,
                    end_s=self.time + 1.6,
                    low_s=self.time,
                    depth=0.2,
                    catch_depth=0.3,
                    dip_st=0.08,
                    rebend_st=0.0,
                    split_st=0.0,
                    erect_st=0.0,
                    rise_st=0.4,
                )
            )
            self.time += 2.0
        return self

    def rest(self, seconds: float) -> Bar:
        self.rests.append(
            RawRest(
                first_contact_s=self.time,
                start_s=self.time,
                end_s=self.time + seconds,
                hands_off=seconds > 1.5,
                dropped=False,
                settled=True,
                confidence=1.0,
            )
        )
        self.time += seconds
        return self

    def pairs(self, *rounds: list[tuple[str, int]], start_s: float | None = None) -> list[Pairing]:
        workout = Workout(
            name="Gravel",
            rounds=[[MovementReps(movement=m, reps=n) for m, n in parts] for parts in rounds],
        )
        return align(self.strokes, self.rests, expand(workout), start_s=start_s)[0]

    def read(self, *rounds: list[tuple[str, int]], start_s: float | None = None) -> list[str]:
        pairings = self.pairs(*rounds, start_s=start_s)
        return [short(pair.item) if pair.item else pair.kind for pair in pairings]

    def doubts(self, *rounds: list[tuple[str, int]]) -> dict[str, float]:
        """The reps that tell of a count which is unsure, and how unsure that is."""
        return {
            short(pair.item): 1 - pair.exact
            for pair in self.pairs(*rounds)
            if pair.item and pair.exact < CHECK_BELOW
        }


def short(item: Item) -> str:
    return f"{item.round}{item.movement[0]}{item.number}"


def test_eight_of_ten_a_break_and_a_pick_up_into_cleans_are_nine() -> None:
    """ "So 8 of 10 deadlifts, a break and a pick-up into cleans are 9, and the round is short by
    one" (the project's definitions)."""
    bar = Bar().stroke(FLOOR, HANG, 8).rest(4).stroke(FLOOR, HANG).stroke(HANG, RACK, 6)
    found = bar.read([("deadlift", 10), ("hang power clean", 6)])
    assert found == [f"1d{k}" for k in range(1, 10)] + [f"1h{k}" for k in range(1, 7)]


def test_a_pick_up_inside_the_cleans_is_no_deadlift() -> None:
    bar = Bar().stroke(FLOOR, HANG, 3).stroke(HANG, RACK, 2).rest(4)
    bar.stroke(FLOOR, HANG).stroke(HANG, RACK, 2)
    found = bar.read([("deadlift", 3), ("hang power clean", 4)])
    assert found == ["1d1", "1d2", "1d3", "1h1", "1h2", "handling", "1h3", "1h4"]


def test_a_low_that_may_have_been_on_the_floor_is_no_pick_up_for_sure() -> None:
    """In a film held in the hand the floor's level wanders: a lift that seems to begin in the hang,
    though no higher than the plates' radius above the floor, is the deadlift that is due."""
    bar = Bar().stroke(FLOOR, HANG, 2).stroke(HANG, HANG).stroke(FLOOR, HANG)
    assert bar.read([("deadlift", 4)]) == ["1d1", "1d2", "handling", "1d3"]
    bar.strokes[2] = replace(bar.strokes[2], hung=0.1)
    assert bar.read([("deadlift", 4)]) == ["1d1", "1d2", "1d3", "1d4"]


def test_of_five_strokes_for_four_reps_the_last_is_extra() -> None:
    """ "If five strokes were made for four reps, the last is `extra`" (the definitions)."""
    bar = Bar().stroke(RACK, OVERHEAD, 5).rest(5).stroke(FLOOR, HANG, 2)
    found = bar.read([("push press", 4), ("deadlift", 2)])
    assert found == ["1p1", "1p2", "1p3", "1p4", "extra", "1d1", "1d2"]


def test_a_short_round_comes_out_short() -> None:
    bar = Bar().stroke(FLOOR, HANG, 3).stroke(HANG, RACK, 2).rest(6)
    bar.stroke(FLOOR, HANG, 4).stroke(HANG, RACK, 2)
    parts = [("deadlift", 4), ("hang power clean", 2)]
    expected = ["1d1", "1d2", "1d3", "1h1", "1h2", "2d1", "2d2", "2d3", "2d4", "2h1", "2h2"]
    assert bar.read(parts, parts) == expected


def test_a_movement_left_out_is_left_out() -> None:
    bar = Bar().stroke(FLOOR, HANG, 4).rest(6).stroke(FLOOR, HANG, 4).stroke(HANG, RACK, 3)
    parts = [("deadlift", 4), ("hang power clean", 3)]
    found = bar.read(parts, parts)
    assert found[:8] == [f"1d{k}" for k in range(1, 5)] + [f"2d{k}" for k in range(1, 5)]
    assert found[8:] == ["2h1", "2h2", "2h3"]


def test_a_movement_left_out_at_first_is_told_of_the_first_rep() -> None:
    bar = Bar().stroke(RACK, OVERHEAD, 5)
    parts = [("deadlift", 6), ("push press", 5)]
    assert bar.read(parts) == [f"1p{k}" for k in range(1, 6)]
    assert list(bar.doubts(parts)) == ["1p1"]


def test_before_the_start_nothing_counts() -> None:
    bar = Bar().stroke(FLOOR, HANG, 2)
    start = bar.time + 0.5
    bar.rest(5).stroke(FLOOR, HANG, 3)
    found = bar.read([("deadlift", 3)], start_s=start)
    assert found == ["unplanned", "unplanned", "1d1", "1d2", "1d3"]


def test_what_the_workout_does_not_ask_for_is_unplanned() -> None:
    bar = Bar().stroke(FLOOR, HANG, 2).stroke(HANG, RACK).stroke(RACK, OVERHEAD)
    found = bar.read([("deadlift", 2)])
    assert found[:2] == ["1d1", "1d2"]
    assert "extra" not in found[3:]
    assert found[3] == "unplanned"


def test_the_second_half_of_a_pick_up_is_a_rep_where_it_is_asked_for() -> None:
    """Floor to hang, hang to rack: with hang cleans in the workout the second is one of them."""
    bar = Bar().stroke(FLOOR, HANG).stroke(HANG, RACK).stroke(RACK, OVERHEAD, 2)
    assert bar.read([("hang power clean", 1), ("push press", 2)]) == [
        "handling",
        "1h1",
        "1p1",
        "1p2",
    ]
    assert bar.read([("push press", 2)]) == ["handling", "handling", "1p1", "1p2"]


def test_a_clean_is_no_half_of_a_pick_up() -> None:
    """A stroke that was read from the hang after a clean is not the clean's other half."""
    bar = Bar().stroke(FLOOR, RACK, 2).stroke(HANG, RACK).stroke(RACK, OVERHEAD)
    bar.strokes[2] = replace(bar.strokes[2], low_share=0.0, depth=float("nan"))
    found = bar.read([("power clean", 2), ("front squat", 1), ("push press", 1)])
    assert found == ["1p1", "1p2", "1f1", "1p1"]


def test_a_snatch_too_many_that_leads_into_squats_is_a_pick_up() -> None:
    bar = Bar().stroke(FLOOR, OVERHEAD, 3).stroke(OVERHEAD, OVERHEAD, 2)
    deep = [replace(one, depth=1.2) for one in bar.strokes[3:]]
    bar.strokes[:] = [replace(one, catch_depth=1.2) for one in bar.strokes[:3]] + deep
    found = bar.read([("snatch", 2), ("overhead squat", 2)])
    assert found == ["1s1", "1s2", "handling", "1o1", "1o2"]


def test_a_pick_up_that_does_not_stand_is_no_deadlift() -> None:
    """ "A pick-up that never stands erect counts as none" (the definitions)."""
    bar = Bar().stroke(FLOOR, HANG, 3).rest(4).stroke(FLOOR, HANG).stroke(HANG, RACK, 2)
    asked = [("deadlift", 4), ("hang power clean", 2)]
    assert bar.read(asked)[3] == "1d4"
    bar.strokes[3] = replace(bar.strokes[3], erect_st=0.055)
    assert bar.read(asked)[3] == "handling"


def test_a_plain_squat_is_not_taken_for_the_clean_that_is_missing() -> None:
    bar = Bar().stroke(HANG, RACK, 2).stroke(RACK, RACK, 4)
    bar.strokes[2:] = [replace(one, depth=1.3, sure_low=True) for one in bar.strokes[2:]]
    found = bar.read([("hang power clean", 3), ("front squat", 3)])
    assert found == ["1h1", "1h2", "1f1", "1f2", "1f3", "extra"]


def test_a_movement_is_forgotten_whole_however_many_its_reps() -> None:
    bar = Bar().stroke(RACK, OVERHEAD, 3).rest(4)
    bar.stroke(FLOOR, HANG, 10).stroke(RACK, OVERHEAD, 3)
    found = bar.read([("deadlift", 10), ("push press", 3)], [("deadlift", 10), ("push press", 3)])
    assert found[:3] == ["1p1", "1p2", "1p3"]
    assert found[3:] == [f"2d{k}" for k in range(1, 11)] + ["2p1", "2p2", "2p3"]


def test_in_the_wrong_order_what_was_done_more_often_counts() -> None:
    """Also in the last round, where what follows could be lifts after the end."""
    bar = Bar().stroke(RACK, OVERHEAD, 3).stroke(FLOOR, HANG, 5)
    found = bar.read([("deadlift", 5), ("push press", 3)])
    assert found == ["extra"] * 3 + [f"1d{k}" for k in range(1, 6)]
    bar = Bar().stroke(RACK, OVERHEAD, 5).stroke(FLOOR, HANG, 3)
    found = bar.read([("deadlift", 3), ("push press", 5)])
    assert found[:5] == [f"1p{k}" for k in range(1, 6)]
    assert all(kind in ("extra", "unplanned") for kind in found[5:])


def test_the_pause_before_a_pick_up_is_the_rounds() -> None:
    """Two cleans too many before a pause and two after: the round begins after the longest rest,
    though the bar was picked up first."""
    bar = Bar().stroke(FLOOR, HANG).stroke(HANG, RACK, 2).stroke(RACK, OVERHEAD, 3)
    bar.stroke(HANG, RACK, 2).rest(9).stroke(FLOOR, HANG).stroke(HANG, RACK, 2)
    bar.stroke(RACK, OVERHEAD, 3)
    asked = [("hang power clean", 2), ("push press", 3)]
    found = bar.read(asked, asked)
    assert found[6:] == ["extra", "extra", "handling", "2h1", "2h2", "2p1", "2p2", "2p3"]


def test_one_too_many_is_one_more_of_what_was_just_done() -> None:
    """The first squat follows the presses at once, then comes a break and four more for four: the
    last is too many, not the first."""
    squats = [("front squat", 4), ("push press", 2)]
    bar = Bar().stroke(RACK, RACK, 4).stroke(RACK, OVERHEAD, 2).stroke(RACK, RACK).rest(4)
    bar.stroke(FLOOR, RACK).stroke(RACK, RACK, 4).stroke(RACK, OVERHEAD, 2)
    bar.strokes[:] = [
        replace(one, depth=1.3) if one.begins == one.ends == RACK else one for one in bar.strokes
    ]
    found = bar.read(squats, squats)
    assert found[6:] == ["2f1", "handling", "2f2", "2f3", "2f4", "extra", "2p1", "2p2"]


def test_a_movement_done_too_late_is_one_event_and_the_earlier_lifts_count() -> None:
    """Eight hang cleans before nine deadlifts for nine and eight: the round has as many lifts
    either way, and the next is none of its own."""
    asked = [("deadlift", 9), ("hang power clean", 8)]
    bar = Bar().stroke(FLOOR, HANG).stroke(HANG, RACK, 8).rest(3).stroke(FLOOR, HANG, 9).rest(9)
    bar.stroke(FLOOR, HANG, 9).stroke(HANG, RACK, 8)
    found = bar.read(asked, asked)
    assert found[:18] == ["1d1", *(f"1h{k}" for k in range(1, 9)), *["extra"] * 9]
    assert found[18:] == [*(f"2d{k}" for k in range(1, 10)), *(f"2h{k}" for k in range(1, 9))]


def test_a_count_is_as_doubtful_as_another_is_likely() -> None:
    """A lift that fell short amid a whole set leaves no doubt of the count; where one rep is
    missing without it, that lift is doubted, and more than a count that is short anyway."""
    asked = [("push press", 5), ("deadlift", 3)]
    whole = Bar().stroke(RACK, OVERHEAD, 6).rest(3).stroke(FLOOR, HANG, 3)
    whole.strokes[2] = replace(whole.strokes[2], finished=False)
    assert whole.read(asked)[2] in ("extra", "unplanned")
    assert not whole.doubts(asked)
    missed = Bar().stroke(RACK, OVERHEAD, 5).rest(3).stroke(FLOOR, HANG, 3)
    missed.strokes[2] = replace(missed.strokes[2], finished=False)
    left_out = Bar().stroke(RACK, OVERHEAD, 4).rest(3).stroke(FLOOR, HANG, 3)
    assert missed.doubts(asked).keys() == {"1p3"}
    assert left_out.doubts(asked).keys() == {"1p4"}
    assert missed.doubts(asked)["1p3"] > 2 * left_out.doubts(asked)["1p4"]


def test_where_rounds_run_into_each_other_the_count_of_both_is_doubted() -> None:
    """Nine of ten deadlifts in two rounds of five: told apart by the longest rest alone."""
    asked = [("deadlift", 5)]
    clear = Bar().stroke(FLOOR, HANG, 5).rest(9).stroke(FLOOR, HANG, 5)
    assert not clear.doubts(asked, asked)
    bar = Bar().stroke(FLOOR, HANG, 4).rest(2).stroke(FLOOR, HANG).rest(3).stroke(FLOOR, HANG, 4)
    found = bar.doubts(asked, asked)
    assert len(found) == 2
    assert min(found.values()) > 0.05
