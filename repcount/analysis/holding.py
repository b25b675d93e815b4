"""How long an athlete holds a set before the bar goes down unplanned.

The bar goes down after the rep at which the reps unrecovered (as in `slowing.py`) reach what the
athlete holds, which scatters from set to set. Sets that ended in an unplanned break say that it was
reached; sets that ended as planned, that it was not. At another load it goes with a power of the
load. The priors are assumptions, but for two: with a known max the middle is the mean of reps to
failure at that share (`plan/set_limits.py`), and the power lies between the slopes of that table,
1.5 at half of the max and 7 at nine tenths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from repcount.attempt.records import Attempt, Comparison

Array = Any  # numpy's arrays of float

# Medians and log standard deviations.
HELD_REPS = (25.0, 0.7)
KNOWN_MAX_WIDTH = 0.35  # of what is held where a max is known: the spread of the table, and more
LOAD_POWER = (2.5, 0.5)
BREAK_S = (6.0, 0.5)  # of an athlete's unplanned breaks
SET_SCATTER = 0.25  # log standard deviation from set to set
BREAK_SCATTER = 0.4  # from break to break
_GRID = 161


@dataclass(frozen=True)
class SetEnd:
    """Where a set ended: the place of its last rep among the counted ones, whether the bar went
    down before it was planned to, and whether that rep was the only one of its set."""

    index: int
    broke: bool
    single: bool = False


@dataclass(frozen=True)
class Holding:
    """Draws of what an athlete holds: reps, the power of the load, and seconds of an unplanned
    break (its log). `ends`, `broken`: how many sets were seen, and how many broke."""

    reps: Array
    power: Array
    break_log_s: Array
    ends: int
    broken: int

    def at(self, load_ratio: float) -> Array:
        """Reps held at a load, given as a ratio to the one of `reps`."""
        return self.reps * load_ratio ** (-self.power)


def set_ends(attempt: Attempt, comparison: Comparison | None) -> list[SetEnd]:
    """Where the sets of an attempt ended. Without a plan beside it no break is known to be
    unplanned, and a set is only known to have been held so long."""
    early = {
        match.real.id
        for match in (comparison.breaks if comparison else [])
        if match.real and (match.outcome == "unplanned" or (match.moved_by or 0) < 0)
    }
    counted = attempt.counted()
    found: list[SetEnd] = []
    for index, (rep, after) in enumerate(zip(counted, [*counted[1:], None], strict=False)):
        until = math.inf if after is None else after.start_ms
        stops = [stop for stop in attempt.breaks if rep.top_ms <= stop.start_ms < until]
        if stops or after is None or after.round != rep.round:
            single = index == (found[-1].index + 1 if found else 0)
            found.append(SetEnd(index, any(stop.id in early for stop in stops), single))
    return found


def unplanned_s(comparison: Comparison | None) -> list[float]:
    """Seconds of the unplanned breaks of an attempt."""
    return [
        match.real_s
        for match in (comparison.breaks if comparison else [])
        if match.outcome == "unplanned" and match.real_s
    ]


def fit_holding(
    reached: Sequence[tuple[Array, SetEnd]],
    lengths_s: Sequence[float],
    count: int,
    rng: np.random.Generator,
    set_reps: float | None = None,
) -> Holding:
    """What an athlete holds, from how many reps unrecovered each set reached (draws of it, of which
    there are `count`), and from the lengths of unplanned breaks.

    `set_reps`: reps to failure that the athlete's max speaks for at the load filmed.
    """
    from scipy.special import log_ndtr, ndtr

    middle, width = HELD_REPS if set_reps is None else (max(1.0, set_reps), KNOWN_MAX_WIDTH)
    logs = math.log(middle) + width * np.linspace(-4, 4, _GRID)
    chance = np.tile(-0.5 * ((logs - math.log(middle)) / width) ** 2, (count, 1))
    for reps, end in reached:
        above = (logs - np.log(reps)[:, None]) / SET_SCATTER
        if not end.broke:
            chance += log_ndtr(above)
        elif end.single:  # it may have been reached before the set
            chance += log_ndtr(-above)
        else:
            before = (logs - np.log(np.maximum(reps - 1, 0.25))[:, None]) / SET_SCATTER
            chance += np.log(np.maximum(ndtr(before) - ndtr(above), 1e-300))
    weight = np.exp(chance - chance.max(1, keepdims=True)).cumsum(1)
    picked = (weight < rng.random((count, 1)) * weight[:, -1:]).sum(1)
    step = logs[1] - logs[0]
    held = np.exp(logs[picked] + step * (rng.random(count) - 0.5))
    typical, spread = math.log(BREAK_S[0]), BREAK_S[1]
    precision = 1 / spread**2 + len(lengths_s) / BREAK_SCATTER**2
    mean = typical / spread**2 + sum(map(math.log, lengths_s)) / BREAK_SCATTER**2
    return Holding(
        held,
        np.exp(math.log(LOAD_POWER[0]) + LOAD_POWER[1] * rng.standard_normal(count)),
        mean / precision + rng.standard_normal(count) / math.sqrt(precision),
        len(reached),
        sum(end.broke for _, end in reached),
    )
