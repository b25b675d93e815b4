"""A plan as the TOML file that `load_plan` reads back to the same plan."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from repcount.attempt.records import MovementReps
from repcount.plan.findings import key_text
from repcount.plan.model import Plan


def plan_toml(plan: Plan, comments: Iterable[str] = ()) -> str:
    """The plan file's text, with comments at its top. Reading it gives an equal plan."""
    lines = [f"# {_one_line(comment)}" for comment in comments]
    lines += [""] if lines else []
    for key, value in (("athlete", plan.athlete), ("notes", plan.notes)):
        if value is not None:
            lines.append(f"{key} = {toml_string(value)}")
    lines += _workout(plan)
    if plan.has_breaks:
        lines += ["", "[breaks]", *_breaks(plan)]
    pace = _pace(plan)
    if pace:
        lines += ["", "[pace]", *pace]
    return "\n".join(lines) + "\n"


def _workout(plan: Plan) -> list[str]:
    workout = plan.workout
    lines = ["", "[workout]", f"name = {toml_string(workout.name)}"]
    same = all(one.movements == plan.rounds[0].movements for one in plan.rounds)
    if same:
        lines.append(f"rounds = {len(plan.rounds)}")
    if plan.load_lb is not None:
        lines.append(f"load_lb = {number(plan.load_lb)}")
    elif workout.load_kg is not None:
        lines.append(f"load_kg = {number(workout.load_kg)}")
    if workout.time_cap_s is not None:
        lines.append(f"time_cap_s = {number(workout.time_cap_s)}")
    if same:
        return lines + _movements("workout.movements", plan.rounds[0].movements)
    for one in plan.rounds:
        lines += ["[[workout.round]]", *_movements("workout.round.movements", one.movements)]
    return lines


def _movements(table: str, movements: Sequence[MovementReps]) -> list[str]:
    return [
        line
        for part in movements
        for line in (f"[[{table}]]", f'movement = "{part.movement}"', f"reps = {part.reps}")
    ]


def _breaks(plan: Plan) -> list[str]:
    patterns = plan.planned_sets()
    lengths = [one.break_s for one in plan.rounds]
    same_work = all(one.movements == plan.rounds[0].movements for one in plan.rounds)
    if same_work and len(set(patterns)) == 1:
        lines = [f'pattern = "{patterns[0]}"']
    else:
        lines = ["patterns = [" + ", ".join(f'"{one}"' for one in patterns) + "]"]
    every = {seconds for one in lengths for seconds in one}
    if len(every) == 1:
        return [*lines, f"seconds = {number(every.pop())}"]
    if not every:
        return lines
    if all(one == lengths[0] for one in lengths):
        return [*lines, f"seconds = {_list(lengths[0])}"]
    return [*lines, "seconds = [" + ", ".join(map(_list, lengths)) + "]"]


def _pace(plan: Plan) -> list[str]:
    lines = []
    rounds = [one.round_s for one in plan.rounds if one.round_s is not None]
    if rounds:
        lines.append(f"round_s = {_list(rounds)}")
    if plan.between_rounds_s is not None:
        lines.append(f"between_rounds_s = {_list(plan.between_rounds_s)}")
    if plan.transition_s is not None:
        lines.append(f"transition_s = {number(plan.transition_s)}")
    if plan.start_s is not None:
        lines.append(f"start_s = {number(plan.start_s)}")
    if plan.cycle_s:
        lines.append("[pace.cycle_s]")
        lines += [f"{key_text(name)} = {number(took)}" for name, took in plan.cycle_s.items()]
    return lines


def number(value: float) -> str:
    """A number with the digits that it has, to a thousandth."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(map(number, values)) + "]"


def toml_string(value: str) -> str:
    """A TOML basic string. JSON's escapes are TOML's, but for DEL, which TOML wants escaped."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)
