"""How long the parts of a round take: from top to top, before anybody has been filmed.

A round is cut into steps, each from one rep's top to the next one's. Their typical times are
assumptions (common practice, no source): for deadlift, hang power clean, push jerk and thruster a
range is stated in the project's notes on priors, the others are set beside them by their path. They
share a round's time between its sets on a clock card, say when a target cannot be met, and are the
priors of the slowing model; nothing here is measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from repcount.attempt.movements import CATALOGUE, ORDER
from repcount.attempt.records import MovementReps, Zone
from repcount.plan.pattern import Pattern
from repcount.units import to_ms

StepKind = Literal["first", "cycle", "change", "break"]
Pace = Literal["brisk", "typical", "slow"]

# Seconds from top to top in a set: brisk and slow. Assumptions (common practice, no source).
CYCLE_RANGE_S: dict[str, tuple[float, float]] = {
    "deadlift": (1.2, 2.2),
    "sumo deadlift": (1.2, 2.2),
    "Romanian deadlift": (1.4, 2.4),
    "power clean": (2.0, 4.0),
    "clean": (2.6, 5.0),
    "hang power clean": (1.5, 2.5),
    "hang clean": (2.2, 3.6),
    "power snatch": (2.2, 4.6),
    "snatch": (3.0, 6.0),
    "hang power snatch": (1.8, 3.4),
    "hang snatch": (2.4, 4.4),
    "strict press": (1.8, 3.2),
    "push press": (1.3, 2.3),
    "push jerk": (1.4, 2.4),
    "split jerk": (1.8, 3.2),
    "shoulder to overhead": (1.4, 2.4),
    "front squat": (1.9, 3.1),
    "back squat": (1.9, 3.3),
    "overhead squat": (2.0, 3.4),
    "thruster": (2.0, 3.0),
    "cluster": (3.5, 6.5),
    "sumo deadlift high pull": (1.6, 3.0),
    "bent-over row": (1.2, 2.2),
    "other bar movement": (1.4, 3.0),
}
RISE_SHARE = 0.45  # of a cycle, from the rep's start to its top
# From a rep's top until the bar has settled on the floor, by the zone of the top.
PUT_DOWN_S: dict[Zone, float] = {"hang": 0.9, "rack": 1.2, "back": 1.8, "overhead": 1.5}
# From the floor to where a rep begins.
PICK_UP_S: dict[Zone, float] = {
    "floor": 0.0,
    "hang": 1.0,
    "rack": 1.6,
    "back": 3.0,
    "overhead": 3.4,
}
# Lifts that a pick-up costs: none from the floor, a deadlift, a clean, a clean and more.
PICK_UP_LIFTS: dict[Zone, int] = {"floor": 0, "hang": 1, "rack": 2, "back": 3, "overhead": 3}
SAME_ZONE_S, LOWER_S, RAISE_S = 0.5, 0.5, 1.2  # at a change: settle, go down or up by a zone
BRISK_STEP, SLOW_STEP = 0.7, 1 / 0.7  # of the typical time
USUAL_SHARE = 0.5  # of the max, which typical times are for: the trade's own load (`working_load`)
LOAD_SLOWS = 0.5  # log seconds a log of load; assumption


@dataclass(frozen=True)
class Step:
    """From the top before to this rep's top; `first`: from the round's first start.

    `before` is the movement of the top before (None for `first`), `at` the rep's place in its
    round, from 1. Kinds: `cycle` in one set and movement, `change` to another movement in one set,
    `break` over a break.
    """

    kind: StepKind
    movement: str
    before: str | None
    at: int

    @property
    def key(self) -> str:
        """The name of what takes the time: a cycle's movement, or the kind of way."""
        if self.kind == "cycle":
            return f"cycle {self.movement}"
        if self.kind == "first":
            return f"first {self.movement}"
        word = "to" if self.kind == "change" else "break"
        return f"{self.before} {word} {self.movement}"


