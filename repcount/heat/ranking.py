"""Who came where. Whoever finished stands before whoever did not, by time; the others by reps.

A time and missing reps are never made into one number: an attempt that the time cap ended is
"unfinished, 57 reps", not a time with something added. Equal results share the smallest place and
the next places stay empty (1, 2, 2, 4), as SciPy's `rankdata(method="min")` has it.

Times are ranked as they are shown, in tenths of a second: a phone's frame is a thirtieth, so more
would be read into them than there is. They are rounded to the nearest, as all times here; athletics
rounds a hand's time up to the next tenth (World Athletics' technical rules, from memory), and no
open standard was found for lifting against the clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from repcount.heat.records import HeatAttempt
from repcount.wording import plural
from repcount.wording.numbers import as_tenths, clock

# Half a frame at 30 frames a second, as a standard deviation's upper bound.
TOP_UNCERTAINTY_S = 1 / 60

Result = tuple[int, int]


def result_of(one: HeatAttempt) -> Result | None:
    """What is ranked: (0, tenths) for a finished attempt, (1, minus reps) for another; None where
    there is nothing to rank."""
    if one.state == "failed" or one.finished is None:
        return None
    if one.finished:
        return None if one.total_s is None else (0, as_tenths(one.total_s))
    return (1, -one.done)


def result_words(one: HeatAttempt) -> str:
    """The result as it is shown: `2:46.9`, or `unfinished, 57 reps`."""
    if one.state == "failed":
        return "not read"
    if one.finished is None:
        return f"{plural(one.done, 'rep')}, no workout given"
    if one.finished:
        return clock(one.total_s)
    return f"unfinished, {plural(one.done, 'rep')}"


def places(results: Sequence[Result | None]) -> list[int | None]:
    """The place of each result, from 1; None for what is not ranked."""
    ranked = sorted(one for one in results if one is not None)
    first: dict[Result, int] = {}
    for place, one in enumerate(ranked, 1):
        first.setdefault(one, place)
    return [None if one is None else first[one] for one in results]


def close_calls(attempts: Sequence[HeatAttempt]) -> list[bool]:
    """Which finished times lie nearer to a neighbour's than two standard deviations of their
    difference, equal ones included: their order is not sure."""
    timed = sorted(
        (one.total_s, index)
        for index, one in enumerate(attempts)
        if one.state != "failed" and one.finished and one.total_s is not None
    )
    close = [False] * len(attempts)
    for (earlier_s, i), (later_s, j) in pairwise(timed):
        uncertainty = math.hypot(*(_uncertainty_s(attempts[k]) for k in (i, j)))
        if later_s - earlier_s < 2 * uncertainty:
            close[i] = close[j] = True
    return close


def _uncertainty_s(one: HeatAttempt) -> float:
    return math.hypot(TOP_UNCERTAINTY_S, one.start_uncertainty_s or 0.0)
