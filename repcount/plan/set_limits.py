"""How many reps a set may have at a share of the max, and how long the breaks then have to be.

Reps to failure at a share of a one-rep max, fresh, in one set: Nuzzo, Pinto, Nosaka and Steele,
Sports Med 2024;54:303-321 (952 tests of 7,289 people), the mean of its general model, figure 2, at
second hand. The study found little of sex, age or training in it, but people differ: the standard
deviation among eight weightlifters and eight runners at 70, 80 and 90 % was 0.16 to 0.44 of the
mean, half of the six under 0.31 (Richens and Cleather, Biol Sport 2014;31:157, abstract). None of
the tests was of a clean or of overhead work.

A set planned here uses up no more than the mean less one standard deviation. Movements in one set
add up (assumption): two thirds of what one allows and one third of another are a whole. Over
several sets what is used up comes back with exp(-time / recovery), during breaks and during reps
alike (assumption); a rep's part of the whole is such that the table's reps, at an ordinary pace,
use up all of it.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from repcount.attempt.movements import CATALOGUE, ORDER
from repcount.attempt.records import MovementReps
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.pattern import Pattern
from repcount.plan.tempo import Tempo, steps_of

# Share of the max and the mean of reps to failure. One rep at the max is its definition.
REPS_AT_SHARE = (
    (0.45, 30.37), (0.50, 25.99), (0.55, 22.43), (0.60, 19.53), (0.65, 17.11), (0.70, 14.80),
    (0.75, 12.37), (0.80, 9.75), (0.85, 7.15), (0.90, 4.94), (0.95, 3.28), (1.00, 1.00),
)  # fmt: skip
SPREAD = 0.31  # standard deviation among people, of the mean
RECOVERY_S = 30.0  # assumption; fitted to an athlete it is one of `analysis/slowing.py`
# The longest break and rest between rounds that are planned: rest between heavy sets is one to
# three minutes (ACSM position stand, Med Sci Sports Exerc 2009;41:687, from memory).
LONGEST_BREAK_S = 60.0
LONGEST_REST_S = 180.0
SOURCE = "reps to failure, Nuzzo et al., Sports Med 2024;54:303"
_ROUNDING = 1e-9


def mean_reps(share: float) -> float:
    """The mean of reps to failure at a share of the max, between the table's rows in a straight
    line; below its lightest load its last slope goes on (assumption)."""
    shares = [one for one, _ in REPS_AT_SHARE]
    place = min(max(1, bisect_left(shares, share)), len(shares) - 1)
    (low, more), (high, fewer) = REPS_AT_SHARE[place - 1], REPS_AT_SHARE[place]
    return max(1.0, more + (share - low) / (high - low) * (fewer - more))


def allowed_reps(share: float) -> int:
    """The longest set planned at a share of the max: the mean less one standard deviation."""
    return max(1, math.floor((1 - SPREAD) * mean_reps(share) + _ROUNDING))


def most_reps(share: float) -> int:
    """The longest set that is kept where a coach asks for it: the mean and one deviation more."""
    return max(1, math.floor((1 + SPREAD) * mean_reps(share) + _ROUNDING))


@dataclass(frozen=True)
class SetLimits:
    """What sets may be for an athlete. `shares`: the load as a fraction of the max, by movement;
    a movement that is not in it has no known max, and nothing limits its sets."""

    shares: Mapping[str, float] = field(default_factory=dict)

    def used(self, parts: Sequence[MovementReps]) -> float:
        """What a set uses up of the mean of reps to failure, 1 being all."""
        known = (part for part in parts if part.movement in self.shares)
        return sum(part.reps / mean_reps(self.shares[part.movement]) for part in known)

    def holds(self, parts: Sequence[MovementReps], spread: float = -SPREAD) -> bool:
        """Whether a set is no longer than planned here. A single rep always holds, and so does an
        unbroken test, which is about how long a set is held."""
        if parts[0].to_max or sum(part.reps for part in parts) == 1:
            return True
        return self.used(parts) <= 1 + spread + _ROUNDING

    def cut(self, pattern: Pattern) -> Pattern:
        """The pattern with every set that is too long cut into as few as hold, much alike."""
        return Pattern(sets=[piece for one in pattern.sets for piece in self._pieces(one)])

    def _pieces(self, parts: Sequence[MovementReps]) -> list[list[MovementReps]]:
        if self.holds(parts):
            return [list(parts)]
        reps = [part.movement for part in parts for _ in range(part.reps)]
        costs = [1 / mean_reps(self.shares[one]) if one in self.shares else 0.0 for one in reps]
        most = 1 - SPREAD
        count = len(_greedy(costs, most))
        low, high = 0.0, most
        for _ in range(30):  # the least that each may use up for so few
            middle = (low + high) / 2
            low, high = (low, middle) if len(_greedy(costs, middle)) <= count else (middle, high)
        done, found = 0, []
        for length in _greedy(costs, high):
            found.append(_together(reps[done : done + length]))
            done += length
        return found

    def cut_round(
        self, pattern: Pattern, break_s: Sequence[float], usual_s: float
    ) -> tuple[Pattern, list[float]]:
        """A round's pattern cut, and the length of its breaks: those there were stay, a new one is
        as long as the longest of them (`usual_s`, where there was none)."""
        held = self.cut(pattern)
        known = dict(zip(pattern.positions(), break_s, strict=True))
        usual = max(known.values(), default=usual_s)
        return held, [known.get(at, usual) for at in held.positions()]

    def hold(self, plan: Plan, usual_break_s: float, between_s: float) -> Plan:
        """A plan with breaks whose sets are cut to what holds, and whose breaks and times between
        rounds are then as long as the next set needs: the plan itself where no max is known, or
        where all of it holds. A round of which more than that is asked has no planned time left.

        `usual_break_s`, `between_s`: lengths where the plan gives none.
        """
        if not self.shares or plan.workout.to_max:
            return plan
        rounds = []
        for one in plan.rounds:
            pattern = one.pattern or Pattern(sets=[list(one.movements)])
            held, lengths = self.cut_round(pattern, one.break_s, usual_break_s)
            rounds.append(one.model_copy(update={"pattern": held, "break_s": lengths}))
        between = plan.between_rounds_s or [between_s] * (len(rounds) - 1)
        tempo = Tempo(plan.cycle_s, plan.transition_s, self.shares)
        breaks, rests = self.rests_needed(rounds, between, tempo)
        rounds = [
            old
            if new.pattern == (old.pattern or new.pattern) and lengths == old.break_s
            else new.model_copy(update={"break_s": lengths, "round_s": None})
            for old, new, lengths in zip(plan.rounds, rounds, breaks, strict=True)
        ]
        new_rests = plan.between_rounds_s if rests == between else rests
        if rounds == plan.rounds and new_rests == plan.between_rounds_s:
            return plan
        return plan.model_copy(update={"rounds": rounds, "between_rounds_s": new_rests})

    def rests_needed(
        self, rounds: Sequence[RoundPlan], between_s: Sequence[float], tempo: Tempo
    ) -> tuple[list[list[float]], list[float]]:
        """The breaks and times between rounds, none shorter than planned, that bring back enough
        for the next set: whole seconds, alike in all places where one movement follows another."""
        breaks: dict[tuple[str, str], float] = {}
        between = 0.0
        spent = 0.0
        last = ""
        for number, one in enumerate(rounds):
            steps = iter(steps_of(one.movements, one.pattern))
            for place, parts in enumerate(_sets(one)):
                reps = [(self._pick_up(parts[0].movement, tempo), 0.0)]
                reps += [
                    (self._part(part.movement, tempo), tempo.step_s(next(steps)))
                    for part in parts
                    for _ in range(part.reps)
                ]
                if place:
                    pair = (last, parts[0].movement)
                    planned = max(one.break_s[place - 1], breaks.get(pair, 0.0))
                    rest = breaks[pair] = max(planned, _rest_s(spent, reps, LONGEST_BREAK_S))
                elif number:
                    needed = _rest_s(spent, reps, LONGEST_REST_S)
                    between = max(between, needed)
                    rest = max(between, between_s[number - 1])
                else:
                    rest = 0.0
                spent = _after(spent * math.exp(-rest / RECOVERY_S), reps)
                last = parts[-1].movement
        lengths = [
            [
                max(length, breaks[pair])
                for length, pair in zip(one.break_s, _pairs(one), strict=True)
            ]
            for one in rounds
        ]
        return lengths, [max(one, between) for one in between_s]

    def _part(self, movement: str, tempo: Tempo) -> float:
        """What a rep uses up where the table's reps, one a cycle, use up all; 0 where no max is
        known."""
        if movement not in self.shares:
            return 0.0
        kept = math.exp(-tempo.cycle(movement) / RECOVERY_S)
        return (1 - kept) / (1 - kept ** mean_reps(self.shares[movement]))

    def _pick_up(self, movement: str, tempo: Tempo) -> float:
        """What it uses up to bring the bar to where a set begins: a clean, by the heaviest known,
        where that is the shoulders or higher."""
        if ORDER[CATALOGUE[movement].begins] < ORDER["rack"]:
            return 0.0
        cleans = [one for one in self.shares if _is_clean(one)]
        return max((self._part(one, tempo) for one in cleans), default=0.0)


def _is_clean(movement: str) -> bool:
    entry = CATALOGUE[movement]
    return ORDER[entry.begins] < ORDER["rack"] == ORDER[entry.ends]


def _rest_s(spent: float, reps: Sequence[tuple[float, float]], most: float) -> float:
    """Whole seconds until a set can be done to its end with nothing to spare, `most` at most."""
    own = _after(0.0, reps)
    left = _after(spent, reps) - own  # of what was used up before
    if own + left <= 1:
        return 0.0
    if own >= 1:
        return most
    return min(most, math.ceil(RECOVERY_S * math.log(left / (1 - own)) - _ROUNDING))


def _after(spent: float, reps: Sequence[tuple[float, float]]) -> float:
    """What is used up after reps, each with what it uses up and the seconds that it takes."""
    for part, took in reps:
        spent = spent * math.exp(-took / RECOVERY_S) + part
    return spent


def _sets(one: RoundPlan) -> list[list[MovementReps]]:
    return one.pattern.sets if one.pattern else [list(one.movements)]


def _pairs(one: RoundPlan) -> list[tuple[str, str]]:
    """The movements before and after every break of a round."""
    sets = _sets(one)
    return [(a[-1].movement, b[0].movement) for a, b in itertools.pairwise(sets)]


def _greedy(costs: Sequence[float], most: float) -> list[int]:
    """Lengths of sets, each as long as `most` lets it be."""
    lengths: list[int] = []
    used = math.inf
    for cost in costs:
        if used + cost > most + _ROUNDING:
            lengths.append(0)
            used = 0.0
        lengths[-1] += 1
        used += cost
    return lengths


def _together(names: Sequence[str]) -> list[MovementReps]:
    found: list[MovementReps] = []
    for name in names:
        if found and found[-1].movement == name:
            found[-1] = MovementReps(movement=name, reps=found[-1].reps + 1)
        else:
            found.append(MovementReps(movement=name, reps=1))
    return found
