"""From a plan file (TOML) to a `Plan`; everything that does not fit is refused in one sentence."""

from __future__ import annotations

import difflib
import itertools
import json
import re
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, WithJsonSchema
from pydantic_core import PydanticCustomError

from repcount.errors import PlanError
from repcount.plan.model import KG_PER_LB, Plan, RoundPlan
from repcount.reading.movements import MOVEMENT_NAMES
from repcount.plan.pattern import Pattern, parse_pattern
from repcount.records import MovementReps, Workout, from_ms, to_ms

LARGEST_FILE = 1_000_000  # bytes; a plan has a few hundred
MOST_ROUNDS = 200
MOST_REPS = 1000
LONGEST_S = 86_400


class Table(BaseModel):
    """A table of the file: its own keys only, and no value is bent into another type."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


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
    reps: Reps = Field(description=f"a whole number from 1 to {MOST_REPS}")


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


class PlanFile(Table):
    """A plan file: a workout, and what is planned for it."""

    athlete: Text | None = Field(None, description="the athlete's name")
    notes: Annotated[str, Field(max_length=5000)] | None = Field(
        None, description="text of at most 5000 characters"
    )
    workout: WorkoutTable = Field(description="a [workout] table")
    breaks: BreaksTable | None = Field(None, description="a [breaks] table")
    pace: PaceTable | None = Field(None, description="a [pace] table")


_TABLES: dict[tuple[str, ...], type[Table]] = {
    (): PlanFile,
    ("workout",): WorkoutTable,
    ("workout", "movements"): MovementTable,
    ("workout", "round"): RoundTable,
    ("workout", "round", "movements"): MovementTable,
    ("breaks",): BreaksTable,
    ("pace",): PaceTable,
}


def load_plan(path: Path | str) -> Plan:
    """Read a plan file (TOML, UTF-8).

    Raises PlanError: one sentence that names the file, the key, the value, what is allowed, and a
    near spelling where there is one.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise PlanError(f"{path}: is too large for a plan; give a TOML file under 1 MB.")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PlanError(f"{path}: cannot be read ({reason}); check the path.") from error
    except UnicodeDecodeError as error:
        raise PlanError(
            f"{path}: is no UTF-8 text (byte {error.start + 1}); save the plan as UTF-8."
        ) from error
    return parse_plan(text, str(path))


def parse_plan(text: str, name: str = "plan") -> Plan:
    """Read a plan from TOML text; `name` stands for the file in the sentence of a PlanError."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(_toml_sentence(error, text, name)) from error
    except RecursionError as error:
        raise PlanError(f"{name}: is nested too deeply for a plan; write it flat.") from error
    try:
        file = PlanFile.model_validate(data)
    except ValidationError as error:
        raise PlanError(f"{name}: {_sentence(error, data)}") from error
    try:
        return _resolve(file)
    except PlanError as error:
        raise PlanError(f"{name}: {error}") from error


def plan_schema_text() -> str:
    """The JSON Schema (2020-12) of a plan file, as text."""
    schema = PlanFile.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True) + "\n"


def _resolve(file: PlanFile) -> Plan:
    """Fit the parts of a plan file to each other. Raises PlanError without the file's name."""
    table = file.workout
    rounds = _rounds(table)
    if table.load_kg is not None and table.load_lb is not None:
        raise PlanError(
            f"workout.load_kg = {table.load_kg:g} and workout.load_lb = {table.load_lb:g} both "
            "stand in the plan; give one of them."
        )
    load_kg = table.load_kg
    if table.load_lb is not None:
        load_kg = round(table.load_lb * KG_PER_LB, 3)
    patterns = _patterns(file.breaks, rounds)
    break_s = _break_seconds(file.breaks, patterns)
    pace = file.pace or PaceTable.model_validate({})
    round_s: Sequence[float | None] = _one_each(
        "pace.round_s", pace.round_s, len(rounds), "rounds"
    ) or [None] * len(rounds)
    plan = Plan(
        athlete=file.athlete,
        notes=file.notes,
        workout=Workout(
            name=table.name, rounds=rounds, load_kg=load_kg, time_cap_s=table.time_cap_s
        ),
        load_lb=table.load_lb,
        rounds=[
            RoundPlan(movements=movements, pattern=pattern, break_s=seconds, round_s=planned)
            for movements, pattern, seconds, planned in zip(
                rounds, patterns, break_s, round_s, strict=True
            )
        ],
        between_rounds_s=_one_each(
            "pace.between_rounds_s",
            pace.between_rounds_s,
            len(rounds) - 1,
            "times between two rounds",
        ),
        start_s=pace.start_s,
        transition_s=pace.transition_s,
        cycle_s=pace.cycle_s or {},
    )
    for movement in plan.cycle_s:
        used = list(dict.fromkeys(part.movement for one in rounds for part in one))
        if movement not in used:
            raise PlanError(
                f"pace.cycle_s.{_key(movement)} = {plan.cycle_s[movement]:g} is for a movement "
                f"that the workout does not have{_hint(movement, used)}; it has {_listed(used)}."
            )
    _check_time(plan)
    return plan


