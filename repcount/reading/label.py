"""What a stroke can be called: likelihoods of the catalogue's movements for one stroke."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from repcount.attempt.movements import CATALOGUE, ERECT_ST, HANG_STYLES, ORDER, Movement
from repcount.motion.ends import HAND_WRONG
from repcount.reading.chains import most_probable_path, state_probabilities
from repcount.reading.decode import STATES
from repcount.reading.strokes import BODY_SEEN, SQUAT_DEPTH, RawStroke

SQUAT_WIDTH = 0.08
# A dip or a re-bend that can be told from the noise of the hip (about 1 % of body height).
BEND_ST, BEND_WIDTH = 0.03, 0.008
# Feet that part by a fifth of the leg's length have split.
SPLIT_ST, SPLIT_WIDTH = 0.10, 0.02
# Hands without a bar in sight that are wrong may seem to be in any of three other zones. Nobody
# begins to pull with the hip below the knee (1, as in `SQUAT_DEPTH`), but by mistake.
ASTRAY, PULL_DEPTH = HAND_WRONG / 3, 1.0
# How sharply the border of standing erect is drawn, in body heights.
ERECT_WIDTH = 0.006
# A pull from the floor that is meant as one from the hang, or a zone read wrongly: one in thirty.
# With the body out of sight at the lowest point: one in five.
MISTAKEN, UNSEEN = 0.03, 0.2
# A bar that turns at the thighs is within 0.03 body heights of its lowest point for less
# than this (common practice, no source: bending down to the dip and pulling takes twice as
# long); and the width of the uncertainty that smoothing and the frames' distance leave.
REBOUND_S, REBOUND_WIDTH = 0.16, 0.012
# What any stroke is worth as a movement that the catalogue does not know: no more than an uncertain
# one, so that in a workout a known movement takes its own.
ANYTHING = 0.3
# A path that does not fit at all.
NEVER = 1e-6
# The movements that a lift is named after where nothing is asked for.
NAMES = [
    name
    for name in CATALOGUE
    if name
    not in {
        "shoulder to overhead",
        "sumo deadlift",
        "sumo deadlift high pull",
        "bent-over row",
        "cluster",
        "other bar movement",
    }
]
# How often a lift is what the one before it was: sets of a few reps of each movement (common
# practice, no source).
AGAIN = 0.8


def _more(value: float, threshold: float, width: float) -> float:
    """Probability that `value` is above `threshold`; a half where it was not seen."""
    if math.isnan(value):
        return 0.5
    return 1 / (1 + math.exp(-max(min((value - threshold) / width, 30), -30)))


def _path(stroke: RawStroke, movement: Movement) -> float:
    begins, ends = STATES[stroke.begins], STATES[stroke.ends]
    off = abs(ORDER.get(begins, 1) - ORDER[movement.begins])
    miss = abs(ORDER.get(ends, 1) - ORDER[movement.ends])
    if off == 0 and miss == 0:
        return 1.0
    # floor and hang are neighbours, as are hang and a squat with the bar on the shoulders: which of
    # the two a low turn was may be unsure
    if miss == 0 and off == 1 and movement.ends == "hang":
        return max(1 - stroke.zone_confidence * stroke.hung, MISTAKEN)
    if miss == 0 and off == 1 and movement.ends in ("rack", "overhead"):
        if stroke.sure_low and "floor" not in (begins, movement.begins):
            return NEVER
        if stroke.low_share < BODY_SEEN:
            return UNSEEN  # without shoulders the zone was a guess from the bar's height
        return max(0.5 * (1 - stroke.zone_confidence * stroke.hung), MISTAKEN)
    return NEVER


def not_erect(stroke: RawStroke) -> float:
    """Probability that a lift to the hang did not stand: shoulders or bar stayed below."""
    if STATES[stroke.ends] != "hang" or math.isnan(stroke.erect_st):
        return 0.0
    return _more(stroke.erect_st, ERECT_ST, ERECT_WIDTH)


def fits(stroke: RawStroke, movement: Movement) -> float:
    """How well the bar's path and the depth of the hip fit a movement, 0 to 1."""
    if movement.anywhere:
        return ANYTHING
    if movement.bent_over:
        rowed = stroke.bent_over and STATES[stroke.begins] == movement.begins
        return 1.0 if rowed else NEVER
    fit, by_hands = _path(stroke, movement), "by_hands" in stroke.flags
    if by_hands and ORDER.get(STATES[stroke.ends], 1) == ORDER[movement.ends]:
        # where the hands seemed to be at the lowest point may be wrong; the hip was seen, too
        fit = max(fit, ASTRAY)
        if movement.begins in ("floor", "hang"):
            fit *= max(1 - _more(stroke.depth, PULL_DEPTH, SQUAT_WIDTH), MISTAKEN)
    if fit <= NEVER or (movement.via is None) == (stroke.caught_s is not None):
        return NEVER
    if movement.squat is not None:
        caught = movement.ends in ("rack", "overhead") and movement.begins in ("floor", "hang")
        # a squat ends where the athlete stands, which may not be where the hip was thought to stand
        depth = stroke.catch_depth if caught else stroke.depth - np.nan_to_num(stroke.catch_depth)
        deep = _more(depth, SQUAT_DEPTH, SQUAT_WIDTH)
        begins = ORDER.get(STATES[stroke.begins], 1)
        elsewhere = not caught and not by_hands and begins != ORDER[movement.begins]
        if movement.ends == "hang" or elsewhere:
            deep = 0.5  # bent anyway, or told from a zone that it was not: depth says nothing
        fit *= max(deep if movement.squat else 1 - deep, MISTAKEN)
    if movement.ends == "hang":
        fit *= max(1 - not_erect(stroke), 0.02)
    if not stroke.finished:
        fit *= 0.02
    return max(fit, NEVER)


