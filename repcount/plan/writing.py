"""A plan as the TOML file that `load_plan` reads back to the same plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import tomlkit

from repcount.attempt.records import MovementReps
from repcount.plan.model import Plan


def plan_toml(plan: Plan, comments: Iterable[str] = ()) -> str:
    """The plan file's text, with comments at its top. Reading it gives an equal plan."""
    file = tomlkit.document()
    for comment in comments:
        file.add(tomlkit.comment(_one_line(comment)))
    _fill(file, {"athlete": plan.athlete, "notes": plan.notes, "workout": _workout(plan)})
    _fill(
        file,
        {
            "breaks": _breaks(plan) if plan.has_breaks and not plan.workout.to_max else None,
            "pace": _pace(plan) or None,
        },
    )
    return tomlkit.dumps(file)


def _fill(table: Any, values: Mapping[str, Any]) -> None:
    """Add what is there; a value of None is left out."""
    for key, value in values.items():
        if value is not None:
            table.add(key, value)


def _workout(plan: Plan) -> dict[str, Any]:
    workout, first = plan.workout, plan.rounds[0].movements
    same = all(one.movements == first for one in plan.rounds)
    pounds = plan.load_lb is not None
    values = {
        "name": workout.name,
        "rounds": len(plan.rounds) if same else None,
        "load_lb": _number(plan.load_lb),
        "load_kg": None if pounds else _number(workout.load_kg),
        "time_cap_s": _number(workout.time_cap_s),
        "movements": _movements(first) if same else None,
        "round": None if same else [{"movements": _movements(o.movements)} for o in plan.rounds],
    }
    return {key: value for key, value in values.items() if value is not None}


def _movements(movements: Sequence[MovementReps]) -> list[dict[str, Any]]:
    return [
        {"movement": part.movement, "reps": "max" if part.to_max else part.reps}
        for part in movements
    ]


def _breaks(plan: Plan) -> dict[str, Any]:
    patterns = plan.planned_sets()
    lengths = [_numbers(one.break_s) for one in plan.rounds]
    same_work = all(one.movements == plan.rounds[0].movements for one in plan.rounds)
    values: dict[str, Any] = {}
    if same_work and len(set(patterns)) == 1:
        values["pattern"] = patterns[0]
    else:
        values["patterns"] = patterns
    every = {seconds for one in lengths for seconds in one}
    if len(every) == 1:
        values["seconds"] = every.pop()
    elif every:
        values["seconds"] = lengths[0] if all(one == lengths[0] for one in lengths) else lengths
    return values


def _pace(plan: Plan) -> dict[str, Any]:
    rounds = [one.round_s for one in plan.rounds if one.round_s is not None]
    between = plan.between_rounds_s
    values = {
        "round_s": _numbers(rounds) or None,
        "between_rounds_s": None if between is None else _numbers(between),
        "transition_s": _number(plan.transition_s),
        "start_s": _number(plan.start_s),
        "target_s": _number(plan.target_s),
        "cycle_s": {name: _number(took) for name, took in plan.cycle_s.items()} or None,
    }
    return {key: value for key, value in values.items() if value is not None}


def number(value: float) -> str:
    """A number with the digits that it has, to a thousandth."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _number(value: float | None) -> int | float | None:
    """To a thousandth, without a point where it is whole."""
    if value is None:
        return None
    kept = round(value, 3)
    return int(kept) if kept == int(kept) else kept


def _numbers(values: Sequence[float]) -> list[Any]:
    return [_number(value) for value in values]


def _one_line(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)