def _rounds(table: WorkoutTable) -> list[list[MovementReps]]:
    """The movements of every round, from either form of the workout table."""
    if table.round is not None:
        if table.movements is not None:
            raise PlanError(
                "workout.movements and workout.round both stand in the plan; give "
                "[[workout.movements]] with rounds = a number, or one [[workout.round]] a round."
            )
        if table.rounds not in (None, len(table.round)):
            raise PlanError(
                f"workout.rounds = {table.rounds}, but there are {len(table.round)} "
                "[[workout.round]] tables; leave rounds out or make the two agree."
            )
        tables = [(f"workout.round[{n}].movements", r.movements) for n, r in _count(table.round)]
    else:
        if table.movements is None:
            raise PlanError(
                "workout.movements is missing; give [[workout.movements]] tables, each with "
                "movement and reps (or one [[workout.round]] a round, where rounds differ)."
            )
        if table.rounds is None:
            raise PlanError(
                f"workout.rounds is missing; give a whole number from 1 to {MOST_ROUNDS}."
            )
        tables = [("workout.movements", table.movements)] * table.rounds
    for key, movements in tables:
        for place, (one, after) in _count(itertools.pairwise(movements)):
            if one.movement == after.movement:
                raise PlanError(
                    f'{key}[{place + 1}].movement = "{after.movement}" repeats the movement '
                    "before it; write the two as one with their reps added up."
                )
    return [
        [MovementReps(movement=one.movement, reps=one.reps) for one in movements]
        for _, movements in tables
    ]


def _patterns(
    breaks: BreaksTable | None, rounds: Sequence[Sequence[MovementReps]]
) -> list[Pattern | None]:
    """The break pattern of every round, or None for each where the plan has none."""
    if breaks is None:
        return [None] * len(rounds)
    if breaks.pattern is not None and breaks.patterns is not None:
        raise PlanError(
            "breaks.pattern and breaks.patterns both stand in the plan; give pattern where every "
            "round follows the same, patterns where they differ."
        )
    if breaks.pattern is None and breaks.patterns is None:
        raise PlanError(
            'breaks.pattern is missing; give a pattern, for example "7 | 1+5 | 1+4", or patterns '
            "with one a round."
        )
    if breaks.patterns is not None:
        if len(breaks.patterns) != len(rounds):
            raise PlanError(
                f"breaks.patterns has {len(breaks.patterns)} entries, but the workout has "
                f"{len(rounds)} rounds; give one pattern a round."
            )
        return [
            parse_pattern(text, movements, f"breaks.patterns[{number}]")
            for number, (text, movements) in _count(zip(breaks.patterns, rounds, strict=True))
        ]
    text = breaks.pattern or ""
    found: list[Pattern | None] = []
    for number, movements in _count(rounds):
        try:
            found.append(parse_pattern(text, movements, "breaks.pattern"))
        except PlanError as error:
            if number == 1:
                raise
            raise PlanError(
                f"{str(error).removesuffix('.')} (in round {number}; where rounds differ, give "
                "breaks.patterns with one a round)."
            ) from error
    return found


def _break_seconds(
    breaks: BreaksTable | None, patterns: Sequence[Pattern | None]
) -> list[list[float]]:
    """The length of every planned break, by round."""
    marks = [len(pattern.sets) - 1 if pattern else 0 for pattern in patterns]
    seconds = breaks.seconds if breaks else None
    if seconds is None:
        if sum(marks):
            raise PlanError(
                "breaks.seconds is missing; give the length of the breaks: one number, or a list "
                "with one a |, or one list a round."
            )
        return [[] for _ in marks]
    if isinstance(seconds, (int, float)):
        return [[float(seconds)] * count for count in marks]
    if seconds and isinstance(seconds[0], list):
        lists = [list(one) for one in seconds if isinstance(one, list)]
        if len(lists) != len(marks):
            raise PlanError(
                f"breaks.seconds has {len(lists)} lists, but the workout has {len(marks)} rounds; "
                "give one list a round."
            )
        for number, (one, count) in _count(zip(lists, marks, strict=True)):
            if len(one) != count:
                raise PlanError(
                    f"breaks.seconds[{number}] = {_value(one)} has {len(one)} numbers, but the "
                    f"pattern of round {number} has {count} |; give one number a |."
                )
        return lists
    flat = [one for one in seconds if isinstance(one, (int, float))]
    if all(len(flat) == count for count in marks):
        return [list(flat) for _ in marks]
    if len(flat) == sum(marks):
        left = iter(flat)
        return [[next(left) for _ in range(count)] for count in marks]
    counts = _listed([str(count) for count in marks])
    raise PlanError(
        f"breaks.seconds = {_value(flat)} has {len(flat)} numbers, but the rounds have {counts} |; "
        "give one number, or one a |, or one list a round."
    )


def _one_each(
    key: str, value: float | list[float] | None, count: int, what: str
) -> list[float] | None:
    """One number for each of `count` things, from a number or a list."""
    if value is None:
        return None
    if isinstance(value, (int, float)):
        return [float(value)] * count
    if len(value) != count:
        raise PlanError(
            f"{key} = {_value(value)} has {len(value)} numbers, but the workout has {count} "
            f"{what}; give one number, or {count} in a list."
        )
    return list(value)


