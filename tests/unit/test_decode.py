"""The zone decoder on drawn motions: zones, gaps, falls, and a floor that drifts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from repcount.reading.decode import (
    FLOOR,
    FREE,
    HANG,
    OVERHEAD,
    RACK,
    RATE_HZ,
    decode_zones,
    floor_level,
)
from tests.drawn_motion import drawn

# floor, hang, rack, overhead for a second and more each, then down again
WAY = (
    (0.0, 0.12), (1.5, 0.12), (2.2, 0.45), (3.2, 0.45), (4.0, 0.82), (5.2, 0.82), (6.0, 1.21),
    (7.2, 1.21), (8.0, 0.82), (9.0, 0.82),
)  # fmt: skip
GRAVITY_ST_S2 = 9.81 / 1.75


def zone_at(motion, second: float) -> int:
    zones = decode_zones(motion)
    return int(zones.path[np.argmin(np.abs(zones.time_s - second))])


def test_zones_follow_the_bar() -> None:
    motion = drawn(*WAY)
    zones = decode_zones(motion)
    seen = [int(zones.path[round(second * RATE_HZ)]) for second in (1.0, 2.8, 4.6, 6.6, 8.6)]
    assert seen == [FLOOR, HANG, RACK, OVERHEAD, RACK]
    assert np.allclose(zones.probability.sum(1), 1.0)
    np.testing.assert_array_equal(zones.path, zones.probability.argmax(1))


def test_without_the_shoulders_the_bars_height_says_the_zone() -> None:
    motion = drawn(*WAY)
    shoulder = motion.shoulder_st.copy()
    shoulder[(motion.time_s > 3.6) & (motion.time_s < 7.6)] = np.nan
    motion = replace(motion, shoulder_st=shoulder)
    assert zone_at(motion, 4.6) == RACK
    assert zone_at(motion, 6.6) == OVERHEAD


def test_a_short_gap_of_everything_is_bridged_by_what_surrounds_it() -> None:
    motion = drawn(*WAY)
    gap = (motion.time_s > 4.4) & (motion.time_s < 4.9)
    bar = np.where(gap, np.nan, motion.bar_st)
    off = np.where(gap, np.nan, motion.hands_off)
    assert zone_at(replace(motion, bar_st=bar, hands_off=off), 4.65) == RACK


def test_a_dropped_bar_is_free_until_it_lies() -> None:
    # let go overhead at second 7.2: 1.09 body heights of fall at 9.81 m/s² of 1.75 m
    motion = drawn(*WAY[:8], (9.5, 1.21))
    since = np.maximum(motion.time_s - 7.2, 0.0)
    bar = np.maximum(motion.bar_st - GRAVITY_ST_S2 * since**2 / 2, 0.12)
    shoulder = np.full(len(bar), 0.818)
    off = (motion.time_s > 7.25).astype(float)
    motion = replace(motion, bar_st=bar, bar_sharp_st=bar, hands_off=off, shoulder_st=shoulder)
    lands = 7.2 + float(np.sqrt(2 * 1.09 / GRAVITY_ST_S2))
    assert zone_at(motion, 7.2 + 0.7 * (lands - 7.2)) == FREE
    assert zone_at(motion, lands + 0.5) == FLOOR


def test_hands_that_seem_off_a_bar_that_does_not_fall_are_not() -> None:
    """A bar in the air that nobody holds falls: a still one is held, whatever the pose says."""
    motion = drawn(*WAY)
    off = ((motion.time_s > 6.2) & (motion.time_s < 7.0)).astype(float)
    assert zone_at(replace(motion, hands_off=off), 6.6) == OVERHEAD


@pytest.mark.parametrize("source", [1, 2])
def test_what_hands_do_is_no_flight_of_the_bar(source: int) -> None:
    """Ends of the bar that fall away from the shoulders fly; hands that tell where it is hold it,
    and a fall of theirs is a wrong pose."""
    fall_s = (2 * (0.82 - 0.15) / GRAVITY_ST_S2) ** 0.5
    motion = drawn((0.0, 0.82), (6.0, 0.82))
    fallen = np.clip(motion.time_s - 3.0, 0.0, fall_s)
    bar = 0.82 - GRAVITY_ST_S2 / 2 * fallen**2
    told = np.full(len(bar), source, np.int8)
    zones = decode_zones(replace(motion, bar_st=bar, bar_source=told, hands_off=np.nan * bar))
    assert (FREE in zones.path) == (source == 2)


@pytest.mark.parametrize("hidden_s", [0.0, 3.0])
def test_a_bar_that_nobody_holds_stays_on_its_stand(hidden_s: float) -> None:
    """What does not move in the air is held or lies on a stand, and is still there once it is
    hidden: hands that are off are no sign that it fell."""
    motion = drawn((0.0, 0.80), (8.0, 0.80))
    hidden = motion.time_s > 8.0 - hidden_s
    bar = np.where(hidden, np.nan, motion.bar_st)
    off = np.where(motion.time_s > 2.0, 1.0, 0.0)
    zones = decode_zones(replace(motion, bar_st=bar, hands_off=off))
    assert set(zones.path.tolist()) == {RACK}


def test_the_floor_is_where_the_bar_lies_not_the_bottom_of_a_hinge() -> None:
    hinges = [(3.0 + k, 0.46 if k % 2 == 0 else 0.22) for k in range(20)]
    motion = drawn((0, 0.10), (2.0, 0.10), *hinges, (25.0, 0.13), (27.0, 0.13))
    index = np.arange(0, len(motion.time_s), 3)
    level = floor_level(motion, index)
    assert abs(level[0] - 0.10) < 0.01
    assert abs(level[-1] - 0.13) < 0.01
    assert level.max() < 0.15  # the hinges turn at 0.22


def test_a_bar_left_lying_higher_than_usual_is_on_the_floor() -> None:
    """Filmed from behind, the bar lies beyond the athlete's feet and seems higher."""
    motion = drawn((0, 0.21), (3, 0.21), (4, 0.45), (6, 0.45), (7, 0.21), (9, 0.21))
    left = (motion.time_s < 2.8) | (motion.time_s > 7.2)
    motion = replace(motion, hands_off=np.where(left, 1.0, 0.0))
    index = np.arange(0, len(motion.time_s), 3)
    assert floor_level(motion, index) == pytest.approx(np.full(len(index), 0.21), abs=0.01)
    zones = decode_zones(motion)
    assert (zones.path[zones.time_s < 2.5] == FLOOR).all()


