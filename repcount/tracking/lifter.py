"""Who lifts: one decision over the whole clip, after the pass.

At each look of the pose model somebody is the athlete or nobody who is seen. The best course of
that over the clip is a path through the tracklets (Viterbi's algorithm), weighed by likelihoods:
who moves as the bar does and is where it is, who looks like the athlete before, who is large where
nothing else decides. How likely each choice is follows from the same sums (the
forward and backward recursions of a hidden Markov model; Rabiner 1989).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from repcount.tracking.bar import BarTrack
from repcount.tracking.hands import FALLING, IN_HANDS, ON_BACK, gauss, held
from repcount.tracking.people import LAG_S, Tracklet, like_colours, like_size, near, usual
from repcount.tracking.pose import KNUCKLES, SHOULDERS, Person

Array = np.ndarray

# Within the lag a bar is moved if it goes this many body lengths up or down (0.1 m).
MOVED = 0.2
# Hands that hold it are this near to its line (body lengths), others anywhere within that.
AT_BAR_SD, ANYWHERE = 0.3, 4.0
# Where no bar is seen, hands that go up and down together as on a bar say so much a body length.
TOGETHER = 2.0
# Logarithms of prior odds: that the athlete is seen in a clip where somebody is; that another
# athlete takes over; that a tracklet becomes the athlete's between two of its sightings; that two
# who are seen at one look are one body.
PRESENT, OTHER, LATE, TWO = 3.0, -6.0, -3.0, -1.0
# Who is the same person as before with no more than this probability is taken for another.
UNLIKE = 0.05
# How often (logarithm) the pose goes astray where a tracklet ends or begins, so that the place says
# nothing; it is taken from this many sightings.
ASTRAY, FEW = -3.0, 5
# Before anybody has moved a bar, the odds of two people are those of their sizes to this power.
LARGER = 2.0


@dataclass(frozen=True)
class Chosen:
    """The athlete at one look: `person`, the number of the athlete (another one after a change),
    and the probability that it is the athlete."""

    time_s: float
    person: Person
    number: int
    probability: float


def choose(
    tracklets: Sequence[Tracklet], times: Array, shift: Array, bar: BarTrack
) -> list[Chosen]:
    """The athlete at each look at which they are seen, in order of time. `times` (T,), `shift`
    (T, 2) and `bar` of all frames."""
    if not tracklets:
        return []
    looks = np.unique(np.concatenate([one.times for one in tracklets]))
    gains = np.full((len(looks), len(tracklets)), np.nan)
    for k, one in enumerate(tracklets):
        gains[np.searchsorted(looks, one.times), k] = evidence(one, times, shift, bar)
    gains += PRESENT / len(looks)
    same = alike(tracklets)
    fraction = fractions(tracklets)
    with np.errstate(divide="ignore"):
        turns = np.logaddexp(np.log(same), np.log1p(-same) + OTHER + fraction)
    np.fill_diagonal(turns, 0.0)
    entries = entry_costs(gains)
    path = best_path(gains, turns, fraction, entries)
    sure = probabilities(gains, turns, fraction, entries)
    chosen: list[Chosen] = []
    number, before = 0, -1
    for look, k in enumerate(path):
        if k < 0:
            continue
        one = tracklets[k]
        # nobody takes over a bar from somebody who is still seen
        handed = before not in (k, -1) and one.times[0] > tracklets[before].times[-1]
        number += handed and same[before, k] < UNLIKE
        at = int(np.searchsorted(one.times, looks[look]))
        chosen.append(Chosen(float(looks[look]), one.people[at], number, float(sure[look, k])))
        before = k
    return chosen


def evidence(one: Tracklet, times: Array, shift: Array, bar: BarTrack) -> Array:
    """(n,) how much likelier each sighting is if this is the athlete than if it is somebody else:
    logarithm of the likelihoods' ratio."""
    at = np.asarray(one.times)
    rows = np.searchsorted(times, at)
    size = float(np.quantile([person.size_px for person in one.people], 0.8))
    away = np.stack([shift[rows], shift[rows]], 1)
    ends = np.where(bar.confidence[rows, :, None] > 0, bar.ends[rows] - away, np.nan) / size
    hands, shoulders = (
        (np.array([person.middle(part) for person in one.people]) - away[:, 0]) / size
        for part in (KNUCKLES, SHOULDERS)
    )
    then = np.searchsorted(at, at - LAG_S - 0.01, side="right") - 1
    then = np.maximum(then, 0)
    lag = at - at[then]
    lagged = (lag >= 0.5 * LAG_S) & (lag <= 1.5 * LAG_S)
    weight = np.diff(at, prepend=at[0]).clip(0, LAG_S) / LAG_S
    ways = (ends - ends[then])[:, :, 1]
    seen = np.isfinite(ways)
    lift = np.where(seen, ways, 0.0).sum(1) / np.maximum(seen.sum(1), 1)
    moves = lagged & seen.any(1) & (np.abs(lift) > MOVED)
    log_odds = along(lift, (hands - hands[then])[:, 1], (shoulders - shoulders[then])[:, 1])
    log_odds += beside(ends, hands, shoulders)
    unknown = TOGETHER * np.array(one.hands)
    return np.where(moves, log_odds * weight, np.where(seen.any(1), 0.0, unknown))


