"""From a plan file (TOML) to a `Plan`; everything that does not fit is refused in one sentence."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from repcount.attempt.records import MOST_WORKOUT_REPS, MovementReps, Workout
from repcount.errors import PlanError
from repcount.files import ordinary_bytes
from repcount.plan.file import (
    LARGEST_FILE,
    MOST_ROUNDS,
    MOST_TESTED,
    BreaksTable,
    MovementTable,
    PaceTable,
    PlanFile,
    WorkoutTable,
)
from repcount.plan.findings import finding_sentence, key_text, toml_data
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.pattern import Pattern, parse_pattern
from repcount.units import KG_PER_LB, from_ms, to_ms, total_ms
from repcount.wording import hint, listed, plural, shown


def load_plan(path: Path | str) -> Plan:
    """Read a plan file (TOML, UTF-8).

    Raises PlanError: one sentence that names the file, the key, the value, what is allowed, and a
    near spelling where there is one.
    """
    path = Path(path)
    try:
        text = ordinary_bytes(path, LARGEST_FILE).decode("utf-8-sig")
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
    data = toml_data(text, name, PlanError)
    try:
        file = PlanFile.model_validate(data)
    except ValidationError as error:
        raise PlanError(f"{name}: {finding_sentence(error, data)}") from error
    try:
        return resolve(file)
    except PlanError as error:
        raise PlanError(f"{name}: {error}") from error


def resolve(file: PlanFile) -> Plan:
    """Fit the parts of a plan file to each other. Raises PlanError without the file's name."""
    plan = fitted(file)
    check_time(plan)
    return plan


def fitted(file: PlanFile) -> Plan:
    """As `resolve`, but rounds may be too short for what is planned in them (`without_time`)."""
    table = file.workout
    rounds = _rounds(table)
    if table.load_kg is not None and table.load_lb is not None:
        raise PlanError(
            f"workout.load_kg = {table.load_kg:g} and workout.load_lb = {table.load_lb:g} both "
            "stand in the plan; give one of them."
        )
    load_kg = table.load_kg
    if table.load_lb is not None:
        load_kg = max(0.001, round(table.load_lb * KG_PER_LB, 3))  # never rounded to nothing
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
        target_s=pace.target_s,
    )
    for movement in plan.cycle_s:
        used = list(dict.fromkeys(part.movement for one in rounds for part in one))
        if movement not in used:
            raise PlanError(
                f"pace.cycle_s.{key_text(movement)} = {plan.cycle_s[movement]:g} is for a movement "
                f"that the workout does not have{hint(movement, used)}; it has {listed(used)}."
            )
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
    tested = [one for _, movements in tables for one in movements if one.reps == "max"]
    if tested and (len(tables) > 1 or len(tables[0][1]) > 1):
        raise PlanError(
            'reps = "max" is for an unbroken test: one round of one movement; give a number of '
            "reps in a workout with more."
        )
    rounds = [[_reps_of(one) for one in movements] for _, movements in tables]
    total = sum(part.reps for one in rounds for part in one)
    if total > MOST_WORKOUT_REPS:
        raise PlanError(
            f"the workout asks for {total} reps; at most {MOST_WORKOUT_REPS} in all are allowed."
        )
    return rounds


def _reps_of(one: MovementTable) -> MovementReps:
    if one.reps == "max":
        return MovementReps(movement=one.movement, reps=MOST_TESTED, to_max=True)
    return MovementReps(movement=one.movement, reps=one.reps)


def _patterns(
    breaks: BreaksTable | None, rounds: Sequence[Sequence[MovementReps]]
) -> list[Pattern | None]:
    """The break pattern of every round, or None for each where the plan has none."""
    if breaks is None:
        return [None] * len(rounds)
    if rounds[0][0].to_max:
        raise PlanError(
            'breaks do not go with reps = "max": an unbroken test is one set; leave [breaks] out.'
        )
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
                f"breaks.patterns has {plural(len(breaks.patterns), 'entry', 'entries')}, but the "
                f"workout has {plural(len(rounds), 'round')}; give one pattern a round."
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
                f"breaks.seconds has {plural(len(lists), 'list')}, but the workout has "
                f"{plural(len(marks), 'round')}; give one list a round."
            )
        for number, (one, count) in _count(zip(lists, marks, strict=True)):
            if len(one) != count:
                raise PlanError(
                    f"breaks.seconds[{number}] = {shown(one)} has "
                    f"{plural(len(one), 'number')}, but the pattern of round "
                    f"{number} has {count} |; give one number a |."
                )
        return lists
    flat = [one for one in seconds if isinstance(one, (int, float))]
    if all(len(flat) == count for count in marks):
        return [list(flat) for _ in marks]
    if len(flat) == sum(marks):
        left = iter(flat)
        return [[next(left) for _ in range(count)] for count in marks]
    counts = listed([str(count) for count in marks])
    raise PlanError(
        f"breaks.seconds = {shown(flat)} has {plural(len(flat), 'number')}, but the rounds "
        f"have {counts} |; give one number, or one a |, or one list a round."
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
            f"{key} = {shown(value)} has {plural(len(value), 'number')}, but the workout "
            f"has {count} {what}; give one number, or {count} in a list."
        )
    return list(value)


def check_time(plan: Plan) -> None:
    """Breaks and other planned parts of a round must leave time within it. Raises PlanError."""
    for number, named, parts_s in without_time(plan):
        raise PlanError(
            f"pace.round_s = {plan.rounds[number - 1].round_s:g} for round {number} leaves no time "
            f"to work: {named} planned in it take {parts_s:g} s; make round_s longer or them "
            "shorter."
        )


def without_time(plan: Plan) -> list[tuple[int, str, float]]:
    """Rounds that what is planned in them leaves no time to work: number, parts, their seconds."""
    found = []
    for number, one in _count(plan.rounds):
        if one.round_s is None:
            continue
        parts = to_ms(one.break_total_s)
        parts += total_ms(plan.planned_cycle_s(number).values())
        parts += to_ms(plan.planned_transition_s(number) or 0)
        if parts >= to_ms(one.round_s):
            named = (
                "the breaks"
                if parts == to_ms(one.break_total_s)
                else ("the breaks, cycles and transitions")
            )
            found.append((number, named, from_ms(parts)))
    return found


def _count(things: Iterable[Any]) -> Iterable[tuple[int, Any]]:
    return enumerate(things, 1)
