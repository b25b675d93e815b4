"""Which of a bar's two tracked ends are the bar's, and the one height that they tell.

An end is followed by its looks, and now and then it is something else that is followed: a plate on
a stand, or another bar. It gets there and back by a leap that no bar makes; between two leaps it
is right or wrong as a whole. So the samples of each end are cut where they leap or were missing for
long, and a hidden Markov chain over these stretches tells for both ends together how probable each
is right: by how nearly the two agree, by the hands, by where a bar can be and by the tracker's own
trust. What is right goes into the height by that probability: no border decides, and the height
makes no step where two ends of a bar that is lifted askew come to differ by a little more.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from repcount.motion.scene import MAX_GAP_S

# Typical noise of one sample, statures: bar ends about 1 px.
ENDS_SD_ST = 0.004
# Hands about 5 % of the torso.
HANDS_SD_ST = 0.014
# No bar is faster than what has fallen from overhead: 6.4 m/s after 2.1 m, for a stature of 1.6 m.
FASTEST_ST_S = 4.0
# Heights of a bar's ends differ while it is lifted askew, and where perspective brings them to the
# hands' height only nearly: root mean square 0.03 over real clips in which both were right.
ASKEW_ST = 0.03
# A bar is between lying and overhead, half a foot beyond them at most; anything else may be
# anywhere in the picture.
LOWEST_ST, HIGHEST_ST, ANYWHERE_ST = 0.0, 1.4, 2.3
# Hands are hidden or another's in one look out of three, where nothing tells that they are.
HAND_SD_ST, HAND_WRONG = 0.06, 0.33
# By a bar that lies they mostly are not (an assumption): so near to where the ends are lowest.
LYING_ST, HAND_AWAY = 0.06, 0.9
LOWEST = 0.02  # quantile: a few samples are wrong
# One posture is one witness, however long: of so long each, and no more than so many a stretch.
WITNESS_S, WITNESSES = 0.15, 6.0
# Of right ends the tracker is sure with a density of 3 t², of wrong ones with any.
TRUSTED_POWER = 3
# A sample at which a model is wrong altogether.
OUTLIER = 1e-3
# An end is wrong at first in one case of twenty; after a leap mostly another thing than before
# (0.1 to 0.3 read alike); after a gap mostly the same (assumptions). Rows from right and wrong.
WRONG_AT_FIRST = 0.05
LEAPT = np.array([[0.2, 0.8], [0.8, 0.2]])
MISSED = np.array([[0.95, 0.05], [0.25, 0.75]])
# How far the bar is askew is remembered half as well after so long without one of its ends.
ASKEW_HALF_S = 2.0
# and it is estimated from the samples of so long.
ASKEW_TOLD_S = 0.5
# Right (0) or wrong (1), left and right end.
STATES = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])


@dataclass(frozen=True)
class _Stretch:
    """Samples [first, last) between two breaks of either end; `leapt` and `missed` (2,) say how it
    begins for each."""

    first: int
    last: int
    leapt: tuple[bool, bool]
    missed: tuple[bool, bool]


def right_ends(
    times: np.ndarray,
    levels: np.ndarray,
    trust: np.ndarray,
    hand: np.ndarray,
    at_first: tuple[float, float] = (1 - WRONG_AT_FIRST, 1 - WRONG_AT_FIRST),
) -> np.ndarray:
    """How probable each end (2, n) is right.

    `levels` (2, n) are their heights and `hand` (n,) that of the hands, in statures, NaN where
    unknown; `trust` (2, n) the tracker's, `at_first` how probable each is right before anything was
    seen. The heights need not begin at the floor.
    """
    stretches = _stretches(times, levels)
    known = levels[np.isfinite(levels)]
    base, low = (float(known.min()), float(np.quantile(known, LOWEST))) if len(known) else (0, 0)
    away = np.where(levels < low + LYING_ST, HAND_AWAY, HAND_WRONG)
    emit = np.array(
        [
            _evidence(times, levels, trust, hand, away, one, min(base, LOWEST_ST))
            for one in stretches
        ]
    )
    start = np.array(
        [np.prod([one if s == 0 else 1 - one for one, s in zip(at_first, both, strict=True)])
         for both in STATES]
    )  # fmt: skip
    steps = [
        np.kron(*(_step(one.leapt[k], one.missed[k]) for k in (0, 1))) for one in stretches[1:]
    ]
    probabilities = _probabilities(start, steps, np.exp(emit - emit.max(1, keepdims=True)))
    right = np.zeros(levels.shape)
    for one, share in zip(stretches, probabilities, strict=True):
        for k in (0, 1):
            right[k, one.first : one.last] = share[STATES[:, k] == 0].sum()
    return right


def _step(leapt: bool, missed: bool) -> np.ndarray:
    if leapt:
        return LEAPT
    return MISSED if missed else np.eye(2)


def _stretches(times: np.ndarray, levels: np.ndarray) -> list[_Stretch]:
    """The stretches of samples between the breaks of either end, in order."""
    count = levels.shape[1]
    leapt, missed = np.zeros((2, count + 1), bool), np.zeros((2, count + 1), bool)
    for k in (0, 1):
        known = np.flatnonzero(np.isfinite(levels[k]))
        if not len(known):
            continue
        lasts = np.diff(times[known])
        gap = lasts > MAX_GAP_S
        leap = np.abs(np.diff(levels[k, known])) > FASTEST_ST_S * lasts + 5 * ENDS_SD_ST
        leapt[k, known[1:][leap & ~gap]] = True
        missed[k, known[1:][gap]] = True
    breaks = np.flatnonzero((leapt | missed)[:, 1:count].any(0)) + 1
    return [
        _Stretch(a, b, (leapt[0, a], leapt[1, a]), (missed[0, a], missed[1, a]))
        for a, b in itertools.pairwise([0, *breaks.tolist(), count])
    ]


def _evidence(
    times: np.ndarray,
    levels: np.ndarray,
    trust: np.ndarray,
    hand: np.ndarray,
    away: np.ndarray,
    one: _Stretch,
    lowest: float,
) -> np.ndarray:
    """Log likelihood (4,) of what is seen in a stretch in each of `STATES`, up to a term that all
    share. `away` (2, n) is how often hands are not at an end that is right."""
    inside = slice(one.first, one.last)
    y, hands = levels[:, inside], hand[inside]
    right = np.zeros(2)
    for k in (0, 1):
        known = np.isfinite(y[k])
        if not known.any():
            continue
        can = (y[k, known] >= lowest) & (y[k, known] <= HIGHEST_ST)
        place = np.log(can * ANYWHERE_ST / (HIGHEST_ST - LOWEST_ST) + OUTLIER).mean()
        sure = np.log(
            TRUSTED_POWER * np.clip(trust[k, inside][known], OUTLIER, 1.0) ** (TRUSTED_POWER - 1)
        ).mean()
        off = y[k] - hands
        near = HIGHEST_ST * (1 - away[k, inside]) * _bell(off, HAND_SD_ST) + away[k, inside]
        right[k] = place + sure + _tempered(times[inside], np.log(near), known & np.isfinite(off))
    seen = np.isfinite(y).all(0)
    agree = np.log(_bell(y[0] - y[1], ASKEW_ST) + OUTLIER) + np.log(HIGHEST_ST - LOWEST_ST)
    together = _tempered(times[inside], agree, seen)
    return np.array(
        [right[both == 0].sum() + (together if not both.any() else 0.0) for both in STATES]
    )


def _tempered(times: np.ndarray, logs: np.ndarray, known: np.ndarray) -> float:
    """What samples that are `known` (n,) say together, as few independent witnesses."""
    if not known.any():
        return 0.0
    lasts = float(times[known][-1] - times[known][0])
    return float(logs[known].mean()) * min(1 + lasts / WITNESS_S, WITNESSES)


def _bell(values: np.ndarray, sd: float) -> np.ndarray:
    return np.exp(-0.5 * (values / sd) ** 2) / (sd * np.sqrt(2 * np.pi))


def _probabilities(
    start: np.ndarray, steps: list[np.ndarray], likelihood: np.ndarray
) -> np.ndarray:
    """Probability (n, s) of each state in each stretch, forward-backward with `steps` (n - 1)."""
    forward = np.empty(likelihood.shape)
    now = start
    for k, one in enumerate(likelihood):
        now = (now @ steps[k - 1] if k else now) * one
        now = now / now.sum()
        forward[k] = now
    later = np.ones(len(start))
    probabilities = forward.copy()
    for k in range(len(likelihood) - 2, -1, -1):
        later = steps[k] @ (later * likelihood[k + 1])
        later = later / later.sum()
        probabilities[k] = forward[k] * later
    return probabilities / probabilities.sum(1, keepdims=True)


def joined(
    times: np.ndarray, levels: np.ndarray, trust: np.ndarray, right: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """One height (n,) and its trust (n,) from both ends (2, n), NaN where neither is right.

    Where one end is missing, the other stands for the middle of a bar that is askew as it was when
    both were last or next seen.
    """
    weight = np.where(np.isfinite(levels), trust * right, 0.0)
    mass = weight.sum(0)
    middle = np.nan_to_num(levels)
    share = weight / np.where(mass > 0, mass, 1.0)
    both = np.flatnonzero(np.isfinite(levels).all(0))
    lean = np.zeros(len(times))
    if len(both):
        # of the samples about, the middle one: a single one may be wrong
        width = round(ASKEW_TOLD_S / max(float(np.median(np.diff(times))), 1e-3)) | 1
        apart = median_filter(levels[0, both] - levels[1, both], min(width, len(both)))
        after = np.clip(np.searchsorted(both, np.arange(len(times))), 0, len(both) - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.abs(times[both[after]] - times) < np.abs(times[both[before]] - times)
        near = np.where(nearer, after, before)
        known = right[0, both[near]] * right[1, both[near]]
        lean = apart[near] * known * np.exp2(-np.abs(times[both[near]] - times) / ASKEW_HALF_S)
    # the middle by the left end alone is half the lean below it, by the right one above
    height = (share * (middle + np.array([[-0.5], [0.5]]) * lean)).sum(0)
    return np.where(mass > MASS, height, np.nan), mass


# Less trust than this in both ends together tells less of the height than the hands do, whose noise
# is so much larger.
MASS = (ENDS_SD_ST / HANDS_SD_ST) ** 2
