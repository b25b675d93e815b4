"""A plan as it is used: a workout with load, break pattern and pace for one athlete."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Self

from pydantic import Field, model_validator

from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import MovementReps, PlannedBreak, Record, Timed, Workout
from repcount.plan.pattern import Pattern
from repcount.units import Ms, Seconds, to_ms, total_ms


class RoundPlan(Record):
    """What is planned for one round. `None` where the plan says nothing."""

    movements: list[MovementReps] = Field(min_length=1)
    pattern: Pattern | None = None
    break_s: list[Seconds] = Field(default_factory=list, description="one for each | in order")
    round_s: Seconds | None = Field(None, gt=0, description="breaks included")

    @model_validator(mode="after")
    def _used_up(self) -> Self:
        sets = self.pattern.sets if self.pattern is not None else [self.movements]
        if not all(sets) or _reps_in_turn([*itertools.chain(*sets)]) != _reps_in_turn(
            self.movements
        ):
            raise ValueError("a pattern uses up the reps of its round")
        breaks = self.pattern.breaks_after() if self.pattern is not None else []
        if len(self.break_s) != len(breaks):
            raise ValueError("a round has one length for each break")
        if any(part.movement not in CATALOGUE for part in self.movements):
            raise ValueError("the movements of a round are of those known here")
        return self

    @property
    def reps(self) -> int:
        """Reps the round asks for."""
        return sum(part.reps for part in self.movements)

    @property
    def break_total_s(self) -> float:
        """Seconds of all planned breaks of the round."""
        return total_ms(self.break_s).seconds

    @property
    def work_s(self) -> float | None:
        """The round's time less its breaks."""
        if self.round_s is None:
            return None
        return (to_ms(self.round_s) - total_ms(self.break_s)).seconds


def _reps_in_turn(parts: Sequence[MovementReps]) -> list[tuple[str, int]]:
    """Movements and their reps, those of one movement in a row taken together."""
    return [
        (movement, sum(part.reps for part in run))
        for movement, run in itertools.groupby(parts, key=lambda part: part.movement)
    ]


class PlannedRound(Timed, Record):
    """Where a round lies on the planned clock, in seconds from the start signal."""

    round: int
    start_s: Seconds
    end_s: Seconds


class Plan(Record):
    """A workout with load, break pattern and pace for one athlete.

    Made by `load_plan` or `parse_plan`, which check that its parts fit each other.
    """

    athlete: str | None = None
    notes: str | None = None
    workout: Workout
    load_lb: float | None = Field(None, description="as written, where the plan gives pounds")
    rounds: list[RoundPlan] = Field(min_length=1)
    between_rounds_s: list[Seconds] | None = Field(None, description="one between each two rounds")
    start_s: Seconds | None = Field(None, description="start signal to the first rep's start")
    transition_s: Seconds | None = Field(
        None, description="for each transition from one movement to the next"
    )
    cycle_s: dict[str, Seconds] = Field(default_factory=dict, description="by movement")
    target_s: Seconds | None = Field(
        None, description="the total that the pace is made for; planned times may miss it"
    )

    @model_validator(mode="after")
    def _of_one_workout(self) -> Self:
        if [one.movements for one in self.rounds] != self.workout.rounds:
            raise ValueError("the rounds of a plan are those of its workout")
        if len({one.pattern is None for one in self.rounds}) > 1:
            raise ValueError("all rounds of a plan have a pattern, or none has")
        gaps = self.between_rounds_s
        if gaps is not None and len(gaps) != len(self.rounds) - 1:
            raise ValueError("a plan has one time between each two rounds")
        return self

    @property
    def has_breaks(self) -> bool:
        """Whether the plan says where the bar goes down (a pattern without | says: nowhere)."""
        return self.rounds[0].pattern is not None

    @property
    def planned_total_s(self) -> float | None:
        """Start piece, rounds and the time between them; `None` without planned rounds.

        A start piece or a time between rounds that the plan does not give counts as 0.
        """
        return self.planned_until_s(len(self.rounds))

    def planned_until_s(self, rounds: int) -> float | None:
        """The planned clock at the end of the given round, counted from 1 (0 before the first)."""
        if any(one.round_s is None for one in self.rounds):
            return None
        if rounds == 0:
            return 0.0
        done = [one.round_s or 0.0 for one in self.rounds[:rounds]]
        between = (self.between_rounds_s or [])[: rounds - 1]
        return total_ms([self.start_s or 0.0, *done, *between]).seconds

    def planned_clock(self) -> list[PlannedRound]:
        """Start and end of every round on the planned clock; empty without planned rounds."""
        clock = []
        for number, one in enumerate(self.rounds, 1):
            end = self.planned_until_s(number)
            if end is None or one.round_s is None:
                return []
            start = (to_ms(end) - to_ms(one.round_s)).seconds
            clock.append(PlannedRound(round=number, start_s=start, end_s=end))
        return clock

    def tested(self, workout: Workout) -> Plan:
        """An unbroken test's plan with the reps that the attempt came to; any other as it is."""
        if not (self.workout.to_max and workout.to_max):
            return self
        movements = workout.rounds[0]
        same = self.workout.rounds[0][0].movement == movements[0].movement
        if not same:
            return self
        pattern = Pattern(sets=[movements]) if self.has_breaks else None
        one = self.rounds[0].model_copy(update={"movements": movements, "pattern": pattern})
        done = self.workout.tested(movements[0].reps)
        return self.model_copy(update={"workout": done, "rounds": [one]})

    def planned_breaks(self) -> list[PlannedBreak]:
        """Every `|` of the plan with its length, in order."""
        return [
            PlannedBreak(round=number, after=after, seconds=seconds)
            for number, one in enumerate(self.rounds, 1)
            if one.pattern is not None
            for after, seconds in zip(one.pattern.breaks_after(), one.break_s, strict=True)
        ]

    def planned_sets(self) -> list[str]:
        """The break pattern as written, one a round; empty without a pattern."""
        return [str(one.pattern) for one in self.rounds if one.pattern is not None]

    def planned_cycle_s(self, number: int) -> dict[str, float]:
        """Planned seconds of all cycles of a round, by movement (for those with a `cycle_s`).

        A set of n reps of a movement has n - 1 cycles. Without a pattern, a movement is one set.
        """
        one = self.rounds[number - 1]
        if self.workout.to_max:  # as many as there are
            return {}
        sets = one.pattern.sets if one.pattern else [one.movements]
        total = dict.fromkeys(self.cycle_s, Ms(0))
        for part in (part for one_set in sets for part in one_set):
            if part.movement in total:
                total[part.movement] += to_ms(self.cycle_s[part.movement]) * (part.reps - 1)
        return {name: ms.seconds for name, ms in total.items()}

    def planned_transition_s(self, number: int) -> float | None:
        """Planned seconds of all transitions in a round, breaks not included."""
        if self.transition_s is None:
            return None
        changes = len(self.rounds[number - 1].movements) - 1
        return Ms(to_ms(self.transition_s) * changes).seconds
