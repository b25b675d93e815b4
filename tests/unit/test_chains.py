"""Chains of hidden states against every path there is, and against hmmlearn where it is there."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.reading.chains import most_probable_path, state_probabilities


def model(seed: int, states: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start (s,), matrix (s, s) with some impossible steps, and likelihoods (n, s)."""
    rng = np.random.default_rng(seed)
    matrix = rng.random((states, states)) * (rng.random((states, states)) < 0.7)
    matrix += 0.05 * np.eye(states)
    matrix /= matrix.sum(1, keepdims=True)
    start = rng.dirichlet(np.ones(states))
    return start, matrix, np.exp(3 * rng.normal(size=(count, states)))


def logs(values: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return np.log(values)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), states=st.integers(1, 4), count=st.integers(1, 6))
def test_small_chains_agree_with_every_path_there_is(seed: int, states: int, count: int) -> None:
    start, matrix, likelihood = model(seed, states, count)
    paths = list(itertools.product(range(states), repeat=count))
    weights = []
    for path in paths:
        weight = start[path[0]] * likelihood[0, path[0]]
        for k in range(1, count):
            weight *= matrix[path[k - 1], path[k]] * likelihood[k, path[k]]
        weights.append(weight)
    found = most_probable_path(logs(start), logs(matrix), logs(likelihood))
    assert weights[paths.index(tuple(found))] == pytest.approx(max(weights))
    fractions = np.zeros((count, states))
    for path, weight in zip(paths, weights, strict=True):
        fractions[np.arange(count), path] += weight
    assert state_probabilities(start, matrix, likelihood) == pytest.approx(
        fractions / np.sum(weights), abs=1e-9
    )


def one_by_one(
    start: np.ndarray, matrix: np.ndarray, likelihood: np.ndarray
) -> tuple[float, np.ndarray]:
    """The textbook recursions sample by sample: the best path's log probability, probabilities."""
    score, forward = logs(start) + logs(likelihood[0]), [start * likelihood[0]]
    for seen in likelihood[1:]:
        score = (score[:, None] + logs(matrix)).max(0) + logs(seen)
        step = (forward[-1] @ matrix) * seen
        forward.append(step / step.sum())
    backward = [np.ones(len(start))]
    for seen in likelihood[:0:-1]:
        step = matrix @ (seen * backward[-1])
        backward.append(step / step.sum())
    both = np.array(forward) * np.array(backward[::-1])
    return float(score.max()), both / both.sum(1, keepdims=True)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 9, 10, 99, 100, 101, 1000])
def test_blocks_change_nothing(count: int) -> None:
    start, matrix, likelihood = model(count, 5, count)
    best, fractions = one_by_one(start, matrix, likelihood)
    path = most_probable_path(logs(start), logs(matrix), logs(likelihood))
    reached = logs(start)[path[0]] + logs(likelihood)[np.arange(count), path].sum()
    reached += logs(matrix)[path[:-1], path[1:]].sum()
    assert reached == pytest.approx(best)
    assert state_probabilities(start, matrix, likelihood) == pytest.approx(fractions, abs=1e-9)


def test_a_plain_chain_agrees_with_hmmlearn() -> None:
    # hmmlearn's CategoricalHMM, an independent implementation (an optional test package)
    hmm = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is not installed")
    rng = np.random.default_rng(3)
    start, matrix, _ = model(3, 4, 1)
    emission = rng.dirichlet(np.ones(6), size=4)
    reference = hmm.CategoricalHMM(n_components=4, n_features=6)
    reference.startprob_, reference.transmat_, reference.emissionprob_ = start, matrix, emission
    seen = rng.integers(6, size=500)
    likelihood = emission[:, seen].T
    _, path = reference.decode(seen[:, None], algorithm="viterbi")
    assert (most_probable_path(logs(start), logs(matrix), logs(likelihood)) == path).all()
    assert state_probabilities(start, matrix, likelihood) == pytest.approx(
        reference.predict_proba(seen[:, None]), abs=1e-9
    )
