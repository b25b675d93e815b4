"""Which tracklets are the bar's two ends: one association over a shot.

At each frame the left end is one of the left tracklets that run there, or hidden; the right end
likewise. The best course of both is a path through these joint states (Viterbi's algorithm), and
how likely each choice is follows from the same sums (the forward and backward recursions of a
hidden Markov model; Rabiner 1989). What a state weighs is given as logarithms of likelihood ratios
against "hidden"; what a turn weighs hangs on one side alone, which makes a step cheap.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Spans:
    """The tracklets of one side: tracklet k runs through frames `first[k]` to `last[k]`."""

    first: Array
    last: Array

    def running(self, frames: int) -> list[Array]:
        """The tracklets that run at each of so many frames."""
        here: list[list[int]] = [[] for _ in range(frames)]
        for k, (first, last) in enumerate(zip(self.first, self.last, strict=True)):
            for frame in range(first, last + 1):
                here[frame].append(k)
        return [np.array(one, int) for one in here]


@dataclass(frozen=True)
class Course:
    """`path` (T, 2) the tracklet of each side at each frame, -1 where it is hidden. `running` and
    `chances`: for each frame and side the tracklets (n,) that run there, and the probabilities
    (n + 1,) of each, the last that the end is hidden."""

    path: Array
    running: list[list[Array]]
    chances: list[list[Array]]


def best_course(
    frames: int,
    sides: Sequence[Spans],
    weigh: Callable[[int, Array, Array], Array],
    turn: Callable[[int, int, Array, Array], Array],
) -> Course:
    """The likeliest course of both ends through `frames` frames.

    `weigh(frame, left, right)` gives (len(left) + 1, len(right) + 1) weights of the joint states of
    tracklets `left` (n,) and `right` (m,), the last row and column for a hidden end.
    `turn(side, frame, before, now)` gives (len(before) + 1, len(now) + 1) weights of going from the
    tracklets `before` at frame - 1 to those `now` at `frame`, the last for a hidden end.
    """
    running = [list(here) for here in zip(*(side.running(frames) for side in sides), strict=True)]
    weights = [weigh(frame, *running[frame]) for frame in range(frames)]
    turns = [
        [turn(side, frame, running[frame - 1][side], running[frame][side]) for side in (0, 1)]
        for frame in range(1, frames)
    ]
    states = _best_path(weights, turns)
    marginals = _marginals(weights, turns)
    path = np.full((frames, 2), -1)
    for frame, state in enumerate(states):
        for side in (0, 1):
            here = running[frame][side]
            if state[side] < len(here):
                path[frame, side] = here[state[side]]
    chances = [[table.sum(1), table.sum(0)] for table in marginals]
    return Course(path, running, chances)


def _best_path(weights: Sequence[Array], turns: Sequence[Sequence[Array]]) -> list[tuple[int, int]]:
    score, came = weights[0], []
    for weight, (left, right) in zip(weights[1:], turns, strict=True):
        # a turn of the left end, then one of the right end
        by_left = score[:, None, :] + left[:, :, None]
        from_left = by_left.argmax(0)
        by_right = by_left.max(0)[:, :, None] + right[None]
        from_right = by_right.argmax(1)
        came.append((from_left, from_right))
        score = by_right.max(1) + weight
    i, j = (int(at) for at in np.unravel_index(score.argmax(), score.shape))
    states = [(i, j)]
    for from_left, from_right in reversed(came):
        j = int(from_right[i, j])
        i = int(from_left[i, j])
        states.append((i, j))
    return states[::-1]


def _marginals(weights: Sequence[Array], turns: Sequence[Sequence[Array]]) -> list[Array]:
    """The probability of each joint state at each frame."""
    chances = [np.exp(weight - weight.max()) for weight in weights]
    ways = [(np.exp(left), np.exp(right)) for left, right in turns]
    forward = [chances[0] / chances[0].sum()]
    for chance, (left, right) in zip(chances[1:], ways, strict=True):
        now = (left.T @ forward[-1] @ right) * chance
        forward.append(now / now.sum())
    behind, found = np.ones_like(chances[-1]), [forward[-1]]
    for k in range(len(ways) - 1, -1, -1):
        left, right = ways[k]
        behind = left @ (behind * chances[k + 1]) @ right.T
        behind = behind / behind.max()
        both = forward[k] * behind
        found.append(both / both.sum())
    return found[::-1]
