"""Matching breaks: the cheapest way that keeps the order. Outside references: brute force, scipy.

`scipy.optimize.linear_sum_assignment` (the Hungarian method) may cross pairs; where only reps
moved are priced it has nothing to gain from crossing, so its cost must be ours.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from repcount.analysis.matching import PlannedPlace, RealPlace, match_breaks, matching_price

PLANNED = st.lists(
    st.builds(PlannedPlace, st.integers(1, 17), st.integers(0, 9000), st.booleans()), max_size=4
).map(lambda places: sorted(places, key=lambda place: place.position))
REAL = st.lists(
    st.builds(RealPlace, st.integers(0, 18), st.integers(500, 20_000), st.booleans()), max_size=4
).map(lambda places: sorted(places, key=lambda place: place.position))


def plan(*positions: int, seconds: float = 4.0) -> list[PlannedPlace]:
    return [PlannedPlace(position, round(seconds * 1000)) for position in positions]


def real(*positions: int, seconds: float = 4.0) -> list[RealPlace]:
    return [RealPlace(position, round(seconds * 1000)) for position in positions]


@pytest.mark.parametrize(
    ("planned", "done", "pairs"),
    [
        ([7, 13], [7, 13], [(0, 0), (1, 1)]),
        ([7, 13], [6, 15], [(0, 0), (1, 1)]),
        ([7, 13], [7, 10, 13], [(0, 0), (None, 1), (1, 2)]),
        ([7, 13], [13], [(0, None), (1, 0)]),
        ([7, 13], [], [(0, None), (1, None)]),
        ([], [5], [(None, 0)]),
        ([7, 13], [14], [(0, None), (1, 0)]),
        # an average set is 6 reps: 6 from its place is moved, 8 is another break
        ([7, 13], [1, 13], [(0, 0), (1, 1)]),
        ([9], [18], [(0, 0)]),
        ([3, 16], [9, 16], [(0, 0), (1, 1)]),
        ([9, 10, 11], [1], [(None, 0), (0, None), (1, None), (2, None)]),
    ],
)
def test_worked_examples(planned: list[int], done: list[int], pairs: list[object]) -> None:
    found = match_breaks(plan(*planned), real(*done), 18)
    assert sorted(map(str, found)) == sorted(map(str, pairs))


def test_seconds_decide_between_equals_only() -> None:
    two = [RealPlace(6, 2000), RealPlace(8, 10_000)]
    assert (0, 1) in match_breaks(plan(7, seconds=10), two, 18)
    assert (0, 0) in match_breaks(plan(7, seconds=2), two, 18)
    nearer = [RealPlace(7, 1600), RealPlace(8, 10_000)]
    assert (0, 0) in match_breaks(plan(7, seconds=10), nearer, 18)


def test_a_reset_answers_at_its_place_only() -> None:
    """ "A planned `|` may be met by a reset or a break." """
    reset = RealPlace(7, 700, reset=True)
    assert match_breaks(plan(7, 13), [reset, *real(13)], 18) == [(0, 0), (1, 1)]
    assert (0, 0) not in match_breaks(plan(8), [reset], 18)
    # a break one rep on is the planned one moved, not an unplanned one beside a reset
    assert match_breaks(plan(7), [reset, *real(8)], 18) == [(None, 0), (0, 1)]


def all_matchings(planned: int, done: int) -> list[list[tuple[int | None, int | None]]]:
    """Every way to pair some of the one with some of the other in order."""
    found = []
    for size in range(min(planned, done) + 1):
        for left in itertools.combinations(range(planned), size):
            for right in itertools.combinations(range(done), size):
                pairs: list[tuple[int | None, int | None]] = list(zip(left, right, strict=True))
                pairs += [(i, None) for i in range(planned) if i not in left]
                pairs += [(None, j) for j in range(done) if j not in right]
                found.append(pairs)
    return found


@given(PLANNED, REAL)
def test_the_matching_is_the_cheapest_of_all_in_order(
    planned: list[PlannedPlace], done: list[RealPlace]
) -> None:
    """Outside reference: brute force over all matchings."""
    pairs = match_breaks(planned, done, 18)
    assert sorted(i for i, _ in pairs if i is not None) == list(range(len(planned)))
    assert sorted(j for _, j in pairs if j is not None) == list(range(len(done)))
    both = [pair for pair in pairs if None not in pair]
    assert both == sorted(both)  # type: ignore[type-var]
    prices = [
        matching_price(one, planned, done, 18) for one in all_matchings(len(planned), len(done))
    ]
    assert matching_price(pairs, planned, done, 18) == min(one for one in prices if one is not None)


@given(
    st.lists(st.integers(1, 17), max_size=5).map(sorted),
    st.lists(st.integers(0, 18), max_size=5).map(sorted),
)
def test_crossing_would_gain_nothing(planned: list[int], done: list[int]) -> None:
    """Outside reference: scipy's assignment without regard to order, reps alone priced."""
    n, m = len(planned), len(done)
    sets = n + 1
    ours = matching_price(
        match_breaks(plan(*planned), real(*done), 18), plan(*planned), real(*done), 18
    )
    cost = np.full((n + m, n + m), 1e9)
    for i, j in itertools.product(range(n), range(m)):
        cost[i, j] = 2 * sets * abs(planned[i] - done[j])
    cost[np.arange(n), m + np.arange(n)] = 18
    cost[n + np.arange(m), np.arange(m)] = 18
    cost[n:, m:] = 0
    rows, columns = linear_sum_assignment(cost)
    assert ours is not None
    assert ours[0] == cost[rows, columns].sum()
