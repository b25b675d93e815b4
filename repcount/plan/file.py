"""The plan file as a person writes it: its tables, keys and values, and their JSON Schema."""

from __future__ import annotations

import json
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from repcount.attempt.movements import MOVEMENT_NAMES

MOST_ROUNDS = 200
MOST_REPS = 1000
MOST_TESTED = 100  # reps that are looked for in an unbroken test
LONGEST_S = 86_400
LONGEST_NOTES = 5000
LARGEST_FILE = 1_000_000  # bytes; a plan has a few hundred


class Table(BaseModel):
    """A table of the file: its own keys only, and no value is bent into another type."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)


PositiveSeconds = Annotated[float, Field(gt=0, le=LONGEST_S)]
SomeSeconds = Annotated[float, Field(ge=0, le=LONGEST_S)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Reps = Annotated[int, Field(ge=1, le=MOST_REPS)]


def _known_movement(name: str) -> str:
    if name not in MOVEMENT_NAMES:
        raise PydanticCustomError("unknown_movement", "is not a movement known here")
    return name


MovementName = Annotated[
    str,
    AfterValidator(_known_movement),
    WithJsonSchema({"type": "string", "enum": list(MOVEMENT_NAMES)}),
]


class MovementTable(Table):
    """One movement of a round."""

    movement: MovementName = Field(description="a movement's name")
    reps: Reps | Literal["max"] = Field(
        description=f'a whole number from 1 to {MOST_REPS}, or "max" for an unbroken test'
    )


class RoundTable(Table):
    """One round of a workout whose rounds differ."""

    movements: list[MovementTable] = Field(
        min_length=1, description="[[workout.round.movements]] tables, each with movement and reps"
    )


class WorkoutTable(Table):
    """What is to be done."""

    name: Text = Field(description='the workout\'s name, for example "Slate"')
    rounds: Annotated[int, Field(ge=1, le=MOST_ROUNDS)] | None = Field(
        None, description=f"a whole number from 1 to {MOST_ROUNDS}"
    )
    load_kg: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="kilograms, more than 0 and at most 1000"
    )
    load_lb: Annotated[float, Field(gt=0, le=2200)] | None = Field(
        None, description="pounds, more than 0 and at most 2200"
    )
    time_cap_s: PositiveSeconds | None = Field(None, description="seconds, more than 0")
    movements: Annotated[list[MovementTable], Field(min_length=1)] | None = Field(
        None, description="[[workout.movements]] tables, each with movement and reps"
    )
    round: Annotated[list[RoundTable], Field(min_length=1, max_length=MOST_ROUNDS)] | None = Field(
        None, description="[[workout.round]] tables, each with [[workout.round.movements]]"
    )


class BreaksTable(Table):
    """Where the bar goes down, and for how long."""

    pattern: str | None = Field(
        None, description='a pattern that every round follows, for example "7 | 1+5 | 1+4"'
    )
    patterns: list[str] | None = Field(
        None, description='one pattern a round, for example ["9 | 6", "7 | 5"]'
    )
    seconds: SomeSeconds | list[SomeSeconds] | list[list[SomeSeconds]] | None = Field(
        None, description="seconds: one number, or a list with one a |, or one list a round"
    )


class PaceTable(Table):
    """How long the parts take."""

    round_s: PositiveSeconds | list[PositiveSeconds] | None = Field(
        None, description="seconds, more than 0: one number, or a list with one a round"
    )
    between_rounds_s: SomeSeconds | list[SomeSeconds] | None = Field(
        None, description="seconds: one number, or a list with one between each two rounds"
    )
    cycle_s: dict[MovementName, PositiveSeconds] | None = Field(
        None, description="a table of seconds by movement, each more than 0"
    )
    transition_s: SomeSeconds | None = Field(None, description="seconds, 0 or more")
    start_s: SomeSeconds | None = Field(None, description="seconds, 0 or more")
    target_s: PositiveSeconds | None = Field(
        None, description="seconds, more than 0: the total that the pace is made for"
    )


class PlanFile(Table):
    """A plan file: a workout, and what is planned for it."""

    athlete: Text | None = Field(None, description="the athlete's name")
    notes: Annotated[str, Field(max_length=LONGEST_NOTES)] | None = Field(
        None, description="text of at most 5000 characters"
    )
    workout: WorkoutTable = Field(description="a [workout] table")
    breaks: BreaksTable | None = Field(None, description="a [breaks] table")
    pace: PaceTable | None = Field(None, description="a [pace] table")


TABLES: dict[tuple[str, ...], type[Table]] = {
    (): PlanFile,
    ("workout",): WorkoutTable,
    ("workout", "movements"): MovementTable,
    ("workout", "round"): RoundTable,
    ("workout", "round", "movements"): MovementTable,
    ("breaks",): BreaksTable,
    ("pace",): PaceTable,
}


def plan_schema_text() -> str:
    """The JSON Schema (2020-12) of a plan file, as text."""
    schema = PlanFile.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True) + "\n"
