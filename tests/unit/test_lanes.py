"""Finding lanes and looking at a part of the frame, on sightings and videos made by hand."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from repcount.errors import FootageError
from repcount.tracking import lanes, run
from repcount.tracking.lanes import Place, add, regions
from repcount.tracking.pose import Person
from repcount.video.footage import open_footage
from tests.media import card, write_video


def person(x: float, hands_st: float, stature: float = 200.0, ankle: float = 500.0) -> Person:
    """Someone whose hips and ankles are at `x`, with both hands at a height."""
    points = np.zeros((33, 2))
    points[:, 0] = x
    points[[23, 24], 1] = ankle - 0.49 * stature
    points[[11, 12], 1] = ankle - (0.49 + 0.288) * stature
    points[[27, 28], 1] = ankle
    points[[25, 26], 1] = ankle - 0.25 * stature
    points[17:21, 1] = ankle - hands_st * stature
    return Person(points, np.ones(33), np.zeros((33, 3)))


def seen(*people: list[Person]) -> list[Place]:
    places: list[Place] = []
    for look, together in enumerate(zip(*people, strict=True)):
        for one in together:
            add(places, one, look)
    return places


def lifter(x: float, looks: int = 20) -> list[Person]:
    return [person(x + 4 * (k % 3), (0.13, 0.48, 0.8)[k % 3]) for k in range(looks)]


def test_whoever_bends_down_and_lifts_is_distinguished_from_who_stands_about() -> None:
    waving = [person(900, (0.45, 1.1)[k % 2]) for k in range(20)]
    places = sorted(seen(lifter(300), lifter(620), waving), key=lambda place: place.x[0])
    assert [place.lifts for place in places] == [True, True, False]
    assert [len(place.looks) for place in places] == [20, 20, 20]
    assert places[0].moved == pytest.approx(0.67, abs=0.01)


def test_someone_who_walks_through_is_nobodys_place() -> None:
    walking = [person(60 * k, 0.48) for k in range(20)]
    places = seen(lifter(300), walking)
    longest = max(places, key=lambda place: len(place.looks))
    assert longest.lifts
    assert len(longest.looks) == 20
    assert all(len(place.looks) < 0.33 * 20 for place in places if place is not longest)


def test_someone_far_behind_is_another_place() -> None:
    behind = [person(310, 0.48, stature=110.0, ankle=430.0) for _ in range(20)]
    assert sorted(place.lifts for place in seen(lifter(300), behind)) == [False, True]


def test_parts_of_the_frame_lie_side_by_side() -> None:
    found = regions(seen(lifter(620), lifter(300), lifter(1000)), (1280, 720))
    boxes = [lane.region for lane in found]
    assert [box[0] for box in boxes] == sorted(box[0] for box in boxes)
    assert all(one[2] <= other[0] for one, other in pairwise(boxes))
    # each has room for half a bar (1.1 m of 1.75) on both sides
    for box, x in zip(boxes, (300, 620, 1000), strict=True):
        assert box[0] <= x - 0.63 * 200
        assert box[2] >= x + 0.63 * 200
        assert box[1] <= 500 - 1.4 * 200  # the bar overhead
        assert box[3] >= 500
    assert not any(lane.crowded for lane in found)


def test_bars_that_reach_into_each_other_are_said() -> None:
    found = regions(seen(lifter(300), lifter(520), lifter(1000)), (1280, 720))
    assert [lane.crowded for lane in found] == [True, True, False]


def test_squares_cover_the_frame() -> None:
    assert lanes.tile_starts(1280, 720) == [0, 280, 560]
    assert lanes.tile_starts(720, 720) == [0]


def test_a_video_without_lifters_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "empty.mp4"
    write_video(path, [k / 30 for k in range(30)])
    with (
        open_footage(path) as footage,
        pytest.raises(FootageError, match=r"empty\.mp4: 0 athletes"),
    ):
        lanes.find_lanes(footage)
    with (
        open_footage(path) as footage,
        pytest.raises(FootageError, match="not 2; film all of them"),
    ):
        lanes.find_lanes(footage, 2)


def test_a_part_of_the_frame_is_cut_out_of_it(tmp_path: Path) -> None:
    path = tmp_path / "card.mp4"
    cards = [card(320, 240, index) for index in range(6)]
    write_video(path, [k / 30 for k in range(6)], pictures=cards)
    with open_footage(path) as footage:
        whole = list(run.frames_of(footage, run.TrackOptions(), None))
    with open_footage(path) as footage:
        part = list(run.frames_of(footage, run.TrackOptions(), (80, 60, 240, 180)))
    assert [one.time_s for one in part] == [one.time_s for one in whole]
    for one, other in zip(whole, part, strict=True):
        np.testing.assert_array_equal(one.gray[60:180, 80:240], other.gray)
        assert (one.rgb is None) == (other.rgb is None)
        assert other.gray.flags.c_contiguous
