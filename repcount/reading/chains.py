"""Hidden Markov chains: the most probable path, and the probability of every state.

Both are the textbook recursions (Viterbi 1967; forward-backward, Rabiner 1989, eqs. 19 to 27), cut
into blocks that advance side by side: what a block does to any state it may begin in is worked out
for all blocks at once, then the blocks are strung together. Same result, a tenth of the steps.
"""

from __future__ import annotations

import numpy as np


def most_probable_path(
    log_start: np.ndarray, log_matrix: np.ndarray, emit: np.ndarray
) -> np.ndarray:
    """States (n,) of the most probable path, by Viterbi's recursion.

    `log_start` (s,) and `log_matrix` (s, s), rows from, columns to, are log probabilities; `emit`
    (n, s) is the log likelihood of each sample in each state. n is at least 1.
    """
    count, size = emit.shape
    into = np.ascontiguousarray(log_matrix.T)
    head, blocks, length = _cut(count)
    back = np.zeros((count, size), np.int16)

    def step(score: np.ndarray, k: int | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scores (..., s) after sample k, and where they came from."""
        options = score[..., None, :] + into
        choice = options.argmax(-1)
        best = np.take_along_axis(options, choice[..., None], -1)[..., 0]
        return best + emit[k], choice

    score = log_start + emit[0]
    for k in range(1, head):
        score, back[k] = step(score, k)
    if blocks:
        at = head + length * np.arange(blocks)
        # the best score from each state before a block to each state at its end, (s, s, blocks)
        through = np.where(np.eye(size, dtype=bool), 0.0, -np.inf)[..., None].repeat(blocks, -1)
        sources = [np.flatnonzero(row > -np.inf).tolist() for row in into]
        for k in range(length):
            later = np.full_like(through, -np.inf)
            for state, known in enumerate(sources):
                for source in known:
                    way = through[:, source] + into[state, source]
                    np.maximum(later[:, state], way, out=later[:, state])
            through = later + emit[at + k].T
        enter = np.empty((blocks, size))
        for b in range(blocks):
            enter[b] = score
            score = (score[:, None] + through[..., b]).max(0)
        for k in range(length):
            enter, back[at + k] = step(enter, at + k)
    path = np.empty(count, int)
    path[-1] = int(score.argmax())
    steps = back.tolist()
    state = int(path[-1])
    for k in range(count - 1, 0, -1):
        state = steps[k][state]
        path[k - 1] = state
    return path


def state_probabilities(
    start: np.ndarray, matrix: np.ndarray, likelihood: np.ndarray
) -> np.ndarray:
    """Probability (n, s) of each state at each sample, given all samples (forward-backward).

    `start` (s,) and `matrix` (s, s) are probabilities, rows from, columns to; `likelihood` (n, s)
    that of each sample in each state, up to a factor a sample. n is at least 1.
    """
    count, size = likelihood.shape
    head, blocks, length = _cut(count)
    forward, backward = np.empty((count, size)), np.empty((count, size))
    at = head + length * np.arange(blocks)
    # through[b, i, j]: from state i before the block to j at its end, each row up to exp(scale)
    through = np.eye(size)[None].repeat(blocks, 0)
    scale = np.zeros((blocks, size))
    for k in range(length if blocks else 0):
        through = (through @ matrix) * likelihood[at + k][:, None, :]
        total = through.sum(-1, keepdims=True)
        through /= total
        scale += np.log(total[..., 0])
    scale = np.exp(scale - scale.max(1, keepdims=True)) if blocks else scale

    now = _shares(start * likelihood[0])
    forward[0] = now
    for k in range(1, head):
        now = _shares((now @ matrix) * likelihood[k])
        forward[k] = now
    enter = np.empty((blocks, size))
    for b in range(blocks):
        enter[b] = now
        now = _shares((now * scale[b]) @ through[b])
    for k in range(length if blocks else 0):
        enter = _shares((enter @ matrix) * likelihood[at + k])
        forward[at + k] = enter

    later = np.ones(size)
    leave = np.empty((blocks, size))
    for b in range(blocks - 1, -1, -1):
        leave[b] = later
        later = _shares(scale[b] * (through[b] @ later))
    for k in range((length if blocks else 0) - 1, -1, -1):
        backward[at + k] = leave
        leave = _shares((likelihood[at + k] * leave) @ matrix.T)
    for k in range(head - 1, -1, -1):
        backward[k] = later
        later = _shares(matrix @ (likelihood[k] * later))
    return _shares(forward * backward)


def forward_evidence(
    start: np.ndarray, matrix: np.ndarray, emit: np.ndarray, zone_of: np.ndarray
) -> np.ndarray:
    """Log likelihood (h,) of all samples under each of h hypotheses, by the forward recursion.

    `start` (s,) and `matrix` (s, s) as above; `emit` (h, n, z) the log likelihood of each sample in
    each zone, `zone_of` (s,) the zone of each state.
    """
    highest = emit.max(-1, keepdims=True)
    likelihood = np.exp(emit - highest)
    total = highest[..., 0].sum(1)
    now = start * likelihood[:, 0][:, zone_of]
    for k in range(emit.shape[1]):
        if k:
            now = (now @ matrix) * likelihood[:, k][:, zone_of]
        mass = now.sum(1, keepdims=True)
        total += np.log(mass[:, 0])
        now /= mass
    return np.asarray(total)


def _shares(values: np.ndarray) -> np.ndarray:
    """Along the last axis, as shares of their sum."""
    return np.asarray(values / values.sum(-1, keepdims=True))


def _cut(count: int) -> tuple[int, int, int]:
    """Samples done one by one at the beginning, then how many blocks of what length."""
    length = max(int(count**0.5), 1)
    blocks = (count - 1) // length
    if blocks < 2:
        return count, 0, 0
    return count - blocks * length, blocks, length
