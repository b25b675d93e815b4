"""One plan for many: athletes with their own numbers, from a TOML file, and wishes from words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from repcount.errors import PlanError
from repcount.plan.barbell import parse_weight
from repcount.plan.file import Table
from repcount.plan.findings import dotted, toml_data
from repcount.plan.model import Plan
from repcount.plan.pace import SHAPES
from repcount.plan.propose import Wishes, known_movement
from repcount.plan.strength import MaxEstimate, one_rep_max
from repcount.wording import hint, listed, shown

MOST_ATHLETES = 500
LARGEST_FILE = 1_000_000  # bytes


class AthleteTable(Table):
    """An athlete of the file. What is missing is as on the command line, or as in the workout."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    load: str | float | int | None = Field(None, description="60, 60kg or 135 lb")
    max: dict[str, str | float | int] = Field(default_factory=dict)
    best: dict[str, str] = Field(default_factory=dict, description="reps and load, 5x70kg")
    pattern: str | list[str] | None = None
    rule: str | None = None
    protect: str | None = None
    spare: str | None = Field(None, description="the former name of protect")
    breaks: float | int | None = Field(None, description="seconds")
    target: str | float | int | None = Field(None, description="seconds, or 4:30")
    pace: str | None = None
    between: float | int | None = Field(None, description="seconds")


class AthletesFile(Table):
    """[[athlete]] tables."""

    athlete: Annotated[list[AthleteTable], Field(min_length=1, max_length=MOST_ATHLETES)]


def parse_time(text: str | float | int, what: str) -> float:
    """Seconds of `83.4` or `1:23.4`. Raises PlanError, whose sentence `what` opens."""
    match = re.fullmatch(r"\s*(?:(?:(\d{1,2}):)?(\d{1,4}):)?(\d{1,6}(?:\.\d+)?)\s*", str(text))
    if not match:
        raise PlanError(
            f"{what} {shown(text)} is no time; give seconds (83.4) or minutes (1:23.4)."
        )
    return int(match[1] or 0) * 3600 + int(match[2] or 0) * 60 + float(match[3])


def parse_max(text: str | float | int, what: str) -> MaxEstimate:
    """A one-rep max from a weight as a person writes it."""
    return one_rep_max(parse_weight(str(text), what), 1, what)


def parse_best(text: str, what: str) -> MaxEstimate:
    """A max from a best set, `5x70kg`: reps and load."""
    match = re.fullmatch(r"\s*(-?\d{1,4})\s*[x×]\s*(.+)", text)
    if not match:
        raise PlanError(f"{what} {shown(text)} is no set; give reps and load, for example 5x70kg.")
    return one_rep_max(parse_weight(match[2], what), int(match[1]), what)


def parse_maxes(
    maxes: Mapping[str, str | float | int], best: Mapping[str, str], workout: Plan, where: str = ""
) -> dict[str, MaxEstimate]:
    """Maxes by movement, from those lifted and those estimated from a best set; where both are
    given, the one lifted is taken."""
    found: dict[str, MaxEstimate] = {}
    for name, text in best.items():
        movement = known_movement(name, workout, f"{where}the best set")
        found[movement] = parse_best(text, f"{where}the best set of {movement}")
    for name, value in maxes.items():
        movement = known_movement(name, workout, f"{where}the max")
        found[movement] = parse_max(value, f"{where}the max of {movement}")
    return found


def load_athletes(path: Path | str, workout: Plan, shared: Wishes) -> list[Wishes]:
    """The wishes of every athlete of a file; `shared` stands where the file says nothing.

    Raises PlanError that names the file and what is wrong.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise PlanError(f"{path}: is too large for a list of athletes; give one under 1 MB.")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PlanError(f"{path}: cannot be read ({reason}); check the path.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: is no UTF-8 text; save it as UTF-8.") from error
    data = toml_data(text, str(path), PlanError)
    try:
        file = AthletesFile.model_validate(data)
    except ValidationError as error:
        raise PlanError(f"{path}: {_finding(error)}") from error
    found: list[Wishes] = []
    names: set[str] = set()
    for one in file.athlete:
        if one.name in names:
            raise PlanError(f"{path}: {shown(one.name)} stands twice; give each athlete once.")
        names.add(one.name)
        try:
            found.append(_wishes(one, workout, shared))
        except PlanError as error:
            raise PlanError(f"{path}: {shown(one.name)}: {error}") from error
    return found


def _wishes(one: AthleteTable, workout: Plan, shared: Wishes) -> Wishes:
    wishes = replace(shared, athlete=one.name)
    if one.max or one.best:
        wishes = replace(wishes, maxes=parse_maxes(one.max, one.best, workout))
    if one.load is not None:
        wishes = replace(wishes, load_kg=parse_weight(str(one.load), "the load"))
    if one.protect is not None and one.spare is not None:
        raise PlanError("protect and spare mean the same; give protect alone.")
    protect = one.spare if one.protect is None else one.protect
    if one.pattern is not None or one.rule is not None or protect is not None:
        patterns = [one.pattern] if isinstance(one.pattern, str) else one.pattern or []
        wishes = replace(wishes, patterns=patterns, rule=one.rule, protect=protect)
    if one.breaks is not None:
        wishes = replace(wishes, break_s=float(one.breaks))
    if one.target is not None:
        wishes = replace(wishes, target_s=parse_time(one.target, "the target"))
    if one.pace is not None:
        if one.pace not in SHAPES:
            raise PlanError(
                f"the pace {shown(one.pace)} is not known here; allowed are {listed(SHAPES)}."
            )
        wishes = replace(wishes, shape=one.pace)
    if one.between is not None:
        wishes = replace(wishes, between_s=float(one.between))
    return wishes


def _finding(error: ValidationError) -> str:
    """The most telling of pydantic's findings as a sentence, without the file's name."""
    first = min(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
    inside = "athlete" in first["loc"][:1] and len(first["loc"]) > 1
    allowed = list((AthleteTable if inside else AthletesFile).model_fields)
    key = dotted(first["loc"][:3])
    if first["type"] == "extra_forbidden":
        word = str(first["loc"][-1])
        return f"{key} is not a key here{hint(word, allowed)}; allowed are {listed(allowed)}."
    if first["type"] == "missing":
        return f"{key} is missing; give [[athlete]] tables, each with a name."
    return f"{key} = {shown(first['input'])} does not fit; see the README for what is allowed."


def file_stem(name: str) -> str:
    """A file name for an athlete: letters and digits, the rest as hyphens."""
    stem = "".join(one if one.isalnum() else "-" for one in name.casefold())
    return "-".join(part for part in stem.split("-") if part)[:60] or "athlete"