def style(stroke: RawStroke, movement: Movement) -> float:
    """How well the work of the knees and feet fits a style of lifting overhead, 0 to 1."""
    if movement.knees is None:
        return 1.0
    dip = _more(stroke.dip_st, BEND_ST, BEND_WIDTH)
    rebend = _more(stroke.rebend_st, BEND_ST, BEND_WIDTH)
    split = _more(stroke.split_st, SPLIT_ST, SPLIT_WIDTH)
    if movement.knees == "still":
        return 1 - dip
    if movement.knees == "drive":
        return dip * (1 - rebend)
    return dip * rebend * (split if movement.name == "split jerk" else 1 - split)


def taken(stroke: RawStroke, movement: Movement) -> float:
    """How well the place that the bar was taken from fits a movement, 0 to 1."""
    if movement.from_stand is None:
        return 1.0
    lifted = 0.5 if math.isnan(stroke.lifted) else stroke.lifted
    return lifted * (1 - movement.from_stand) + (1 - lifted) * movement.from_stand


def styles(stroke: RawStroke, movement: Movement) -> dict[str, float]:
    """Probability of each style of a movement for a stroke, best first; empty if it has none.

    All alike where neither bar nor hands were seen at the lowest point.
    """
    if movement.styles != HANG_STYLES:
        return {}
    slow, fast = HANG_STYLES
    share = _more(stroke.dwell_s, REBOUND_S, REBOUND_WIDTH)
    told = {slow: share, fast: 1 - share}
    return dict(sorted(told.items(), key=lambda item: -item[1]))


def likelihoods(stroke: RawStroke) -> dict[str, float]:
    """Probability of each movement for a stroke alone, best first; sums to 1.

    Names that only widen others ("shoulder to overhead") and variants that the bar's path cannot
    tell apart ("sumo deadlift") are left to the workout. Squats with the bar on the front and on
    the back are told apart by where the bar was taken from.
    """
    return _ranked(_looks(stroke))


def in_turn(strokes: Sequence[RawStroke]) -> list[dict[str, float]]:
    """`likelihoods` of strokes in order of time, each with the word of all others: a lift is mostly
    what the one before it was (a Markov chain over the movements; forward-backward). First stands
    the name that a stroke has in the most probable sequence of all (Viterbi)."""
    if not strokes:
        return []
    change = (1 - AGAIN) / (len(NAMES) - 1)
    matrix = np.full((len(NAMES), len(NAMES)), change)
    np.fill_diagonal(matrix, AGAIN)
    start = np.full(len(NAMES), 1 / len(NAMES))
    looks = np.array([_looks(stroke) for stroke in strokes])
    told = state_probabilities(start, matrix, looks)
    path = most_probable_path(np.log(start), np.log(matrix), np.log(looks))
    return [_ranked(shares, NAMES[name]) for shares, name in zip(told, path, strict=True)]


def _looks(stroke: RawStroke) -> np.ndarray:
    """How well each of `NAMES` fits a stroke, each above 0."""
    return np.array(
        [
            fits(stroke, CATALOGUE[name])
            * max(style(stroke, CATALOGUE[name]), 0.01)
            * taken(stroke, CATALOGUE[name])
            for name in NAMES
        ]
    )


def _ranked(shares: np.ndarray, first: str = "") -> dict[str, float]:
    """Probabilities by name, `first` first, then the best, without what hardly counts."""
    told = dict(zip(NAMES, (shares / shares.sum()).tolist(), strict=True))
    ranked = sorted(told.items(), key=lambda item: (item[0] != first, -item[1]))
    return {name: value for name, value in ranked if value >= 0.005 or name == first}