def along(lift: Array, hands: Array, shoulders: Array) -> Array:
    """(n,) what ways up or down (body lengths) of bar, hands and shoulders say."""

    return np.logaddexp.reduce(
        [
            np.log(IN_HANDS) + held(lift, hands),
            np.log(ON_BACK) + held(lift, shoulders),
            np.full(len(lift), np.log(FALLING)),
        ]
    )


def beside(ends: Array, hands: Array, shoulders: Array) -> Array:
    """(n,) what the place of the hands, or of the shoulders, says while the bar moves: how far they
    are from the middle half of the line between the `ends` (n, 2, 2), or only how much above or
    below the end that is seen."""
    middle, half = ends.mean(1), (ends[:, 1] - ends[:, 0]) / 2
    one = np.where(np.isfinite(ends[:, 0]), ends[:, 0], ends[:, 1])
    away = []
    for part in (hands, shoulders):
        off = part - middle
        length = np.hypot(*half.T)
        with np.errstate(invalid="ignore", divide="ignore"):
            out = np.abs((off * half).sum(1)) / length - length / 2
            across = np.abs(off[:, 0] * half[:, 1] - off[:, 1] * half[:, 0]) / length
        both = np.hypot(across, np.maximum(out, 0))
        away.append(np.where(np.isfinite(both), both, np.abs(part - one)[:, 1]))
    near_by = 2 * np.exp(gauss(np.fmin(*away), AT_BAR_SD))
    return np.log((1 - FALLING) * near_by * ANYWHERE + FALLING)


def alike(tracklets: Sequence[Tracklet]) -> Array:
    """(n, n) the probability that the person of one tracklet (row) is that of another (column),
    with even odds before anything is seen. Those seen at once are two, but for a moment in which
    one body was taken for two."""
    first, last = (np.array([one.times[k] for one in tracklets]) for k in (0, -1))
    colours = np.array([usual(one.colours) for one in tracklets])
    came = np.array([one.place(slice(None, FEW)) for one in tracklets])
    went = np.array([one.place(slice(-FEW, None)) for one in tracklets])
    size = np.array([one.size for one in tracklets])
    shot = np.array([one.shot for one in tracklets])
    ratio = like_colours(colours[:, None], colours[None, :])
    wait_s = np.maximum(first[None, :] - last[:, None], 0.0)
    way = np.linalg.norm(came[None, :] - went[:, None], axis=-1) / size[:, None]
    here = np.logaddexp(near(way, wait_s), ASTRAY)
    here += like_size(np.log(size[None, :] / size[:, None]))
    ratio += np.where(shot[:, None] == shot[None, :], here, 0.0)
    # the later one begins where the earlier one ends; each pair is listed once
    later = first[None, :] >= first[:, None]
    ratio = np.where(later, ratio, ratio.T)
    seen = [set(one.times) for one in tracklets]
    at_once = np.array([[len(one & other) for other in seen] for one in seen])
    same = 1 / (1 + np.exp(-np.clip(ratio + TWO * at_once, -50, 50)))
    np.fill_diagonal(same, 1.0)
    return same


