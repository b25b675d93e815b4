"""The alignment's dynamic programming against every alignment there is, and an edit distance."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.reading.align import cheapest, pair_probabilities, skips

Leaps = list[tuple[int, int, float]]
Prices = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, Leaps]


def prices(seed: int, strokes: int, items: int) -> Prices:
    rng = np.random.default_rng(seed)
    edge = int(rng.integers(1, items + 1))
    leaps = [(0, edge, float(3 * rng.random()))]
    if edge < items:
        leaps.append((edge, items, float(3 * rng.random())))
    return (
        4 * rng.random((strokes, items)),
        3 * rng.random((2, strokes, items + 1)),
        3 * rng.random(items),
        2 * rng.random(items + 1),
        2 * rng.random(items + 1),
        leaps,
    )


def gaps(at: int, to: int, skip: np.ndarray, leaps: Leaps) -> Iterator[float]:
    """The price of every way of leaving out the items from `at` up to `to`."""
    if at == to:
        yield 0.0
        return
    steps = [(at + 1, skip[at]), *[(b, price) for a, b, price in leaps if a == at and b <= to]]
    for after, price in steps:
        for rest in gaps(after, to, skip, leaps):
            yield price + rest


def alignments(count: int, size: int) -> Iterator[tuple[list[int | None], list[int], int]]:
    """Every alignment: each stroke's item or None, items done before each stroke, items done."""

    def go(i: int, j: int, so_far: list[int | None], done: list[int]) -> Iterator:
        if i == count:
            for end in range(j, size + 1) if count else [j]:
                yield so_far, done, end
            return
        # items may be left out before every stroke but the first, which the lead prices
        for k in range(j, size + 1) if i else [j]:
            yield from go(i + 1, k, [*so_far, None], [*done, k])
            if k < size:
                yield from go(i + 1, k + 1, [*so_far, k], [*done, k])

    for first in range(size + 1):
        for chosen, done, end in go(0, first, [], []):
            yield chosen, [first, *done], end


Gap = Callable[[int, int], float]


def price_of(found: tuple[list[int | None], list[int], int], given: Prices, gap: Gap) -> float:
    match, add, _, tail, lead, _ = given
    chosen, (first, *before), end = found
    price, at = lead[first], first
    for i, item in enumerate(chosen):
        price += gap(at, before[i])
        at = before[i]
        if item is None:
            row = i > 0 and chosen[i - 1] is None
            price += add[int(row), i, at]
        else:
            price += match[i, item]
            at = item + 1
    return float(price + gap(at, end) + tail[end])


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), strokes=st.integers(0, 4), items=st.integers(1, 4))
def test_the_cheapest_of_all_alignments_is_found(seed: int, strokes: int, items: int) -> None:
    match, add, skip, tail, lead, leaps = given_prices = prices(seed, strokes, items)

    def gap(at: int, to: int) -> float:
        return min(gaps(at, to, skip, leaps))

    everything = [price_of(one, given_prices, gap) for one in alignments(strokes, items)]
    chosen, done, price = cheapest(match, add, skips(skip, leaps), tail, lead)
    assert price == pytest.approx(min(everything))
    paired = [item for item in chosen if item is not None]
    assert paired == sorted(set(paired))
    assert all(item < done for item in paired)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), strokes=st.integers(1, 3), items=st.integers(1, 3))
def test_pair_probabilities_are_fractions_of_all_alignments(
    seed: int, strokes: int, items: int
) -> None:
    match, add, _, tail, lead, _ = prices(seed, strokes, items)
    ways = np.triu(np.random.default_rng(seed).random((items + 1, items + 1)))
    ways[np.tril_indices(items + 1, -1)] = -np.inf

    def weights(i: int, at: int, so_far: dict[int, int]) -> Iterator[tuple[float, dict[int, int]]]:
        """The log weight of every way on from `at` items done before stroke i, and its pairs."""
        if i == strokes:
            yield from ((ways[at, end] - tail[end], so_far) for end in range(at, items + 1))
            return
        for weight, pairs in weights(i + 1, at, so_far):
            row = i > 0 and i - 1 not in so_far
            yield weight - add[int(row), i, at], pairs
        for item in range(at, items):
            for weight, pairs in weights(i + 1, item + 1, {**so_far, i: item}):
                yield ways[at, item] - match[i, item] + weight, pairs

    fractions, total = np.zeros((strokes, items)), 0.0
    for first in range(items + 1):
        for weight, pairs in weights(0, first, {}):
            share = math.exp(weight - lead[first])
            total += share
            for i, item in pairs.items():
                fractions[i, item] += share
    found = pair_probabilities(match, add, ways, tail, lead)
    assert found == pytest.approx(fractions / total, abs=1e-9)


def edit_distance(one: str, other: str) -> int:
    """Insertions and deletions that turn one word into the other, by the definition."""

    @cache
    def go(i: int, j: int) -> int:
        if i == len(one) or j == len(other):
            return len(one) - i + len(other) - j
        ways = [1 + go(i + 1, j), 1 + go(i, j + 1)]
        return min([*ways, go(i + 1, j + 1)] if one[i] == other[j] else ways)

    return go(0, 0)


def by_alignment(one: str, other: str) -> float:
    match = np.array([[0.0 if a == b else 9.0 for b in other] for a in one])
    match = match.reshape(len(one), len(other))
    rest = np.arange(len(other), -1, -1.0)
    add = np.ones((2, len(one), len(other) + 1))
    return cheapest(match, add, skips(np.ones(len(other))), rest, rest[::-1].copy())[2]


def test_an_edit_distance_worked_by_hand() -> None:
    # kitten to sitting shares i, t, t, n in order: 2 letters go and 3 come (from memory)
    assert edit_distance("kitten", "sitting") == 5
    assert by_alignment("kitten", "sitting") == 5


@given(one=st.text("dcp", max_size=8), other=st.text("dcp", max_size=8))
def test_with_unit_prices_it_is_the_edit_distance(one: str, other: str) -> None:
    assert by_alignment(one, other) == edit_distance(one, other)
