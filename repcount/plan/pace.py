"""Round times for a target: even, ahead early, or in the shape of an athlete's own slowing.

Everything is whole milliseconds: start piece, rounds and the times between rounds add up to the
target exactly. Reps stay between the brisk and the slow end of what is typical for them (or at the
cycle times given). A target that leaves more time than that lengthens breaks and times between
rounds, all by the same part of the way to the longest that is planned.
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
from repcount.plan.tempo import TYPICAL, Pace, Tempo, steps_of
from repcount.units import to_ms

Shape = Literal["even", "ahead", "own"]
SHAPES: tuple[Shape, ...] = ("even", "ahead", "own")
# How much shorter the first round is than its even split, when the pace is ahead early (common
# practice, no source).
LEAD = Fraction(1, 10)
BETWEEN_S = 5.0  # common practice, no source
START_S = 2.0  # from the signal to the first rep's start; assumption


@dataclass(frozen=True)
class TimesAround:
    """What a target has to hold besides the rounds: start piece and times between, in ms.

    `longest_break`, `longest_rest`: what breaks and times between rounds may be lengthened to, in
    ms; 0: they are kept.
    """

    start: int
    between: Sequence[int]
    longest_break: int = 0
    longest_rest: int = 0

    @property
    def total(self) -> int:
        """All of it."""
        return self.start + sum(self.between)


@dataclass(frozen=True)
class Times:
    """What a target comes to, in ms: rounds, the breaks of each, and the times between."""

    rounds: list[int]
    breaks: list[list[int]]
    between: list[int]


def clock_words(ms: int) -> str:
    """`4:59.5`, with the digits that are needed."""
    minutes, rest = divmod(ms, 60_000)
    seconds = f"{rest / 1000:.3f}".rstrip("0").rstrip(".")
    whole, _, part = seconds.partition(".")
    return f"{minutes}:{int(whole):02d}" + (f".{part}" if part else "")


def floors(rounds: Sequence[RoundPlan], tempo: Tempo = TYPICAL, pace: Pace = "brisk") -> list[int]:
    """What each round is believed to take at a pace, in ms: its breaks and its work. The least, at
    a brisk one."""
    return [
        tempo.work_ms(steps_of(one.movements, one.pattern), pace) + to_ms(one.break_total_s)
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


class Feasible:
    """Which targets some rounds can have, and what they come to.

    `weights`: what part of all rounds' time each gets.
    """

    def __init__(
        self,
        rounds: Sequence[RoundPlan],
        around: TimesAround,
        weights: Sequence[Fraction],
        tempo: Tempo = TYPICAL,
    ) -> None:
        self.rounds, self.around, self.weights = rounds, around, weights
        self.brisk, self.slow = floors(rounds, tempo), floors(rounds, tempo, "slow")
        self.rest_rooms = [max(0, around.longest_rest - one) for one in around.between]
        self.break_rooms = [
            [max(0, around.longest_break - to_ms(seconds)) for seconds in one.break_s]
            for one in rounds
        ]
        needed = max(Fraction(low) / part for low, part in zip(self.brisk, weights, strict=True))
        held = min(
            Fraction(slow + sum(rooms)) / part
            for slow, rooms, part in zip(self.slow, self.break_rooms, weights, strict=True)
        )
        self.needed = needed  # all rounds together, in ms; more than `held` where shares do not fit
        # the least and the longest target, in ms, whole tenths
        self.least = _up(math.ceil(needed) + around.total)
        self.most = math.floor(held + around.total + sum(self.rest_rooms)) // 100 * 100
        if needed > held:
            self.most = 0

    def times(self, target_s: float, cap_s: float | None = None) -> Times:
        """Rounds, breaks and times between, so that all adds up to `target_s` exactly.

        Raises PlanError for a target that is not above 0, over the time cap, or outside what is
        feasible, with the reason and the nearest feasible one.
        """
        if not math.isfinite(target_s) or target_s <= 0:
            raise PlanError(f"the target is {target_s:g} s; give a time above 0 and up to a day.")
        most = self.most if cap_s is None else min(self.most, to_ms(cap_s))
        if target_s > LONGEST_S:
            nearest = self._nearest(to_ms(LONGEST_S), most, cap_s)
            raise PlanError(f"the target of {target_s:g} s is longer than a day; {nearest}.")
        target = to_ms(target_s)
        if not self.least <= target <= most:
            raise PlanError(
                f"the target of {clock_words(target)} {self._why(target, cap_s)}; "
                f"{self._nearest(target, most, cap_s)}."
            )
        room = sum(self.rest_rooms)
        spare = target - self.around.total - self.needed  # what rests may take of the rounds' time
        part = min(self._lengthening(target), max(Fraction(0), spare / room)) if room else 0
        between = [
            one + math.floor(part * room / 100) * 100
            for one, room in zip(self.around.between, self.rest_rooms, strict=True)
        ]
        rounds = spread(target - self.around.start - sum(between), self.weights)
        return Times(rounds, [self._breaks(n, took) for n, took in enumerate(rounds)], between)

    def _lengthening(self, target: int) -> Fraction:
        """The part of their room that breaks and times between are lengthened by, so that no reps
        are slower than slow."""
        found = Fraction(0)
        for slow, rooms, part in zip(self.slow, self.break_rooms, self.weights, strict=True):
            over = part * (target - self.around.total) - slow
            room = sum(rooms) + part * sum(self.rest_rooms)
            found = max(found, min(Fraction(1), over / room) if room else Fraction(0))
        return found

    def _breaks(self, place: int, took: int) -> list[int]:
        """The breaks of a round that takes so long: longer by what its slowest work leaves."""
        breaks: list[int] = [to_ms(seconds) for seconds in self.rounds[place].break_s]
        over, rooms = took - self.slow[place], self.break_rooms[place]
        if over <= 0 or not sum(rooms):
            return breaks
        more = spread(over, [Fraction(room) for room in rooms])
        return [one + room for one, room in zip(breaks, more, strict=True)]

    def _why(self, target: int, cap_s: float | None) -> str:
        """What is wrong with a target."""
        if cap_s is not None and target > to_ms(cap_s):
            return f"is over the time cap of {clock_words(to_ms(cap_s))}"
        if target > self.most:
            longest = (("breaks", self.around.longest_break), ("rests", self.around.longest_rest))
            said = [f"{name} of {one / 1000:g} s" for name, one in longest if one]
            return (
                "is slower than reps at a slow pace with "
                f"{' and '.join(said) or 'the breaks and rests as given'}"
            )
        tight = max(range(len(self.rounds)), key=lambda one: self.brisk[one] / self.weights[one])
        left = max(0.0, float(self.weights[tight] * (target - self.around.total)) / 1000)
        breaks = to_ms(self.rounds[tight].break_total_s)
        return (
            f"leaves {left:.1f} s for round {tight + 1}, which takes at least "
            f"{self.brisk[tight] / 1000:.1f} s (breaks {breaks / 1000:.1f} s, work "
            f"{(self.brisk[tight] - breaks) / 1000:.1f} s at a brisk pace)"
        )

    def _nearest(self, target: int, most: int, cap_s: float | None) -> str:
        """The nearest feasible target, or that there is none."""
        if self.least <= most:
            return (
                f"the nearest feasible target is {clock_words(max(self.least, min(target, most)))}"
            )
        if cap_s is not None and self.least > to_ms(cap_s):
            return f"no target under the time cap of {clock_words(to_ms(cap_s))} is feasible"
        return (
            "no target is feasible where rounds share the time so: choose another pace, or leave "
            "out the lengths of breaks and rests"
        )


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


def between_rounds(
    count: int,
    start_s: float,
    between_s: Sequence[float],
    *,
    longest_break_s: float = 0.0,
    longest_rest_s: float = 0.0,
) -> TimesAround:
    """What lies around so many rounds, with one time between each two; and to what length breaks
    and times between may grow (0: they are kept)."""
    if len(between_s) != count - 1:
        raise PlanError(
            f"there are {len(between_s)} times between rounds for {count} rounds; give one "
            "between each two."
        )
    return TimesAround(
        to_ms(start_s),
        [to_ms(one) for one in between_s],
        to_ms(longest_break_s),
        to_ms(longest_rest_s),
    )
