"""Whose sightings are the athlete's."""

from __future__ import annotations

import numpy as np

from repcount.tracking.athlete import LIFTER, Sightings, choose
from repcount.tracking.pose import Person
from repcount.tracking.run import _fill_pose
from repcount.tracking.tracks import KEYPOINTS, POSE_KEYPOINTS


def seen(*spans: tuple[float, float], moved: float) -> Sightings:
    """Somebody seen ten times a second in each span (from, to) of seconds."""
    times = [float(t) for a, b in spans for t in np.arange(a, b, 0.1)]
    return Sightings(0, times=times, moved=moved)


def test_one_taken_for_another_between_two_sets_is_one_athlete() -> None:
    """Lost while bent over at the start, found as somebody new, and known again later on."""
    first = seen((0.2, 7.0), (47.0, 83.0), moved=28.0)
    between = seen((7.4, 46.6), moved=25.0)
    assert choose([first, between], 1) == [first, between]


def test_two_who_lift_at_the_same_time_are_two() -> None:
    one, other = seen((0.0, 80.0), moved=28.0), seen((0.05, 80.0), moved=25.0)
    assert choose([other, one], 1) == [one]


def test_two_who_swap_places_for_a_moment_are_two() -> None:
    """Each is lost now and then; most of the time both are there."""
    one = seen((0.0, 20.0), (22.0, 60.0), moved=28.0)
    other = seen((3.0, 30.0), (31.0, 60.0), moved=12.0)
    assert choose([one, other], 1) == [one]


def test_who_only_stands_about_is_nobody() -> None:
    lifter = seen((10.0, 40.0), moved=9.0)
    stander = seen((0.0, 9.0), moved=LIFTER / 2)
    assert choose([lifter, stander], 1) == [lifter]


def test_where_two_were_seen_at_once_the_one_who_lifts_more_stands() -> None:
    def at(place: float, times: list[float], moved: float) -> Sightings:
        count = len(POSE_KEYPOINTS)
        person = Person(np.full((count, 2), place), np.ones(count), np.zeros((count, 3)))
        return Sightings(0, times=times, people=[person] * len(times), moved=moved)

    lifter, other = at(100.0, [0.0, 0.1, 0.3], 28.0), at(500.0, [0.1, 0.2], 9.0)
    times = np.array([0.0, 0.1, 0.2, 0.3])
    position = np.full((4, 2, len(KEYPOINTS), 1), np.nan)
    confidence = np.full((4, len(KEYPOINTS), 1), np.nan)
    world = np.full((4, 3, len(POSE_KEYPOINTS), 1), np.nan)
    _fill_pose(times, [lifter, other], position, confidence, world)
    assert position[:, 0, 0, 0].tolist() == [100.0, 100.0, 500.0, 100.0]
