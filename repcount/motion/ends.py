"""Which of a bar's two tracked ends are the bar's, and the one height that they tell.

An end is followed by its looks, and now and then it is something else that is followed: a plate on
a stand, or another bar. It gets there and back by a jump that no bar makes; between two jumps it
is right or wrong as a whole. So the samples of each end are cut where they jump or were missing for
long, and a hidden Markov chain over these stretches tells for both ends together how probable each
is right: by how nearly the two agree, by the hands, by where a bar can be and by the tracker's own
trust. What is right goes into the height by that probability: no border decides, and the height
makes no step where two ends of a bar that is lifted askew come to differ by a little more.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from repcount.motion.scene import MAX_GAP_S, far_from

# Typical noise of one sample, body heights: bar ends about 1 px.
ENDS_SD_ST = 0.004
# No bar is faster than what has fallen from overhead: 6.4 m/s after 2.1 m, body height 1.6 m.
FASTEST_ST_S = 4.0
# Heights of a bar's ends differ while it is lifted askew, and where perspective brings them to the
# hands' height only nearly: root mean square 0.03 over real clips in which both were right.
ASKEW_ST = 0.03
# A bar is between lying and overhead, half a foot beyond them at most; anything else may be
# anywhere in the frame.
LOWEST_ST, HIGHEST_ST, ANYWHERE_ST = 0.0, 1.4, 2.3
# Hands are hidden or another's in one look out of three, where nothing tells that they are.
HAND_SD_ST, HAND_WRONG = 0.06, 0.33
# By a bar that lies, on the floor or on a stand, they mostly are not (an assumption): so near to
# where the ends are lowest, or still.
LYING_ST, HAND_AWAY = 0.06, 0.9
LOWEST = 0.02  # quantile: a few samples are wrong
# One posture is one witness, however long: of so long each, and no more than so many a stretch.
WITNESS_S, WITNESSES = 0.15, 6.0
# Of right ends the tracker is sure with a density of 3 t², of wrong ones with any.
TRUSTED_POWER = 3
# A sample at which a model is wrong altogether.
OUTLIER = 1e-3
# How precisely an end is seen rises with its trust up to this: of 2,900 sightings of rendered ends
# the errors are 0.008 diameters at 0.98 and more (root mean square), 0.018 at 0.94, 0.028 at 0.91,
# 0.04 at 0.87, 0.05 at 0.82 and 0.07 at 0.72, as `_precision` has it.
MOST_TRUSTED = 0.99
# An end is wrong at first in one case of twenty; after a jump mostly another thing than before
# (0.1 to 0.3 read alike); after a gap mostly the same (assumptions). Rows from right and wrong.
# An end that is right before and after a jump has come no further than the bar can have gone and
# two readings of one bar differ, `ASKEW_ST` each.
WRONG_AT_FIRST = 0.05
LEAPT = np.array([[0.2, 0.8], [0.8, 0.2]])
JUMP_SD_ST = 2**0.5 * ASKEW_ST
MISSED = np.array([[0.95, 0.05], [0.25, 0.75]])
# A tracker that is wrong for a moment is so in a few pictures.
MOMENT_S = 0.2
# How far the bar is askew is remembered half as well after so long without one of its ends.
ASKEW_HALF_S = 2.0
# and it is estimated from the samples of so long.
ASKEW_TOLD_S = 0.5
# Right (0) or wrong (1), left and right end.
STATES = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])


@dataclass(frozen=True)
class _Stretch:
    """Samples [first, last) between two breaks of either end; `jumped` and `missed` (2,) say how it
    begins for each: by how much further than a bar can have gone, NaN for no jump, and whether
    after a gap. `cut` is whether the film was cut there."""

    first: int
    last: int
    jumped: tuple[float, float]
    missed: tuple[bool, bool]
    cut: bool


def right_ends(
    times: np.ndarray,
    levels: np.ndarray,
    trust: np.ndarray,
    hand: np.ndarray,
    at_first: tuple[float, float] = (1 - WRONG_AT_FIRST, 1 - WRONG_AT_FIRST),
    *,
    sideways: np.ndarray | None = None,
    cuts: Sequence[int] = (),
) -> np.ndarray:
    """How probable each end (2, n) is right.

    `levels` (2, n) are their heights and `hand` (n,) that of the hands, in body heights, NaN where
    unknown; `trust` (2, n) the tracker's, `at_first` how probable each is right before anything was
    seen. The heights need not begin at the floor. `sideways` (2, n) is where the ends are from left
    to right in the frame, in body heights; None says nothing of that. `cuts` are the samples with
    which the film goes on after a cut.
    """
    if not len(times):
        return np.zeros(levels.shape)
    places = np.stack([levels, np.zeros(levels.shape) if sideways is None else sideways], -1)
    stretches = _stretches(times, places, cuts)
    known = levels[np.isfinite(levels)]
    base, low = (float(known.min()), float(np.quantile(known, LOWEST))) if len(known) else (0, 0)
    lies = (levels < low + LYING_ST) | [lies_still(times, level) for level in levels]
    away = np.where(lies, HAND_AWAY, HAND_WRONG)
    emit = _evidence(times, levels, trust, hand, away, stretches, min(base, LOWEST_ST))
    start = np.array(
        [np.prod([one if s == 0 else 1 - one for one, s in zip(at_first, both, strict=True)])
         for both in STATES]
    )  # fmt: skip
    again = np.tile(start, (len(STATES), 1))
    steps = [
        again if one.cut else np.kron(*(_step(one.jumped[k], one.missed[k]) for k in (0, 1)))
        for one in stretches[1:]
    ]
    probabilities = _probabilities(start, steps, np.exp(emit - emit.max(1, keepdims=True)))
    right = np.zeros(levels.shape)
    for one, share in zip(stretches, probabilities, strict=True):
        for k in (0, 1):
            right[k, one.first : one.last] = share[STATES[:, k] == 0].sum()
    return right


def _step(jumped: float, missed: bool) -> np.ndarray:
    if not np.isnan(jumped):
        stays = LEAPT[0, 0] * np.exp(-0.5 * (jumped / JUMP_SD_ST) ** 2) + OUTLIER
        return np.array([[stays, 1 - stays], LEAPT[1]])
    return MISSED if missed else np.eye(2)


def _stretches(times: np.ndarray, places: np.ndarray, cuts: Sequence[int]) -> list[_Stretch]:
    """The stretches of samples between the breaks of either end at `places` (2, n, 2), in order."""
    count = places.shape[1]
    jumped, missed = np.full((2, count + 1), np.nan), np.zeros((2, count + 1), bool)
    for k in (0, 1):
        known = np.flatnonzero(np.isfinite(places[k]).all(1))
        if not len(known):
            continue
        lasts = np.diff(times[known])
        gap = lasts > MAX_GAP_S
        # what is off sideways for a moment and comes back was the same all along
        aside = median_filter(places[k, known, 1], min(_samples(times, MOMENT_S), len(known)))
        way = np.hypot(np.diff(places[k, known, 0]), np.diff(aside))
        beyond = way - FASTEST_ST_S * lasts
        jump = ~gap & (beyond > 5 * ENDS_SD_ST)
        jumped[k, known[1:][jump]] = beyond[jump]
        missed[k, known[1:][gap]] = True
    breaks = np.isfinite(jumped).any(0) | missed.any(0)
    breaks[list(cuts)] = True
    begins = np.flatnonzero(breaks[1:count]) + 1
    return [
        _Stretch(a, b, (jumped[0, a], jumped[1, a]), (missed[0, a], missed[1, a]), a in cuts)
        for a, b in itertools.pairwise([0, *begins.tolist(), count])
    ]


def _samples(times: np.ndarray, seconds: float) -> int:
    """An odd number of samples that last so long."""
    return round(seconds / max(float(np.median(np.diff(times))), 1e-3)) | 1


def _evidence(
    times: np.ndarray,
    levels: np.ndarray,
    trust: np.ndarray,
    hand: np.ndarray,
    away: np.ndarray,
    stretches: list[_Stretch],
    lowest: float,
) -> np.ndarray:
    """Log likelihood (k, 4) of what is seen in each of k stretches in each of `STATES`, up to a
    term that all share. `away` (2, n) is how often hands are not at an end that is right."""
    firsts = np.array([one.first for one in stretches])
    known = np.isfinite(levels)
    can = (levels >= lowest) & (levels <= HIGHEST_ST)
    place = np.log(can * ANYWHERE_ST / (HIGHEST_ST - LOWEST_ST) + OUTLIER)
    sure = np.log(TRUSTED_POWER * np.clip(trust, OUTLIER, 1.0) ** (TRUSTED_POWER - 1))
    off = levels - hand
    near = np.log(HIGHEST_ST * (1 - away) * _bell(off, HAND_SD_ST) + away)
    right = [
        _means(firsts, place[k] + sure[k], known[k])
        + _tempered(firsts, times, near[k], np.isfinite(off[k]))
        for k in (0, 1)
    ]
    agree = np.log(_bell(levels[0] - levels[1], ASKEW_ST) + OUTLIER)
    agree += np.log(HIGHEST_ST - LOWEST_ST)
    together = _tempered(firsts, times, agree, known.all(0))
    nothing = np.zeros(len(firsts))
    return np.stack([right[0] + right[1] + together, right[0], right[1], nothing], 1)


def _means(firsts: np.ndarray, logs: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Mean (k,) of the `logs` (n,) that are `known` (n,) in each stretch from one of `firsts` (k,)
    to the next, 0 where none is."""
    count = np.add.reduceat(known.astype(float), firsts)
    return np.add.reduceat(np.where(known, logs, 0.0), firsts) / np.maximum(count, 1.0)