def test_the_top_of_a_bounce_is_no_floor() -> None:
    """Nobody holds it and it hardly moves there, but not for long."""
    motion = drawn((0, 0.45), (1, 0.45), (1.3, 0.13), (1.5, 0.21), (1.7, 0.13), (4, 0.13))
    motion = replace(motion, hands_off=np.where(motion.time_s > 1.05, 1.0, 0.0))
    index = np.arange(0, len(motion.time_s), 3)
    assert floor_level(motion, index).max() < 0.14


@pytest.mark.parametrize("lies", [0.12, 0.05, -0.08])
def test_a_pull_with_the_body_hidden_behind_near_plates_is_no_free_flight(lies: float) -> None:
    """From the side: the plates, nearer than the athlete, seem to lie lower and hide body and hands
    until the athlete is up."""
    motion = drawn((0, lies), (2, lies), (3.4, 0.45), (4.0, 0.82), (6, 0.82))
    shoulder = np.where(motion.time_s < 3.4, np.nan, motion.shoulder_st)
    off = np.where(motion.time_s < 2.15, 0.85, np.where(motion.time_s < 3.4, np.nan, 0.5))
    motion = replace(motion, shoulder_st=shoulder, hands_off=off)
    zones = decode_zones(motion)
    assert FREE not in zones.path
    assert zone_at(motion, 1.5) == FLOOR
    assert zone_at(motion, 3.0) == HANG


def test_a_bar_left_lying_lower_than_usual_is_on_the_floor() -> None:
    """Its near plates are seen lower down than the athlete's feet would have it."""
    motion = drawn((0, -0.08), (3, -0.08), (4, 0.45), (6, 0.45), (7, -0.08), (9, -0.08))
    left = (motion.time_s < 2.8) | (motion.time_s > 7.2)
    motion = replace(motion, hands_off=np.where(left, 1.0, 0.0))
    index = np.arange(0, len(motion.time_s), 3)
    assert floor_level(motion, index) == pytest.approx(np.full(len(index), -0.08), abs=0.01)


