"""The association of tracklets to the bar's two ends, against every course there is and against
SciPy's assignment."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.special import logsumexp

from repcount.tracking.course import Spans, best_course
from repcount.tracking.end_evidence import WITNESS_S, tempered, without_steps

FRAMES = 4


def spans(rng: np.random.Generator, count: int) -> Spans:
    first = rng.integers(0, FRAMES, count)
    return Spans(first, np.minimum(FRAMES - 1, first + rng.integers(0, FRAMES, count)))


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10_000))
def test_the_course_is_the_best_of_all_and_its_probabilities_are_sums_over_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sides = [spans(rng, int(rng.integers(0, 4))) for _ in (0, 1)]
    # one row and column more than there are tracklets: the hidden end's
    counts = [len(side.first) + 1 for side in sides]
    weights = rng.normal(size=(FRAMES, *counts), scale=2)
    turns = [rng.normal(size=(FRAMES, count, count), scale=2) for count in counts]

    def weigh(frame: int, left: np.ndarray, right: np.ndarray) -> np.ndarray:
        return weights[frame][np.ix_([*left, -1], [*right, -1])]

    def turn(side: int, frame: int, before: np.ndarray, now: np.ndarray) -> np.ndarray:
        return turns[side][frame][np.ix_([*before, -1], [*now, -1])]

    found = best_course(FRAMES, sides, weigh, turn)

    def choices(frame: int) -> list[tuple[int, int]]:
        here = [(side.first <= frame) & (frame <= side.last) for side in sides]
        return list(product(*([*np.flatnonzero(one), -1] for one in here)))

    courses = list(product(*(choices(frame) for frame in range(FRAMES))))
    scores = np.array(
        [
            sum(weights[frame][state] for frame, state in enumerate(course))
            + sum(
                turns[side][frame][course[frame - 1][side], course[frame][side]]
                for frame in range(1, FRAMES)
                for side in (0, 1)
            )
            for course in courses
        ]
    )
    assert [tuple(row) for row in found.path] == list(courses[int(scores.argmax())])
    chances = np.exp(scores - logsumexp(scores))
    for frame, side in product(range(FRAMES), (0, 1)):
        here = [*found.running[frame][side], -1]
        sums = [
            sum(chances[at] for at, course in enumerate(courses) if course[frame][side] == k)
            for k in here
        ]
        assert found.chances[frame][side] == pytest.approx(sums, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 5))
def test_at_one_frame_it_is_the_assignment_of_sides_to_plates(seed: int, count: int) -> None:
    """No plate is both ends, and either end may be hidden."""
    rng = np.random.default_rng(seed)
    gains = rng.normal(size=(2, count), scale=3)
    side = Spans(np.zeros(count, int), np.zeros(count, int))

    def weigh(frame: int, left: np.ndarray, right: np.ndarray) -> np.ndarray:
        one, other = np.append(gains[0], 0.0), np.append(gains[1], 0.0)
        table = one[:, None] + other[None, :]
        table[np.arange(count), np.arange(count)] = -np.inf
        return table

    def turn(side: int, frame: int, before: np.ndarray, now: np.ndarray) -> np.ndarray:
        raise AssertionError("there is no other frame")

    found = best_course(1, [side, side], weigh, turn).path[0]
    table = np.concatenate([gains, np.zeros((2, 2))], axis=1)
    _, columns = linear_sum_assignment(table, maximize=True)
    assert list(found) == [int(k) if k < count else -1 for k in columns]


def test_without_a_tracklet_both_ends_are_hidden() -> None:
    none = Spans(np.zeros(0, int), np.zeros(0, int))
    found = best_course(3, [none, none], lambda *_: np.zeros((1, 1)), lambda *_: np.zeros((1, 1)))
    assert (found.path == -1).all()
    assert all(chance == pytest.approx([1.0]) for frame in found.chances for chance in frame)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 6))
def test_pieces_of_a_track_are_joined_by_least_squares(seed: int, count: int) -> None:
    """Against NumPy's solver, one row for each mean of sightings and one for each step."""
    rng = np.random.default_rng(seed)
    step = rng.normal(size=(count, 2))
    step[0] = np.nan
    step[rng.random(count) < 0.3] = np.nan
    looks = rng.integers(1, 9, count).astype(float)
    rows, right = [], []
    for k in range(count):
        rows.append(np.sqrt(looks[k]) / 3.0 * np.eye(count)[k])
        right.append(np.zeros(2))
        if np.isfinite(step[k]).all():
            rows.append((np.eye(count)[k] - np.eye(count)[k - 1]) / 0.5)
            right.append(-step[k] / 0.5)
    moved = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    assert without_steps(step, looks, 3.0, 0.5) == pytest.approx(moved, abs=1e-9)


def test_what_speaks_against_an_end_for_long_says_as_much_as_the_logarithm_of_the_time() -> None:
    times = np.arange(0.0, 20.0, 0.001)
    step_s = np.full(len(times), 0.001)
    against = tempered(np.full(len(times), -1.0), times, step_s)
    assert against.sum() == pytest.approx(-np.log1p(20.0 / WITNESS_S), rel=0.01)
    speaks = tempered(np.ones(len(times)), times, step_s)
    assert speaks.sum() == pytest.approx(20.0 / WITNESS_S)
