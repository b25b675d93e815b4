"""A plan as a form: fields for what most plans need, or TOML text for every rule of the file."""

from __future__ import annotations

import re

from pydantic import BaseModel, ConfigDict, Field

from repcount.errors import PlanError
from repcount.plan.writing import toml_string

MOST_MOVEMENTS = 4
_SHORT = 400


class PlanForm(BaseModel):
    """The fields as typed. `toml`, where it is given, stands for all others."""

    model_config = ConfigDict(extra="forbid")
    toml: str = Field("", max_length=100_000)
    name: str = Field("", max_length=_SHORT)
    athlete: str = Field("", max_length=_SHORT)
    rounds: str = Field("", max_length=_SHORT)
    load: str = Field("", max_length=_SHORT)
    unit: str = Field("kg", pattern="^(kg|lb)$")
    cap: str = Field("", max_length=_SHORT)
    movement1: str = Field("", max_length=_SHORT)
    reps1: str = Field("", max_length=_SHORT)
    movement2: str = Field("", max_length=_SHORT)
    reps2: str = Field("", max_length=_SHORT)
    movement3: str = Field("", max_length=_SHORT)
    reps3: str = Field("", max_length=_SHORT)
    movement4: str = Field("", max_length=_SHORT)
    reps4: str = Field("", max_length=_SHORT)
    pattern: str = Field("", max_length=_SHORT)
    seconds: str = Field("", max_length=_SHORT)
    round_s: str = Field("", max_length=_SHORT)
    between: str = Field("", max_length=_SHORT)
    start: str = Field("", max_length=_SHORT)
    transition: str = Field("", max_length=_SHORT)


def toml_of(form: PlanForm) -> str:
    """The plan file that the form means. PlanError where a field is no number or list of them."""
    if form.toml.strip():
        return form.toml.replace("\r\n", "\n")
    lines = []
    if form.athlete.strip():
        lines.append(f"athlete = {_text(form.athlete)}")
    lines += ["[workout]", f"name = {_text(form.name)}"]
    lines += _numbers("rounds", form.rounds, "rounds")
    lines += _numbers(f"load_{form.unit}", form.load, "load", decimal=True)
    lines += _numbers("time_cap_s", form.cap, "time cap", decimal=True)
    for number in range(1, MOST_MOVEMENTS + 1):
        movement, reps = getattr(form, f"movement{number}"), getattr(form, f"reps{number}")
        if movement or reps:
            lines += ["[[workout.movements]]", f"movement = {_text(movement)}"]
            lines += _numbers("reps", reps, f"reps of movement {number}")
    if form.pattern.strip():
        patterns = [one.strip() for one in re.split(r"[\n;]", form.pattern) if one.strip()]
        several = ", ".join(map(_text, patterns))
        lines += ["[breaks]"]
        lines.append(f"patterns = [{several}]" if len(patterns) > 1 else f"pattern = {several}")
        lines += _numbers("seconds", form.seconds, "length of breaks", decimal=True, many=True)
    pace = [
        *_numbers("round_s", form.round_s, "round times", decimal=True, many=True),
        *_numbers("between_rounds_s", form.between, "time between", decimal=True, many=True),
        *_numbers("start_s", form.start, "start", decimal=True),
        *_numbers("transition_s", form.transition, "transition", decimal=True),
    ]
    return "\n".join([*lines, *(["[pace]", *pace] if pace else [])]) + "\n"


def _text(value: str) -> str:
    return toml_string(" ".join(value.split()))


def _numbers(
    key: str, value: str, said: str, *, decimal: bool = False, many: bool = False
) -> list[str]:
    """A line of the file, none for an empty field."""
    parts = [part for part in re.split(r"[,\s]+", value.strip()) if part]
    if not parts:
        return []
    shape = r"\d{1,9}(\.\d{1,6})?" if decimal else r"\d{1,9}"
    if not all(re.fullmatch(shape, part, re.ASCII) for part in parts) or (
        len(parts) > 1 and not many
    ):
        kind = "numbers" if many else "a number" if decimal else "a whole number"
        raise PlanError(f"The field {said} wants {kind}, for example 4.")
    parts = [part.lstrip("0") or "0" for part in parts]
    parts = [f"0{part}" if part.startswith(".") else part for part in parts]
    return [f"{key} = {parts[0]}" if len(parts) == 1 else f"{key} = [{', '.join(parts)}]"]