def fractions(tracklets: Sequence[Tracklet]) -> Array:
    """(n,) logarithm of the probability by size alone that each is the athlete, among those who are
    seen while they are."""
    size = np.array([LARGER * np.log(one.size) for one in tracklets])
    beside_each = np.array(
        [
            [
                one.shot == other.shot
                and one.times[0] <= other.times[-1]
                and other.times[0] <= one.times[-1]
                for other in tracklets
            ]
            for one in tracklets
        ]
    )
    return size - logsumexp(np.where(beside_each, size, -np.inf), axis=1)


def entry_costs(gains: Array) -> Array:
    """(looks, n) what it costs to turn to a tracklet at each look: nothing at its first sighting; a
    link may have gone wrong later on, at any sighting alike."""
    seen = np.isfinite(gains)
    cost = np.broadcast_to(LATE - np.log(np.maximum(seen.sum(0), 1)), gains.shape).copy()
    cost[seen.argmax(0), np.arange(gains.shape[1])] = 0.0
    return cost


def best_path(gains: Array, turns: Array, starts: Array, entries: Array) -> list[int]:
    """The likeliest course: for each look the tracklet that is the athlete's, -1 for none.

    `gains` (looks, n), NaN where a tracklet is not seen; `turns` (n, n) from one tracklet to
    another, `starts` (n,) to the first, both with `entries` (looks, n). Who is the athlete stays it
    until somebody else is; a tracklet that is the athlete's is given wherever it is seen. Viterbi's
    algorithm; the state is whose turn it is, last of all nobody's yet.
    """
    looks, count = gains.shape
    score = np.append(np.full(count, -np.inf), 0.0)
    came = np.tile(np.arange(count + 1), (looks, 1))
    for look in range(looks):
        seen, ways = _ways(look, gains, turns, starts, entries)
        ways = score[:, None] + ways
        came[look, seen] = ways.argmax(0)
        score[seen] = ways.max(0)
    state, path = int(score.argmax()), []
    for look in range(looks - 1, -1, -1):
        path.append(state if state < count and np.isfinite(gains[look, state]) else -1)
        state = int(came[look, state])
    return path[::-1]


def probabilities(gains: Array, turns: Array, starts: Array, entries: Array) -> Array:
    """(looks, n) how likely each tracklet is the athlete's at each look, over all courses as
    `best_path` weighs them."""
    looks, count = gains.shape
    forward = [np.append(np.full(count, -np.inf), 0.0)]
    for look in range(looks):
        seen, ways = _ways(look, gains, turns, starts, entries)
        score = forward[-1].copy()
        score[seen] = logsumexp(score[:, None] + ways, axis=0)
        forward.append(score)
    total, behind = logsumexp(forward[-1]), np.zeros(count + 1)
    sure = np.zeros((looks, count))
    for look in range(looks - 1, -1, -1):
        seen, ways = _ways(look, gains, turns, starts, entries)
        sure[look, seen] = np.exp(forward[look + 1][seen] + behind[seen] - total)
        onwards = np.concatenate([ways + behind[seen], behind[:, None]], axis=1)
        # where one is seen who was the athlete, there is no other way to stay
        onwards[seen, -1] = -np.inf
        behind = logsumexp(onwards, axis=1)
    return sure


def _ways(
    look: int, gains: Array, turns: Array, starts: Array, entries: Array
) -> tuple[Array, Array]:
    """Who is seen at a look, and (n + 1, seen) what it weighs that it is their turn after each."""
    seen = np.flatnonzero(np.isfinite(gains[look]))
    ways = np.concatenate([turns[:, seen], starts[None, seen]]) + entries[look, seen]
    ways[seen, np.arange(len(seen))] = 0.0
    return seen, ways + gains[look, seen]
