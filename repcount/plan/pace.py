"""Round times for a target: even, ahead early, or in the shape of an athlete's own slowing.

Everything is whole milliseconds: start piece, rounds and the times between rounds add up to the
target exactly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from repcount.errors import PlanError
from repcount.plan.file import LONGEST_S
from repcount.plan.model import RoundPlan
from repcount.plan.tempo import TYPICAL, Tempo, steps_of
from repcount.units import from_ms, to_ms

Shape = Literal["even", "ahead", "own"]
SHAPES: tuple[Shape, ...] = ("even", "ahead", "own")
# How much shorter the first round is than its even split, when the pace is ahead early (common
# practice, no source).
LEAD = Fraction(1, 10)
BETWEEN_S = 5.0  # common practice, no source
START_S = 2.0  # from the signal to the first rep's start; assumption


@dataclass(frozen=True)
class Frame:
    """What a target has to hold besides the rounds: start piece and times between, in ms."""

    start: int
    between: Sequence[int]

    @property
    def total(self) -> int:
        """All of it."""
        return self.start + sum(self.between)


def clock_words(ms: int) -> str:
    """`4:59.5`, with the digits that are needed."""
    minutes, rest = divmod(ms, 60_000)
    seconds = f"{rest / 1000:.3f}".rstrip("0").rstrip(".")
    whole, _, part = seconds.partition(".")
    return f"{minutes}:{int(whole):02d}" + (f".{part}" if part else "")


def floors(rounds: Sequence[RoundPlan], tempo: Tempo = TYPICAL) -> list[int]:
    """The least that each round is believed to take, in ms: its breaks and its briskest work."""
    return [
        tempo.briskest_ms(steps_of(one.movements, one.pattern)) + to_ms(one.break_total_s)
        for one in rounds
    ]


def shares_of(rounds: Sequence[RoundPlan], shape: Shape) -> list[Fraction]:
    """What part of all rounds' time each round gets. Rounds of the same work get the same, except
    for the lead of the first where the pace is ahead early."""
    works = [Fraction(TYPICAL.work_ms(steps_of(one.movements, None))) for one in rounds]
    even = [work / sum(works) for work in works]
    if shape == "even" or len(rounds) == 1:
        return even
    first = even[0] * (1 - LEAD)
    return [first, *[weight * (1 - first) / (1 - even[0]) for weight in even[1:]]]


def rounds_for(
    target_s: float,
    rounds: Sequence[RoundPlan],
    frame: Frame,
    weights: Sequence[Fraction],
    tempo: Tempo = TYPICAL,
    *,
    cap_s: float | None = None,
) -> list[int]:
    """The time of every round, in ms, so that all adds up to `target_s` exactly.

    Raises PlanError for a target that is not above 0, over the time cap, or under what is
    feasible, with the reason and the nearest feasible one.
    """
    if not math.isfinite(target_s) or target_s <= 0 or target_s > LONGEST_S:
        raise PlanError(f"the target is {target_s:g} s; give a time above 0 and up to a day.")
    target = to_ms(target_s)
    if cap_s is not None and target > to_ms(cap_s):
        raise PlanError(
            f"the target of {clock_words(target)} is over the time cap; the nearest feasible "
            f"target is the cap itself, {clock_words(to_ms(cap_s))}."
        )
    least = floors(rounds, tempo)
    needed = max(Fraction(low) / weight for low, weight in zip(least, weights, strict=True))
    nearest = _up(math.ceil(needed) + frame.total)
    if target < nearest:
        if cap_s is not None and nearest > to_ms(cap_s):
            feasible = f"no target under the time cap of {clock_words(to_ms(cap_s))} is feasible"
        else:
            feasible = f"the nearest feasible target is {clock_words(nearest)}"
        tight = max(range(len(rounds)), key=lambda index: Fraction(least[index]) / weights[index])
        left = weights[tight] * (target - frame.total)
        breaks = to_ms(rounds[tight].break_total_s)
        raise PlanError(
            f"the target of {clock_words(target)} leaves {max(0.0, float(left) / 1000):.1f} s for "
            f"round {tight + 1}, which takes at least {least[tight] / 1000:.1f} s (breaks "
            f"{breaks / 1000:.1f} s, work {(least[tight] - breaks) / 1000:.1f} s at a brisk "
            f"pace); {feasible}."
        )
    return spread(target - frame.total, weights)


def spread(whole: int, weights: Sequence[Fraction]) -> list[int]:
    """Cut whole milliseconds by weights: in tenths of a second where the whole is in tenths, by the
    largest remainder, so that the parts add up exactly."""
    unit = 100 if whole % 100 == 0 and whole >= 100 * len(weights) else 1
    units = whole // unit
    exact = [weight * units / sum(weights) for weight in weights]
    parts = [math.floor(one) for one in exact]
    order = sorted(range(len(parts)), key=lambda i: parts[i] - exact[i])
    for index in order[: units - sum(parts)]:
        parts[index] += 1
    return [part * unit for part in parts]


def typical_rounds(rounds: Sequence[RoundPlan], tempo: Tempo = TYPICAL) -> list[int]:
    """Round times at the typical pace (or the cycle times given), in ms, whole tenths."""
    return [
        _up(tempo.work_ms(steps_of(one.movements, one.pattern)) + to_ms(one.break_total_s))
        for one in rounds
    ]


def _up(ms: int) -> int:
    """The next whole tenth of a second."""
    return -(-ms // 100) * 100


def frame_of(count: int, start_s: float, between_s: Sequence[float]) -> Frame:
    """The frame of so many rounds; one time between each two."""
    if len(between_s) != count - 1:
        raise PlanError(
            f"there are {len(between_s)} times between rounds for {count} rounds; give one "
            "between each two."
        )
    return Frame(to_ms(start_s), [to_ms(one) for one in between_s])


def identity_s(rounds: Sequence[int], frame: Frame) -> float:
    """The total that rounds and their frame make, in seconds."""
    return from_ms(sum(rounds) + frame.total)
