"""What is read while the pose is lost, wrong or another person's."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.attempt.anthropometry import HIP_HEIGHT_ST
from repcount.motion.bar_height import jumps
from repcount.motion.ends import lies_still
from repcount.motion.hands import held_all_along
from repcount.motion.scene import ANKLE_ST, EYE_ST, Scene, ground_level, stature_px
from repcount.motion.scene import GRID_HZ as HZ
from repcount.reading.body import standing_height
from repcount.reading.rests import RawRest
from repcount.reading.strokes import RawStroke, joined, with_lifts_before
from repcount.tracking.tracks import KEYPOINTS

# Free fall in body heights a second squared: 9.81 m/s² over 1.75 m.
G_ST = 9.81 / 1.75


def grid(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * HZ)) / HZ


def held(bar: np.ndarray) -> np.ndarray:
    """Where the bar must have been held, though the hands seem free all along."""
    return held_all_along(grid(len(bar) / HZ), bar, np.ones(len(bar)))


def test_a_bar_that_rises_without_an_impact_is_held():
    t = grid(6.0)
    bar = 0.1 + 0.7 * np.clip((t - 2) / 1.2, 0, 1) - 0.7 * np.clip((t - 4.2) / 1.2, 0, 1)
    wrong = held(bar)
    assert wrong[(t > 2.4) & (t < 4.8)].all()
    assert not wrong[(t < 1.9) | (t > 5.6)].any()


def test_a_dropped_bar_and_its_bounces_are_free():
    """Ballistic arcs: each impact gives back half of the speed."""
    t = grid(4.0)
    bar, speed, height = np.full(len(t), 0.8), 0.0, 0.8
    for k in np.flatnonzero(t > 0.3):
        speed -= G_ST / HZ
        height += speed / HZ
        if height < 0.1:
            height, speed = 0.1, -0.5 * speed if speed < -0.3 else 0.0
        bar[k] = height
    assert not held(bar).any()


def test_a_bar_on_a_stand_is_nobodys():
    assert not held(np.full(round(5 * HZ), 0.7)).any()


@pytest.mark.parametrize("seconds", [2, 8])
def test_a_nearer_person_for_some_seconds_makes_nobody_taller(seconds):
    t = np.arange(0, 100, 1 / 7.5)
    tall = np.where((t > 40) & (t < 40 + seconds), 500.0, 400.0)
    assert stature_px(t, tall, np.ones(len(t)), grid(100.0)) == pytest.approx(400.0)


def test_an_athlete_who_really_comes_nearer_is_believed():
    t = np.arange(0, 100, 1 / 7.5)
    tall = np.where(t > 60, 480.0, 400.0)
    found = stature_px(t, tall, np.ones(len(t)), grid(100.0))
    assert found[[0, -1]] == pytest.approx([400.0, 480.0])


def test_who_bends_over_for_longer_than_they_stand_is_as_tall_as_standing():
    """A second of standing in twenty; bent to a level trunk the eyes are as high as the hips."""
    t = np.arange(0, 100, 1 / 7.5)
    stands = np.abs(t % 20 - 10) < 0.5
    points = np.full((len(KEYPOINTS), len(t), 2), np.nan)
    for side in ("left", "right"):
        points[KEYPOINTS.index(f"{side}_ankle"), :, 1] = 500 - 400 * ANKLE_ST
        points[KEYPOINTS.index(f"{side}_hip"), :, 1] = 500 - 400 * HIP_HEIGHT_ST
        points[KEYPOINTS.index(f"{side}_eye"), :, 1] = 500 - 400 * np.where(stands, EYE_ST, 0.66)
    scene = Scene(
        times=t,
        grid=grid(100.0),
        points=points,
        confidence=np.ones((len(t), len(KEYPOINTS))),
        pieces=((0, round(100 * HZ)),),
        inside=(np.ones(len(t), bool),),
        there=t,
        stature=np.full(round(100 * HZ), np.nan),
        ground=np.full(round(100 * HZ), np.nan),
    )
    stature = scene.on_ground(np.ones(len(t), bool), np.zeros(len(t), bool)).stature
    assert stature == pytest.approx(400.0, rel=0.01)


def test_standing_is_recognised_with_the_bar_in_the_hands():
    t = grid(60.0)
    walks = t > 40
    shoulder = np.where(walks, 0.93, 0.80)
    assert standing_height(shoulder, t, ~walks, 0.818) == pytest.approx(0.80, abs=0.01)
    # who only bends over with the bar stands without it
    bent = np.where(walks, 0.80, 0.68)
    assert standing_height(bent, t, ~walks, 0.818) == pytest.approx(0.80, abs=0.01)


def test_who_stalls_on_the_way_up_stands_no_lower_than_where_it_ends():
    """Half a squat's way up for seconds, and erect for moments; nobody stands lower than that."""
    t = np.arange(0, 6.5, 1 / 60)
    heights = [0.58, 0.63, 0.65, 0.66, 0.675, 0.69, 0.70, 0.71, 0.72, 0.73, 0.755, 0.78, 0.85, 0.93]
    shoulder = np.interp(t, np.linspace(2.0, 6.4, len(heights)), heights)
    shoulder += np.random.default_rng(0).normal(0, 0.002, len(t))
    assert standing_height(shoulder, t, t > 1.6, 0.818) > 0.80
    # a wrong pose, which is higher for a moment, changes nothing
    stands = np.where(t < 0.3, 0.92, 0.80)
    assert standing_height(stands, t, t > 0, 0.818) == pytest.approx(0.80, abs=0.01)


