"""Is there a bar at all? What says that strokes read from the hands alone were made with one.

Where the bar's ends are seen moving with the hands there is no question. Where they are not, the
hands are all there is, and a person who waves or stretches moves them too. A bar ties them: they
keep one distance while it moves, and the same distance from stroke to stroke. It hangs from
straight arms, so that shoulders come up with hands that lift it to the hips. And it is a thing to
be picked up: at least once they reach down to where it lies.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from repcount.attempt.anthropometry import HAND_ST
from repcount.motion import Motion
from repcount.reading.decode import HANG
from repcount.reading.strokes import RawStroke

# With the ends in sight for so much of a stroke they, not the hands, tell where the bar was.
ENDS_SHARE = 0.3
# Hands on a bar do not shift by more than a hand's own length (`HAND_ST`) from stroke to stroke; on
# the way the pose errs by up to twice that (side views).
# How much likelier something is seen with a bar in the hands than without, as logarithms: hands
# that keep their distance; that do not; that reach down to where a bar lies; that never do; and
# hips as low as the knees where the hands end at the hips (who squats without a bar lets them
# hang). Assumptions; what is not seen says nothing.
TIED, UNTIED = 0.6, -2.8
REACHED, NEVER_REACHED = 2.6, -1.2
SQUATTED, DEEP = -3.7, 0.9
# Shoulders rise as hands do that lift a bar to the hips, or stay while the hands are at work:
# either to this much (body heights), and the pose is quite wrong once in a hundred times
# (assumptions).
ALONG_SD, WRONG = 0.05, 0.01
# A workout that was asked for is done with a bar, ten to one; of hands alone nothing is known.
ASKED = 2.3
# Hands on a bar that lies: the plates' radius (0.13 of body height) and half as much more, so long.
LYING_ST, LYING_S = 0.20, 0.2
# What hands alone are worth in a rep's confidence (scripted attempts without the bar's ends: nine
# reps in ten are right).
HANDS_ALONE = 0.9


def with_a_bar(motion: Motion, strokes: list[RawStroke], *, asked: bool = False) -> list[RawStroke]:
    """The strokes that were made with a bar, those read from the hands alone marked `by_hands`;
    `asked` if a workout says that a bar is lifted.
    """
    blind, spans = [], []
    for stroke in strokes:
        first, last = np.searchsorted(motion.time_s, (stroke.low_s, stroke.top_s))
        piece = slice(int(first), int(last) + 1)
        if (motion.bar_source[piece] == 2).mean() >= ENDS_SHARE:
            continue
        apart = motion.hands_apart_st[piece]
        apart = apart[np.isfinite(apart)]
        middle, width = np.nan, np.nan
        if len(apart) >= 5:
            low, middle, high = np.quantile(apart, (0.05, 0.5, 0.95))
            width = float(high - low)
        blind.append(stroke)
        spans.append((float(middle), width))
    if not blind:
        return strokes
    middles = np.array([middle for middle, _ in spans])
    seen = np.isfinite(middles)
    usual = float(np.median(middles[seen])) if seen.any() else np.nan
    tied = np.array(
        [width < 2 * HAND_ST and abs(middle - usual) < HAND_ST for middle, width in spans]
    )[seen]
    low = (motion.bar_st < LYING_ST) & (motion.bar_source > 0)
    reached = low.sum() > LYING_S * motion.rate_hz
    odds = REACHED if reached else NEVER_REACHED
    odds += ASKED if asked else 0.0
    odds += float(np.where(tied, TIED, UNTIED).mean()) if len(tied) else 0.0
    squatted = [stroke.ends == HANG and stroke.depth > DEEP for stroke in blind]
    odds += SQUATTED * float(np.mean(squatted))
    odds += float(np.mean([_shoulders_along(motion, stroke) for stroke in blind]))
    drop = {id(stroke) for stroke in blind} if odds < 0 else set()
    marked = {id(stroke) for stroke in blind}
    return [
        replace(stroke, flags=(*stroke.flags, "by_hands")) if id(stroke) in marked else stroke
        for stroke in strokes
        if id(stroke) not in drop
    ]


def _shoulders_along(motion: Motion, stroke: RawStroke) -> float:
    """Logarithm of how much likelier the shoulders' way is with a bar in the hands, in a stroke to
    the hips, than with hands alone at work; 0 at most, and where it is not known."""
    low, top = np.searchsorted(motion.time_s, (stroke.low_s, stroke.top_s))
    top = min(int(top), len(motion.time_s) - 1)
    hands = float(motion.hand_st[top] - motion.hand_st[low])
    shoulders = float(motion.shoulder_st[top] - motion.shoulder_st[low])
    if stroke.ends != HANG or not np.isfinite(hands + shoulders):
        return 0.0
    ratio = 0.5 * ((shoulders / ALONG_SD) ** 2 - ((shoulders - hands) / ALONG_SD) ** 2)
    return float(min(np.logaddexp(ratio, np.log(WRONG)), 0.0))
