"""Turning points, crossing instants and strokes, on heights drawn by hand and worked on paper."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.motion import Motion
from repcount.reading.decode import FLOOR, FREE, HANG, OVERHEAD, RACK, decode_zones
from repcount.reading.instants import (
    LEVEL_ST,
    Heights,
    first_fall,
    first_rise,
    turning_points,
)
from repcount.reading.strokes import RawStroke, body_of, find_strokes, joined
from tests.drawn_motion import drawn


def largest_swings(height: np.ndarray, least: float) -> int:
    """The most alternating extremes that can be chosen with every swing at least `least`.

    By trying all: longest chain of places whose heights alternate by so much.
    """
    best = 0
    count = len(height)
    chain = {(k, sign): 1 for k in range(count) for sign in (-1, 1)}
    for k in range(count):
        for before in range(k):
            for sign in (-1, 1):
                # to a maximum (+1) from a minimum before it, or the other way round
                if sign * (height[k] - height[before]) >= least:
                    chain[k, sign] = max(chain[k, sign], chain[before, -sign] + 1)
    best = max(chain.values(), default=0)
    return best if best > 1 else 0


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, 12), min_size=2, max_size=14), st.integers(1, 6))
def test_turning_points_keep_every_swing_and_no_smaller_one(steps: list[int], least: int) -> None:
    height = np.array(steps, float)
    found = turning_points(height, float(least))
    assert len(found) == largest_swings(height, least)
    assert all(one[1] == -other[1] for one, other in itertools.pairwise(found))
    for (a, sign), (b, _) in itertools.pairwise(found):
        assert sign * (height[a] - height[b]) >= least
        between = height[a : b + 1]
        assert height[a] == (between.max() if sign > 0 else between.min())


def line(*corners: tuple[float, float], rate_hz: float = 60.0) -> Heights:
    """Heights along straight lines through (second, height) corners."""
    seconds, values = zip(*corners, strict=True)
    times = np.arange(seconds[0], seconds[-1] + 1e-9, 1 / rate_hz)
    return Heights(times, np.interp(times, seconds, values))


def test_crossings_are_interpolated_between_samples() -> None:
    # up 0.4 in 1 s from second 1, down 0.4 in 2 s from second 3: levels worked by hand
    track = line((0, 0.1), (1, 0.1), (2, 0.5), (3, 0.5), (5, 0.1), (6, 0.1))
    times, values = track.times, track.values
    end = len(values) - 1
    assert first_rise(times, values, 0, end, 0.11) == pytest.approx(1.025)
    assert first_rise(times, values, 0, end, 0.49) == pytest.approx(1.975)
    assert first_fall(times, values, 0, end, 0.11) == pytest.approx(4.95)


def test_a_rise_begins_the_level_above_its_last_rest() -> None:
    # rest at 0.2, dip to 0.15 and back, rest at 0.2 for 1 s, then 0.5 a second upwards from 3.0
    track = line((0, 0.2), (1, 0.2), (1.2, 0.15), (1.4, 0.2), (3, 0.2), (4, 0.7), (5, 0.7))
    start, _ = track.rise_begins(int(3.5 * 60))
    assert start == pytest.approx(3 + LEVEL_ST / 0.5, abs=1e-6)


def test_a_rise_out_of_a_turn_begins_the_level_above_its_lowest_point() -> None:
    # down to 0.1 at second 1, up with 0.4 a second: no rest anywhere
    track = line((0, 0.5), (1, 0.1), (2, 0.5))
    start, low = track.rise_begins(int(1.5 * 60))
    assert start == pytest.approx(1 + LEVEL_ST / 0.4, abs=1e-6)
    assert track.times[low] == pytest.approx(1.0)


def test_a_top_is_where_the_plateau_is_entered_and_a_long_hold_may_drift() -> None:
    # up to 0.8 at second 2, then creeping up by 0.03 over ten seconds
    track = line((0, 0.2), (1, 0.2), (2, 0.8), (12, 0.83), (13, 0.2))
    low, high = 60, int(np.argmax(track.values))
    top, _, height = track.finish(low, high, len(track.values) - 1)
    assert height == pytest.approx(0.8, abs=0.002)
    assert top == pytest.approx(2 - LEVEL_ST / 0.6, abs=0.003)


@pytest.mark.parametrize("held_s", [3.0, 4.0, 6.0])
def test_a_heavy_bar_that_creeps_on_while_it_is_held_was_up_when_the_lift_ended(held_s) -> None:
    # up to 0.4 at second 2, then on by three crossing levels and more before it comes down
    creep = 0.012 * held_s
    track = line((0, 0.1), (2, 0.4), (2 + held_s, 0.4 + creep), (3 + held_s, 0.1))
    high = int(np.argmax(track.values))
    top, _, height = track.finish(0, high, len(track.values) - 1)
    assert top == pytest.approx(2 - LEVEL_ST / 0.15, abs=0.1)
    assert height == pytest.approx(0.4, abs=LEVEL_ST)


def test_a_slow_end_of_a_lift_is_no_creep() -> None:
    # stuck for a second five crossing levels too low, then up to a hold that does not drift
    track = line((0, 0.1), (2, 0.4), (3, 0.4), (3.3, 0.45), (7, 0.45), (8, 0.1))
    top, _, height = track.finish(0, int(3.4 * 60), len(track.values) - 1)
    assert height == pytest.approx(0.45, abs=0.002)
    assert top == pytest.approx(3.3 - LEVEL_ST / (0.05 / 0.3), abs=0.02)


def test_a_peak_without_a_plateau_finishes_at_its_maximum() -> None:
    track = line((0, 0.2), (1, 0.8), (2, 0.2))
    top, place, height = track.finish(0, 60, 120)
    assert (place, height) == (60, pytest.approx(0.8))
    assert top == pytest.approx(1 - LEVEL_ST / 0.6, abs=1e-6)


def test_coming_down_ends_the_level_above_the_first_turn_or_rest() -> None:
    # down to 0.4 at second 2 and rest there; the floor at second 4 is another matter
    track = line((0, 0.8), (1, 0.8), (2, 0.4), (3, 0.4), (4, 0.1))
    assert track.comes_down(30, 0.8, 240) == pytest.approx(2 - LEVEL_ST / 0.4, abs=1e-6)
    # a turn in place of the rest
    track = line((0, 0.8), (1, 0.8), (2, 0.4), (3, 0.8))
    assert track.comes_down(30, 0.8, 180) == pytest.approx(2 - LEVEL_ST / 0.4, abs=1e-6)
    assert line((0, 0.8), (2, 0.8)).comes_down(0, 0.8, 100) is None


def paths(motion: Motion) -> list[tuple[int, int, bool]]:
    strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
    return [(stroke.begins, stroke.ends, stroke.finished) for stroke in strokes]


FLOOR_REST = ((0.0, 0.12), (1.5, 0.12))


def test_a_deadlift_a_hang_clean_and_a_press() -> None:
    motion = drawn(
        *FLOOR_REST,
        (2.4, 0.45), (2.9, 0.45),  # erect
        (3.4, 0.34), (3.9, 0.74), (4.1, 0.72), (4.5, 0.82), (5.1, 0.82),  # caught, stood up
        (5.4, 0.75), (5.7, 0.95), (6.1, 1.21), (6.6, 1.21),  # dip, drive, overhead
        (7.2, 0.80), (8.0, 0.82),
    )  # fmt: skip
    assert paths(motion) == [(FLOOR, HANG, True), (HANG, RACK, True), (RACK, OVERHEAD, True)]


def test_a_clean_caught_low_is_one_stroke_and_a_squat_from_standing_another() -> None:
    clean = ((2.1, 0.62), (2.3, 0.64), (3.0, 0.46), (3.2, 0.46), (4.2, 0.82), (4.8, 0.82))
    squat = ((5.8, 0.46), (5.9, 0.46), (6.9, 0.82), (7.6, 0.82))
    motion = drawn(*FLOOR_REST, *clean, *squat, squats=((2.3, 4.2), (4.8, 6.9)))
    assert paths(motion) == [(FLOOR, RACK, True), (RACK, RACK, True)]


def test_a_press_that_stops_at_the_forehead_is_not_finished() -> None:
    good = ((2.4, 0.82), (3.0, 0.82), (3.3, 0.75), (4.0, 1.21), (4.5, 1.21), (5.1, 0.82))
    stuck = ((5.7, 0.82), (6.0, 0.75), (6.4, 1.02), (6.6, 1.02), (7.2, 0.82), (8.0, 0.82))
    assert paths(drawn(*FLOOR_REST, *good, *stuck))[1:] == [
        (RACK, OVERHEAD, True),
        (RACK, OVERHEAD, False),
    ]


def test_a_clean_driven_straight_on_has_one_instant_for_three() -> None:
    # pulled to 0.74, sunk to 0.68, and from there overhead without standing
    motion = drawn(
        *FLOOR_REST,
        (2.0, 0.30), (2.6, 0.74), (2.9, 0.68), (3.7, 1.21), (4.3, 1.21), (4.9, 0.82),
        (5.6, 0.82), (5.9, 0.75), (6.6, 1.21), (7.2, 1.21), (7.8, 0.82), (8.6, 0.82),
    )  # fmt: skip
    strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
    clean, press = strokes[0], strokes[1]
    assert "driven_through" in clean.flags
    assert clean.top_s == clean.end_s == pytest.approx(press.start_s, abs=1e-9)


def wavering(until_s: float, rest_s: float, height: float) -> tuple[tuple[float, float], ...]:
    """A bar held at a height that wavers by the crossing level five times a second, to and fro
    faster than a bar that rests, as tracks with twice the measured noise have it."""
    moments = np.arange(until_s - rest_s, until_s, 0.1)
    return tuple((float(t), height + LEVEL_ST / 2 * (-1) ** k) for k, t in enumerate(moments))


def test_a_clean_stood_up_with_and_pressed_without_a_dip_is_done_where_it_stops() -> None:
    # caught at 0.745, sunk by less than a turn, up by second 3.3, pressed from second 4 on
    stop = wavering(4.0, 0.7, 0.82)
    pressed = (*stop, (5.2, 1.21), (5.8, 1.21), (6.4, 0.82), (7.2, 0.82))
    motion = drawn(*FLOOR_REST, (2.0, 0.30), (2.6, 0.745), (2.8, 0.73), *pressed)
    strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
    assert [(one.begins, one.ends, one.finished) for one in strokes] == [
        (FLOOR, RACK, True),
        (RACK, OVERHEAD, True),
    ]
    assert "driven_through" not in strokes[0].flags
    assert strokes[0].top_s == pytest.approx(3.2, abs=0.1)


def test_a_squat_stood_up_with_and_pressed_without_a_dip_is_two_lifts() -> None:
    clean = ((2.1, 0.62), (2.6, 0.74), (2.8, 0.70), (3.3, 0.82), (3.9, 0.82))
    squat = ((4.8, 0.46), (4.9, 0.46), (5.9, 0.82), *wavering(6.7, 0.7, 0.82))
    pressed = ((8.0, 1.21), (8.6, 1.21), (9.2, 0.82), (10.0, 0.82))
    motion = drawn(*FLOOR_REST, *clean, *squat, *pressed, squats=((3.9, 5.9),))
    assert paths(motion) == [
        (FLOOR, RACK, True),
        (RACK, RACK, True),
        (RACK, OVERHEAD, True),
    ]


@pytest.mark.parametrize(
    ("low", "expected"),
    [
        # hands that seem off for a moment while the bar rises: it did not fall
        (0.45, [(FLOOR, HANG), (HANG, RACK), (RACK, OVERHEAD)]),
        # dropped from the hang, and up again in a bounce
        (0.12, [(FLOOR, HANG)]),
    ],
)
def test_what_is_let_go_of_lands(low: float, expected: list[tuple[int, int]]) -> None:
    motion = drawn(
        *FLOOR_REST,
        (2.4, 0.45), (2.8, low), (3.0, low), (3.4, 0.34), (3.9, 0.74), (4.1, 0.72),
        (4.5, 0.82), (5.1, 0.82), (5.4, 0.75), (6.1, 1.21), (6.6, 1.21), (7.2, 0.80), (8.0, 0.82),
    )  # fmt: skip
    zones = decode_zones(motion)
    path = zones.path.copy()
    path[(zones.time_s >= 2.6) & (zones.time_s < 3.1)] = FREE
    held = (zones.time_s >= 3.1) & (zones.time_s < 3.6)
    path[held] = HANG
    strokes, _ = find_strokes(body_of(motion, replace(zones, path=path)))
    assert [(one.begins, one.ends) for one in strokes] == expected


def test_squat_clean_and_thruster_join_where_they_are_asked_for_as_one() -> None:
    common = {"end_s": 9.0, "low_s": 0.0, "depth": 1.2}
    clean = RawStroke(begins=FLOOR, ends=RACK, start_s=1.0, top_s=2.0, **common)
    drive = RawStroke(begins=RACK, ends=OVERHEAD, start_s=2.0, top_s=3.0, **common)
    (one,) = joined([clean, drive], [])
    assert (one.begins, one.ends, one.start_s, one.top_s) == (FLOOR, OVERHEAD, 1.0, 3.0)
    assert one.caught_s == 2.0
    assert joined([clean, RawStroke(**{**vars(drive), "depth": 0.2})], [])[0] == clean


def test_rests_are_measured_from_settled_contact_to_lift_off() -> None:
    # put down at second 4 and lifted at second 6.5: 0.35 in 0.7 s either way
    motion = drawn(
        (0, 0.12), (1.5, 0.12), (2.2, 0.47), (3.3, 0.47), (4.0, 0.12), (6.5, 0.12), (7.2, 0.47),
        (8.5, 0.47),
    )  # fmt: skip
    _, rests = find_strokes(body_of(motion, decode_zones(motion)))
    rest = rests[1]
    time, bar = motion.time_s, motion.bar_st
    down = (time > 3.3) & (bar <= 0.12 + LEVEL_ST)
    up = (time > 6.5) & (bar >= 0.12 + LEVEL_ST)
    assert rest.start_s == pytest.approx(time[down][0], abs=1 / 60)
    assert rest.end_s == pytest.approx(time[up][0], abs=1 / 60)
    assert rest.settled
    assert not rest.dropped


@pytest.mark.parametrize(("up_s", "zone"), [(0.55, HANG), (3.0, RACK)])
def test_with_the_body_unseen_only_what_is_pulled_comes_from_the_hang(up_s, zone) -> None:
    """From 0.46 to 0.82 in half a second at 0.65 statures a second, or in three as a squat does."""
    motion = drawn(
        (0, 0.82), (2, 0.82), (4, 0.46), (4.1, 0.46), (4.1 + up_s, 0.82), (6 + up_s, 0.82)
    )  # fmt: skip
    unseen = (motion.time_s > 1.8) & (motion.time_s < 4.3 + up_s)
    hidden = np.where(unseen, np.nan, motion.shoulder_st)
    off = np.where(unseen, np.nan, motion.hands_off)
    nothing = np.full(len(hidden), np.nan)
    motion = replace(motion, shoulder_st=hidden, hip_st=nothing, head_st=nothing, hands_off=off)
    assert [(begins, ends) for begins, ends, _ in paths(motion)] == [(zone, RACK)]


def test_a_squat_whose_standing_was_read_too_high_is_doubted_and_only_that_one() -> None:
    """The bar's height off by an eighth at the first: it may have been pressed."""
    corners, squats = [(0.0, 0.82)], []
    for k, top in enumerate((0.93, 0.82, 0.82, 0.82)):
        begins = 3.0 * k + 1
        corners += [(begins, 0.82), (begins + 1, 0.46), (begins + 2, top), (begins + 2.5, top)]
        squats.append((begins, begins + 2))
    motion = drawn(*corners, (13.5, 0.82), squats=tuple(squats))
    assert paths(motion) == 4 * [(RACK, RACK, True)]
    strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
    assert [stroke.zone_confidence > 0.9 for stroke in strokes] == [False, True, True, True]