FLOOR, HANG, RACK, OVERHEAD = range(4)


def stroke(begins: int, ends: int, start_s: float, top_s: float, **seen: float) -> RawStroke:
    return RawStroke(begins, ends, start_s, top_s, top_s + 0.5, start_s, **seen)


def test_a_squat_with_the_bar_and_the_body_unseen_is_no_hang():
    """Up from the floor and on overhead in one: a clean into a thruster, with its zone
    uncertain."""
    lain = [RawRest(0.0, 0.0, 0.4, False, False, True, 1.0)]
    hidden = stroke(HANG, OVERHEAD, 2.0, 3.2, low_share=0.0)
    (one,) = joined([stroke(FLOOR, HANG, 0.4, 1.2), hidden], lain)
    assert (one.begins, one.ends, one.start_s, one.caught_s) == (FLOOR, OVERHEAD, 0.4, 2.0)
    assert one.zone_confidence <= 0.5
    seen = stroke(HANG, OVERHEAD, 2.0, 3.2, low_share=1.0)
    assert len(joined([stroke(FLOOR, HANG, 0.4, 1.2), seen], lain)) == 2


def test_a_snatch_among_clusters_stays_one():
    """Pulled overhead in one a bar sinks by a hand at most (common practice, no source)."""
    (one,) = joined([stroke(FLOOR, OVERHEAD, 0.0, 1.5, sank_st=0.05)], [])
    assert one.caught_s is None
    (other,) = joined([stroke(FLOOR, OVERHEAD, 0.0, 1.5, sank_st=0.15)], [])
    assert other.caught_s is not None


def test_a_lift_from_the_floor_counts_for_what_comes_after_it():
    """Its own beginning on the floor says nothing of where a bar was before."""
    lain = [RawRest(0.0, 0.0, 0.4, False, False, True, 1.0)]
    clean, squat = stroke(FLOOR, RACK, 0.4, 1.5), stroke(RACK, RACK, 3.0, 4.0)

    def lifted(strokes: list[RawStroke], rests: list[RawRest], seen: float = 1.0) -> list[float]:
        return [one.lifted for one in with_lifts_before(strokes, rests, [seen] * len(rests))]

    assert lifted([clean, squat], lain) == [0, 1]
    assert lifted([clean, squat], []) == [0, 1]
    assert lifted([squat], []) == [0]
    assert lifted([squat], lain) == [1]
    # a bar that was not seen to leave the floor may be another; and one witness is one
    assert lifted([squat], lain, seen=0.0) == [0.5]
    first, *others = lifted([squat, squat, squat], lain)
    assert first == 1
    assert np.isnan(others).all()


def test_the_ground_is_estimated_past_a_wrong_pose_before_the_hands_let_go():
    """Two seconds of ankles a tenth of the stature too high, then a break of six seconds in which
    the feet say nothing: the ground under the bar stays where it was."""
    t = np.arange(0, 60, 1 / 10)
    ankle = np.where((t > 26) & (t < 28.5), 760.0, 800.0)
    ankle[(t > 30) & (t < 36)] = np.nan
    found = ground_level(t, ankle, grid(60.0))
    assert found == pytest.approx(800.0)


def test_who_lifts_elsewhere_after_a_break_stands_there():
    t = np.arange(0, 60, 1 / 10)
    ankle = np.where(t < 33, 800.0, 840.0)
    ankle[(t > 30) & (t < 36)] = np.nan
    found = ground_level(t, ankle, grid(60.0))
    at = grid(60.0)
    # at the last contact before the break and at the next lift-off
    assert found[at < 31] == pytest.approx(800.0)
    assert found[at > 35] == pytest.approx(840.0)


def test_feet_beside_a_bar_that_lies_say_nothing_of_the_ground():
    t = np.arange(0, 20, 1 / 30)
    bar = 0.13 + 0.4 * np.clip((t - 12) / 0.5, 0, 1)
    still = lies_still(t, bar)
    assert still[t < 10.5].all()
    assert not still[(t > 11.2) & (t < 13)].any()
    unseen = np.where(t < 8, np.nan, bar)
    assert not lies_still(t, unseen)[t < 6.5].any()


def leaping(bar: np.ndarray, rate_hz: float) -> list[int]:
    return np.flatnonzero(jumps(np.arange(len(bar)) / rate_hz, bar)).tolist()


@pytest.mark.parametrize("way", [0.2, -0.2])
def test_one_wrong_sample_over_a_bar_that_lies_is_left_out(way):
    """Up, as nothing can go; or into the floor. Its neighbours stay."""
    bar = np.full(150, 0.13)
    bar[70] += way
    assert leaping(bar, 15.0) == [70]


def test_a_bar_that_strikes_the_floor_leaps_nowhere():
    """Free fall from 0.8 of the stature and two bounces, seen 15 times a second."""
    t = np.arange(0, 8, 1 / 600)
    bar, speed, height = np.full(len(t), 0.8), 0.0, 0.8
    for k in np.flatnonzero(t > 2.3):
        speed -= G_ST / 600
        height += speed / 600
        if height < 0.1:
            height, speed = 0.1, -0.45 * speed if speed < -0.3 else 0.0
        bar[k] = height
    for first in range(0, 40, 4):
        assert leaping(bar[first::40], 15.0) == []