@pytest.mark.parametrize("back", [0.3, 0.4, 0.5])
def test_a_bounce_beside_the_hands_is_no_lift(back: float) -> None:
    """Dropped overhead and bent down after at once: the bar touches the floor for a tenth of a
    second and leaves it at a fraction of its speed; it has to lie before it is lifted again."""
    motion = drawn(*WAY[:8], (9.5, 1.21))
    since = np.maximum(motion.time_s - 7.2, 0.0)
    lands = float(np.sqrt(2 * 1.09 / GRAVITY_ST_S2))
    up = back * GRAVITY_ST_S2 * lands
    after = np.maximum(since - lands - 0.1, 0.0)
    fall = np.maximum(motion.bar_st - GRAVITY_ST_S2 * since**2 / 2, 0.12)
    bar = fall + np.maximum(up * after - GRAVITY_ST_S2 * after**2 / 2, 0.0)
    shoulder = np.where(since < lands, 0.818, 0.6)
    hands = np.where(since < 0.05, 0.0, np.where(since < lands, 1.0, 0.2))
    motion = replace(motion, bar_st=bar, bar_sharp_st=bar, hands_off=hands, shoulder_st=shoulder)
    zones = decode_zones(motion)
    path = [int(state) for state in zones.path[zones.time_s > 7.2]]
    assert FREE in path
    assert path[-1] == FLOOR
    assert all((path[k - 1], path[k]) != (FLOOR, HANG) for k in range(1, len(path)))


def test_a_bar_on_its_way_at_both_ends_of_a_gap_was_not_carried_through_it() -> None:
    """The pose is lost while the bar comes down from the shoulders, and back when it is nearly up
    again: as far below them as before, and yet it has hung between."""
    motion = drawn(
        (0, 0.82), (2, 0.82), (2.4, 0.65), (2.9, 0.42), (3.6, 0.42), (4.1, 0.65), (4.5, 0.82),
        (6, 0.82),
    )  # fmt: skip
    hidden = (motion.time_s > 2.4) & (motion.time_s < 4.1)
    shoulder = np.where(hidden, np.nan, 0.818)
    off = np.where(hidden, np.nan, 0.05)
    motion = replace(motion, shoulder_st=shoulder, hands_off=off)
    assert zone_at(motion, 1.0) == RACK
    assert zone_at(motion, 3.2) == HANG
    assert zone_at(motion, 5.5) == RACK


def test_a_bar_that_rolls_nearer_at_last_lay_higher_before() -> None:
    lifts = [(2.0 * k + part, 0.12 + 0.33 * (part == 1)) for k in range(1, 5) for part in (0, 1)]
    motion = drawn((0, 0.12), *lifts, (10.0, 0.12), (12.0, -0.02), (18.0, -0.02))
    motion = replace(motion, hands_off=np.where(motion.time_s > 10, 1.0, 0.0))
    index = np.arange(0, len(motion.time_s), 3)
    level = floor_level(motion, index)
    assert level[0] == pytest.approx(0.12, abs=0.01)
    zones = decode_zones(motion)
    for second in (1.0, 4.0, 6.0, 8.0):
        assert zones.path[np.argmin(np.abs(zones.time_s - second))] == FLOOR


def test_a_video_begins_on_the_floor_no_more_likely_than_in_the_hands() -> None:
    motion = drawn((0, 0.45), (6, 0.45))
    unseen = np.full(len(motion.time_s), np.nan)
    motion = replace(motion, bar_st=unseen, shoulder_st=unseen, hands_off=unseen)
    first = decode_zones(motion).probability[0]
    assert first[FLOOR] == pytest.approx(first[HANG], abs=0.1)


def test_where_the_shoulders_are_not_seen_the_head_tells_a_squat_from_a_hang() -> None:
    """The same way of the bar: down with the head, or down while the head stays up."""
    corners = ((0, 0.82), (2, 0.82), (3.5, 0.44), (4, 0.44), (5.5, 0.82), (7, 0.82))
    motion = drawn(*corners)
    hidden = (motion.time_s > 2.2) & (motion.time_s < 5.3)
    motion = replace(
        motion,
        shoulder_st=np.where(hidden, np.nan, 0.818),
        hands_off=np.where(hidden, np.nan, 0.05),
    )
    squatted = replace(motion, head_st=motion.bar_st + 0.936 - 0.818)
    stood = replace(motion, head_st=np.full(len(motion.time_s), 0.936))
    assert zone_at(squatted, 3.75) == RACK
    assert zone_at(stood, 3.75) == HANG
