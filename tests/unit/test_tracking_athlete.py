"""Who is the athlete: the best course through tracklets, against brute force and made-up clips."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.special import logsumexp

from repcount.tracking.bar import BarTrack
from repcount.tracking.lifter import best_path, choose, probabilities
from repcount.tracking.people import Tracklet
from repcount.tracking.pose import ANKLES, HIPS, KNEES, KNUCKLES, SHOULDERS, Person

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

# ---------------------------------------------------------------------- the best course


def every_course(
    gains: np.ndarray, turns: np.ndarray, starts: np.ndarray, entries: np.ndarray
) -> dict[tuple[int, ...], float]:
    """What each course weighs: whose turn it is at each look, -1 nobody's yet."""
    looks, count = gains.shape
    weights = {}
    for course in product(range(-1, count), repeat=looks):
        total = 0.0
        for look, k in enumerate(course):
            before = course[look - 1] if look else -1
            seen = k >= 0 and np.isfinite(gains[look, k])
            if k != before:
                if not seen:  # nobody's again, or one who is not there
                    total = -np.inf
                    break
                total += (starts[k] if before < 0 else turns[before, k]) + entries[look, k]
            total += gains[look, k] if seen else 0.0
        weights[course] = total
    return weights


@pytest.mark.parametrize("seed", range(25))
def test_course_and_probabilities_are_those_of_all_courses(seed: int) -> None:
    rng = np.random.default_rng(seed)
    looks, count = int(rng.integers(2, 6)), int(rng.integers(1, 4))
    gains = np.where(rng.random((looks, count)) < 0.7, rng.normal(0, 2, (looks, count)), np.nan)
    turns, starts = rng.uniform(-6, 0, (count, count)), rng.uniform(-3, 0, count)
    entries = rng.uniform(-2, 0, (looks, count))
    weights = every_course(gains, turns, starts, entries)
    best = max(weights, key=weights.__getitem__)
    given = [k if k >= 0 and np.isfinite(gains[look, k]) else -1 for look, k in enumerate(best)]
    assert best_path(gains, turns, starts, entries) == given
    total = logsumexp(list(weights.values()))
    expected = np.zeros((looks, count))
    for course, weight in weights.items():
        for look, k in enumerate(course):
            if k >= 0 and np.isfinite(gains[look, k]):
                expected[look, k] += np.exp(weight - total)
    assert probabilities(gains, turns, starts, entries) == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------------- made-up clips

RED, BLUE, GREY = ([50.0, 60.0, 40.0], [35.0, 10.0, -45.0], [40.0, 0.0, 0.0])
SIZE = 100.0
HZ = 7.5
TIMES = np.arange(750) / HZ


def body(x: float, hand_y: float) -> Person:
    points = np.full((33, 2), (x, 300.0))
    points[list(HIPS)] = x, 300 + SIZE
    points[list(KNEES)] = x, 300 + 1.8 * SIZE
    points[list(ANKLES)] = x, 300 + 2.6 * SIZE
    points[list(SHOULDERS)] = (x - 20, 300), (x + 20, 300)
    points[list(KNUCKLES)] = x, hand_y
    return Person(points, np.ones(33), np.zeros((33, 3)))


def lifted(time_s: np.ndarray) -> np.ndarray:
    """Height of the bar, a lift of 0.5 m in two seconds, up and down; it lies from 20 to 80 s."""
    up = 0.5 - 0.5 * np.cos(np.pi * np.asarray(time_s))
    return 550 - SIZE * np.where((time_s > 20) & (time_s < 80), 0.0, up)


def someone(
    since_s: float,
    until_s: float,
    colours: list,
    x: float = 300.0,
    lifts: bool = False,
    shot: int = 0,
) -> Tracklet:
    one = Tracklet(shot)
    for at in TIMES:
        if since_s <= at < until_s:
            hand = float(lifted(at)) if lifts else 480.0
            one.add(body(x, hand), float(at), np.array(colours))
    return one


def chosen_of(tracklets: list[Tracklet], bar_seen: bool = True) -> tuple[list, np.ndarray]:
    times = TIMES
    y = lifted(times)
    ends = np.stack([np.stack([np.full_like(y, x), y], 1) for x in (100.0, 500.0)], 1)
    trust = np.full((len(times), 2), float(bar_seen))
    given = trust > 0
    bar = BarTrack(ends, np.full((len(times), 2), 45.0), trust, given, np.zeros_like(given))
    chosen = choose(tracklets, times, np.zeros((len(times), 2)), bar)
    whose = {id(person): k for k, tracklet in enumerate(tracklets) for person in tracklet.people}
    who = np.full(len(times), -1)
    for one in chosen:
        who[int(np.argmin(np.abs(times - one.time_s)))] = whose[id(one.person)]
    return chosen, who