def _check_time(plan: Plan) -> None:
    """Breaks and other planned parts of a round must leave time within it."""
    for number, one in _count(plan.rounds):
        if one.round_s is None:
            continue
        parts = to_ms(one.break_total_s)
        parts += sum(map(to_ms, plan.planned_cycle_s(number).values()))
        parts += to_ms(plan.planned_transition_s(number) or 0)
        if parts >= to_ms(one.round_s):
            named = (
                "the breaks"
                if parts == to_ms(one.break_total_s)
                else ("the breaks, cycles and changes of movement")
            )
            raise PlanError(
                f"pace.round_s = {one.round_s:g} for round {number} leaves no time to work: "
                f"{named} planned in it take {from_ms(parts):g} s; make round_s longer or them "
                "shorter."
            )


def _sentence(error: ValidationError, data: dict[str, Any]) -> str:
    """The most telling of pydantic's findings as a sentence, without the file's name."""
    found = error.errors(include_url=False)
    # a misspelt key leaves the right one missing: say the misspelling
    first = min(found, key=lambda one: one["type"] != "extra_forbidden")
    tables = tuple(part for part in first["loc"][:-1] if isinstance(part, str))
    if first["type"] == "extra_forbidden":
        allowed = list(_TABLES[tables].model_fields)
        where = f"in [{'.'.join(tables)}]" if tables else "at the top"
        word = str(first["loc"][-1])
        return (
            f"{_dotted(first['loc'])} is not a key of a plan{_hint(word, allowed)}; allowed "
            f"{where} are {_listed(allowed)}."
        )
    where_to, description = _described(first["loc"])
    key = _dotted(where_to)
    if first["type"] == "missing":
        return f"{key} is missing; give {description}."
    value = _look_up(data, where_to)
    if first["type"] == "unknown_movement":
        word = str(first["loc"][-2] if first["loc"][-1] == "[key]" else value)
        at = key if first["loc"][-1] != "[key]" else f"{key}.{_key(word)}"
        told = at if first["loc"][-1] == "[key]" else f"{at} = {_value(word)}"
        return (
            f"{told} is not a movement known here{_hint(word, MOVEMENT_NAMES)}; allowed are "
            f"{_listed([_value(name) for name in MOVEMENT_NAMES])}."
        )
    return f"{key} = {_value(value)} does not fit; allowed: {description}."


def _described(loc: Sequence[str | int]) -> tuple[tuple[str | int, ...], str]:
    """The part of a finding's place that the file knows, and what is allowed there.

    pydantic's places go on inside a value (the branch of a union, an item, a key): the sentence
    speaks of the whole value there.
    """
    model: type[Table] = PlanFile
    path: list[str | int] = []
    tables: tuple[str, ...] = ()
    description = "a table"
    for part in loc:
        if isinstance(part, int):
            if tables not in _TABLES:
                break
            path.append(part)
            description = "a table"
            continue
        if part not in model.model_fields:
            break
        path.append(part)
        description = model.model_fields[part].description or description
        tables = (*tables, part)
        if tables not in _TABLES:
            break
        model = _TABLES[tables]
    return tuple(path), description


def _look_up(data: Any, path: Iterable[str | int]) -> Any:
    for part in path:
        data = data[part]
    return data


def _dotted(loc: Iterable[str | int]) -> str:
    """A place in the file, tables of a list counted from 1: `workout.movements[2].reps`."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{_key(part)}"
    return text.removeprefix(".")


def _key(word: str) -> str:
    return word if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", word) else _value(word)


def _value(value: Any) -> str:
    """A value as it may stand in a sentence: short, and without control characters."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    text = "".join(one if one.isprintable() else "?" for one in text)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _hint(word: str, options: Sequence[str]) -> str:
    near = near_spelling(word, options)
    return f' (did you mean "{near}"?)' if near else ""


def near_spelling(word: str, options: Sequence[str]) -> str | None:
    """The option that is spelt most like `word`, capitals aside; None where none is close."""
    folded = {option.casefold(): option for option in options}
    close = difflib.get_close_matches(word.casefold()[:200], list(folded), n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def _listed(words: Sequence[str]) -> str:
    return ", ".join(words)


def _count(things: Iterable[Any]) -> Iterable[tuple[int, Any]]:
    return enumerate(things, 1)


def _toml_sentence(error: tomllib.TOMLDecodeError, text: str, name: str) -> str:
    message = str(error)
    at = re.fullmatch(r"(?P<what>.*) \(at line (?P<line>\d+), column (?P<column>\d+)\)", message)
    if at:
        what, line, column = at["what"], int(at["line"]), int(at["column"])
    else:  # "(at end of document)"
        what = message.split(" (at ")[0]
        line, column = text.count("\n") + 1, len(text.rpartition("\n")[2]) + 1
    what = "".join(one if one.isprintable() else "?" for one in what)
    return (
        f"{name}: line {line}, column {column}: is not valid TOML ({what[:1].lower()}{what[1:]}); "
        "mend the line."
    )
