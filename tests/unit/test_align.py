"""Strokes in the workout: the worked examples of the definitions, on strokes made by hand."""

from __future__ import annotations

from repcount.reading.align import Item, align, expand
from repcount.reading.decode import FLOOR, HANG, OVERHEAD, RACK
from repcount.reading.strokes import RawRest, RawStroke
from repcount.records import MovementReps, Workout


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

    def read(self, *rounds: list[tuple[str, int]], start_s: float | None = None) -> list[str]:
        workout = Workout(
            name="Gravel",
            rounds=[[MovementReps(movement=m, reps=n) for m, n in parts] for parts in rounds],
        )
        pairings, _ = align(self.strokes, self.rests, expand(workout), start_s=start_s)
        return [short(pair.item) if pair.item else pair.kind for pair in pairings]


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