def test_who_moves_as_the_bar_does_is_the_athlete_and_not_who_is_larger_or_first() -> None:
    lifter = someone(0.3, 100, [RED, GREY], lifts=True)
    stander = someone(0.0, 100, [BLUE, GREY], x=620)
    stander.size *= 1.5
    _, who = chosen_of([stander, lifter])
    assert set(who[5:]) == {1}


@pytest.mark.parametrize("away_s", [10.0, 55.0])
def test_nobody_takes_the_place_of_an_athlete_who_is_away(away_s: float) -> None:
    """The athlete vanishes from one look to the next, somebody else stays in the frame."""
    before = someone(0.0, 22.0, [RED, GREY], lifts=True)
    after = someone(22.0 + away_s, 100, [RED, GREY], lifts=True)
    other = someone(0.0, 100, [BLUE, BLUE], x=420)
    chosen, who = chosen_of([before, other, after])
    times = TIMES
    assert set(who[times < 21.9]) == {0}
    assert set(who[(times > 22.1) & (times < 21.9 + away_s)]) == {-1}
    assert set(who[times > 22.1 + away_s]) == {2}
    assert {one.number for one in chosen} == {0}


def test_an_athlete_who_took_off_a_shirt_while_away_is_the_athlete_still() -> None:
    before = someone(0.0, 22.0, [RED, GREY], lifts=True)
    after = someone(60.0, 100, [[65.0, 15.0, 18.0], GREY], lifts=True)
    other = someone(0.0, 100, [BLUE, BLUE], x=420)
    _, who = chosen_of([before, other, after])
    assert set(who) == {0, -1, 2}
    assert who[-1] == 2


def test_another_athlete_who_takes_over_is_chosen_and_distinguished() -> None:
    first = someone(0.0, 22.0, [RED, GREY], lifts=True)
    second = someone(70.0, 100, [BLUE, BLUE], lifts=True)
    chosen, who = chosen_of([first, second])
    assert who[-1] == 1
    assert {one.number for one in chosen} == {0, 1}


def test_who_is_alone_is_the_athlete_with_whatever_evidence() -> None:
    alone = someone(0.0, 40.0, [RED, GREY])
    chosen, who = chosen_of([alone], bar_seen=False)
    assert set(who[:300]) == {0}
    assert min(one.probability for one in chosen) > 0.9


def test_where_nothing_tells_somebody_is_given_and_it_is_unsure() -> None:
    one, other = someone(0.0, 40.0, [RED, GREY]), someone(0.0, 40.0, [BLUE, BLUE], x=500)
    chosen, who = chosen_of([one, other], bar_seen=False)
    assert len(set(who[:300])) == 1
    assert all(0.3 < seen.probability < 0.7 for seen in chosen)


def test_where_no_bar_is_seen_hands_that_go_as_on_one_tell() -> None:
    lifter = someone(0.0, 20, [RED, GREY], lifts=True)
    stander = someone(0.0, 20, [BLUE, GREY], x=620)
    stander.size *= 2
    _, who = chosen_of([stander, lifter], bar_seen=False)
    assert set(who[:150]) == {1}


def test_a_bar_that_goes_up_without_whoever_is_seen_has_no_body() -> None:
    stander = someone(0.0, 100, [RED, GREY], x=900)
    _, who = chosen_of([stander])
    assert set(who) == {-1}


def test_one_taken_for_another_between_two_sets_is_one_athlete() -> None:
    """Lost while bent over at the start, found as somebody new, and known again later on."""
    first = someone(0.0, 7.0, [RED, GREY], lifts=True)
    for at in TIMES[TIMES > 84]:
        first.add(body(300, float(lifted(at))), float(at), np.array([RED, GREY]))
    between = someone(7.4, 83.6, [RED, GREY], lifts=True)
    chosen, who = chosen_of([first, between])
    assert set(who[3:]) <= {0, 1, -1}
    assert (who == -1).sum() < 8
    assert {one.number for one in chosen} == {0}