def cut_off(motion: Motion, end_s: float) -> Motion:
    """The motion up to a time."""
    count = int((motion.time_s <= end_s).sum())
    known = {
        name: value[:count] for name, value in vars(motion).items() if isinstance(value, np.ndarray)
    }
    return replace(motion, **known, pieces=((0, count),))


def test_a_film_that_ends_in_mid_lift_has_no_top_however_high_it_got() -> None:
    lift = ((0, 0.12), (1.5, 0.12), (2.4, 0.45), (3.2, 0.45), (4.0, 0.12), (5.0, 0.12))
    for rest, whole in (((5.9, 0.46), (6.4, 0.7)), 1), (((5.9, 0.45), (6.6, 0.45)), 2):
        motion = drawn(*lift, *rest)
        motion = cut_off(motion, 5.85 if whole == 1 else 6.6)
        strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
        assert sum(not one.goes_on for one in strokes) == whole


@pytest.mark.parametrize("speed", [0.02, 0.1, 0.5])
def test_a_height_that_is_off_moves_an_instant_by_as_much_as_the_rise_takes_for_it(speed) -> None:
    """On a straight rise that is the noise over the speed."""
    rise_s = 0.3 / speed
    rise = line((0, 0.1), (1, 0.1), (1 + rise_s, 0.4), (3 + rise_s, 0.4))
    last = len(rise.times) - 1
    assert rise.spread(1 + rise_s / 2, 0, last, 0.012) == pytest.approx(0.012 / speed, abs=0.02)


def creeping(body_too: bool) -> Motion:
    """A deadlift whose bar creeps on for two seconds, and the shoulders with it or not."""
    lift = ((0, 0.13), (1.5, 0.13), (3.0, 0.40), (5.0, 0.45), (7.0, 0.45), (8.0, 0.13), (10, 0.13))
    motion = drawn(*lift)
    t = motion.time_s
    alone = np.interp(t, *np.array([(1.5, 0.5), (3.0, 0.818), (7.0, 0.818), (8.0, 0.5)]).T)
    shoulder = motion.bar_st + 0.818 - 0.45 if body_too else alone
    return replace(motion, shoulder_st=shoulder)


@pytest.mark.parametrize("body_too", [False, True])
def test_a_top_is_unsure_where_the_bar_creeps_on_and_the_body_does_not(body_too) -> None:
    motion = creeping(body_too)
    (stroke,), _ = find_strokes(body_of(motion, decode_zones(motion)))
    assert (stroke.top_off_s > 0.25) is not body_too
