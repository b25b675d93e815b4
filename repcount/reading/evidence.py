"""Is there a bar at all? What says that strokes read from the hands alone were made with one.

Where the bar's ends are seen moving with the hands there is no question. Where they are not, the
hands are all there is, and a person who waves or stretches moves them too. A bar ties them: they
keep one distance while it moves, and the same distance from stroke to stroke. And it is a thing to
be picked up: at least once they reach down to where it lies.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from repcount.attempt.anthropometry import HAND_ST
from repcount.motion import Motion
from repcount.reading.strokes import RawStroke

# With the ends in sight for so much of a stroke they, not the hands, tell where the bar was.
ENDS_SHARE = 0.3
# Hands on a bar do not shift by more than a hand's own length (`HAND_ST`) from stroke to stroke; on
# the way the pose errs by up to twice that (side views).
# Of the strokes read from the hands so many must look tied, or none was made with a bar.
MOST = 0.67
# Hands on a bar that lies: the plates' radius (0.13 of stature) and half as much more, so long.
LYING_ST, LYING_S = 0.20, 0.2
# What hands alone are worth in a rep's confidence (scripted attempts without the bar's ends: nine
# reps in ten are right).
HANDS_ALONE = 0.9


def with_a_bar(motion: Motion, strokes: list[RawStroke]) -> list[RawStroke]:
    """The strokes that were made with a bar, those read from the hands alone marked `by_hands`."""
    blind, spans = [], []
    for stroke in strokes:
        first, last = np.searchsorted(motion.time_s, (stroke.low_s, stroke.top_s))
        piece = slice(int(first), int(last) + 1)
        if (motion.bar_source[piece] == 2).mean() >= ENDS_SHARE:
            continue
        apart = motion.hands_apart_st[piece]
        apart = apart[np.isfinite(apart)]
        middle, width = np.nan, np.inf
        if len(apart) >= 5:
            low, middle, high = np.quantile(apart, (0.05, 0.5, 0.95))
            width = float(high - low)
        blind.append(stroke)
        spans.append((float(middle), width))
    if not blind:
        return strokes
    middles = np.array([middle for middle, _ in spans])
    seen = middles[np.isfinite(middles)]
    usual = float(np.median(seen)) if len(seen) else np.nan
    tied = np.array(
        [width < 2 * HAND_ST and abs(middle - usual) < HAND_ST for middle, width in spans]
    )
    low = (motion.bar_st < LYING_ST) & (motion.bar_source > 0)
    reached = low.sum() > LYING_S * motion.rate_hz
    drop = {id(stroke) for stroke in blind} if tied.mean() < MOST or not reached else set()
    marked = {id(stroke) for stroke in blind}
    return [
        replace(stroke, flags=(*stroke.flags, "by_hands")) if id(stroke) in marked else stroke
        for stroke in strokes
        if id(stroke) not in drop
    ]