@dataclass(frozen=True)
class Tempo:
    """Seconds that steps take: typical ones, or an athlete's where given.

    `shares`: the load as a fraction of the max, by movement. Typical cycles are those of half of
    the max, and longer at a heavier load, within the range that the catalogue has.
    """

    cycle_s: Mapping[str, float] = field(default_factory=dict)
    transition_s: float | None = None
    shares: Mapping[str, float] = field(default_factory=dict)

    def cycle(self, movement: str, pace: Pace = "typical") -> float:
        """Seconds of a cycle at a pace."""
        if movement in self.cycle_s:
            return self.cycle_s[movement]
        low, high = CYCLE_RANGE_S[movement]
        heavier = (self.shares.get(movement, USUAL_SHARE) / USUAL_SHARE) ** LOAD_SLOWS
        if pace == "slow":
            return high
        if pace == "brisk":
            return min(high, low * max(1.0, heavier))
        return min(high, max(low, math.sqrt(low * high) * heavier))

    def pieces(self, step: Step, pace: Pace = "typical") -> tuple[float, float]:
        """Seconds of a step before and after its break; without one, all of them are after."""
        if step.kind == "cycle":
            return 0.0, self.cycle(step.movement, pace)
        scale = {"brisk": BRISK_STEP, "typical": 1.0, "slow": SLOW_STEP}[pace]
        rise = scale * RISE_SHARE * self.cycle(step.movement)
        if step.before is None:
            return 0.0, rise
        changes = step.before != step.movement
        if step.kind == "change":
            turn = scale * _turn_s(step.before, step.movement)
            return 0.0, rise + (turn if self.transition_s is None else self.transition_s)
        down, up = PUT_DOWN_S[CATALOGUE[step.before].ends], _pick_up_s(step.movement)
        if changes and self.transition_s is not None:
            scale = self.transition_s / (down + up)
        return scale * down, scale * up + rise

    def step_s(self, step: Step, pace: Pace = "typical") -> float:
        """Seconds of a step, its break not counted."""
        return sum(self.pieces(step, pace))

    def work_ms(self, steps: Sequence[Step], pace: Pace = "typical") -> int:
        """Milliseconds of all steps, breaks not counted; cycles and changes as given where they
        are, else at the pace."""
        return sum(to_ms(self.step_s(step, pace)) for step in steps)

    def pieces_for(self, steps: Sequence[Step], work_ms: int) -> list[tuple[int, int]]:
        """Milliseconds of every step before and after its break, for a round with so much work:
        all as far from their typical time towards the slow or the brisk one. Beyond those, in
        proportion. Rounded each, so that their sum misses `work_ms` by some."""
        typical = self.work_ms(steps)
        pace: Pace = "slow" if work_ms >= typical else "brisk"
        end = self.work_ms(steps, pace)
        part = 0.0 if end == typical else min(1.0, (work_ms - typical) / (end - typical))
        beyond = work_ms / (typical + part * (end - typical))
        found: list[tuple[int, int]] = []
        for step in steps:
            pairs = zip(self.pieces(step), self.pieces(step, pace), strict=True)
            before, after = (beyond * (one + part * (other - one)) for one, other in pairs)
            found.append((to_ms(before), to_ms(after)))
        return found


TYPICAL = Tempo()


def typical_cycle_s(movement: str) -> float:
    """The middle (geometric) of a movement's typical range."""
    low, high = CYCLE_RANGE_S[movement]
    return math.sqrt(low * high)


def _pick_up_s(movement: str) -> float:
    return PICK_UP_S[CATALOGUE[movement].begins]


def _turn_s(before: str, movement: str) -> float:
    """Seconds from the top of one movement to where the next begins, without a break."""
    zones = ORDER[CATALOGUE[movement].begins] - ORDER[CATALOGUE[before].ends]
    return SAME_ZONE_S + (RAISE_S * zones if zones > 0 else -LOWER_S * zones)


def steps_of(movements: Sequence[MovementReps], pattern: Pattern | None) -> list[Step]:
    """The steps of a round, in order. Without a pattern, the round is one set."""
    sets = pattern.sets if pattern else [list(movements)]
    steps: list[Step] = []
    before: str | None = None
    for one in sets:
        opens = bool(steps)
        for part in one:
            for _ in range(part.reps):
                kind: StepKind
                if before is None:
                    kind = "first"
                elif opens:
                    kind = "break"
                else:
                    kind = "cycle" if before == part.movement else "change"
                steps.append(Step(kind, part.movement, before, len(steps) + 1))
                before, opens = part.movement, False
    return steps


def pick_up_lifts(movement: str) -> int:
    """Lifts that going on with a movement costs after the bar was on the floor."""
    return PICK_UP_LIFTS[CATALOGUE[movement].begins]


def leads_into(before: str, movement: str) -> bool:
    """Whether a movement's top is where the next one begins, and that saves a lift after a break:
    the last clean before a press, the last deadlift before a clean from the hang."""
    one, other = CATALOGUE[before], CATALOGUE[movement]
    return one.ends == other.begins and pick_up_lifts(before) < pick_up_lifts(movement)
