"""Who goes on as whom from look to look, against brute force and made-up people."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from repcount.tracking.people import LINK_S, Tracklet, assign, goes_on, like_colours
from repcount.tracking.pose import HIPS, KNEES, SHOULDERS, Person

RED, GREY, BLUE = ([50.0, 60.0, 40.0], [40.0, 0.0, 0.0], [35.0, 10.0, -45.0])


def standing(x: float, y: float = 300.0, size: float = 100.0) -> Person:
    """Somebody upright whose shoulders are at x, y and whose trunk is `size` pixels long."""
    points = np.full((33, 2), (x, y))
    points[list(HIPS)] = x, y + size
    points[list(KNEES)] = x, y + 1.8 * size
    points[list(SHOULDERS)] = (x - 20, y), (x + 20, y)
    return Person(points, np.ones(33), np.zeros((33, 3)))


def best_by_trial(gains: np.ndarray) -> float:
    """The largest sum of gains over all ways to give each person one tracklet or none."""
    people, tracklets = gains.shape
    columns = [*range(tracklets), *[-1] * people]
    return max(
        sum(gains[row, column] for row, column in enumerate(way) if column >= 0)
        for way in set(permutations(columns, people))
    )


@pytest.mark.parametrize("seed", range(30))
def test_links_are_the_best_of_all_ways(seed: int) -> None:
    rng = np.random.default_rng(seed)
    gains = rng.normal(0, 3, (int(rng.integers(1, 4)), int(rng.integers(1, 4))))
    found = assign(gains)
    used = [column for column in found if column >= 0]
    assert len(used) == len(set(used))
    assert sum(gains[row, column] for row, column in enumerate(found) if column >= 0) == (
        pytest.approx(best_by_trial(gains))
    )


@pytest.mark.parametrize("seed", range(30))
def test_where_nobody_is_new_links_are_the_assignment_of_scipy(seed: int) -> None:
    gains = np.random.default_rng(seed).uniform(1, 9, (4, 6))
    _, columns = linear_sum_assignment(-gains)
    assert assign(gains) == columns.tolist()


def test_two_who_come_close_keep_their_identities() -> None:
    """Taken one by one, the nearer goes first; together each goes on with their own colours."""
    left, right = Tracklet(0), Tracklet(0)
    red, blue = np.array([RED, GREY]), np.array([BLUE, GREY])
    left.add(standing(300), 0.0, red)
    right.add(standing(360), 0.0, blue)
    people = [(standing(335), blue), (standing(325), red)]
    gains = np.array(
        [[goes_on(one, person, 0.13, colour) for one in (left, right)] for person, colour in people]
    )
    assert assign(gains) == [1, 0]


@pytest.mark.parametrize(("wait_s", "way"), [(0.13, 80.0), (1.0, 40.0), (5.0, 2.0)])
def test_somebody_else_near_the_same_place_is_new(wait_s: float, way: float) -> None:
    one = Tracklet(0)
    one.add(standing(300), 0.0, np.array([RED, GREY]))
    assert goes_on(one, standing(300 + way), wait_s, np.array([RED, GREY])) > 0
    assert goes_on(one, standing(300 + way), wait_s, np.array([BLUE, BLUE])) < 0


def test_a_leap_is_somebody_new_and_a_walk_is_not() -> None:
    one = Tracklet(0)
    colours = np.array([GREY, GREY])
    one.add(standing(300), 0.0, colours)
    assert goes_on(one, standing(330), 0.13, colours) > 0  # 1.2 m/s
    assert goes_on(one, standing(700), 0.13, colours) < 0  # 15 m/s


def test_one_piece_of_clothing_changed_leaves_it_open_and_both_do_not() -> None:
    before, shirt_off = np.array([RED, GREY]), np.array([[65.0, 15.0, 18.0], GREY])
    assert like_colours(before, before) > 3
    assert 0 < like_colours(before, shirt_off) < like_colours(before, before)
    assert like_colours(before, np.array([[65.0, 15.0, 18.0], BLUE])) < -2
    unseen = np.array([RED, [np.nan] * 3])
    assert 0 < like_colours(before, unseen) < like_colours(before, before)


def test_tracklets_end_with_a_cut_and_a_long_absence() -> None:
    from repcount.tracking.athlete import Observer

    observer = Observer.__new__(Observer)
    one, other = Tracklet(0, 0, [0.0, 1.0]), Tracklet(1, 1, [2.0])
    observer.tracklets, observer.shot = [one, other], 1
    assert observer._lately(2.5, LINK_S) == [other]
    assert observer._lately(60.0, LINK_S) == []


def test_brute_force_tries_every_way() -> None:
    """The check itself: two people and one tracklet can go on in three ways."""
    gains = np.array([[2.0], [5.0]])
    assert best_by_trial(gains) == 5.0
    assert len(set(permutations([0, -1, -1], 2))) == len(
        [way for way in product((0, -1), repeat=2) if way != (0, 0)]
    )