def _tempered(
    firsts: np.ndarray, times: np.ndarray, logs: np.ndarray, known: np.ndarray
) -> np.ndarray:
    """What samples that are `known` (n,) say together in each stretch (k,), as few independent
    witnesses."""
    begins = np.minimum.reduceat(np.where(known, times, np.inf), firsts)
    ends = np.maximum.reduceat(np.where(known, times, -np.inf), firsts)
    witnesses = np.minimum(1 + np.maximum(ends - begins, 0.0) / WITNESS_S, WITNESSES)
    return _means(firsts, logs, known) * witnesses


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


def middles(
    times: np.ndarray, levels: np.ndarray, trust: np.ndarray, right: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Height (2, n) of the bar's middle as each end tells it, NaN where it does not, and how much
    that weighs (2, n).

    An end stands for the middle of a bar that is askew as it was when both were last or next seen.
    """
    known = np.isfinite(levels)
    weight = np.where(known, trust * right, 0.0)
    sharp = weight * _precision(trust)
    total = np.maximum(sharp.sum(0), np.finfo(float).tiny)
    weight = sharp / total * weight.sum(0)
    both = np.flatnonzero(known.all(0))
    lean = np.zeros(len(times))
    if len(both):
        # of the samples about, the middle one: a single one may be wrong
        width = min(_samples(times, ASKEW_TOLD_S), len(both))
        apart = median_filter(levels[0, both] - levels[1, both], width)
        after = np.clip(np.searchsorted(both, np.arange(len(times))), 0, len(both) - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.abs(times[both[after]] - times) < np.abs(times[both[before]] - times)
        near = np.where(nearer, after, before)
        sure = right[0, both[near]] * right[1, both[near]]
        lean = apart[near] * sure * np.exp2(-np.abs(times[both[near]] - times) / ASKEW_HALF_S)
    # the middle by the left end alone is half the lean below it, by the right one above
    return levels + np.array([[-0.5], [0.5]]) * lean, weight


def _precision(trust: np.ndarray) -> np.ndarray:
    """How precisely a look is placed that correlates so well: the inverse of its variance, up to a
    factor. A shift under white noise cannot be told better than with the variance of the noise over
    the signal's (Cramér and Rao), which is (1 - c²) / c² for a correlation c."""
    c = np.clip(trust, 0.0, MOST_TRUSTED)
    return c**2 / (1 - c**2)


def joined(told: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """One height (n,) of what each end has `told` (2, n), by `weight` (2, n), and its trust (n,);
    NaN where neither is right."""
    mass = weight.sum(0)
    height = (weight * np.nan_to_num(told)).sum(0) / np.where(mass > 0, mass, 1.0)
    return np.where(mass > MASS, height, np.nan), mass


# Less trust than this in both ends together tells no height.
MASS = 0.25


# An end moves if it has another height so long before and after: five times its noise.
MOVING_S, MOVING_ST = 0.15, 0.02
# Set down and taken up again, a bar is still for longer than this.
STILL_S = 1.0


def lies_still(times: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Where (n,) a bar that is seen at `height` (n,) has not moved for `STILL_S` and will not:
    whoever stands there then may stand anywhere."""
    known = np.flatnonzero(np.isfinite(height))
    if len(known) < 2:
        return np.zeros(len(times), bool)
    at, seen = times[known], height[known]
    rise = np.interp(at + MOVING_S, at, seen) - np.interp(at - MOVING_S, at, seen)
    moves = at[np.abs(rise) > MOVING_ST]
    return far_from(times, moves, STILL_S) & ~far_from(times, at, STILL_S)
